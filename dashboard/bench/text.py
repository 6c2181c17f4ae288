"""What the board says of waits: one plain sentence each, what to add, their history, cautions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from dashboard.ui import formats
from monitor.domain.events import Event
from monitor.domain.wait import Action, Feel, Wait
from monitor.domain.wait_types import Caution
from monitor.science.waits.learning import LONG_BEFORE
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import Readiness, WaitState

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from monitor.domain.wait_types import WaitType
    from monitor.waits.evaluation import Standing

ROUND_MS = 5 * formats.MINUTE_MS
"""Times that are forecast are told to this. [ms]"""
SLOW, QUICK = 0.85, 1.15
"""Air slower or quicker than this is told as such, relative to reference air. [-]"""
MISSED_S = 1800
"""Readings missing for longer than this are told. [s]"""
FEELS = {
    Feel.SOFT: "Still soft",
    Feel.RIGHT: "Just right",
    Feel.LONG_BEFORE: "Was ready long before",
}
HOLDS = {
    Hold.DAMP: ("too damp", "Warm the bench or dry the air."),
    Hold.COLD: ("too cold", "Warm the bench."),
    Hold.WOOD_DAMP: ("the wood is too damp", "Let the wood dry first."),
    Hold.DRY: ("too dry", "Bring the air back into its band."),
    Hold.HOT: ("too hot", "Let the air cool."),
    Hold.SHUT: ("shut away from the air", "Let air reach it."),
}
"""Why no headway is made, and what to do. None of it asks for a flame or a heater near solvents."""
_DAMP_TO = {"GlueLaw": " to harden", "FilmLaw": " to set", "DryingLaw": " to dry"}
_RESTS = {
    "basis": "the usual time of its kind",
    "law": "how the work responds to the air",
    "sensor": "the sensor's accuracy",
    "outlook": "the outlook",
}
CAUTIONS = {
    Caution.HOT_GLUE_POT: (
        "A glue pot scalds, and a pot boiled dry burns. Keep the water "
        "topped up. Switch the pot off and unplug it before you leave."
    ),
    Caution.CHILLED_JOINT: "Cold parts chill the glue before the joint is closed.",
    Caution.SOLVENTS: (
        "Solvents: open a window, keep flames, heaters and sparks away, wear "
        "gloves and close the bottle. Read the product's safety data sheet."
    ),
    Caution.BLUSH: "Damp air clouds a spirit coat. Check the dew point first.",
    Caution.OILY_RAGS: (
        "Oily rags heat up by themselves and can catch fire within hours. Lay "
        "them flat outdoors to dry, or shut them in a metal can and take it "
        "out of the building every day."
    ),
    Caution.WOOD_DUST: "Wood dust harms the lungs. Use extraction and a mask when you sand.",
    Caution.LONE_WORKING: "Working alone with solvents? Agree who looks in on you, and when.",
    Caution.CLIMATE_SHOCK: (
        "The instrument is open or freshly strung. Keep the air steady, "
        "and keep it out of draughts and sun."
    ),
}
DEFERS = "The product's safety data sheet and your local codes come first."


class WaitText(NamedTuple):
    """How a wait stands: a word for its state, when in a few characters, a sentence, and more."""

    state: str
    when: str
    sentence: str
    more: tuple[str, ...]


def title(wait: Wait) -> str:
    """What is waiting, in a few words."""
    return ", ".join(filter(None, (wait.instrument, wait.what))) or str(wait.kind["name"])


def about(ms: int) -> int:
    """A forecast time, rounded. [ms]"""
    return round(ms / ROUND_MS) * ROUND_MS


def said(standing: Standing, now_ms: int, zone: ZoneInfo) -> WaitText:
    """How an open wait stands, in words."""
    wait, found = standing.wait, standing.readiness
    more: list[str] = []
    if wait.paused:
        since = formats.when(wait.pauses[-1][0], now_ms, zone)
        share = ""
        if found is not None and not math.isnan(found.progress.median):
            share = f" {percent(found.progress.median)} done so far."
        return WaitText(
            "paused", "paused", f"Paused since {since}. Paused time does not count.{share}", ()
        )
    if found is None:
        return WaitText(
            "unknown", "not known", standing.why_not, tuple(_wanted(wait, None, now_ms, zone))
        )
    state, when, sentence = _main(found, standing, now_ms, zone)
    more += _wanted(wait, found, now_ms, zone)
    if found.unknown_s > MISSED_S and standing.kind.law.needs_air:
        more.append(
            f"Readings are missing for {formats.hours(found.unknown_s)}"
            f"{', before the first one' if found.before_log_s >= 0.9 * found.unknown_s else ''}: "
            "they count for nothing at the least, so the range is wider."
        )
    if found.outside_claim:
        more.append(
            "This air is outside the range that the calculation is made for. Check "
            "the work by hand."
        )
    return WaitText(state, when, sentence, tuple(more))


def rests_on(found: Readiness, *, foretold: bool = False) -> str:
    """What the range rests on, the most first; empty where there is no range. `foretold`: the air
    to come is the outlook's."""
    if found.state not in (WaitState.WAITING, WaitState.HOLD) or not found.rests_on:
        return ""
    shares = sorted(found.rests_on.items(), key=lambda item: -item[1])
    duration = [f"{_RESTS[cause]} ({percent(share)})" for cause, share in shares if share >= 0.1]
    text = f"The range rests on {' and '.join(filter(None, [', '.join(duration[:-1]), duration[-1]]))}."
    source = "the outlook" if foretold else "the pattern of the last weeks"
    return f"{text} The air is taken from {source}."


