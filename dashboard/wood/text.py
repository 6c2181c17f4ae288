"""Texts of the board about wood: distance from home moisture, movement, and closing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from dashboard.ui import formats
from monitor.domain.cautions import ELECTRIC_HEAT, HUMIDIFIER
from monitor.science.plates.assessment import NOT_YET, Close, Reason
from monitor.science.plates.parts import Faces
from monitor.science.plates.species import SPECIES, Cut
from monitor.science.quantiles import QuantileRange

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from dashboard.ui.plates_text import ClosingAhead
    from monitor.domain.instrument import Instrument
    from monitor.science.plates.assessment import Closing, PartStatus, WoodStatus
    from monitor.wood.evaluation import InstrumentStatus

DAY_S = 86_400.0
LEAST_MM = 0.05
"""Smallest change that is reported as one. [mm]"""
UNSURE_PCT = 1.5
"""Farthest reach of a range to both sides of home moisture that counts as right. [% MC]  Ours."""
MOULD_PCT = 14.0
"""Settling moisture above which the air is above about 73 % RH. [% MC]"""
OVER_A_YEAR = "more than a year"
CUTS = {Cut.RADIAL: "quarter-sawn", Cut.TANGENTIAL: "slab-cut"}
FACES = {Faces.BOTH: "both faces", Faces.INNER: "inner face only"}
CAUTIONS = {
    "joints": "Safe to close counts only the joints that are on Bench. Check all others before you "
    "close an instrument.",
    "sudden": "Sudden drying cracks opened wood. Keep heaters, lamps, sun and draughts off it. Change "
    "the room's air slowly, a few % RH a day.",
    "humidifier": f"Humidifier: {HUMIDIFIER}",
    "heater": "Heater: anything that burns gives off carbon monoxide and water. Keep the vents open, "
    f"do not seal the room, and fit a carbon monoxide alarm. {ELECTRIC_HEAT}",
    "mould": "This air is damp enough for mould in time. Look behind cases and in cold corners. "
    "If you see mould, wear a mask and gloves and clean outdoors.",
}
DEFERS = "Your local codes and the maker's instructions come first."
SUPPOSED = "The glue, the arching and old repairs are not in these figures: check the seams first."


class Closeness(NamedTuple):
    """Advice on closing an instrument: the word, why with the range, and from or until when."""

    close: Close
    word: str
    why: str
    then: str


def title(statuses: Sequence[InstrumentStatus]) -> tuple[str, str]:
    """The sentence over the page, and a smaller one."""
    if not statuses:
        return (
            "No instrument is in the shop.",
            "Take an instrument in, and Benchweather follows its wood.",
        )
    first, part = statuses[0], furthest(statuses[0])
    after = f"{formats.counted(len(statuses), 'instrument')} in the shop."
    if part is None:
        return "The moisture of the wood is not known.", after
    lies = side(part.from_home_pct)
    if lies == "unknown":
        return (
            f"How far {first.instrument.reference} is from its home moisture is not known.",
            after,
        )
    if lies == "right":
        unknown = sum(furthest(one) is None for one in statuses)
        if unknown:
            after += f" The moisture of {unknown} of them is not known."
            return "All wood that is known is near its home moisture.", after
        return "All wood is near its home moisture.", after
    off = part.from_home_pct.median
    return (
        f"Furthest from home moisture: {first.instrument.reference}, {part.part.name} "
        f"{_pct(abs(off))} points too {'dry' if off < 0 else 'damp'}.",
        after,
    )


def furthest(status: InstrumentStatus) -> PartStatus | None:
    """Part that is furthest from its home moisture; None if it is not known."""
    parts = status.answer.parts if status.answer else ()
    return max(parts, key=lambda one: abs(one.from_home_pct.median), default=None)


def side(off: QuantileRange) -> str:
    """Side on which a part lies: "dry" or "damp" if its whole range does.

    Else "right", or "unknown" if it reaches beyond `UNSURE_PCT`.
    """
    if off.high < 0 or off.low > 0:
        return "dry" if off.high < 0 else "damp"
    return "right" if max(-off.low, off.high) <= UNSURE_PCT else "unknown"


def off_home(off: QuantileRange) -> str:
    """Distance from home moisture: "2.7 points drier (1.7 to 3.5)"."""
    if side(off) in _NEAR:
        return f"{_NEAR[side(off)]} ({_signed(off.low)} to {_signed(off.high)} points)"
    low, high = sorted((abs(off.low), abs(off.high)))
    word = "drier" if off.median < 0 else "damper"
    return f"{_pct(abs(off.median))} points {word} ({_pct(low)} to {_pct(high)})"


def off_home_brief(off: QuantileRange) -> str:
    """The same in two words."""
    return off_home(off).partition(" (")[0]


_NEAR = {"right": "near home moisture", "unknown": "uncertain"}


def moved(change: QuantileRange, width_mm: float) -> str:
    """Change of a width: "1.2 mm narrower across 245 mm (0.7 to 1.6)"."""
    across = f"across {width_mm:g} mm"
    if math.isnan(change.median):
        return "not known"
    most = max(abs(change.low), abs(change.high))
    if abs(change.median) < LEAST_MM and most < 3 * LEAST_MM:
        return f"changed by {max(most, 0.1):.1f} mm at most {across}"
    if change.low < -LEAST_MM and change.high > LEAST_MM:
        return f"{_mm(change.low)} mm narrower to {_mm(change.high)} wider {across}"
    word = "narrower" if change.low < -LEAST_MM else "wider"
    sizes = sorted(max(-value if word == "narrower" else value, 0.0) for value in change)
    low, middle, high = (_mm(size) for size in sizes)
    return f"{middle} mm {word} {across} ({low} to {high})"


def settles_words(in_s: QuantileRange) -> str:
    """Time to settle in the present air: "settles in about 4 days (2 to 6 days)"."""
    if math.isnan(in_s.median):
        return "settling time not known"
    if in_s.median <= 0:
        return "settled"
    if math.isinf(in_s.median):
        return "takes more than a year to settle"
    low, middle, high = (span(value) for value in in_s)
    if middle == OVER_A_YEAR:
        least = f" (at least {low})" if low not in (middle, "now") else ""
        return f"takes more than a year to settle{least}"
    text = f"settles in about {middle}"
    if low == high:
        return text
    return f"{text} ({low} to {high})" if in_s.low > 0 else f"{text} ({high} at most)"


def span(seconds: float) -> str:
    """A length of time, roughly."""
    if math.isinf(seconds):
        return OVER_A_YEAR
    if seconds < 3600:
        return "an hour" if seconds > 0 else "now"
    for size, word, most in (
        (3600.0, "hour", 48),
        (DAY_S, "day", 60),
        (30.4 * DAY_S, "month", 13),
    ):
        n = max(round(seconds / size), 1)
        if n < most:
            return formats.counted(n, word)
    return OVER_A_YEAR


def closing_question(instrument: Instrument) -> str:
    """Question about closing that the answer belongs to."""
    return "Safe to close" if instrument.open_now else "If opened now, safe to close"


def closeness(
    status: InstrumentStatus,
    now_ms: int,
    zone: ZoneInfo,
    unit: formats.Unit = "C",
    ahead: ClosingAhead | None = None,
) -> Closeness:
    """Advice on whether an instrument may be closed: what forbids it now comes first.

    It rests on the present air; `ahead`: by the outlook, which only makes it stricter.
    """
    wood = _by_wood(status, now_ms, zone)
    if ahead is not None and _stricter(status, ahead, now_ms):
        wood = wood._replace(then=f"{wood.then} {ahead.words}".strip())
    if not status.against:
        return wood
    against = formats.in_reader_unit(" ".join(status.against), unit)
    alone = " ".join(filter(None, (f"By its wood alone: {wood.word}.", wood.why, wood.then)))
    return Closeness(Close.NOT_YET, "Not now", against, alone)


def _stricter(status: InstrumentStatus, ahead: ClosingAhead, now_ms: int) -> bool:
    """True if the outlook limits closing more than the answer in the present air does."""
    found = status.answer.closing if status.answer is not None else None
    if found is None or found.close is Close.UNKNOWN or found.reason in _AIR_FORBIDS:
        return False
    if found.close is Close.YES:
        return True
    never = math.isinf(found.from_in_s) and ahead.from_ms > now_ms
    return never or ahead.from_ms > now_ms + 1000 * found.from_in_s


def _by_wood(status: InstrumentStatus, now_ms: int, zone: ZoneInfo) -> Closeness:
    answer = status.answer
    if answer is None:
        return Closeness(Close.UNKNOWN, "Not known", status.why_not, "")
    found = answer.closing
    why = _why(answer, status.instrument, now_ms, zone)
    return Closeness(found.close, _word(found, now_ms, zone), why, _then(status, now_ms, zone))


def _word(found: Closing, now_ms: int, zone: ZoneInfo) -> str:
    """The answer with its time: "Yes, until today 16:00", "Not before tomorrow 08:00"."""
    if found.close is Close.YES and math.isfinite(found.until_in_s):
        return f"Yes, until {_day(now_ms + 1000 * found.until_in_s, now_ms, zone)}"
    if found.word == NOT_YET:
        hour_later = now_ms + 1000 * found.from_in_s + formats.HOUR_MS - 1
        return f"Not before {_day(hour_later, now_ms, zone)}"
    return found.word


def _why(answer: WoodStatus, instrument: Instrument, now_ms: int, zone: ZoneInfo) -> str:
    found = answer.closing
    part = next((one for one in answer.parts if one.part.name == found.part), None)
    if part is None:
        return "There is no reading of its air since it came in."
    # Open: glued now and taken home; closed: held by its joints now.
    share = found.yield_share if instrument.open_now else part.yield_share
    strain = f"{percent(share)} of the strain that the wood can bear without harm"
    if found.reason is Reason.NEAR_HOME:
        held = "it would be strained" if instrument.open_now else "it is strained"
        return f"The worst part, the {found.part}: {held} to {strain}."
    if found.reason in (Reason.TOO_DRY, Reason.TOO_DAMP):
        off = off_home(part.from_home_pct).partition(" (")[0]
        if side(part.from_home_pct) in _NEAR:
            off = "away from its home moisture"
        joined = "Glued now, it would be" if instrument.open_now else "Held by its joints, it is"
        return f"{found.part.capitalize()}: {off}. {joined} strained to {strain}."
    if found.reason is Reason.LEAVES:
        return (
            f"Its wood is near its home moisture, but the {found.part} soon leaves it in the present "
            "air. There is no time to glue and clamp it."
        )
    if found.reason in _AIR_FORBIDS:
        return f"Its wood is near its home moisture, but {_AIR_FORBIDS[found.reason]}"
    if found.reason is Reason.HOME_UNKNOWN:
        return (
            f"The air of its home is not known, so its home moisture is not known. The {found.part} may "
            f"be strained to {strain}. Ask where the instrument lives."
        )
    if found.reason is Reason.OLD_AIR:
        last = formats.when(answer.last_reading_ms or now_ms, now_ms, zone)
        return f"The last reading of its air is from {last}. The present air is not known."
    if found.reason is Reason.GAPS:
        return (
            f"Its air is known for only {round(100 * answer.known_share)} % of its stay. The "
            f"{found.part} may be strained to {strain}."
        )
    return f"The range is too wide for an answer. The {found.part} may be strained to {strain}."


_AIR_FORBIDS = {
    Reason.AIR_VERY_DRY: "the air is very dry. Close no joints now.",
    Reason.AIR_VERY_DAMP: (
        "the air is very damp and hide glue may not harden. Glue nothing new now."
    ),
    Reason.COLD: "it is still cold and water could condense on it. Leave its case shut.",
}


def _then(status: InstrumentStatus, now_ms: int, zone: ZoneInfo) -> str:
    """Time from or until which closing is safe in the present air; if none, what to do."""
    answer = status.answer
    ready = answer.closing.ready_in_s if answer else None
    if answer is None or ready is None:
        return ""
    yes = answer.closing.close is Close.YES
    found = answer.closing
    if yes and math.isinf(found.until_in_s):
        return "It stays safe in the present air."
    if yes:
        return (
            "Have it closed by then: it does not stay safe in the present air. Glue it only if the "
            f"air stays right until the glue is hard. {_settling(answer)}"
        )
    if found.reason is Reason.LEAVES:
        return _settling(answer)
    unknown = answer.closing.close is Close.UNKNOWN
    no_time = ready.low <= 0 and math.isinf(ready.high)  # from now to never
    if (unknown and (no_time or math.isinf(found.from_in_s))) or found.reason in _AIR_FORBIDS:
        return ""
    home = status.instrument.home
    if math.isinf(found.from_in_s):
        advice = ""
        if home is not None and home.rh_pct is not None:
            advice = (
                " Once nothing on it is drying, bring the air around it slowly to its home's "
                f"{home.rh_pct:.0f} % RH, in a bag or tent."
            )
        return f"{_settling(answer)} It does not become safe there.{advice}"
    low, middle, high = (_day(now_ms + 1000 * s, now_ms, zone) for s in ready)
    if low == middle == high:
        return "That is so if the air stays as it is."
    low = low if ready.low > 0 else "now"
    return f"If the air stays as it is, it is most likely safe from {middle} ({low} to {high})."


def _settling(answer: WoodStatus) -> str:
    part = next(one for one in answer.parts if one.part.name == answer.closing.part)
    off = part.settle_pct.median - part.home_moisture_pct.median
    way = "dry" if off < 0 else "damp"
    return (
        f"In the present air the {part.part.name} will settle {_pct(abs(off))} points too {way}."
    )


def _day(ms: float, now_ms: int, zone: ZoneInfo) -> str:
    """Day ahead in words, only as exact as is known."""
    if math.isinf(ms) or ms - now_ms > 400 * formats.DAY_MS:
        return "never"
    moment, today = formats.local(ms, zone).date(), formats.local(now_ms, zone).date()
    days = (moment - today).days
    if days < 2:
        return f"{'today' if days == 0 else 'tomorrow'} {formats.local(ms, zone):%H}:00"
    year = "" if moment.year == today.year else f" {moment.year}"
    return f"{formats.day(moment)}{year}"


def percent(share: QuantileRange) -> str:
    """ "125 % (76 to 165 %)"."""
    low, middle, high = (round(100 * value) for value in share)
    return f"{middle} % ({low} to {high} %)"


def facts(instrument: Instrument, places: Mapping[str, str]) -> str:
    """Kind, open or closed, place: in one line."""
    state = "opened" if instrument.open_now else "closed"
    return f"{instrument.kind}, {state}, {places.get(instrument.place, instrument.place)}"


def stay(instrument: Instrument, now_ms: int, zone: ZoneInfo) -> str:
    """Stay of an instrument: "here 6 days, due out Fri 4 Dec"."""
    came, today = (formats.local(ms, zone).date() for ms in (instrument.arrived_ms, now_ms))
    days = (today - came).days
    here = "came today" if days <= 0 else f"here {formats.counted(days, 'day')}"
    due = due_words(instrument, now_ms, zone)
    return f"{here}, {due}" if due else here


def due_words(instrument: Instrument, now_ms: int, zone: ZoneInfo) -> str:
    """Date on which an instrument is due out; empty if none was entered."""
    if instrument.due_ms is None:
        return ""
    due, today = formats.local(instrument.due_ms, zone).date(), formats.local(now_ms, zone).date()
    if due == today:
        return "due out today"
    year = "" if due.year == today.year else f" {due.year}"
    return f"{'was due' if due < today else 'due'} out {formats.day(due)}{year}"


def home(instrument: Instrument, unit: formats.Unit) -> str:
    """The air of its home."""
    air = instrument.home
    if air is None or air.rh_pct is None:
        return "not known"
    return f"{air.rh_pct:.0f} % at {formats.whole_temperature(air.temp_c, unit)}"


def cautions(status: InstrumentStatus | None) -> list[str]:
    """Keys of the cautions that touch an instrument."""
    if status is None or status.answer is None:
        return []
    parts = status.answer.parts
    sides = {side(one.from_home_pct) for one in parts}
    found = ["joints"] if status.instrument.open_now else []
    if status.instrument.open_now or "damp" in sides:
        found.append("sudden")
    if "dry" in sides:
        found.append("humidifier")
    if "damp" in sides:
        found.append("heater")
    if any(one.settle_pct.median > MOULD_PCT for one in parts):
        found.append("mould")
    return found


def wood(species: str) -> str:
    """A wood's name."""
    return SPECIES[species].name if species in SPECIES else species


def _pct(value: float) -> str:
    return formats.figure(value, 1)


def _signed(value: float) -> str:
    text = formats.figure(value, 1)
    return text if text.startswith("−") else f"+{text}"


def _mm(value: float) -> str:
    return formats.figure(abs(value), 1)
