"""The newest values of each place, and the last day of its leading sensor."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.air.last_day import DAY_MS, LastDay
from monitor.air.place_means import joined, places_of
from monitor.air.unreliable_readings import doubtful_of
from monitor.core.measurements import Quantity, Series, leading_order
from monitor.domain.cold_walls import OutdoorTemps
from monitor.domain.forecast import at_moments
from monitor.domain.hand_reading import fresh_ms
from monitor.domain.places import Place
from monitor.science.cold_surface import TEMP_C
from monitor.store import HOUR_S, Reader, forecasts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.settings import Settings

HOUR_MS = 3_600_000
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
SURFACE = Quantity.SURFACE_TEMPERATURE


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


def recent(
    reader: Reader,
    settings: Settings,
    now_ms: int,
    day: LastDay | None = None,
    only: Collection[str] | None = None,
) -> list[LatestAir]:
    """Newest values of each place, and the last day of its leading sensor as 10-minute means.

    The leading sensor is the first by name of those that measure temperature and RH and are not
    old, and are neither stuck nor saturated nor misdated, if there is such a one; if all are old,
    the one heard last. Pressure, surface temperature and battery are the
    newest of any sensor at the place. `day`: what was read already of the same moment. `only`: the
    places that are wanted, if not all; those outdoors are always among them.
    """
    day = day or LastDay(reader, now_ms)
    stale_s = settings.board.stale_after_s
    latest = day.newest
    known = places_of(day.ids, settings)
    if only is not None:
        known = [one for one in known if one.id in only or one.kind == "outdoors"]
    sensors_of = {place.id: pairs_of(latest.get(place.id, {}), now_ms, stale_s) for place in known}
    asked = [(place, name) for place, (fresh, _) in sensors_of.items() for name in fresh]
    rh = day.rollups(Series(*one, RH) for one in asked)
    doubt = doubtful_of(
        reader, {(s.place, s.sensor): rows for s, rows in rh.items()}, kept=day.kept
    )
    bad = {one for one, mask in doubt.items() if mask[-1:].any()}
    leading = {
        place: next(iter([n for n in fresh if (place, n) not in bad] or fresh), last)
        for place, (fresh, last) in sensors_of.items()
    }
    rows = day.rollups(Series(*one, q) for one in leading.items() for q in (T, RH))
    pairs = {one: [rows.get(Series(*one, q)) for q in (T, RH)] for one in leading.items()}
    traces = day.kept.results(
        "joined",
        {one: ((*pair,), ()) for one, pair in pairs.items()},
        lambda some: [joined(*pairs[one]) for one in some],
    )
    here = {place.id for place in known}
    surfaces = surface_days_c(
        reader, {one: i for one, i in day.ids.items() if one.place in here}, now_ms
    )
    found = []
    for place in known:
        sensors, name = latest.get(place.id, {}), leading[place.id]
        newest: dict[Quantity, tuple[int, float]] = {}
        for values in sensors.values():
            for quantity, value_at in values.items():
                newest[quantity] = max(newest.get(quantity, (0, 0.0)), value_at)
        if name:
            newest |= {q: sensors[name][q] for q in (T, RH)}
        own = {
            q: u
            for q in (T, RH)
            if name and (u := _u_of(day, Series(place.id, name, q), newest[q])) is not None
        }
        surface = surfaces.get(place.id, math.nan)
        doubted = (place.id, name) in bad
        found.append(
            LatestAir(place, name, newest, own, *traces[place.id, name], None, surface, doubted)
        )
    outdoors = _outdoors(reader, found, settings, now_ms)
    return [replace(one, outdoors=outdoors) for one in found]


def _u_of(day: LastDay, series: Series, newest: tuple[int, float]) -> float | None:
    """Uncertainty of a newest value by its sensor's calibration; None if it was never calibrated."""
    ts_ms, value = newest
    return day.reader.uncertainty(day.ids[series], value, ts_ms)


def pairs_of(
    sensors: Mapping[str, Mapping[Quantity, tuple[int, float]]], now_ms: int, stale_s: float
) -> tuple[list[str], str]:
    """Sensors of a place that measure temperature and RH and are not old, the first to lead first;
    and the one heard last of all, if any."""
    pairs = {n: min(v[T][0], v[RH][0]) for n, v in sensors.items() if {T, RH} <= v.keys()}
    fresh = [n for n in pairs if pairs[n] >= now_ms - fresh_ms(n, stale_s)]
    return sorted(fresh, key=leading_order), max(pairs, key=lambda n: pairs[n], default="")


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
    hours = now_ms - DAY_MS + HOUR_MS * np.arange(25, dtype=np.int64)
    ahead = at_moments(newest, hours).temp_c
    if np.isnan(ahead[-1]):
        return None
    return OutdoorTemps(float(np.nanmean(ahead)), float(ahead[-1]))


def surface_days_c(reader: Reader, series: Mapping[Series, int], now_ms: int) -> dict[str, float]:
    """Mean of the coldest surface measured over the last day, of each place that has one. [°C]

    `series`: the series to look at, and their ids.
    """
    ids = {i: one.place for one, i in series.items() if one.quantity is SURFACE}
    found: dict[str, float] = {}
    for i, rows in reader.rollups_of(ids, HOUR_S, now_ms - DAY_MS, now_ms + 1).items():
        if len(rows):
            mean = float(np.mean(rows["mean"]))
            found[ids[i]] = min(mean, found.get(ids[i], mean))
    return found
