"""Texts of the board about waits: a plain sentence each, what to add, history, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.ui import formats
from monitor.domain.events import Event
from monitor.domain.glue import takes_glue
from monitor.domain.glue_kinds import KINDS as GLUES
from monitor.domain.wait import Action, Feel, Wait
from monitor.domain.wait_type_registry import from_mapping
from monitor.science.waits.glue import HIDE_GLUE, GlueLaw
from monitor.science.waits.learning import LONG_BEFORE
from monitor.waits.text import percent, ready_phrase, released_word, status_text, title

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from monitor.domain.wait_types import WaitType
    from monitor.science.waits.learning import LearnedUsualTime
    from monitor.waits.evaluation import WaitStatus
    from monitor.waits.starts import Start

FEELS = {
    Feel.SOFT: "Still soft",
    Feel.RIGHT: "Just right",
    Feel.LONG_BEFORE: "Was ready long before",
}


def next_up(statuses: Sequence[WaitStatus], now_ms: int, zone: ZoneInfo) -> tuple[str, str]:
    """Sentences over the bench: a large one on what is ready or next, and a smaller one."""
    if not statuses:
        return "Nothing is waiting.", ""
    ready = [s for s in statuses if s.ready]
    loadable = [s for s in statuses if s.loadable]
    over = {s.wait.id for s in (*ready, *loadable)}
    ahead = [(s, status_text(s, now_ms, zone)) for s in statuses if s.wait.id not in over]
    coming = next(((s, duration) for s, duration in ahead if duration.state == "waiting"), None)
    after = ""
    if coming:
        after = f"Next {_at(coming[1].when)}: {title(coming[0].wait)}."
    for word, which in (("Ready", ready), ("May be worked", loadable)):
        if which:
            more = f" and {len(which) - 1} more" if len(which) > 1 else ""
            return f"{word}: {title(which[0].wait)}{more}.", after
    if after:
        return after, ""
    held = next((s for s, duration in ahead if duration.state == "hold"), None)
    return (f"On hold: {title(held.wait)}." if held else "No wait has a ready time yet."), ""


def _at(when: str) -> str:
    return when if " " in when else f"at {when}"


def start_phrase(start: Start, now_ms: int, zone: ZoneInfo) -> str:
    """Ready time of what could be started, or why it cannot be."""
    if start.status is None:
        return start.why_not
    return ready_phrase(start.status, now_ms, zone)


def glue_words(kind: WaitType, named: str) -> str:
    """Glue of a kind: the batch that was named, else hide glue where the law is that of a gel;
    empty for others."""
    if named and takes_glue(kind):
        return named
    law = kind.law
    return (
        GLUES["hide"].name
        if isinstance(law, GlueLaw) and law.gel_melts_c == HIDE_GLUE.gel_melts_c
        else ""
    )


def opened_words(
    waits: Sequence[Wait], places: Mapping[str, str], glues: Mapping[str, str]
) -> str:
    """All that was opened: kind, instrument, clamps, glue, place."""
    wait = waits[0]
    kind = from_mapping(wait.kind)
    clamps = formats.counted(wait.clamps, "clamp") if wait.clamps else ""
    parts = (
        f"{len(waits)} × {kind.name}" if len(waits) > 1 else kind.name,
        wait.instrument,
        clamps,
        glues.get(wait.glue, "") or glue_words(kind, ""),
        places.get(wait.place, wait.place),
    )
    return ", ".join(filter(None, parts))


def duration(seconds: float) -> float:
    """A length of time that was estimated, to two figures of hours. [s]"""
    return 3600 * float(f"{seconds / 3600:.2g}")


def long_wait_reminder(wait: Wait) -> str:
    """Reminder for judging a wait that had far more than its usual time; empty for others."""
    share = (wait.equivalent_s or 0.0) / float(wait.kind["basis_s"])
    if share * LONG_BEFORE < 1:
        return ""
    return (
        f"It had {percent(share)} of its usual time. “Just right” then shows only that it was "
        "hard by that time."
    )


def taught_words(wait: Wait, taught: tuple[float, float] | None) -> str:
    """Effect of an answer on the usual time; empty where nothing is learned from it."""
    if taught is None or wait.feel is None:
        return ""
    kind = str(wait.kind["name"])
    was, now = (hours_of(seconds) for seconds in taught)
    if was != now:
        return f"Learned: the usual time of {kind} is now {now} instead of {was}, for new waits."
    if wait.feel is Feel.SOFT:
        return (
            f"Noted: it was still soft. The usual time of {kind} was long enough and stays {now}."
        )
    return f"Noted. The usual time of {kind} stays {now}."


def shorter_words(kind: WaitType, learned: LearnedUsualTime | None) -> str:
    """Question whether to use a shorter usual time; empty where none is proposed."""
    if learned is None or learned.shorter_s is None:
        return ""
    return (
        f"{kind.name}: the last {learned.shorter_from} were ready long before. Use "
        f"{hours_of(learned.shorter_s)} instead of {hours_of(learned.used_s)}?"
    )


def hours_of(seconds: float) -> str:
    return formats.hours(duration(seconds))


def law_words(kind: WaitType) -> str:
    """A kind's law in plain words."""
    return _LAWS[type(kind.law).__name__]


