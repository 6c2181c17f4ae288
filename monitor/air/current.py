"""The air at each place now: values, derived quantities and the assessment."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.derived_values import EMC, RH, DerivedValues, T, derived_values
from monitor.air.kept_looks import Inputs, KeptLooks
from monitor.core import formats
from monitor.core.formats import TemperatureUnit, unit_of
from monitor.core.measurements import BY_HAND, Quantity
from monitor.domain.air_assessment import (
    AirAssessment,
    AirCourse,
    AirState,
    assessment_of,
    course,
    forbids,
)
from monitor.domain.cold_walls import SafeHumidity, add_water, safe_humidities
from monitor.domain.hand_reading import fresh_ms
from monitor.domain.places import AirLimits, Kind, Place, band
from monitor.domain.situation import Situation
from monitor.science.cold_surface import TEMP_C, measured_factor
from monitor.science.registry import derive

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.air.latest_air import LatestAir
    from monitor.settings import Settings

HEATED_TO_C = 20.0
"""Temperature to which outdoor air is heated indoors where no place indoors is measured. [°C]"""
TRACE_MS = 86_400_000


class DayTrace(NamedTuple):
    """The last day as 10-minute means, ending with the newest reading; arrays of shape (n,).

    Time [ms since 1970-01-01 UTC], temperature [°C], RH [%], dew point [°C], EMC [%].
    """

    at_ms: NDArray[np.int64]
    temp_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]
    dew_point_c: NDArray[np.float64]
    moisture_pct: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class PlaceAir:
    """A place's air now. NaN is unknown; `heard_ms` is None if nothing was ever heard.

    `u_dew_point_k` and `u_moisture_pct` follow from the sensor's calibration, or else from its
    stated accuracy (k = 2).
    `in_doubt` is true if no sensor there is sound: the newest is stuck or saturated, or its clock is
    wrong. `heated_rh_pct` is, of a place outdoors, the RH of its air brought in and heated to the
    shop's temperature, `heated_to_c`. [%], [°C]
    `safe` is the highest RH that its cold walls bear; None where that is not known.
    """

    place: Place
    heard_ms: int | None
    old: bool
    by_hand: bool
    in_doubt: bool
    temp_c: float
    rh_pct: float
    pressure_pa: float
    surface_temp_c: float
    battery_pct: float
    dew_point_c: float
    u_dew_point_k: float
    frost_point_c: float
    moisture_pct: float
    u_moisture_pct: float
    extrapolated: bool
    heated_rh_pct: float
    heated_to_c: float
    band_pct: tuple[float, float]
    safe: SafeHumidity | None
    situation: Situation
    assessment: AirAssessment
    trace: DayTrace

    @property
    def gravity(self) -> tuple[int, bool, float]:
        """Sort key: how much its air matters for the work; of equal weight first what forbids work,
        then what is furthest beyond its limit."""
        found = self.assessment
        return found.weight, forbids(self.place.kind, found), found.beyond

    def state_words(self, unit: TemperatureUnit) -> str:
        """First sentence on air that is not right: `Front bench, 6.0 °C. Too cold to glue.`"""
        found = self.assessment
        warmth = found.state in (AirState.COLD, AirState.HOT)
        figure = (
            formats.with_unit("temperature", self.temp_c, unit)
            if warmth
            else formats.with_unit("humidity", self.rh_pct, unit)
        )
        return f"{self.place.label}, {figure}. {found.title}."

    def fresh_s(self, settings: Settings) -> float:
        """Age up to which the last reading is the present air. [s]"""
        return fresh_ms(BY_HAND if self.by_hand else "", settings.board.stale_after_s) / 1000


def air_now(
    recent: Sequence[LatestAir],
    settings: Settings,
    now_ms: int,
    drying: Mapping[str, tuple[str, ...]] = MappingProxyType({}),
    unit: TemperatureUnit | None = None,
    shop_c: float | None = None,
    kept: KeptLooks | None = None,
) -> list[PlaceAir]:
    """The air at each place, in the same order. `drying`: as in `situation.drying`, by place.
    `unit`: of temperatures in the advice; None: as the settings say. `shop_c`: mean temperature
    indoors, where these are not all places. `kept`: of the looks before."""
    unit = unit or unit_of(settings.board.temperature_unit == "F")
    if shop_c is None:
        shop_c = _shop_temperature(recent, settings, now_ms)
    kept = kept or KeptLooks()
    days, safe = _days(recent, settings.limits, kept), _safe(recent, kept)
    every = {one.place.id: one for one in recent}
    inputs: dict[str, Inputs] = {
        i: (
            (days[i], settings),
            (
                (one.newest, one.u_calibrated, one.in_doubt, one.old_at(now_ms, settings)),
                (safe[i], drying.get(i, ()), unit),
                shop_c if one.place.kind == "outdoors" else None,
                now_ms if one.sensor == BY_HAND else None,  # then the uncertainty grows
            ),
        )
        for i, one in every.items()
    }

    def made(some: list[str]) -> list[PlaceAir]:
        here = [every[i] for i in some]
        derived = zip(here, derived_values(here, settings, now_ms, shop_c), strict=True)
        return [
            _place_air(
                one, own, days[i], safe[i], settings, now_ms, drying.get(i, ()), unit, shop_c
            )
            for i, (one, own) in zip(some, derived, strict=True)
        ]

    return [*kept.results("airs", inputs, made).values()]


def air_as(
    kind: Kind,
    recent: Sequence[LatestAir],
    place: str,
    settings: Settings,
    now_ms: int,
    drying: Mapping[str, tuple[str, ...]] = MappingProxyType({}),
    unit: TemperatureUnit | None = None,
) -> PlaceAir | None:
    """The air of a place, judged by the rules of a kind of place; None for an unknown place."""
    as_kind = [
        replace(one, place=replace(one.place, kind=kind))
        for one in recent
        if one.place.id == place
    ]
    return next(iter(air_now(as_kind, settings, now_ms, drying, unit)), None)


def _shop_temperature(recent: Sequence[LatestAir], settings: Settings, now_ms: int) -> float:
    """Mean temperature of the places indoors that are not old; `HEATED_TO_C` without any. [°C]"""
    temps = [
        value
        for one in recent
        if one.place.kind != "outdoors" and T in one.newest
        for at, value in [one.newest[T]]
        if at >= now_ms - fresh_ms(one.sensor, settings.board.stale_after_s)
        and math.isfinite(value)
    ]
    return float(np.mean(temps)) if temps else HEATED_TO_C


def work_band(place: Place, limits: AirLimits) -> tuple[float, float]:
    """Band of RH that suits the work at a place, as it is drawn. [%], [%]

    Where varnish is laid the upper end is the limit of blushing, as in the assessment.
    """
    low, high = band(place, limits)
    return (low, limits.varnish_rh_high_pct) if place.kind == "varnish" else (low, high)


def _place_air(
    one: LatestAir,
    own: DerivedValues,
    day: tuple[DayTrace, AirCourse],
    safe: SafeHumidity | None,
    settings: Settings,
    now_ms: int,
    drying: tuple[str, ...],
    unit: TemperatureUnit,
    shop_c: float,
) -> PlaceAir:
    values = {quantity: value for quantity, (_, value) in one.newest.items()}
    temp = values.get(Quantity.TEMPERATURE, math.nan)
    rh = values.get(Quantity.HUMIDITY, math.nan)
    situation = Situation(
        temp_c=temp,
        hot=temp >= settings.limits.temp_high_c,
        drying=drying,
        open_flame=one.place.open_flame,
        water=add_water(safe, band(one.place, settings.limits), rh, unit),
        may_fill=safe is None or rh < safe.rh_pct,
    )
    trace, found = day
    assessment = assessment_of(found, one.place, settings.limits, situation)
    if safe is not None and assessment.weight == 0 and rh > safe.rh_pct:
        advice = f"{assessment.advice} Too damp for the cold walls. {safe.words(unit)}"
        assessment = assessment._replace(advice=advice)
    return PlaceAir(
        place=one.place,
        heard_ms=one.heard_ms(),
        old=one.old_at(now_ms, settings),
        by_hand=one.sensor == BY_HAND,
        in_doubt=one.in_doubt,
        temp_c=temp,
        rh_pct=rh,
        pressure_pa=values.get(Quantity.PRESSURE, math.nan),
        surface_temp_c=values.get(Quantity.SURFACE_TEMPERATURE, math.nan),
        battery_pct=values.get(Quantity.BATTERY, math.nan),
        dew_point_c=own.dew_point_c,
        u_dew_point_k=own.u_dew_point_k,
        frost_point_c=own.frost_point_c,
        moisture_pct=own.moisture_pct,
        u_moisture_pct=own.u_moisture_pct,
        extrapolated=own.extrapolated,
        heated_rh_pct=own.heated_rh_pct,
        heated_to_c=shop_c if one.place.kind == "outdoors" else math.nan,
        band_pct=work_band(one.place, settings.limits),
        safe=safe,
        situation=situation,
        assessment=assessment,
        trace=trace,
    )


def _safe(recent: Sequence[LatestAir], kept: KeptLooks) -> dict[str, SafeHumidity | None]:
    """Highest safe RH of each place."""
    outdoors = next((one.outdoors for one in recent if one.outdoors is not None), None)
    every = {one.place.id: one for one in recent}
    inputs: dict[str, Inputs] = {
        i: (
            (one.temp_c,),
            (
                outdoors,
                one.surface_day_c,
                one.place,
                one.newest[T][1] if T in one.newest else None,
            ),
        )
        for i, one in every.items()
    }

    def made(some: list[str]) -> list[SafeHumidity | None]:
        here = [every[i] for i in some]
        temps = [one.newest[T][1] if T in one.newest else math.nan for one in here]
        return safe_humidities([one.place for one in here], temps, outdoors, _wall_factors(here))

    return kept.results("safe", inputs, made)


def _wall_factors(recent: Sequence[LatestAir]) -> list[float]:
    """Temperature factor of the coldest measured wall, from means of the last day; NaN without."""
    temps = np.array(
        [
            (one.surface_day_c, float(np.mean(one.temp_c)), one.outdoors.day_c)
            if one.outdoors is not None and len(one.temp_c) and math.isfinite(one.surface_day_c)
            else (math.nan,) * 3
            for one in recent
        ]
    )
    good = ((temps >= TEMP_C[0]) & (temps <= TEMP_C[1])).all(axis=1)  # else a broken sensor
    return measured_factor(*np.where(good, temps.T, math.nan)).tolist()


def _days(
    recent: Sequence[LatestAir], limits: AirLimits, kept: KeptLooks
) -> dict[str, tuple[DayTrace, AirCourse]]:
    """The trace of each place, with the newest values at its end, and what it comes to."""
    every = {one.place.id: one for one in recent}
    inputs: dict[str, Inputs] = {
        i: (
            (one.at_ms, one.temp_c, one.rh_pct, limits),
            (one.place, one.sensor, one.newest.get(T), one.newest.get(RH)),
        )
        for i, one in every.items()
    }

    def made(some: list[str]) -> list[tuple[DayTrace, AirCourse]]:
        here = [every[i] for i in some]
        return [
            (trace, course(one.place, limits, *trace[:4]))
            for one, trace in zip(here, _traced(here), strict=True)
        ]

    return kept.results("days", inputs, made)


def _traced(recent: Sequence[LatestAir]) -> list[DayTrace]:
    ends = []
    for one in recent:
        at, temps, rhs, heard = one.at_ms, one.temp_c, one.rh_pct, one.heard_ms()
        if heard is not None and one.sensor:
            before = int(np.searchsorted(at, heard))
            at = np.append(at[:before], heard)
            temps, rhs = (
                np.append(values[:before], one.newest[q][1])
                for values, q in ((temps, T), (rhs, RH))
            )
        ends.append((at, temps, rhs))
    every = [np.concatenate([one[i] for one in ends]) for i in (1, 2)]
    cuts = np.cumsum([len(at) for at, _, _ in ends])[:-1]
    derived = (np.split(derive(name, *every), cuts) for name in ("dew_point", EMC))
    return [DayTrace(*own, *more) for own, *more in zip(ends, *derived, strict=True)]
