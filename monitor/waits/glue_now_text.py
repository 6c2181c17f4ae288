"""The answer to "May I glue now?" in words, for the board and the command line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from monitor.core import formats
from monitor.domain.air_assessment import AirState
from monitor.domain.cautions import DEFERS, UNLESS_WOOD, WORDS, Caution
from monitor.outlook.place_air import AirSource
from monitor.science.plates.assessment import Reason
from monitor.science.waits.open_time import STATUS
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import WaitState
from monitor.waits import glue_text
from monitor.waits import text as wait_text
from monitor.waits.glue_answer import LIKELY_CHANCE, VERY_COLD_C, Answer, Finding, Joint, Why
from monitor.waits.glue_now import GlueNow

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

WARM_PARTS = "Warm the parts first. Use a warm room, not an oven, a flame or a heater."
RIGHT = "The air and the parts are right for glue."
_HOLDS = {
    Hold.DAMP: "too damp for the glue to harden",
    Hold.COLD: "too cold for the glue to harden",
    Hold.HOT: "too hot",
    Hold.DRY: "too dry",
}


_HOME = {Reason.TOO_DRY: "drier than at home", Reason.TOO_DAMP: "damper than at home"}
_FROM = {
    AirSource.OUTLOOK: "From the outlook.",
    AirSource.PATTERN: "From the pattern of the last weeks.",
    AirSource.PRESENT: "From the present air, because there are too few days of readings.",
    AirSource.NONE: "",
}


class GlueNowText(NamedTuple):
    """An answer in words: the word, the sentence under it, reasons, lines of facts as (name, text),
    and cautions."""

    word: str
    sentence: str
    reasons: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]


def words(
    found: GlueNow, now_ms: int, zone: ZoneInfo, unit: formats.TemperatureUnit
) -> GlueNowText:
    """An answer in words.

    Parameters
    ----------
    found : GlueNow
    now_ms : int
        [ms since 1970-01-01 UTC]
    zone : ZoneInfo
    unit : {"C", "F"}
    """
    s = found.joint
    reasons = [_reason(one, s, now_ms, zone, unit) for one in found.findings]
    reasons = list(dict.fromkeys(reasons))
    sentence = reasons[0] if reasons else f"{RIGHT} {_ready(found, now_ms, zone)}"
    later = _later(found, now_ms, zone)
    facts = [
        ("Air", _air(s, unit)),
        ("Parts", _parts(s, unit)),
        ("Open time", _open_time(found)),
        ("If glued now", _ready(found, now_ms, zone)),
        ("Air until then", _ahead(found, unit)),
        ("From when", later),
        ("Glue", _glue(s, now_ms, zone)),
        ("Wood", _wood(s)),
    ]
    keys = s.glue.kind.cautions if s.glue else ()
    cautions = dict.fromkeys((*keys, *s.kind.cautions))
    skipped = () if s.hot_glue else (Caution.HOT_GLUE_POT, Caution.CHILLED_JOINT)
    texts = [
        formats.in_reader_unit(WORDS[key], unit)
        for key in cautions
        if key in keys or key not in skipped
    ]
    if s.place.kind == "varnish" or s.drying:
        texts.append(WORDS[Caution.SOLVENTS])
    return GlueNowText(
        found.answer.value,
        sentence,
        tuple(reasons[1:]),
        tuple((name, formats.in_reader_unit(text, unit)) for name, text in facts if text),
        (*texts, DEFERS) if texts else (),
    )


def why_not(
    found: GlueNow, now_ms: int, zone: ZoneInfo, unit: formats.TemperatureUnit
) -> list[str]:
    """Reasons not to glue now, the gravest first; none where the answer is not No."""
    return list(
        dict.fromkeys(
            _reason(one, found.joint, now_ms, zone, unit)
            for one in found.findings
            if one.allows is Answer.NO
        )
    )


def coat_is_drying(place: str, coats: Sequence[str]) -> str:
    """Caution on hot glue at a place where coats give off solvent."""
    return (
        f"A coat with solvent is drying at {place} ({'; '.join(coats)}). Heat the glue in another "
        "room. Keep pots, flames, heaters and sparks away from the coat."
    )


def _reason(
    one: Finding, s: Joint, now_ms: int, zone: ZoneInfo, unit: formats.TemperatureUnit
) -> str:
    label = s.place.label
    limit = formats.limit_temperature(s.limits.glue_temp_low_c, unit)
    values = one.values
    match one.why:
        case Why.NO_READING:
            return (
                f"No reading of temperature and humidity from {label}. Without it the answer is "
                "not known."
            )
        case Why.OLD_READING:
            since = formats.when(values["heard_ms"], now_ms, zone)
            return f"No reading from {label} since {since}. The air there is not known."
        case Why.DOUBTED_SENSOR:
            alert = values["alert"]
            return f"{alert.label}: {alert.name}. Its readings cannot be trusted."
        case Why.AIR:
            found = values["assessment"]
            more = f" {UNLESS_WOOD}" if found.state is AirState.DRY and found.weight < 3 else ""
            return f"{label}: {found.sentence}{more}"
        case Why.SOLVENTS:
            return coat_is_drying(label, s.drying)
        case Why.VARNISH:
            found = values["assessment"]
            own = f" {found.sentence}" if found.weight else ""
            return (
                "This is a varnish place. Keep the glue pot's heat away from solvents, wet coats "
                f"and oily rags.{own}"
            )
        case Why.ALERT:
            alert = values["alert"]
            return f"Open alert, {alert.label}: {alert.name}. {alert.do}"
        case Why.NEAR_DAMP:
            return "The air may be very damp: the limit is within the sensor's accuracy."
        case Why.NEAR_DRY:
            return "The air may be very dry: the limit is within the sensor's accuracy."
        case Why.PARTS_COLD:
            return _cold(s, limit, unit)
        case Why.PARTS_NEARLY_COLD:
            return (
                f"The parts may be below {limit}: that is within the sensor's accuracy. Warm them "
                "a little first. Use a warm room."
            )
        case Why.ROOM_COLD:
            return (
                f"The room is too cold to glue, but you typed that the parts are at "
                f"{formats.with_unit('temperature', s.parts_temp_c, unit)}. They cool fast: work "
                "in small steps."
            )
        case Why.TOO_SLOW:
            return "The glue gels before the joint is closed. Warm the parts or work in smaller steps."
        case Why.MAYBE_TOO_SLOW:
            return (
                "The glue may gel before the joint is closed. Practise without glue, warm the "
                "parts or work in smaller steps."
            )
        case Why.NO_GEL:
            return "The parts are so warm that the glue does not gel. Glue in a cooler room."
        case Why.MAYBE_NO_GEL:
            return "The parts are so warm that the glue may not gel. Glue in a cooler room."
        case Why.ELSEWHERE:
            return f"{_name(s)} is recorded at another place. Record its move first."
        case Why.WOOD_UNKNOWN:
            return f"The wood of {_name(s)} is not known: {values['reason'].rstrip('.')}."
        case Why.NOT_SAFE:
            closing = values["closing"]
            part = f", {closing.part}" if closing.part else ""
            return (
                f"{_name(s)} is not safe to close ({_HOME.get(closing.reason, closing.reason)}"
                f"{part}). See Wood."
            )
        case Why.DRIER | Why.DAMPER:
            part = values["part"]
            sign, word = (-1, "drier") if one.why is Why.DRIER else (1, "damper")
            low, middle, high = sorted(sign * v for v in part.from_settled_pct)
            return (
                f"{_name(s)}, {part.part.name}: about {middle:.1f} points of moisture {word} than "
                f"wood in this air ({formats.figure(low, 1)} to {formats.figure(high, 1)}). It "
                "moves after gluing."
            )
        case Why.GLUE_PAST | Why.GLUE_NEAR | Why.GLUE_UNKNOWN if s.glue is not None:
            return f"{s.glue.label}: {glue_text.condition(s.glue, now_ms, zone)}"
        case Why.NOT_HIDE:
            return (
                "The maker's sheet has the temperature, humidity and open time of this glue. They "
                "are not known here."
            )
        case Why.NO_CLAMP_TIME:
            return glue_text.NO_CLAMP_TIME
        case Why.NEVER_READY:
            return "In the expected air the joint probably does not harden within five days."
        case Why.SLOW:
            return "The air is nearly too damp to harden the glue: the sensor's error decides."
        case Why.HOLD_AHEAD:
            return _hold(values["ahead"].hold, values["ahead"].hold_chance)
        case Why.NO_OUTLOOK:
            return "The air of the next hours is not known yet, so there is no ready time."
    return str(one.why)


def _cold(s: Joint, limit: str, unit: formats.TemperatureUnit) -> str:
    """Sentence on parts that are too cold."""
    temp = formats.with_unit("temperature", s.parts_temp_c, unit)
    if s.parts_from == "travel":
        return f"It came in cold and is at about {temp}. Leave its case shut until it has warmed."
    if s.parts_temp_c >= s.limits.glue_temp_low_c:
        return f"The room has only just reached {limit}, and the parts lag behind it. {WARM_PARTS}"
    chills = " The glue chills at once." if s.parts_temp_c < VERY_COLD_C else ""
    return f"Too cold to glue: the parts are at {temp}, the limit is {limit}.{chills} {WARM_PARTS}"


def _name(s: Joint) -> str:
    return s.wood.reference if s.wood else "The instrument"


def _hold(hold: Hold, chance: float) -> str:
    likely = "is likely to be" if chance >= LIKELY_CHANCE else "may be"
    what = _HOLDS.get(hold, "such that the glue does not harden")
    return (
        f"Before the joint is ready the air {likely} {what} for a time ({in_ten(chance)}). "
        "Leave the clamps on until Bench says that they may come off."
    )


def in_ten(chance: float) -> str:
    """A chance that is never certain: `7 in 10`. [-]"""
    return f"{min(max(round(10 * chance), 1), 9)} in 10"


def _air(s: Joint, unit: formats.TemperatureUnit) -> str:
    air = s.air
    if air is None or air.old or math.isnan(air.temp_c) or math.isnan(air.rh_pct):
        return ""
    temp, rh = (
        formats.with_unit("temperature", air.temp_c, unit),
        formats.with_unit("humidity", air.rh_pct, unit),
    )
    return f"{temp}, {rh} RH (±{formats.figure(s.sensor.u_rh_pct, 0)} % RH)"


def _parts(s: Joint, unit: formats.TemperatureUnit) -> str:
    if math.isnan(s.parts_temp_c) or (s.parts_from == "room" and s.air is not None and s.air.old):
        return ""
    temp = formats.with_unit("temperature", s.parts_temp_c, unit)
    origin = {
        "room": "assumed as warm as the room",
        "typed": "typed",
        "travel": "estimated: it came in cold",
    }[s.parts_from]
    return f"{temp}, {origin}"


def _open_time(found: GlueNow) -> str:
    s = found.joint
    if not s.hot_glue:
        return "On the maker's sheet of the glue."
    if found.open_time is None or (s.parts_from == "room" and s.air is not None and s.air.old):
        return ""
    low, high = found.open_time
    if math.isinf(low):
        text = "The glue does not gel on parts this warm."
    elif math.isinf(high):
        text = f"From {_seconds(low)}; the glue may not gel on parts this warm."
    else:
        text = f"{_seconds(low)} to {_seconds(high)} until a thin film gels."
    need = f" You need {_seconds(s.need_s)}." if s.need_s is not None else ""
    return f"{text}{need} Status: {STATUS}."


def _seconds(seconds: float) -> str:
    """An open time, roughly: `20 s`, `2 min`."""
    if seconds < 90:
        return f"{max(5 * round(seconds / 5), 1):.0f} s" if seconds >= 5 else f"{seconds:.0f} s"
    return f"{formats.figure(seconds / 60, 1).removesuffix('.0')} min"


def _ready(found: GlueNow, now_ms: int, zone: ZoneInfo) -> str:
    """Ready time of the joint, and whether that is before the next opening."""
    one = found.joint.readiness
    if one is None:
        return ""
    if one.ready_ms is None:
        return "Not within five days in the expected air."
    at = formats.ahead(wait_text.about(one.ready_ms), now_ms, zone)
    low, high = (one.ready_low_ms or one.ready_ms), one.ready_high_ms
    if high is None:
        span = "; it may take more than five days"
    elif wait_text.about(low) == wait_text.about(high):
        span = ""
    else:
        first, last = wait_text.about(low), wait_text.about(high)
        span = f" ({formats.between(first, last, now_ms, zone)})"
    by = _by_opening(found, now_ms, zone) if one.state is not WaitState.READY else ""
    kind = found.joint.kind
    done = "clamps off" if kind.load_s else "ready"
    return f"{kind.name}: {done} about {at}{span}.{by}"


def _by_opening(found: GlueNow, now_ms: int, zone: ZoneInfo) -> str:
    one, opens = found.joint.readiness, found.opens_ms
    if one is None or opens is None or one.ready_ms is None:
        return ""
    when = formats.ahead(opens, now_ms, zone)
    if one.ready_high_ms is not None and one.ready_high_ms <= opens:
        return f" That is before the shop opens next, {when}."
    if one.ready_ms <= opens:
        return f" That is probably, but not certainly, before the shop opens next, {when}."
    return f" That is after the shop opens next, {when}."


def _ahead(found: GlueNow, unit: formats.TemperatureUnit) -> str:
    ahead = found.joint.ahead
    if ahead is None:
        return ""
    cold, damp = ahead.temp_low_c, ahead.rh_high_pct
    temp, low, high = (
        formats.with_unit("temperature", t, unit) for t in (cold.median, *_ends(cold))
    )
    return (
        f"The air may go down to {temp} ({low} to {high}) and up to {damp.median:.0f} % RH "
        f"({damp.low:.0f} to {damp.high:.0f} %). {_FROM[found.air_from]}".strip()
    )


def _ends(span: tuple[float, float, float]) -> tuple[float, float]:
    return span[0], span[2]


def _later(found: GlueNow, now_ms: int, zone: ZoneInfo) -> str:
    if not found.searched:
        return ""
    alerts = [
        one.values["alert"].name
        for one in found.findings
        if one.why is Why.ALERT and one.allows is Answer.NO
    ]
    once = f", once the alert “{alerts[0]}” has ended" if alerts else ""
    if found.start is None:
        return "No hours within five days are likely to have the right air."
    at = formats.ahead(found.start.at_ms, now_ms, zone)
    return f"The air may be right from about {at} ({in_ten(found.start.chance)}){once}."


def _glue(s: Joint, now_ms: int, zone: ZoneInfo) -> str:
    if s.glue is None:
        return ""
    pot = glue_text.pot(s.glue, now_ms, zone)
    return " ".join(
        filter(None, (f"{s.glue.label}.", pot, glue_text.condition(s.glue, now_ms, zone)))
    )


def _wood(s: Joint) -> str:
    if s.wood is None:
        return "Not checked: choose the instrument to include its wood."
    return f"{s.wood.reference} is included."
