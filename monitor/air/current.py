"""The air at each place now: values, derived quantities and the assessment."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.place_means import joined, places
from monitor.air.unreliable_readings import doubtful
from monitor.core.errors import OutOfRange
from monitor.core.formats import TemperatureUnit, unit_of
from monitor.core.measurements import BY_HAND, Quantity, Series, leading_order
from monitor.domain.air_assessment import AirAssessment, judge
from monitor.domain.cold_walls import OutdoorTemps, SafeHumidity, add_water, safe_humidity
from monitor.domain.forecast import at_moments
from monitor.domain.hand_reading import fresh_ms, widened
from monitor.domain.places import AirLimits, Kind, Place, band
from monitor.domain.situation import Situation
from monitor.science.air import relative_humidity_at
from monitor.science.cold_surface import TEMP_C, measured_factor
from monitor.science.registry import derive
from monitor.science.uncertainty import dew_point_uncertainty, moisture_content_uncertainty
from monitor.science.wood import moisture_content_is_extrapolated
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader, forecasts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.settings import Settings

EMC = "equilibrium_moisture_content"
HEATED_TO_C = 20.0
"""Temperature to which outdoor air is heated indoors where no place indoors is measured. [°C]"""
TRACE_MS = 86_400_000
HOUR_MS = 3_600_000
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY


@dataclass(frozen=True)
class LatestAir:
    """A place's newest values, quantity to (time [ms], value), and its leading sensor's last day:
    times [ms], temperature [°C] and RH [%], three arrays of shape (n,). `u_calibrated` has the
    expanded uncertainty (k = 2) of the newest values that a calibration corrects."""

    place: Place
    sensor: str
    newest: dict[Quantity, tuple[int, float]]
    u_calibrated: dict[Quantity, float]
    at_ms: NDArray[np.int64]
    temp_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]
    outdoors: OutdoorTemps | None = None
    """As a sensor outdoors has it, else the newest forecast."""
    surface_day_c: float = math.nan
    """Mean of the coldest measured surface over the last day. [°C]"""
    in_doubt: bool = False
    """True if the leading sensor is stuck or saturated, or its clock is wrong."""

    def heard_ms(self) -> int | None:
        """Time of the older of the newest temperature and RH; None without any. [ms]"""
        return min((self.newest[q][0] for q in (T, RH) if q in self.newest), default=None)

    def old_at(self, now_ms: int, settings: Settings) -> bool:
        """True if the newest values show nothing of the present."""
        heard = self.heard_ms()
        return heard is not None and now_ms - heard > fresh_ms(
            self.sensor, settings.board.stale_after_s
        )


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
    wrong. `heated_rh_pct` is the RH of outdoor air brought in and heated to the shop's temperature,
    `heated_to_c`. [%], [°C] `safe` is the highest RH that its cold walls bear; None where that is
    not known.
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

    def fresh_s(self, settings: Settings) -> float:
        """Age up to which the last reading is the present air. [s]"""
        return fresh_ms(BY_HAND if self.by_hand else "", settings.board.stale_after_s) / 1000


def recent(reader: Reader, settings: Settings, now_ms: int) -> list[LatestAir]:
    """Newest values of each place, and the last day of its leading sensor as 10-minute means.

    The leading sensor is the first by name of those that measure temperature and RH and are not
    old, and are neither stuck nor saturated nor misdated, if there is such a one; if all are old,
    the one heard last. Pressure, surface temperature and battery are the
    newest of any sensor at the place.
    """
    stale_s = settings.board.stale_after_s
    latest: dict[str, dict[str, dict[Quantity, tuple[int, float]]]] = {}
    u_of: dict[Series, float] = {}
    for series_id, (series, ts_ms, value) in reader.latest(now_ms):
        if (u := reader.uncertainty(series_id, value, ts_ms)) is not None:
            u_of[series] = u
        at = latest.setdefault(series.place, {}).setdefault(series.sensor, {})
        at[series.quantity] = (ts_ms, value)
    ids = reader.series()
    found = []
    for place in places(reader, settings):
        sensors = latest.get(place.id, {})
        pairs = {
            name: min(v[T][0], v[RH][0]) for name, v in sensors.items() if {T, RH} <= v.keys()
        }
        fresh = sorted(
            (n for n in pairs if pairs[n] >= now_ms - fresh_ms(n, stale_s)), key=leading_order
        )
        sound = [n for n in fresh if not _in_doubt(reader, ids, place.id, n, now_ms)]
        name = next(iter(sound or fresh), "")
        name = name or max(pairs, key=lambda n: pairs[n], default="")
        newest: dict[Quantity, tuple[int, float]] = {}
        for values in sensors.values():
            for quantity, value_at in values.items():
                newest[quantity] = max(newest.get(quantity, (0, 0.0)), value_at)
        if name:
            newest |= {q: sensors[name][q] for q in (T, RH)}
        trace = [
            reader.rollups(one, TEN_MINUTES_S, now_ms - TRACE_MS, now_ms + 1)
            if (one := ids.get(Series(place.id, name, q)))
            else None
            for q in (T, RH)
        ]
        own = {q: u_of[s] for q in (T, RH) if (s := Series(place.id, name, q)) in u_of}
        surface = surface_day_c(reader, place.id, now_ms)
        doubt = bool(fresh) and not sound
        found.append(LatestAir(place, name, newest, own, *joined(*trace), None, surface, doubt))
    outdoors = _outdoors(reader, found, settings, now_ms)
    return [replace(one, outdoors=outdoors) for one in found]


def _outdoors(
    reader: Reader, found: list[LatestAir], settings: Settings, now_ms: int
) -> OutdoorTemps | None:
    """Outdoor temperature from a sensor of the last hour, else from the newest forecast."""
    for one in found:
        if one.place.kind == "outdoors" and len(one.at_ms) and now_ms - one.at_ms[-1] < HOUR_MS:
            temps = OutdoorTemps(float(np.mean(one.temp_c)), float(one.temp_c[-1]))
            if all(TEMP_C[0] <= temp <= TEMP_C[1] for temp in temps):
                return temps
    newest = forecasts.newest(reader, now_ms, [source.id for source in settings.forecasts])
    if newest is None:
        return None
    hours = now_ms - TRACE_MS + HOUR_MS * np.arange(25, dtype=np.int64)
    ahead = at_moments(newest, hours).temp_c
    if np.isnan(ahead[-1]):
        return None
    return OutdoorTemps(float(np.nanmean(ahead)), float(ahead[-1]))


def surface_day_c(reader: Reader, place: str, now_ms: int) -> float:
    """Mean of the coldest surface measured at a place over the last day; NaN without one. [°C]"""
    means = [
        float(np.mean(rows["mean"]))
        for series, series_id in reader.series().items()
        if (series.place, series.quantity) == (place, Quantity.SURFACE_TEMPERATURE)
        and len(rows := reader.rollups(series_id, HOUR_S, now_ms - TRACE_MS, now_ms + 1))
    ]
    return min(means, default=math.nan)


def _in_doubt(
    reader: Reader, ids: dict[Series, int], place: str, sensor: str, now_ms: int
) -> bool:
    series_id = ids.get(Series(place, sensor, RH), 0)
    rows = reader.rollups(series_id, TEN_MINUTES_S, now_ms - TRACE_MS, now_ms + 1)
    return bool(doubtful(reader, place, sensor, rows)[-1:].any())


def air_now(
    recent: list[LatestAir],
    settings: Settings,
    now_ms: int,
    drying: Mapping[str, tuple[str, ...]] = MappingProxyType({}),
    unit: TemperatureUnit | None = None,
) -> list[PlaceAir]:
    """The air at each place, in the same order. `drying`: as in `situation.drying`, by place.
    `unit`: of temperatures in the advice; None: as the settings say."""
    unit = unit or unit_of(settings.board.temperature_unit == "F")
    shop_c = _shop_temperature(recent, settings, now_ms)
    return [
        _place_air(one, settings, now_ms, drying.get(one.place.id, ()), unit, shop_c)
        for one in recent
    ]


def air_as(
    kind: Kind,
    recent: list[LatestAir],
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


def _shop_temperature(recent: list[LatestAir], settings: Settings, now_ms: int) -> float:
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
    settings: Settings,
    now_ms: int,
    drying: tuple[str, ...],
    unit: TemperatureUnit,
    shop_c: float,
) -> PlaceAir:
    values = {quantity: value for quantity, (_, value) in one.newest.items()}
    temp = values.get(Quantity.TEMPERATURE, math.nan)
    rh = values.get(Quantity.HUMIDITY, math.nan)
    heard = one.heard_ms()
    if not one.sensor:  # each measured by another sensor: no pair, nothing follows
        dew = frost = emc = heated = math.nan
    else:
        dew = float(derive("dew_point", temp, rh))
        frost = float(derive("frost_point", temp, rh))
        emc = float(derive(EMC, temp, rh))
        heated = _heated(temp, rh, shop_c)
    trace = _trace(one, heard, temp, rh)
    u_dew, u_emc = _uncertainty(one, temp, rh, dew, emc, settings, now_ms)
    safe = safe_humidity(one.place, temp, one.outdoors, _wall_factor(one))
    situation = Situation(
        temp_c=temp,
        hot=temp >= settings.limits.temp_high_c,
        drying=drying,
        open_flame=one.place.open_flame,
        water=add_water(safe, band(one.place, settings.limits), rh, unit),
        may_fill=safe is None or rh < safe.rh_pct,
    )
    assessment = judge(
        one.place,
        settings.limits,
        trace.at_ms,
        trace.temp_c,
        trace.rh_pct,
        trace.dew_point_c,
        situation,
    )
    if safe is not None and assessment.weight == 0 and rh > safe.rh_pct:
        advice = f"{assessment.advice} Too damp for the cold walls. {safe.words(unit)}"
        assessment = assessment._replace(advice=advice)
    return PlaceAir(
        place=one.place,
        heard_ms=heard,
        old=one.old_at(now_ms, settings),
        by_hand=one.sensor == BY_HAND,
        in_doubt=one.in_doubt,
        temp_c=temp,
        rh_pct=rh,
        pressure_pa=values.get(Quantity.PRESSURE, math.nan),
        surface_temp_c=values.get(Quantity.SURFACE_TEMPERATURE, math.nan),
        battery_pct=values.get(Quantity.BATTERY, math.nan),
        dew_point_c=dew,
        u_dew_point_k=u_dew,
        frost_point_c=frost,
        moisture_pct=emc,
        u_moisture_pct=u_emc,
        extrapolated=math.isfinite(emc)
        and bool(moisture_content_is_extrapolated(temp, min(rh, 100.0))),
        heated_rh_pct=heated,
        heated_to_c=shop_c,
        band_pct=work_band(one.place, settings.limits),
        safe=safe,
        situation=situation,
        assessment=assessment,
        trace=trace,
    )


def _wall_factor(one: LatestAir) -> float:
    """Temperature factor of the coldest measured wall, from means of the last day; NaN without."""
    if one.outdoors is None or not len(one.temp_c) or not math.isfinite(one.surface_day_c):
        return math.nan
    temps = (one.surface_day_c, float(np.mean(one.temp_c)), one.outdoors.day_c)
    if any(not TEMP_C[0] <= temp <= TEMP_C[1] for temp in temps):  # a broken sensor
        return math.nan
    return float(measured_factor(*temps))


def _trace(one: LatestAir, heard: int | None, temp: float, rh: float) -> DayTrace:
    at, temps, rhs = one.at_ms, one.temp_c, one.rh_pct
    if heard is not None and one.sensor:
        before = at < heard
        at = np.append(at[before], heard)
        temps, rhs = np.append(temps[before], temp), np.append(rhs[before], rh)
    return DayTrace(at, temps, rhs, derive("dew_point", temps, rhs), derive(EMC, temps, rhs))


def _heated(temp: float, rh: float, to_c: float) -> float:
    """RH of outdoor air once heated; NaN for air that is warmer already."""
    if temp >= to_c:
        return math.nan
    try:
        return float(relative_humidity_at(temp, min(rh, 100.0), to_c))
    except OutOfRange:
        return math.nan


def _uncertainty(
    one: LatestAir, temp: float, rh: float, dew: float, emc: float, settings: Settings, now_ms: int
) -> tuple[float, float]:
    u_temp = one.u_calibrated.get(T, settings.sensor.temp_accuracy_c)
    u_rh = one.u_calibrated.get(RH, settings.sensor.rh_accuracy_pct)
    if one.sensor == BY_HAND and (heard := one.heard_ms()) is not None:
        u_temp, u_rh = widened(u_temp, u_rh, now_ms - heard)
    rh = min(rh, 100.0)
    u_dew = (
        float(dew_point_uncertainty(temp, rh, u_temp, u_rh)) if math.isfinite(dew) else math.nan
    )
    if not math.isfinite(emc):
        return u_dew, math.nan
    return u_dew, float(moisture_content_uncertainty(temp, rh, u_temp, u_rh))
