"""Measures and their results in words: names, and the table that compares them."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from monitor.clients import phrases
from monitor.science.case.advice import FEW
from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.measures import HUMIDIFIED, HomeMeasure, Option

if TYPE_CHECKING:
    from monitor.clients.calculation import SheetCalculation
    from monitor.clients.language import Language
    from monitor.science.case.rooms import RoomChange


class Table(NamedTuple):
    """Table of a sheet. `strong`: the row that is advised."""

    heading: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    strong: int


MOST_ROWS = 3
"""Measures compared on the one page, at the most: the present use, the advised one, and those of the
least harm. [-]  Ours."""


def measure_name(option: Option, worked: SheetCalculation) -> str:
    """A measure with its size."""
    say, device = worked.request.language, option.device
    if isinstance(device, Buffer):
        return say.text(
            "humidity buffer, {mass}, set to {set}",
            mass=say.mass(device.mass_g),
            set=say.percent(device.set_pct),
        )
    if isinstance(device, Humidifier):
        name = say.text(
            "case humidifier of {water}, filled {rhythm}",
            water=say.water(device.water_ml),
            rhythm=rhythm(device.every_d, say),
        )
        if option.beside is None:
            return name
        return say.text(
            "{humidifier}, beside {mass} of humidity buffer",
            humidifier=name,
            mass=say.mass(option.beside.mass_g),
        )
    if option.room is not None:
        return _room_name(option, option.room, say)
    if option.kind is HomeMeasure.DISCIPLINE and worked.request.case.holds_nothing:
        return say.text(phrases.COVERED)
    return say.text(phrases.KINDS[option.kind])


def _room_name(option: Option, room: RoomChange, say: Language) -> str:
    values = {
        "litres": say.litres(room.litres_day),
        "set": say.percent(room.set_pct),
        "kelvin": say.kelvin(abs(room.warmer_k)),
    }
    match option.kind:
        case HomeMeasure.COOLER_ROOM:
            return say.text("in a room that is {kelvin} cooler", **values)
        case HomeMeasure.WARMER_ROOM:
            return say.text("in a room that is {kelvin} warmer", **values)
        case HomeMeasure.SET_LOWER:
            return say.text("room humidifier set to {set} at most", **values)
        case HomeMeasure.SMALL_ROOM:
            return say.text(
                "humidifier in one small room, up to {litres} a day, set to {set}", **values
            )
        case HomeMeasure.ROOM:
            return say.text(
                "humidifiers for the whole home, up to {litres} a day, set to {set}", **values
            )
        case HomeMeasure.DEHUMIDIFIER:
            return say.text("dehumidifier in one small room, set to {set}", **values)
        case HomeMeasure.BOTH_IN_ROOM if room.also is not None:
            return say.text(
                "humidifier, set to {set}, and dehumidifier, set to {high}, in one small room",
                **values,
                high=say.percent(room.also.set_pct),
            )
    return say.text(phrases.KINDS[option.kind])


def rhythm(every_d: float, say: Language) -> str:
    """Interval between refills, in words."""
    if every_d < 4:
        return say.text("every day") if every_d < 2 else say.text("twice a week")
    if every_d == 7:
        return say.text("every week")
    if every_d == 14:
        return say.text("every two weeks")
    return say.text("every {n} days", n=say.number(every_d))


def begins_slowly(option: Option) -> bool:
    """True where the measure keeps the band less surely while the air is changed slowly."""
    return option.at_first.held_share < option.held_share - FEW


def _compared(worked: SheetCalculation) -> list[Option]:
    """Options for the table, the least first."""
    others = [o for o in worked.advice.options if o is not worked.advised and o is not worked.bare]
    best = sorted(others, key=lambda o: o.harm)[: MOST_ROWS - 2]
    shown = {id(o) for o in (worked.bare, worked.advised, *best)}
    return [o for o in worked.advice.options if id(o) in shown]


def table_of(worked: SheetCalculation) -> Table:
    """The table that compares measures."""
    say = worked.request.language
    options = _compared(worked)
    rows = [_row(o, _row_name(o, worked), say) for o in options]
    if worked.advice.own is not None:
        own = worked.advice.own
        rows.append(_row(own, say.text("you have: {what}", what=measure_name(own, worked)), say))
    heads = (
        say.text("measure"),
        say.text("days in the band, of {days}", days=say.number(worked.days_known))
        if worked.unknown
        else say.text("days in the band"),
        say.text("driest, dampest day"),
        say.text("water per year"),
    )
    if worked.advised is worked.advice.own:
        advised = len(options)  # its row is the last
    else:
        advised = next(i for i, o in enumerate(options) if o is worked.advised)
    return Table(say.text("Measures compared"), heads, tuple(rows), advised)


def _row_name(option: Option, worked: SheetCalculation) -> str:
    """A measure, with the condition of its days."""
    name = measure_name(option, worked)
    if not worked.cold_uncounted(option):
        return name
    return worked.request.language.text("{measure} (if not too cold outdoors)", measure=name)


def _row(option: Option, name: str, say: Language) -> tuple[str, ...]:
    ends = f"{say.number(option.lowest_pct.median)} %, {say.number(option.highest_pct.median)} %"
    water = "–"
    if option.kind in HUMIDIFIED:
        water = say.litres(option.year_l.median)
    elif isinstance(option.device, Humidifier):
        water = say.water(1000 * option.year_l.median)
    days = say.range(option.days_in)
    if begins_slowly(option):
        days = say.text(
            "{days}; first year: {first}", days=days, first=say.range(option.at_first.days_in)
        )
    return (name, days, ends, water)
