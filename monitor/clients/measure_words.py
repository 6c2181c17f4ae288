"""Measures and their results in words: names, and the table that compares them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from monitor.clients import phrases
from monitor.science.case.devices import MONTH_STARTS, Buffer, Humidifier
from monitor.science.case.measures import Measure, Option

if TYPE_CHECKING:
    from monitor.clients.calculation import SheetCalculation
    from monitor.clients.language import Language


class Table(NamedTuple):
    """Table of a sheet. `strong`: the row that is advised."""

    heading: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    strong: int


def measure_name(option: Option, worked: SheetCalculation) -> str:
    """A measure with its size."""
    say = worked.wish.language
    if option.room is not None:
        return say.text(
            "room humidifier, up to {litres} a day, set to {set}",
            litres=say.litres(option.room.litres_day),
            set=say.percent(option.room.set_pct),
        )
    if isinstance(option.device, Buffer):
        return say.text(
            "humidity buffer, {mass}, set to {set}",
            mass=say.mass(option.device.mass_g),
            set=say.percent(option.device.set_pct),
        )
    if isinstance(option.device, Humidifier):
        return say.text(
            "case humidifier of {water}, filled every {days} days",
            water=say.water(option.device.water_ml),
            days=say.number(option.device.every_d),
        )
    if option.kind is Measure.DISCIPLINE and worked.wish.case.holds_nothing:
        return say.text(phrases.COVERED)
    return say.text(phrases.KINDS[option.kind])


def table_of(worked: SheetCalculation) -> Table:
    say = worked.wish.language
    options = list(worked.advice.options)
    rows = [_row(o, measure_name(o, worked), say) for o in options]
    if worked.advice.own is not None:
        own = worked.advice.own
        rows.append(_row(own, say.text("you have: {what}", what=measure_name(own, worked)), say))
    days = 365 - _days_in(worked.unknown)
    heads = (
        say.text("measure"),
        say.text("days in the band, of {days}", days=say.number(days))
        if worked.unknown
        else say.text("days in the band"),
        say.text("driest, dampest day"),
        say.text("water per year"),
    )
    advised = next(i for i, o in enumerate(options) if o is worked.advised)
    return Table(say.text("Measures compared"), heads, tuple(rows), advised)


def _row(option: Option, name: str, say: Language) -> tuple[str, ...]:
    ends = f"{say.number(option.lowest_pct.median)} %, {say.number(option.highest_pct.median)} %"
    water = "–"
    if option.room is not None:
        water = say.litres(option.year_l.median)
    elif isinstance(option.device, Humidifier):
        water = say.water(1000 * option.year_l.median)
    return (name, say.range(option.days_in), ends, water)


def _days_in(months: Sequence[int]) -> int:
    return sum(MONTH_STARTS[m] - MONTH_STARTS[m - 1] for m in months)
