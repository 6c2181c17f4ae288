"""Calculation of a client's case: the figures on a sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.clients.home_climate import HomeSources, year_of
from monitor.clients.request import ClientFault, SheetRequest
from monitor.science.case.advice import FEW, advise
from monitor.science.case.devices import Humidifier
from monitor.science.case.home import Basis, HomeYear, months_known
from monitor.science.case.measures import HUMIDIFIED, Advice, HomeMeasure, Option
from monitor.science.case.outdoors import month_of_hour, saturation
from monitor.science.case.rooms import HOT_C, cold_limit_pct
from monitor.science.case.simulation import MEMBERS, by_day, stays_h
from monitor.science.case.travel import (
    MEASURED_C,
    Car,
    WarmUp,
    hot_car,
    shut_hours,
    warm_up,
    wets_below_c,
)
from monitor.science.case.trial import MORE_DAMP_H
from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import Floats

NOTHING_KNOWN = (
    "too little is known about such a home: measure its RH in one month, and enter it "
    "as a reading in the home"
)
COLD_C, WARM_C = -5.0, 25.0
"""Outdoors on a cold and a warm day where the weather is not known. [°C]  Ours."""
CAR_MIN = 60.0
NOT_COLD_C = 15.0
"""Where it is always warmer outdoors than this, no certain cold day is named. [°C]  Ours."""
WARM_HOME_C = 24.0
"""A home that is warmer than this in every month is taken to stand where it never gets cold. [°C]
Ours."""
DRIER = 0.9
"""Outdoor air holds clearly less water than a home's below this share of it. [-]  Ours."""


UNKNOWN_COLD_C = -15.0
"""Coldest day for which a humidifier's setting is said where the weather is not known. [°C]  Ours."""
COLD_STEPS_FROM_C = 15.0
"""Outdoors, below which cold walls and panes can limit the humidity of a room. [°C]  Ours."""
STEP_PCT, LEAST_SET_PCT = 5.0, 20.0
"""Steps of a humidifier's setting in the cold, and the lowest. [% RH]  Ours."""
MOST_STEPS = 3
"""Settings in the cold that somebody carries out; where more are needed, the steps are doubled. [-]
Ours."""


class HoldTime(NamedTuple):
    """Time for which the shut case alone keeps its wood on the right side of a limit.

    `days` from the middle of the band, with the room at `room_pct` [%], to `limit_pct` [%].
    """

    days: QuantileRange
    room_pct: float
    limit_pct: float


class ColdJourney(NamedTuple):
    """A case that comes in from `from_c` into a room of `room_c`, `room_pct`, and is left shut for
    `shut_h`. [°C], [%], [h]"""

    from_c: float
    room_c: float
    room_pct: float
    warm_up: WarmUp
    shut_h: int | None


class Refills(NamedTuple):
    """Months of refilling, 1 to 12, and the days between refills."""

    months: tuple[int, ...]
    every_d: float