_LAWS = {
    "GlueLaw": (
        "Water glue: the glue line dries towards the air and is hard once its water "
        "activity has fallen to the threshold. Warm, dry air is quicker, but where it is hot enough to "
        "melt the wet gel there is no progress. In air "
        "damper than the threshold there is no progress, and part of the drying is undone."
    ),
    "DryingLaw": (
        "Wetted wood: its moisture content moves towards the air's. It is ready "
        "once it is dry enough to work."
    ),
    "FilmLaw": "A film that sets. Warmth speeds it. Humidity above a limit slows it. Near the dew "
    "point it stops. Thickness, recipe and driers matter more than the air.",
    "RestLaw": "A rest: time counts only while the air is in its band.",
    "FixedLaw": "A fixed time. The air makes no difference.",
}


def event_words(
    event: Event, wait: Wait, places: Mapping[str, str], now_ms: int, zone: ZoneInfo
) -> str:
    """Describe one event of a wait. Who and when are shown beside it."""
    body = event.body

    def place(name: object) -> str:
        return places.get(str(name), str(name))

    def at(name: str = "at_ms") -> str:
        ms = body.get(name)
        if ms is None or abs(ms - event.recorded_ms) < 2 * formats.MINUTE_MS:
            return ""
        return f", as of {formats.when(ms, now_ms, zone)}"

    match event.action:
        case Action.OPEN:
            return f"Opened: {body['kind']['name']} at {place(body['place'])}{at('start_ms')}"
        case Action.PAUSE:
            return f"Paused{at()}"
        case Action.RESUME:
            return f"Resumed{at()}"
        case Action.MOVE:
            return f"Moved to {place(body['place'])}{at()}"
        case Action.RELEASE:
            felt = f": {FEELS[Feel(body['feel'])].lower()}" if body.get("feel") else ""
            return f"{released_word(wait)}{felt}{at()}"
        case Action.LOAD:
            return f"Worked, loaded or strung{at()}"
        case Action.REOPEN:
            return "Opened again"
        case Action.FEEL:
            if not body.get("feel"):
                return "How it was: answer withdrawn"
            return f"How it was: {FEELS[Feel(body['feel'])].lower()}"
        case Action.CORRECT:
            return f"Corrected: {', '.join(_corrections(body, place, now_ms, zone))}"
    return str(event.action)


def _corrections(
    body: Mapping[str, object], place: object, now_ms: int, zone: ZoneInfo
) -> list[str]:
    duration = []
    for name, value in body.items():
        if name in ("start_ms", "wanted_ms"):
            word = "start" if name == "start_ms" else "wanted by"
            shown = (
                formats.when(float(str(value)), now_ms, zone) if value is not None else "no time"
            )
        else:
            word = "place" if name == "place" else name
            shown = (
                str(place(value)) if name == "place" and callable(place) else str(value or "none")
            )
        duration.append(f"{word} {shown}")
    return duration