def next_up(standings: Sequence[Standing], now_ms: int, zone: ZoneInfo) -> tuple[str, str]:
    """What is ready, and what is next: the sentence over the bench, and a smaller one."""
    if not standings:
        return "Nothing is waiting.", ""
    ready = [s for s in standings if s.readiness and s.readiness.state is WaitState.READY]
    ahead = [(s, said(s, now_ms, zone)) for s in standings if s not in ready]
    coming = next(((s, duration) for s, duration in ahead if duration.state == "waiting"), None)
    after = ""
    if coming:
        after = f"Next {_at(coming[1].when)}: {title(coming[0].wait)}."
    if ready:
        more = f" and {len(ready) - 1} more" if len(ready) > 1 else ""
        return f"Ready: {title(ready[0].wait)}{more}.", after
    if after:
        return after, ""
    held = next((s for s, duration in ahead if duration.state == "hold"), None)
    return (f"On hold: {title(held.wait)}." if held else "No wait has a ready time yet."), ""


def _at(when: str) -> str:
    return when if " " in when else f"at {when}"


def _main(
    found: Readiness, standing: Standing, now_ms: int, zone: ZoneInfo
) -> tuple[str, str, str]:
    """State, when, and the sentence."""
    if found.state is WaitState.READY:
        text = formats.when(found.ready_ms or now_ms, now_ms, zone)
        return "ready", "ready", f"Ready since {text}."
    if found.state is WaitState.NO_AIR:
        return (
            "unknown",
            "not known",
            "No reading from its place since it began, so there is no ready time.",
        )
    if found.state is WaitState.NOT_STARTED:
        text = formats.ahead(standing.wait.started_ms, now_ms, zone)
        return "waiting", "to begin", f"Begins {text}."
    undone = "It was ready, but damp air has softened it again. " if found.softened else ""
    if found.state is WaitState.HOLD:
        why, remedy = HOLDS.get(Hold(found.hold), ("no progress in this air", "Warm the bench."))
        if found.hold == Hold.DAMP:
            why += _DAMP_TO.get(type(standing.kind.law).__name__, "")
        since = formats.when(found.hold_since_ms or now_ms, now_ms, zone)
        then = ""
        if found.ready_ms is not None:
            then = (
                f" If the air goes on as it usually does, ready about "
                f"{formats.ahead(about(found.ready_ms), now_ms, zone)}{_range(found, now_ms, zone)}."
            )
        return "hold", "on hold", f"{undone}On hold since {since}, {why}: {_lower(remedy)}{then}"
    if found.ready_ms is None:
        if found.horizon_ms <= now_ms:
            had = percent(found.progress.median)
            return (
                "unknown",
                "not known",
                f"{undone}{had} done. There is no outlook yet, so there is no ready time.",
            )
        days = round((found.horizon_ms - now_ms) / formats.DAY_MS)
        span = "five days" if days == 5 else formats.duration(found.horizon_ms - now_ms)
        return "long", f"over {span}", f"{undone}Not within {span} in this air.{_rate(found)}"
    text = formats.ahead(about(found.ready_ms), now_ms, zone)
    if found.slow:
        return (
            "waiting",
            text,
            (
                f"{undone}Perhaps about {text}{_range(found, now_ms, zone)}. Uncertain: the air "
                "is nearly too damp, and the sensor's error decides."
            ),
        )
    return (
        "waiting",
        text,
        f"{undone}Ready about {text}{_range(found, now_ms, zone)}.{_rate(found)}",
    )


