"""Fields of a client's home that would narrow the range of its air most, by calculation.

Each detail that may be otherwise than entered is moved to both ends of what is usual, one at a time;
how far that moves a month's RH is its part of the month's range. The parts add as independent ones
do, in squares. A reading of that month takes the place of all of them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from monitor.clients.home_climate import year_of
from monitor.science.case.home import MonthReading, from_readings, home_of
from monitor.science.quantiles import QuantileRange

if TYPE_CHECKING:
    from collections.abc import Mapping

    from monitor.clients.home_climate import HomeSources
    from monitor.clients.request import SheetRequest
    from monitor.science.case.home import HomeYear

MEMBERS = 24
"""Ways of a home in these figures; the sheet itself takes more. [-]"""
USUAL: Mapping[str, tuple[str | float, str | float]] = {
    "tightness": ("leaky", "tight"),
    "people": (1, 4),
    "volume_m3": (80.0, 350.0),
    "set_point_c": (17.0, 23.0),
}
"""Ends of what is usual in homes, by the field of a request.  Common practice, no source."""
LEAST_PCT = 1.0
"""Least narrowing of a range that is worth a question. [% RH]  Ours."""


class NarrowingField(NamedTuple):
    """A field and the width of the month's range if it were known. [% RH]

    `name`: of a request; `rh.` with the month's number for a reading.
    """

    name: str
    width_pct: float


class NextFields(NamedTuple):
    """The month that is asked about, 1 to 12, its RH as the home is described [%], the width of its
    range if the details are not sure [% RH], and the fields that narrow it, the best first."""

    month: int
    home_pct: QuantileRange
    width_pct: float
    fields: tuple[NarrowingField, ...]


def next_fields(wish: SheetRequest, airs: HomeSources, sure: frozenset[str]) -> NextFields:
    """Fields that would narrow a home's driest month most, or its least known one.

    Parameters
    ----------
    wish : SheetRequest
    airs : HomeSources
    sure : frozenset of str
        Fields that were entered for this home: they are not asked again.

    Raises
    ------
    ClientFault
        As `year_of`.
    """
    year = year_of(wish, airs, members=MEMBERS)
    months = year.monthly()
    if wish.source in ("readings", "log"):
        return _readings_next(year, months)
    month = min(range(12), key=lambda m: months[m].median)
    found, own = months[month], months[month].high - months[month].low
    parts = {name: _moved_pct(wish, airs, name, month) for name in USUAL if name not in sure}
    width = math.hypot(own, *parts.values())
    known = {name: math.sqrt(max(width**2 - part**2, own**2)) for name, part in parts.items()}
    known[f"rh.{month + 1}"] = _read_width_pct(month, found, year)
    return _sorted(month, found, width, known)


def _moved_pct(wish: SheetRequest, airs: HomeSources, name: str, month: int) -> float:
    """Difference that a detail makes to a month's RH, from one end of what is usual to the other.
    [% RH]"""
    ends = []
    for value in USUAL[name]:
        if name == "tightness":
            home = home_of(str(value))
            home = replace(wish.home, changes_h=home.changes_h)
        else:
            home = replace(wish.home, **{name: value})  # type: ignore[arg-type] # fields by name
        usual = replace(wish, home=home.usual)
        ends.append(year_of(usual, airs, members=1).monthly()[month].median)
    return abs(ends[1] - ends[0])


def _read_width_pct(month: int, found: QuantileRange, year: HomeYear) -> float:
    """Width of a month's range with a reading of that month. [% RH]"""
    temp_c = float(year.temp_c[month * 730 + 365])
    read = from_readings([MonthReading(month + 1, temp_c, found.median)], members=MEMBERS)
    after = read.monthly()[month]
    return after.high - after.low


def _readings_next(year: HomeYear, months: list[QuantileRange]) -> NextFields:
    """The month without a reading whose range is widest, and what a reading of it makes of it."""
    unread = [m for m in range(12) if m + 1 not in year.months_read]
    if not unread:
        month = max(range(12), key=lambda m: months[m].high - months[m].low)
        return NextFields(month + 1, months[month], months[month].high - months[month].low, ())

    def away(m: int) -> int:
        apart = [(m + 1 - read) % 12 for read in year.months_read]
        return min(min(a, 12 - a) for a in apart)

    month = max(unread, key=away)
    found = months[month]
    known = {f"rh.{month + 1}": _read_width_pct(month, found, year)}
    return _sorted(month, found, found.high - found.low, known)


def _sorted(
    month: int, found: QuantileRange, width: float, known: Mapping[str, float]
) -> NextFields:
    worth = [NarrowingField(n, w) for n, w in known.items() if width - w >= LEAST_PCT]
    return NextFields(month + 1, found, width, tuple(sorted(worth, key=lambda one: one.width_pct)))
