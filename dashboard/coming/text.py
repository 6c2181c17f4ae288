"""Texts of the board about the outlook: headline, spells, good hours, score, its sources."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from dashboard.data.outlook import worst
from dashboard.ui import formats
from dashboard.ui.sentences import Headline
from monitor.domain.cautions import CLOSED_CAR, OPENED_PLATES, UNLESS_WOOD, WARM_TO_DRY
from monitor.outlook.summary import (
    NEEDS,
    cold_words,
    furthest_h,
    stretch_words,
    wall_words,
    walls_allow_no_water,
    water_words,
)
from monitor.outlook.summary import rests_on as rests_on  # the terminal says the same
from monitor.science.outlook.ensemble_statistics import (
    LIKELY,
    UNSURE,
    how_sure,
    likely,
    range_of,
    sustained_extreme,
)
from monitor.science.outlook.what_if import HELD_H, LAG_H

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from dashboard.data.outlook import Setting, Worst
    from dashboard.ui.formats import Unit
    from monitor.domain.forecast import Forecast
    from monitor.outlook.files import Progress
    from monitor.outlook.summary import PlaceOutlook
    from monitor.science.outlook.ensemble_statistics import GoodHours, OutlookRange, OutlookSpell

NO_WATER_TO_GIVE = f"{OPENED_PLATES} {UNLESS_WOOD} Once the air is dry, postpone varnishing."
"""Advice in a dry spell for a room that may take no more water."""
_FILL = "Fill a clean humidifier and start it in time."
_STOP = "Stop adding water when water shows on windows or cold walls."
WHAT_TO_DO = {
    "dry": f"{_FILL} {_STOP} {NO_WATER_TO_GIVE}",
    "damp": "Glue before the spell begins, or leave the clamps on until it has ended. Dry the air "
    f"slowly. {WARM_TO_DRY}",
    "over": "Glue takes longer to harden and opened plates swell. Check the ready times.",
    "hot": "Glue and varnish in the cool hours. Take instruments away from windows and out of cars. "
    f"{CLOSED_CAR}",
}
"""Advice by the sort of spell, as in the rules of the outlook."""
ONCE_BEGUN = {
    "dry": (_FILL, "Fill a clean humidifier and start it now."),
    "damp": (
        "Glue before the spell begins, or leave the clamps on until it has ended.",
        "Do not glue here now. Leave clamps on until the spell has ended.",
    ),
}
"""Sentence of the advice that comes too late once a spell has begun, and what to say instead."""


def what_to_do(one: PlaceOutlook, sort: str) -> str:
    """Advice by the sort of spell; none to fill a humidifier where the walls allow no water."""
    if sort == "dry" and walls_allow_no_water(one):
        return NO_WATER_TO_GIVE
    advice, spell = WHAT_TO_DO[sort], {"dry": one.dry, "damp": one.damp}.get(sort)
    if spell is None:
        return advice
    at_once = sort == "dry" and one.look.water is not None and one.look.water.start == 0
    if spell.begins_h.middle == 0 or at_once:
        advice = advice.replace(*ONCE_BEGUN[sort])
    return advice


class SpellLine(NamedTuple):
    """A spell as a row: state and word for its mark, when, how far it goes, how sure."""

    state: str
    word: str
    when: str
    extreme: str
    sure: str


def spells(one: PlaceOutlook) -> list[tuple[str, str, OutlookSpell]]:
    """Spells worth showing, the likeliest first: sort, its word, itself."""
    named = [
        ("dry", _beyond("below", one.low_pct, one.dry), one.dry),
        ("damp", "too damp for glue", one.damp),
        ("over", _beyond("above", one.high_pct, one.over), one.over),
        ("hot", "hot", one.hot),
    ]
    found = [(sort, word, s) for sort, word, s in named if s is not None and s.chance >= UNSURE]
    if any(sort == "damp" and s.chance >= LIKELY for sort, _, s in found):
        found = [item for item in found if item[0] != "over"]  # told by the graver one
    return sorted(found, key=lambda item: -item[2].chance)


def _beyond(side: str, limit_pct: float, spell: OutlookSpell | None) -> str:
    just = spell is not None and round(spell.extreme.middle) == round(limit_pct)
    return f"{'just ' if just else ''}{side} {limit_pct:g} % RH"


def headline(one: PlaceOutlook, now_ms: int, zone: ZoneInfo, unit: Unit) -> Headline:
    """Headline on when the air leaves its band, or that it stays in it."""
    found = spells(one)
    name = one.place.label
    if not found:
        return Headline(
            "right",
            f"{name}: no dry, damp or hot spell is expected.",
            f"The band is {one.low_pct:g} to {one.high_pct:g} %.",
        )
    sort, word, spell = found[0]
    extreme = _extreme(sort, spell, unit)
    at = _furthest(one, spell, now_ms, zone)
    will, already = _VERBS.get(how_sure(spell.chance), ("may be", "may already be"))
    if spell.begins_h.middle == 0:
        change = f"{already} {word} now"
    else:
        begins = formats.weekday(one.at_ms(round(spell.begins_h.middle)), zone)
        change = f"{will} {word} from about {begins}"
    sentence = f"{name} {change}: about {extreme}."
    if at != "now":
        sentence = f"{name} {change}, reaching about {extreme} by {at}."
    more = [f"{sentence_chance(spell)} {lead(one, spell, now_ms)}".strip()]
    if sort == "dry" and (water := water_words(one, zone, us=unit == "F")):
        more.append(f"{water}.")
    advice = what_to_do(one, sort)
    amount = one.look.water
    if sort == "dry" and amount is not None and math.isfinite(amount.middle):
        advice = advice.replace(f"{_STOP} ", "")  # the sentence on the amount ends with it
    more.append(advice)
    return Headline("damp" if sort == "over" else sort, sentence, "\n".join(more))


def wall_line(one: PlaceOutlook, now_ms: int, zone: ZoneInfo, unit: Unit) -> Headline:
    """The headline in the few words that large type has room for; its place, chance and range."""
    found = spells(one)
    name = one.place.label
    if not found:
        return Headline("right", "No dry, damp or hot spell.", f"{name}, next five days.")
    sort, word, spell = found[0]
    at = _furthest(one, spell, now_ms, zone)
    quantity = "temperature" if sort == "hot" else "humidity"
    middle = formats.with_unit(quantity, spell.extreme.middle, unit)
    begins = "now"
    if spell.begins_h.middle > 0:
        begins = formats.weekday(one.at_ms(round(spell.begins_h.middle)), zone)
    sure = _PREFIXES.get(how_sure(spell.chance), "perhaps ")
    if word.startswith("just "):
        change = word.removesuffix(" RH")  # the detail names it
    else:
        reach = "about" if at == "now" else "down to" if sort == "dry" else "up to"
        change = f"{_WALL_WORDS.get(sort, word)}, {reach} {middle}"
    sentence = f"{sure}{begins}: {change}."
    by = at if at == "now" else f"by {at}"
    detail = f"{name}: {likely(spell.chance)} chance, {_extreme(sort, spell, unit)} {by}."
    state = "damp" if sort == "over" else sort
    return Headline(state, formats.first_upper(sentence), detail)


_WALL_WORDS = {"dry": "dry", "over": "damp"}
"""Words of the wall for air beyond the band, as in the rows of places."""
_PREFIXES = {"almost certain": "", "likely": "probably "}
"""Word before the time on the wall, by certainty. Anything less sure may be."""
_VERBS = {"almost certain": ("will be", "is"), "likely": ("will probably be", "is probably")}
"""Verbs of the headline by certainty: later, and now. Anything less sure may be."""


def sentence_chance(spell: OutlookSpell) -> str:
    """Chance of a spell, in figures and a word."""
    return f"The chance is {likely(spell.chance)} ({how_sure(spell.chance)})."


def lead(one: PlaceOutlook, spell: OutlookSpell, now_ms: int) -> str:
    """Time left, with its range; empty where the spell has begun or is not likely enough."""
    if spell.begins_h.middle == 0 or spell.chance < UNSURE:
        return ""
    low, middle, high = (one.at_ms(round(h)) - now_ms for h in spell.begins_h)  # as the table
    if how_sure(spell.chance) not in _VERBS:
        return f"If it comes, it begins {_in(middle)}."
    first = _hours(low) if low >= formats.HOUR_MS / 2 else "now"
    return f"It begins {_in(middle)} ({first} to {_hours(high)})."


def _furthest(one: PlaceOutlook, spell: OutlookSpell, now_ms: int, zone: ZoneInfo) -> str:
    at = one.at_ms(furthest_h(spell))
    return formats.weekday(at, zone) if at > now_ms else "now"


def _in(ms: float) -> str:
    return f"in about {formats.hours(round(max(ms, 0) / formats.HOUR_MS) * 3600)}"


def _hours(ms: float) -> str:
    return formats.hours(round(ms / formats.HOUR_MS) * 3600)


def spell_lines(one: PlaceOutlook, now_ms: int, zone: ZoneInfo, unit: Unit) -> list[SpellLine]:
    """The table of spells."""
    lines = []
    for sort, word, spell in spells(one):
        begins = "already"
        if spell.begins_h.middle > 0:
            first, last = (
                formats.weekday(at, zone) if at > now_ms else "now"
                for at in (one.at_ms(round(h)) for h in (spell.begins_h.low, spell.begins_h.high))
            )
            middle = formats.weekday(one.at_ms(round(spell.begins_h.middle)), zone)
            begins = f"{middle}" if first == last else f"{middle} ({first} to {last})"
        at = _furthest(one, spell, now_ms, zone)
        lines.append(
            SpellLine(
                "damp" if sort == "over" else sort,
                word,
                begins,
                f"{_extreme(sort, spell, unit)}, {at if at == 'now' else f'about {at}'}",
                f"{likely(spell.chance)}, {how_sure(spell.chance)}",
            )
        )
    return lines


def _extreme(sort: str, spell: OutlookSpell, unit: Unit) -> str:
    return span("temperature" if sort == "hot" else "humidity", spell.extreme, unit)


def span(quantity: str, values: OutlookRange, unit: Unit) -> str:
    """A middle with its range: "31 % RH (28 to 34 %)"."""
    low, middle, high = (formats.shown(quantity, v, unit) for v in values)
    mark = formats.scale(quantity, unit).unit
    name = f"{mark} RH" if quantity == "humidity" else mark  # a chance is never in percent
    return f"{middle} {name}" if low == high else f"{middle} {name} ({low} to {high} {mark})"


def unused_forecast(found: Forecast | None, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """Sentence that a newer forecast is not used, and why; empty if there is none."""
    if found is None:
        return ""
    issued = formats.when(found.issued_ms, now_ms, zone)
    doubt = formats.in_reader_unit(found.doubt, unit)
    return f"The forecast from {found.source}, issued {issued}, is not used: {doubt}"


def unread_forecasts(found: Sequence[tuple[str, str]]) -> list[str]:
    """Sentences that name the forecast files that are not used, the newest ones first."""
    lines = [
        f"The forecast file {name} is not used: {why.rstrip('.')}." for name, why in found[:3]
    ]
    more = len(found) - len(lines)
    return (
        [*lines, f"Not used: {formats.counted(more, 'more forecast file')}."]
        if more > 0
        else lines
    )


def good_hours(
    one: PlaceOutlook, zone: ZoneInfo, closings: Sequence[tuple[str, GoodHours | None]] = ()
) -> list[str]:
    """The best hours for closing and for varnish.

    `closings`: reference and hours of each opened instrument here whose home is known; without one
    the air alone decides.
    """
    by_air = [stretch_words("for closing a plate, by the air alone", one, one.closing, zone)]
    by_wood = [stretch_words(f"for closing {name}", one, hours, zone) for name, hours in closings]
    return [*(by_wood or by_air), stretch_words("for varnish", one, one.varnishing, zone)]


def cold_advice(one: PlaceOutlook, zone: ZoneInfo, unit: Unit) -> str:
    """Advice on an instrument that comes in cold; empty where no dew would form on it."""
    return cold_words(one, zone, f"°{unit}")


def walls(one: PlaceOutlook, unit: Unit) -> list[str]:
    """Sentences on the highest safe RH in the next days, without those in the headline; none where
    it does not limit the band."""
    words = wall_words(one, us=unit == "F")
    if not words or one.safe is None:
        return []
    in_headline = any(sort == "dry" for sort, *_ in spells(one)[:1])
    lines = [] if in_headline else [f"{formats.first_upper(words)}."]
    if one.wet_walls is not None and one.wet_walls.chance >= UNSURE:
        lines.append(
            f"Chance that it gets damper than {one.safe.least.rh_pct:.0f} % RH: "
            f"{likely(one.wet_walls.chance)}. Then give less "
            "water, and look for damp in cold corners and behind furniture."
        )
    return lines


def thermostats(one: PlaceOutlook, found: Sequence[Setting], zone: ZoneInfo, unit: Unit) -> str:
    """Sentence on the RH that a few settings lead to; empty where none was tried."""
    if not found:
        return ""
    at = worst(one)
    effects = "; ".join(
        f"at {formats.whole_temperature(s.setting_c, unit)} {span('humidity', s.rh_pct, unit)}"
        for s in found
    )
    return (
        f"Day and night from now: {effects}, instead of {span('humidity', at.rh_pct, unit)}, "
        f"{_side(at)} {formats.weekday(one.at_ms(at.step), zone)}. Cold parts chill glue: watch "
        "the bench."
    )


def _side(at: Worst) -> str:
    return "at the driest" if at.dry else "at the dampest"


def no_outlook(looked_ms: int | None, now_ms: int, zone: ZoneInfo) -> Headline:
    """Reason why there is no outlook, and what is needed."""
    if looked_ms is not None:
        return Headline(
            "old",
            f"The last outlook is from {formats.when(looked_ms, now_ms, zone)}: too old.",
            (
                "An outlook is made every hour while the service runs and the place's sensor "
                "sends readings. See Sensors."
            ),
        )
    return Headline("unknown", "There is no outlook yet.", NEEDS)


def learning(state: Progress, label: str) -> str:
    """Progress of the learning, in a sentence."""
    return f"Learning {label}: day {state.done} of {state.total} of its log."


def age(one: PlaceOutlook, now_ms: int) -> str:
    """Age of an outlook, its forecast and its readings, in words."""
    look = one.look
    text = f"Made {formats.age((now_ms - look.made_ms) / 1000)}"
    if look.source:
        text += f", from a forecast issued {formats.age((now_ms - look.issued_ms) / 1000)}"
    return f"{text}, and readings up to {formats.age((now_ms - look.read_ms) / 1000)}."


def comparison(
    one: PlaceOutlook, other: PlaceOutlook, zone: ZoneInfo, unit: Unit, *, moved: bool
) -> list[str]:
    """Compare a change, or another place (`moved`), with the air here at its worst hour."""
    at = worst(one)
    there = range_of(other.look.air[1][:, at.step])
    where = f"In {other.place.label} " if moved else ""
    lines = [
        f"{where}{span('humidity', there, unit)} instead of "
        f"{formats.with_unit('humidity', at.rh_pct.middle, unit)}, {_side(at)} here, "
        f"{formats.weekday(one.at_ms(at.step), zone)}.",
        _between(one, other, zone, unit),
    ]
    for word, a, b in (
        ("an RH below its band", one.dry, other.dry),
        ("an RH above its band", one.over, other.over),
        ("air too damp for glue", one.damp, other.damp),
    ):
        here, then = (0.0 if s is None else s.chance for s in (a, b))
        if max(here, then) >= UNSURE:
            before, after = likely(here), likely(then)
            compared = f"{after} instead of {before}" if before != after else f"{after} as before"
            lines.append(f"Chance of {word}: {compared}.")
    wet = 0.0 if other.wet_walls is None else other.wet_walls.chance
    if not moved and wet >= UNSURE and other.safe is not None:
        lines.append(
            f"Too damp for the walls, chance {likely(wet)}. {other.safe.least.words(unit)}"
        )
    cold, colder = (float(each.fan.temp_c[1].min()) for each in (one, other))
    if abs(cold - colder) >= 0.5:
        lines.append(
            f"{formats.with_unit('temperature', colder, unit)} instead of "
            f"{formats.with_unit('temperature', cold, unit)} at the coldest."
        )
    return lines


def _between(one: PlaceOutlook, other: PlaceOutlook, zone: ZoneInfo, unit: Unit) -> str:
    """Compare the lowest and highest RH held; the headline's daily water uses the lowest."""
    parts = []
    for word, below in (("lowest", True), ("highest", False)):
        here, there = (
            range_of(sustained_extreme(each.look.air[1][:, LAG_H:], HELD_H, below=below))
            for each in (one, other)
        )
        parts.append(
            f"{word} {span('humidity', there, unit)} instead of "
            f"{formats.with_unit('humidity', here.middle, unit)}"
        )
    since = formats.weekday(one.at_ms(LAG_H), zone)
    return f"From {since}, for {HELD_H} h: {', '.join(parts)}."


PLATES_FROM = (
    "For instruments that stay at the same place, open or closed as now. The range is that of the "
    "outlook. The uncertainty of the wood is shown on the instrument's page."
)
AIR_CHANGE_UNKNOWN = (
    "The range is wide because the room's air change is not known. Enter how much water you "
    "put into the humidifier at each fill, and it becomes narrower."
)
AIR_CHANGE_KNOWN = "The range is based on the weighed fills recorded here."
