"""Fields of a client's home that would narrow the range of its air most, by calculation.

What nobody said of the home spreads its range on the sheet. How narrow a month's range is once one
of it is said, or with a reading of that month, is calculated in the same way.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from monitor.clients.home_climate import year_of
from monitor.science.case.home_readings import MonthReading, from_readings
from monitor.science.quantiles import QuantileRange

if TYPE_CHECKING:
    from collections.abc import Mapping

    from monitor.clients.home_climate import HomeSources
    from monitor.clients.request import SheetRequest
    from monitor.science.case.home import HomeYear

MEMBERS = 24
"""Ways of a home in these figures; the sheet itself takes more. [-]"""
LEAST_PCT = 1.0
"""Least narrowing of a range that is worth a question. [% RH]  Ours."""


class NarrowingField(NamedTuple):
    """A field and the width of the month's range if it were known. [% RH]

    `name`: of a request; `rh.` with the month's number for a reading.
    """

    name: str
    width_pct: float


class NextFields(NamedTuple):
    """The month that is asked about, 1 to 12, its RH, 8 of 10 homes like this [%], and the fields that
    narrow it, the best first. `known`: whether anything covers the month."""

    month: int
    home_pct: QuantileRange
    fields: tuple[NarrowingField, ...]
    known: bool = True

    @property
    def width_pct(self) -> float:
        """Width of the month's range. [% RH]"""
        return self.home_pct.high - self.home_pct.low


def next_fields(request: SheetRequest, airs: HomeSources) -> NextFields:
    """Fields that would narrow a home's driest month most, or its least known one.

    Raises
    ------
    ClientFault
        As `year_of`.
    """
    year = year_of(request, airs, members=MEMBERS)
    months = year.monthly()
    if request.source in ("readings", "log"):
        return _readings_next(year, months)
    month = min(range(12), key=lambda m: months[m].median)
    found = months[month]
    known = {name: _said_width_pct(request, airs, name, month) for name in request.guessed}
    known[f"rh.{month + 1}"] = _read_width_pct(month, found, year)
    return _sorted(month, found, known)


def _said_width_pct(request: SheetRequest, airs: HomeSources, name: str, month: int) -> float:
    """Width of a month's range with one guessed field confirmed. [% RH]"""
    said = replace(request, guessed=tuple(one for one in request.guessed if one != name))
    found = year_of(said, airs, members=MEMBERS).monthly()[month]
    return found.high - found.low


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
        return NextFields(month + 1, months[month], ())

    def away(m: int) -> int:
        apart = [(m + 1 - read) % 12 for read in year.months_read]
        return min(min(a, 12 - a) for a in apart)

    month = max(unread, key=away)
    found = months[month]
    worth = _sorted(month, found, {f"rh.{month + 1}": _read_width_pct(month, found, year)})
    return worth._replace(known=month + 1 in year.months_known)


def _sorted(month: int, found: QuantileRange, known: Mapping[str, float]) -> NextFields:
    width = found.high - found.low
    worth = [NarrowingField(n, w) for n, w in known.items() if width - w >= LEAST_PCT]
    return NextFields(month + 1, found, tuple(sorted(worth, key=lambda one: one.width_pct)))
