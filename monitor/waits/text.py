"""Status of an open wait in words, for the board, the command line and notices."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from monitor.core import formats
from monitor.domain.cautions import NO_SOLVENTS, WARM_TO_DRY
from monitor.domain.wait import Wait
from monitor.outlook.place_air import AirSource
from monitor.science.waits.film import FilmLaw
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import Readiness, WaitState

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.domain.wait_types import WaitType
    from monitor.science.waits.laws import Law
    from monitor.waits.evaluation import WaitStatus

ROUND_MS = 5 * formats.MINUTE_MS
"""Step to which forecast times are rounded. [ms]"""


SLOW, QUICK = 0.85, 1.15
"""Limits beyond which air is reported as slow or quick, relative to reference air. [-]"""


MISSED_S = 1800
"""Length of a gap in the readings from which it is reported. [s]"""


HOLDS = {
    Hold.DAMP: ("too damp", f"Dry the air slowly. {WARM_TO_DRY}"),
    Hold.COLD: ("too cold", f"Warm the room slowly, and only if {NO_SOLVENTS}."),
    Hold.WOOD_DAMP: (
        "the wood is too damp",
        "Let the wood dry first, slowly and without a heater.",
    ),
    Hold.DRY: ("too dry", "Bring the air back into its band slowly."),
    Hold.HOT: ("too hot", "Let the air cool."),
    Hold.SHUT: ("shut away from the air", "Let air reach it."),
}
"""Reason for no progress, and what to do. None of it asks for a flame or heater near solvents."""


COAT_REMEDIES = {
    Hold.DAMP: "Wait for drier air, or move the work into it. Use no heater or lamp.",
    Hold.COLD: "Wait, or move the work to a warmer room. Use no heater or lamp.",
}
"""Advice instead of `HOLDS` where a coat gives off solvent."""


HOT_GLUE = (
    "too hot, so that wet hot glue is soft or melts again",
    "Leave the clamps on. Let the air cool, or move the work to a cooler place.",
)
"""Reason and advice instead of `HOLDS` where the gel of a joint melts."""


_DAMP_TO = {"GlueLaw": " to harden", "FilmLaw": " to set", "DryingLaw": " to dry"}


_RESTS = {
    "basis": "the usual time of its kind",
    "law": "how the work responds to the air",
    "sensor": "the sensor's accuracy",
    "outlook": "the outlook",
}


UNKNOWN_TIME = "ready time not known yet"


class WaitText(NamedTuple):
    """Status of a wait: a word for its state, when in a few characters, a sentence, and more."""

    state: str
    when: str
    sentence: str
    more: tuple[str, ...]


def title(wait: Wait) -> str:
    """Title of a wait, in a few words."""
    return ", ".join(filter(None, (wait.instrument, wait.what))) or str(wait.kind["name"])


def released_word(wait: Wait) -> str:
    """Word for a wait that was released: of a joint, the clamps came off and it goes on to set."""
    return "Unclamped" if wait.kind.get("load_s") else "Released"


def about(ms: int) -> int:
    """A forecast time, its minute rounded up to five: nothing is called ready a minute before it is.
    [ms]"""
    return -(-(ms - ms % formats.MINUTE_MS) // ROUND_MS) * ROUND_MS


def status_text(status: WaitStatus, now_ms: int, zone: ZoneInfo) -> WaitText:
    """Status of an open wait."""
    wait, found = status.wait, status.readiness
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
            "unknown", "not known", status.why_not, tuple(_wanted(wait, status, now_ms, zone))
        )
    state, when, sentence = _main(found, status, now_ms, zone)
    if status.load is not None and not wait.setting:
        more.append(_load(status.load, now_ms, zone))
    more += _wanted(wait, status, now_ms, zone)
    if found.unknown_s > MISSED_S and status.kind.law.needs_air:
        more.append(
            f"Readings are missing for {formats.hours(found.unknown_s)}"
            f"{', before the first one' if found.before_log_s >= 0.9 * found.unknown_s else ''}: "
            "the range is wider, because it allows for no progress in that time."
        )
    if found.outside_claim:
        more.append(
            "This air is outside the range that the calculation is made for. Check "
            "the work by hand."
        )
    return WaitText(state, when, sentence, tuple(more))


def ready_phrase(status: WaitStatus, now_ms: int, zone: ZoneInfo) -> str:
    """Ready time of a wait in a phrase: `ready to unclamp about 12:50 (11:40 to 14:30)`."""
    found, kind = status.readiness, status.kind
    if status.wait.paused:
        return "paused"
    if found is None or found.state is WaitState.NO_AIR:
        return UNKNOWN_TIME
    word = "ready"
    if kind.load_s:
        word = "may be worked" if status.wait.setting else "ready to unclamp"
    check = "; check by hand" if found.outside_claim else ""
    if found.state is WaitState.READY:
        return f"{word} since {formats.when(found.ready_ms or now_ms, now_ms, zone)}{check}"
    held = ""
    if found.state is WaitState.HOLD:
        held = f"on hold, {_hold(found, status)[0]}"
        if status.air_from is AirSource.PRESENT:
            return held
        held += "; "
    if found.ready_ms is None:
        if found.horizon_ms <= now_ms:
            return f"{held}{UNKNOWN_TIME}"
        return f"{held}not ready within {_span(found, now_ms)} in this air"
    unsure = found.slow or (math.isnan(found.rate_now) and kind.law.needs_air)
    at = formats.ahead(about(found.ready_ms), now_ms, zone)
    perhaps = "perhaps " if unsure else ""
    return f"{held}{word} {perhaps}about {at}{_range(found, now_ms, zone)}{check}"


def range_causes(status: WaitStatus) -> str:
    """Causes of the range, the largest first, and the source of the air; empty without a range."""
    found = status.readiness
    if found is None or found.state not in (WaitState.WAITING, WaitState.HOLD):
        return ""
    if not found.rests_on:
        return ""
    shares = sorted(found.rests_on.items(), key=lambda item: -item[1])
    duration = [f"{_RESTS[cause]} ({percent(share)})" for cause, share in shares if share >= 0.1]
    causes = " and ".join(filter(None, [", ".join(duration[:-1]), duration[-1]]))
    air = _AIR[status.air_from]
    if math.isnan(found.rate_now):
        air = air.replace("as it is now", "as it was last read")
    return f"The range comes from {causes}. {air}".strip()


_AIR = {
    AirSource.OUTLOOK: "The air is taken from the outlook.",
    AirSource.PATTERN: "The air is taken from the pattern of the last weeks.",
    AirSource.PRESENT: (
        "There are too few days of readings for a pattern of the air, so the air is taken as it is "
        "now, less and less certain."
    ),
    AirSource.NONE: "",
}
_IF = {
    AirSource.OUTLOOK: "By the outlook, ",
    AirSource.PATTERN: "If the air goes on as it usually does, ",
    AirSource.NONE: "",
}


def usual_times(kind: WaitType) -> str:
    """The two usual times of a joint, and what they rest on; empty where there is one."""
    if not kind.load_s:
        return ""
    return (
        f"Usual times in reference air: {formats.hours(kind.basis_s)} until the clamps come off, "
        f"{formats.hours(max(kind.load_s, kind.basis_s))} until it may be worked, loaded or strung "
        f"({kind.source})."
    )


def _load(found: Readiness, now_ms: int, zone: ZoneInfo) -> str:
    """Sentence on when a joint may be loaded, before and after its clamps come off."""
    if found.state is WaitState.READY:
        return f"It may be worked, loaded or strung now.{_not_sure(found, now_ms, zone)}"
    if found.ready_ms is None:
        return "It is not known when it may be worked, loaded or strung."
    text = formats.ahead(about(found.ready_ms), now_ms, zone)
    return f"May be worked, loaded or strung from about {text}{_range(found, now_ms, zone)}."


def _main(
    found: Readiness, status: WaitStatus, now_ms: int, zone: ZoneInfo
) -> tuple[str, str, str]:
    """State, when, and the sentence."""
    if found.state is WaitState.READY:
        text = formats.when(found.ready_ms or now_ms, now_ms, zone)
        sure = _not_sure(found, now_ms, zone)
        if status.wait.setting:
            return (
                "ready",
                "may be worked",
                f"{_may_be(status)} since {text}.{sure}{_keep_unloaded(status)}",
            )
        clamps = ": the clamps may come off" if status.kind.load_s else ""
        if found.outside_claim:
            clamps += ", if a check by hand agrees" if clamps else ": check by hand"
        return "ready", "ready", f"Ready since {text}{clamps}.{sure}"
    if found.state is WaitState.NO_AIR:
        return (
            "unknown",
            "not known",
            "No reading from its place since it began, so there is no ready time.",
        )
    if found.state is WaitState.NOT_STARTED:
        text = formats.ahead(status.wait.started_ms, now_ms, zone)
        return "waiting", "to begin", f"Begins {text}."
    soon = "Ready"
    if status.kind.load_s:
        soon = "May be worked from" if status.wait.setting else "Clamps off"
    undone = "It was ready, but damp air has softened it again. " if found.softened else ""
    if found.state is WaitState.HOLD:
        why, remedy = _hold(found, status)
        since = formats.when(found.hold_since_ms or now_ms, now_ms, zone)
        then = ""
        if status.air_from is AirSource.PRESENT:  # a time would rest on air that is not expected
            then = " It makes no progress while the air stays like this."
        elif found.ready_ms is not None:
            ahead = _IF[status.air_from]
            then = (
                f" {ahead}{_lower(soon) if ahead else soon} about "
                f"{formats.ahead(about(found.ready_ms), now_ms, zone)}{_range(found, now_ms, zone)}."
            )
        return "hold", "on hold", f"{undone}On hold since {since}, {why}: {_lower(remedy)}{then}"
    if found.ready_ms is None:
        if found.horizon_ms <= now_ms:
            had = percent(found.progress.median)
            why = "There is no outlook yet, so there is no ready time."
            if math.isnan(found.rate_now):
                why = "There is no recent reading at its place, so there is no ready time."
            return "unknown", "not known", f"{undone}{had} done. {why}"
        span = _span(found, now_ms)
        return (
            "long",
            f"over {span}",
            f"{undone}Not within {span} in this air.{_rate(found, status.kind)}",
        )
    text = formats.ahead(about(found.ready_ms), now_ms, zone)
    if found.slow:
        return (
            "waiting",
            text,
            (
                f"{undone}{soon} perhaps about {text}{_range(found, now_ms, zone)}. Uncertain: the air "
                "is nearly too damp, and the sensor's error decides."
            ),
        )
    return (
        "waiting",
        text,
        f"{undone}{soon} about {text}{_range(found, now_ms, zone)}.{_rate(found, status.kind)}",
    )


def hold_reason(hold: Hold, law: Law) -> str:
    """Reason of a hold in words: `too damp to harden`."""
    if hold == Hold.HOT and isinstance(law, GlueLaw):
        return HOT_GLUE[0]
    why = HOLDS[hold][0] if hold in HOLDS else "no progress in this air"
    return why + (_DAMP_TO.get(type(law).__name__, "") if hold == Hold.DAMP else "")


def _hold(found: Readiness, status: WaitStatus) -> tuple[str, str]:
    """Reason of a hold, and what to do."""
    hold, law = Hold(found.hold), status.kind.law
    remedy = HOLDS[hold][1] if hold in HOLDS else "Check it by hand."
    if isinstance(law, FilmLaw):
        remedy = COAT_REMEDIES.get(hold, remedy)
    if hold == Hold.HOT and isinstance(law, GlueLaw):
        remedy = HOT_GLUE[1]
    return hold_reason(hold, law), remedy


def _span(found: Readiness, now_ms: int) -> str:
    """Span of the outlook in words: `five days`."""
    days = round((found.horizon_ms - now_ms) / formats.DAY_MS)
    return "five days" if days == 5 else formats.duration(found.horizon_ms - now_ms)


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


def _may_be(status: WaitStatus) -> str:
    return "May be worked" if status.soft_beside else "May be worked, loaded or strung"


def _keep_unloaded(status: WaitStatus) -> str:
    """Order not to load an instrument whose other joints are not ready for it; empty without any."""
    if not status.soft_beside:
        return ""
    joints = ", ".join(f"“{name}”" for name in status.soft_beside)
    return f" Do not load or string {status.wait.instrument} yet. Not ready for that: {joints}."


def _not_sure(found: Readiness, now_ms: int, zone: ZoneInfo) -> str:
    """Sentence for work that is ready by the middle of its range, while the range goes on."""
    high = found.ready_high_ms
    if high is None:
        return " It may need longer: wait if you can."
    if high <= now_ms:
        return ""
    late = formats.ahead(about(high), now_ms, zone)
    return f" Almost surely ready by {late}: wait until then if you can."


def _after(ms: float, before_ms: float, now_ms: int, zone: ZoneInfo) -> str:
    """A moment named after another one: with its day, `Fri 11:30`, `today 04:35`, unless both are
    today. So a bare time is never of another day than today."""
    day, before, today = (formats.local(at, zone).date() for at in (ms, before_ms, now_ms))
    named = formats.ahead(ms, now_ms, zone)
    return f"today {named}" if day == today != before else named


def _rate(found: Readiness, kind: WaitType) -> str:
    """Effect of the air on the usual time, or that the air is not known.

    Quick air is no reason to release a wait early, so it is not mentioned where the advised time is
    never shorter than the usual one, where the air is outside the law's claim, and on hold.
    """
    rate = found.rate_now
    quick_is_no_reason = kind.never_shorter or found.outside_claim or found.hold != Hold.NONE
    if math.isnan(rate) and kind.law.needs_air:
        return " Uncertain: there is no recent reading at its place, so the air is not known."
    if math.isnan(rate) or SLOW <= rate <= QUICK or (rate > QUICK and quick_is_no_reason):
        return ""
    if rate < 0.1:
        return " In this air it takes more than 10 times the usual time."
    times = formats.figure(1 / rate, 1)
    return f" In this air it takes about {times} times the usual time."


def _wanted(wait: Wait, status: WaitStatus, now_ms: int, zone: ZoneInfo) -> list[str]:
    """Sentence on whether a wait will be ready when it is wanted; empty if no time is set."""
    wanted, first, found = wait.wanted_ms, status.readiness, status.load or status.readiness
    if wanted is None:
        return []
    by = f"Wanted by {formats.ahead(wanted, now_ms, zone)}"
    if found is None or first is None:
        return [f"{by}."]
    if found.state is WaitState.READY:
        return [f"{by}: it is ready."]
    if found.ready_ms is None or found.ready_ms > wanted:
        if found is not first and first.ready_ms is not None and first.ready_ms <= wanted:
            return [
                f"{by}: the clamps can be off by then, but it may not be worked or strung yet."
            ]
        return [f"{by}: it will be late if the air stays like this."]
    if found.ready_high_ms is None or found.ready_high_ms > wanted:
        return [f"{by}: likely, but not certain."]
    return [f"{by}: in time."]


def foreseen(wait: Wait, now_ms: int, zone: ZoneInfo) -> str:
    """Ready time of a wait as expected when it was opened."""
    if wait.foreseen_ms is None:
        return "not known when it was opened"
    low, ready, high = (about(ms) for ms in wait.foreseen_ms)
    word = "clamps off" if wait.kind.get("load_s") else "ready"
    said = f"{word} {formats.ahead(ready, now_ms, zone)}"
    if low == high:
        return said
    early, late = _after(low, ready, now_ms, zone), _after(high, low, now_ms, zone)
    return f"{said} ({early} to {late})"


def percent(share: float) -> str:
    return f"{min(round(100 * share), 999)} %"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