@dataclass(frozen=True, eq=False)
class SheetCalculation:
    """Results for a client's sheet.

    `home_pct` (365, 3): the home's RH by day at 10, 50 and 90 % of the ways [%]. `dry`, `damp`:
    None where the home does not get so. `station`: of the weather file.
    """

    request: SheetRequest
    year: HomeYear
    advice: Advice
    home_pct: Floats
    dry: HoldTime | None
    damp: HoldTime | None
    cold: ColdJourney
    car_c: float
    car: Car
    wets_c: float
    refills: Refills | None
    station: str

    @property
    def unknown(self) -> tuple[int, ...]:
        """Months, 1 to 12, that no reading covers."""
        return tuple(m for m in range(1, 13) if m not in self.advice.known)

    @property
    def days_known(self) -> int:
        """Days of the months that the readings cover."""
        return int(np.isin(month_of_hour()[::24] + 1, self.advice.known).sum())

    @property
    def measure_next(self) -> int:
        """Month to measure next: the unknown one farthest from every reading."""

        if self.year.basis is not Basis.READINGS:
            return max(self.unknown, key=self.width_pct)

        def away(month: int) -> int:
            apart = [(month - read) % 12 for read in self.year.months_read]
            return min(min(a, 12 - a) for a in apart)

        return max(self.unknown, key=away)

    def width_pct(self, month: int) -> float:
        """Width of the 10 to 90 % range of the home's RH in a month, 1 to 12. [% RH]"""
        of = self.advice.home[month - 1]
        return of.high - of.low

    @property
    def own_too_damp(self) -> bool:
        """True where the client's own device makes the case too damp for longer than without it."""
        own, bare = self.advice.own, self.bare
        if own is None:
            return False
        return own.too_damp_h.median > bare.too_damp_h.median + MORE_DAMP_H

    @property
    def unplayed_too_damp(self) -> bool:
        """True where the advised device makes the case damp in more than one way in ten while
        nobody plays, or brings the wood above the band and higher than with nothing added."""
        unplayed = self.advice.unplayed
        if unplayed is None or not isinstance(unplayed.device, Humidifier):
            return False
        higher = max(self.request.band_pct[1], self.bare.highest_pct.high)
        return unplayed.made_damp_share > FEW or unplayed.highest_pct.high > higher

    @property
    def cold_steps(self) -> tuple[tuple[float, float], ...]:
        """Settings in the cold of the measure that is advised."""
        return self.steps_of(self.advised)

    def steps_of(self, option: Option) -> tuple[tuple[float, float], ...]:
        """Temperatures outdoors [°C] below which a humidifier in the room is set lower, and to how much
        [%], the mildest first; none where it is never so cold or nothing is humidified."""
        room = option.room
        humidifier = option.kind in (*HUMIDIFIED, HomeMeasure.SET_LOWER)
        if room is None or not humidifier or self.never_cold:
            return ()
        coldest = min([UNKNOWN_COLD_C, *self.request.outdoors_c.values()])
        if self.year.outdoors is not None:
            coldest = float(self.year.outdoors.temp_c.reshape(365, 24).mean(axis=1).min())
        cold = np.arange(math.floor(coldest), COLD_STEPS_FROM_C + 1.0)
        limit = cold_limit_pct(self.cold.room_c, cold)

        def steps(by_pct: float) -> tuple[tuple[float, float], ...]:
            """Below each temperature the next higher setting is too much."""
            settings = np.arange(room.set_pct - by_pct, LEAST_SET_PCT - 1, -by_pct)
            too_cold = [(cold[limit < pct + by_pct], float(pct)) for pct in settings]
            return tuple((float(c[-1] + 1), pct) for c, pct in too_cold if len(c))

        found = steps(STEP_PCT)
        return found if len(found) <= MOST_STEPS else steps(2 * STEP_PCT)

    def cold_uncounted(self, option: Option) -> bool:
        """True where the setting is lower in the cold, and it is not known how cold it gets: a typed
        temperature is that of one month."""
        return self.year.outdoors is None and bool(self.steps_of(option))

    @property
    def never_cold(self) -> bool:
        """True where no cold day outdoors is known or to be expected: only warm ones were typed, for
        all known months, or the home is warm in every month of the year."""
        if self.year.outdoors is not None:
            return float(self.year.outdoors.temp_c.min()) > NOT_COLD_C
        typed = self.request.outdoors_c
        if typed and min(typed.values()) <= NOT_COLD_C:
            return False
        if typed and {*self.advice.known} <= {*months_known(tuple(typed))}:
            return True
        month = month_of_hour()
        warmth = [float(self.year.temp_c[month == m].mean()) for m in range(12)]
        return not self.unknown and min(warmth) > WARM_HOME_C

    @property
    def airing(self) -> bool:
        """True where airing can dry the room: in damp months the air outdoors holds clearly less
        water than the home's; where that is not known, the home is not hot then."""
        months = self.advice.home
        damp = [m for m in self.advice.known if months[m - 1].median > self.request.band_pct[1]]
        damp = damp or [max(self.advice.known, key=lambda m: months[m - 1].median)]
        month = month_of_hour() + 1
        temp_c = [float(self.year.temp_c[month == m].mean()) for m in damp]
        if self.year.outdoors is None:
            return max(temp_c) < HOT_C
        outdoors = self.year.outdoors.monthly()[1]
        indoors = [
            months[m - 1].median / 100 * float(saturation(np.array(t)))
            for m, t in zip(damp, temp_c, strict=True)
        ]
        return all(outdoors[m - 1] < DRIER * e for m, e in zip(damp, indoors, strict=True))

    @property
    def bare(self) -> Option:
        """Option without a device, as the case is used now."""
        return self.advice.options[0]

    @property
    def advised(self) -> Option:
        """The measure that is advised."""
        return self.advice.advised


