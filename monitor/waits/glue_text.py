"""Batches of glue in words, for the board, the command line and the morning brief."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.core import formats
from monitor.domain.glue import HOUR_MS, Glue, GlueAction, GlueState
from monitor.domain.glue_kinds import Limit

if TYPE_CHECKING:
    from collections.abc import Mapping
    from zoneinfo import ZoneInfo

    from monitor.domain.events import Event

MIX_FRESH = "Do not glue with it. Mix fresh glue."
OPEN_FRESH = "Do not glue with it. Open a fresh one."
TEST_FIRST = "Glue a test joint in scrap wood before you use it."
NOT_KNOWN = "Its discard time is not known. Add the time on the maker's sheet."
NO_CLAMP_TIME = "Its clamp time is missing. Add the time on the maker's sheet."
NO_LOAD_TIME = (
    "The maker's sheet also has the time until the joint may be worked or loaded. Add it."
)
POT_OFF = "Pot off and unplugged?"


def span(h: float) -> str:
    """Hours, briefly: `40 min`, `6 h`, `5 days`."""
    return formats.hours(3600 * h)


def limit_words(limit: Limit) -> str:
    """A limit with its range and source: `8 h (4 h to 12 h; common practice, no source)`."""
    given = "" if limit.low_h == limit.high_h else f"{span(limit.low_h)} to {span(limit.high_h)}; "
    return f"{span(limit.usual_h)} ({given}{limit.source})"


def condition(glue: Glue, now_ms: int, zone: ZoneInfo) -> str:
    """Condition of a batch, and what to do about it."""
    state = glue.state(now_ms)
    used = "; ".join(_used(glue, now_ms, state))
    match state:
        case GlueState.DISCARDED:
            return f"Discarded {formats.when(glue.discarded_ms or now_ms, now_ms, zone)}."
        case GlueState.UNKNOWN:
            return NOT_KNOWN
        case GlueState.PAST:
            return f"Past its discard time: {used}. {instead(glue)}"
        case GlueState.NEAR:
            return f"Near its discard time: {used}. {TEST_FIRST}"
    at_ms = glue.discard_ms(now_ms)
    until = "" if at_ms is None else f" Discard it by {formats.ahead(at_ms, now_ms, zone)}."
    return f"{formats.first_upper(used)}.{until}"


def instead(glue: Glue) -> str:
    """Advice on a batch that is past its discard time."""
    return MIX_FRESH if glue.kind.air_sets else OPEN_FRESH


def brief(glue: Glue, now_ms: int, zone: ZoneInfo) -> str:
    """Warning before a batch is used: its pot is on, or it is old; empty if neither."""
    state = glue.state(now_ms)
    old = {
        GlueState.PAST: f"Past its discard time. {instead(glue)}",
        GlueState.NEAR: f"Near its discard time. {TEST_FIRST}",
    }.get(state, "")
    return " ".join(filter(None, (pot(glue, now_ms, zone), old)))


def _used(glue: Glue, now_ms: int, state: GlueState) -> list[str]:
    """Use of a batch against its limits; of one near or past them only those that it has reached."""
    hot_h, age_h = glue.hot_h(now_ms), max(now_ms - glue.mixed_ms, 0) / HOUR_MS
    word = "mixed" if glue.kind.air_sets else "mixed or opened"
    found = []
    for text, hours, limit in (
        (f"hot for {span(hot_h)}", hot_h, glue.hot_limit),
        (f"{word} {span(age_h)} ago", age_h, glue.keeps_limit),
    ):
        if limit is not None:
            least = {GlueState.PAST: limit.usual_h, GlueState.NEAR: limit.low_h}.get(state, 0.0)
            if hours >= least:
                found.append(f"{text}, limit {limit_words(limit)}")
    return found


def pot(glue: Glue, now_ms: int, zone: ZoneInfo) -> str:
    """Since when the pot has been on; empty if it is off."""
    on_ms = glue.pot_on_ms
    if on_ms is None:
        return ""
    since = formats.when(on_ms, now_ms, zone)
    return f"Pot on since {since} ({span((now_ms - on_ms) / HOUR_MS)})."


def gaps(glue: Glue) -> str:
    """Request for what is missing of the maker's sheet; empty if nothing is."""
    if glue.kind.air_sets:
        return ""
    if glue.clamp_h is None:
        return NO_CLAMP_TIME
    return NO_LOAD_TIME if glue.load_h is None else ""


def action(event: Event, now_ms: int, zone: ZoneInfo) -> str:
    """An event of a batch. Who and when are shown beside it."""
    body = event.body
    at_ms = body.get("at_ms")
    at = ""
    if at_ms is not None and abs(at_ms - event.recorded_ms) > 2 * formats.MINUTE_MS:
        at = f", as of {formats.when(at_ms, now_ms, zone)}"
    match event.action:
        case GlueAction.MIX:
            return f"Mixed or opened{_fields(body, now_ms, zone)}"
        case GlueAction.POT_ON:
            return f"Pot on{at}"
        case GlueAction.POT_OFF:
            return f"Pot off{at}"
        case GlueAction.DISCARD:
            return f"Discarded{at}"
        case GlueAction.RESTORE:
            return "Discard undone"
        case GlueAction.CORRECT:
            return f"Corrected{_fields(body, now_ms, zone)}"
    return str(event.action)


FIELDS = {
    "name": "name",
    "strength": "strength",
    "kept": "kept",
    "mixed_ms": "mixed",
    "hot_h": "hours hot",
    "hot_limit_h": "most hours hot",
    "keeps_h": "keeps for",
    "clamp_h": "clamp time",
    "load_h": "may be loaded after",
    "note": "note",
}
"""Words for the fields of a batch."""


def _fields(body: Mapping[str, object], now_ms: int, zone: ZoneInfo) -> str:
    said = []
    for name, word in FIELDS.items():
        value = body.get(name, "")
        if value == "":
            continue
        if value is None:
            text = "not on the sheet"
        elif name == "mixed_ms":
            text = formats.when(float(str(value)), now_ms, zone)
        else:
            text = span(float(str(value))) if name.endswith("_h") else str(value)
        said.append(f"{word} {text}")
    return f": {', '.join(said)}" if said else ""