def _range(found: Readiness, now_ms: int, zone: ZoneInfo) -> str:
    """The 10–90 % range in brackets: " (16:05 to 17:30)"."""
    low, high = found.ready_low_ms, found.ready_high_ms
    if low is None and high is None:
        return ""
    early = "now" if low is None or low <= now_ms else formats.ahead(about(low), now_ms, zone)
    if high is None:
        return f" ({early} at the earliest, perhaps not within five days)"
    if low is not None and about(low) == about(high):
        return ""
    late = formats.ahead(about(high), now_ms, zone)
    if low is not None and found.ready_ms is not None and about(low) == about(found.ready_ms):
        return f", almost surely by {late}"
    if early != "now" and low is not None and found.ready_ms is not None:
        early = _after(about(low), about(found.ready_ms), now_ms, zone)
    if low is not None and low > now_ms:
        late = _after(about(high), about(low), now_ms, zone)
    return f" ({early} to {late})"


def _after(ms: float, before_ms: float, now_ms: int, zone: ZoneInfo) -> str:
    """A moment named after another one: with its day unless that is the same, or both are today.

    So a bare time is never of another day than the one before it: `Fri 11:30`, `today 04:35`.
    """
    day, before, today = (formats.local(at, zone).date() for at in (ms, before_ms, now_ms))
    if day == before:
        return formats.clock(ms, zone)
    named = formats.ahead(ms, now_ms, zone)
    return f"today {named}" if day == today else named


def _rate(found: Readiness) -> str:
    rate = found.rate_now
    if math.isnan(rate) or SLOW <= rate <= QUICK:
        return ""
    if rate < 0.1:
        return " In this air it takes more than 10 times the usual time."
    times = formats.figure(1 / rate, 1)
    return f" In this air it takes about {times} times the usual time."


def _wanted(wait: Wait, found: Readiness | None, now_ms: int, zone: ZoneInfo) -> list[str]:
    """Whether it will be ready when it is wanted."""
    if wait.wanted_ms is None:
        return []
    by = f"Wanted by {formats.ahead(wait.wanted_ms, now_ms, zone)}"
    if found is None:
        return [f"{by}."]
    if found.state is WaitState.READY:
        return [f"{by}: it is ready."]
    if found.ready_ms is None or found.ready_ms > wait.wanted_ms:
        return [f"{by}: it will be late if the air stays like this."]
    if found.ready_high_ms is None or found.ready_high_ms > wait.wanted_ms:
        return [f"{by}: likely, but not certain."]
    return [f"{by}: in time."]


def duration(seconds: float) -> float:
    """A length of time that was estimated, to two figures of hours. [s]"""
    return 3600 * float(f"{seconds / 3600:.2g}")


def foreseen(wait: Wait, now_ms: int, zone: ZoneInfo) -> str:
    """When a wait was to be ready, as it looked when it was opened."""
    if wait.foreseen_ms is None:
        return "not known when it was opened"
    low, ready, high = (about(ms) for ms in wait.foreseen_ms)
    early, late = _after(low, ready, now_ms, zone), _after(high, low, now_ms, zone)
    return f"ready {formats.ahead(ready, now_ms, zone)} ({early} to {late})"


def well_past(wait: Wait) -> str:
    """What to bear in mind when saying how a wait was that had far more than its basis."""
    share = (wait.equivalent_s or 0.0) / float(wait.kind["basis_s"])
    if share * LONG_BEFORE < 1:
        return ""
    return (
        f"It had {percent(share)} of its usual time. “Just right” then shows only that it was "
        "hard by that time."
    )


def percent(share: float) -> str:
    return f"{min(round(100 * share), 999)} %"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def law_words(kind: WaitType) -> str:
    """A kind's law in plain words."""
    return _LAWS[type(kind.law).__name__]


_LAWS = {
    "GlueLaw": (
        "Water glue: the glue line dries towards the air and is hard once its water "
        "activity has fallen to the threshold. Warm, dry air is quicker. In air "
        "damper than the threshold there is no progress, and some is undone."
    ),
    "DryingLaw": (
        "Wetted wood: its moisture content moves towards the air's. It is ready "
        "once it is dry enough to work."
    ),
    "FilmLaw": "A film that sets: warmth speeds it, humidity slows it beyond a limit and stops it "
    "near the dew point. Thickness, recipe and driers matter more than the air.",
    "RestLaw": "A rest: time counts only while the air is in its band.",
    "FixedLaw": "A fixed time. The air makes no difference.",
}


def event_words(event: Event, places: Mapping[str, str], now_ms: int, zone: ZoneInfo) -> str:
    """What was done, in words. Who and when stand beside it."""
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
            return f"Released{felt}{at()}"
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