def calculate_sheet(
    request: SheetRequest, airs: HomeSources | None = None, *, members: int = MEMBERS
) -> SheetCalculation:
    """All figures of a sheet.

    Raises
    ------
    ClientFault
    """
    airs = airs or HomeSources()
    year = year_of(request, airs, members=members)
    if not year.months_known:
        raise ClientFault({"source": NOTHING_KNOWN})
    wet = request.humidified_l_day > 0
    advice = advise(request.case, year, request.use, request.band_pct, request.own, humidified=wet)
    months = advice.home
    low, high = request.band_pct
    middle = (low + high) / 2
    middles = [months[m - 1].median for m in advice.known]
    driest, dampest = min(middles), max(middles)
    outdoors = year.outdoors
    cold_c, warm_c = COLD_C, WARM_C
    if (typed := request.outdoors_c.values()) and outdoors is None:
        # A month's mean has colder days, so what is usual stays where it is the colder.
        cold_c, warm_c = min(COLD_C, *typed), max(WARM_C, *typed)
    if outdoors is not None:
        cold_c, warm_c = (float(np.quantile(outdoors.temp_c, share)) for share in (0.02, 0.95))
    coldest = int(np.argmin([year.temp_c[month_of_hour() == m].mean() for m in range(12)]))
    if outdoors is not None:
        coldest = int(np.argmin(outdoors.monthly()[0]))
    room_c = float(year.temp_c[month_of_hour() == coldest].mean())
    room_pct = min(max(months[coldest].high, 1.0), 99.0)
    cold_c = min(round(cold_c), room_c)
    car_c = min(max(round(warm_c), MEASURED_C[0]), MEASURED_C[1])
    return SheetCalculation(
        request=request,
        year=year,
        advice=advice,
        home_pct=by_day(year.rh_pct),
        dry=_held(request, middle, driest, low) if driest < low else None,
        damp=_held(request, middle, dampest, high) if dampest > high else None,
        cold=ColdJourney(
            cold_c,
            room_c,
            room_pct,
            warm_up(request.case, cold_c, room_c, room_pct),
            shut_hours(request.case, cold_c, room_c, room_pct),
        ),
        car_c=car_c,
        car=hot_car(car_c, CAR_MIN),
        wets_c=wets_below_c(room_c, middle),
        refills=_refills(advice),
        station=airs.station,
    )


def _held(request: SheetRequest, start: float, room: float, limit: float) -> HoldTime:
    hours = stays_h(request.case, start, room, limit)
    return HoldTime(QuantileRange(*(h / 24 for h in hours)), room, limit)


def _refills(advice: Advice) -> Refills | None:
    device, change = advice.advised.device, advice.advised.room
    every: float = 1.0
    months: tuple[int, ...] = ()
    if device is not None:
        every, months = device.every_d, device.months
    elif change is not None and advice.advised.kind in HUMIDIFIED:
        months = change.months
    months = tuple(m for m in months if m in advice.known)
    return Refills(months, every) if months else None


__all__ = ["Basis", "HoldTime", "Refills", "SheetCalculation", "calculate_sheet"]
