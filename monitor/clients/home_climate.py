"""The air of a client's home, from what was typed and which files were given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.clients.request import ClientFault, SheetRequest
from monitor.core.formats import local as local_time
from monitor.core.measurements import Quantity, Series, leading_order
from monitor.science.case.carried import home_from_readings
from monitor.science.case.climates import VAPOUR_TIMES, YEAR_TIMES, city_of
from monitor.science.case.fields import CaseFault
from monitor.science.case.from_log import home_from_log, outdoors_from_log, year_of_hours
from monitor.science.case.home import MOST_WIDE_PCT, HomeYear, home_year
from monitor.science.case.outdoors import OutdoorYear, from_normals, through_months
from monitor.science.ranges import Floats
from monitor.store import HOUR_S, Reader

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from monitor.domain.places import Place

SHOP_YEARS_MS = 3 * 366 * 86_400_000
"""Span of the shop's outdoor log that is read. [ms]"""
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
_FIELD = {"tightness": "changes_h"}
"""Field of a home for a name of a request, where they differ."""


class HourlyLog(NamedTuple):
    """Log by the hour of the year, (8760,), NaN where nothing was recorded. [°C], [%]"""

    temp_c: Floats
    rh_pct: Floats


@dataclass(frozen=True)
class HomeSources:
    """Files and logs that describe a home's air; None where not given.

    `outdoors` and its `station` of a weather file, `log` of the client's home, `shop` outdoors.
    """

    outdoors: OutdoorYear | None = None
    station: str = ""
    log: HourlyLog | None = None
    shop: HourlyLog | None = None


def hourly_log(
    values: Mapping[Quantity, tuple[NDArray[np.int64], NDArray[np.float64]]], zone: ZoneInfo
) -> HourlyLog:
    """A log on the hours of the year, local standard time; 29 February falls away.

    Parameters
    ----------
    values : mapping
        Of temperature and humidity: times [ms since 1970-01-01 UTC] and values [°C], [%].
    """
    columns = []
    for quantity in (T, RH):
        ts_ms, readings = values.get(quantity, (np.empty(0, np.int64), np.empty(0)))
        hour, kept = _hour_of_year(ts_ms, zone)
        columns.append(year_of_hours(hour[kept], readings[kept]))
    return HourlyLog(*columns)


def _hour_of_year(
    ts_ms: NDArray[np.int64], zone: ZoneInfo
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    if not len(ts_ms):
        return ts_ms, ts_ms > 0
    first, none = local_time(int(ts_ms.min()), zone), timedelta()
    standard = (first.utcoffset() or none) - (first.dst() or none)
    local = ts_ms + int(standard.total_seconds() * 1000)
    days = local.astype("M8[ms]").astype("M8[D]")
    years = days.astype("M8[Y]")
    day = (days - years.astype("M8[D]")).astype(np.int64)
    next_years = (years + np.timedelta64(1, "Y")).astype("M8[D]")
    leap = next_years - years.astype("M8[D]") == np.timedelta64(366, "D")
    kept = ~(leap & (day == 59))
    day = day - (leap & (day > 59))
    return 24 * day + local // 3_600_000 % 24, kept


def shop_log(reader: Reader, places: list[Place], zone: ZoneInfo, now_ms: int) -> HourlyLog | None:
    """The shop's own outdoor log by the hour; None without a sensor outdoors."""
    known = reader.series()
    for place in places:
        if place.kind != "outdoors":
            continue
        for sensor in sorted({s.sensor for s in known if s.place == place.id}, key=leading_order):
            ids = [known.get(Series(place.id, sensor, q)) for q in (T, RH)]
            if None in ids:
                continue
            values = {}
            for quantity, series_id in zip((T, RH), ids, strict=True):
                rows = reader.rollups(int(series_id or 0), HOUR_S, now_ms - SHOP_YEARS_MS, now_ms)
                values[quantity] = (rows["ts_ms"], rows["mean"])
            return hourly_log(values, zone)
    return None


def year_of(request: SheetRequest, airs: HomeSources, *, members: int) -> HomeYear:
    """The air of the home.

    Raises
    ------
    ClientFault
        At the field that is wrong, or the file that is missing or cannot be a home's.
    """
    try:
        return _year_of(request, airs, members)
    except CaseFault as exc:
        raise ClientFault(_fields(request, exc)) from exc


def _year_of(request: SheetRequest, airs: HomeSources, members: int) -> HomeYear:
    if request.source in ("normals", "weather", "shop"):
        home = request.home.guessed([_FIELD.get(name, name) for name in request.guessed])
        weather = _outdoors("source", request.source, request.months, airs)
        weather = replace(weather, vapour_times=max(weather.vapour_times, YEAR_TIMES))
        year = home_year(home, weather, members=members)
        widths = [one.high - one.low for one in year.monthly()]
        known = tuple(m for m, wide in enumerate(widths, 1) if wide <= MOST_WIDE_PCT)
        return replace(year, months_read=known)
    outdoors = (
        _outdoors("climate", request.climate, request.outdoor_months, airs)
        if request.climate
        else None
    )
    held = {
        "home": request.home,
        "outdoors": outdoors,
        "humidified_l_day": request.humidified_l_day,
        "members": members,
    }
    if request.source == "log":
        if airs.log is None:
            raise ClientFault({"log": "give the file of the client's logger"})
        return home_from_log(*airs.log, **held)  # type: ignore[arg-type] # by name, from one mapping of several kinds
    year = home_from_readings(request.readings, **held)  # type: ignore[arg-type] # as above
    return replace(year, outdoor_temp_c=_typed_outdoors(request.outdoors_c))


def _typed_outdoors(typed: Mapping[int, float]) -> Floats | None:
    """Outdoor temperature by the hour, straight from month to month of those typed; None without.
    [°C]"""
    if not typed:
        return None
    months = np.array(sorted(typed)) - 1.0
    means = np.interp(np.arange(12.0), months, [typed[m] for m in sorted(typed)], period=12)
    return through_months(means)


def _outdoors(
    field: str, source: str, months: Mapping[int, tuple[float, float]], airs: HomeSources
) -> OutdoorYear:
    """The air outdoors, from the source that was chosen in `field`."""
    if source == "normals":
        temps, rhs = zip(*(months[m] for m in range(1, 13)), strict=True)
        made = from_normals(temps, rhs)
        return replace(made, vapour_times=VAPOUR_TIMES) if city_of(months) else made
    if source == "weather":
        if airs.outdoors is None:
            raise ClientFault({"weather": "give a weather file, EPW or TMY3"})
        return airs.outdoors
    if airs.shop is None:
        raise ClientFault({field: "the shop has no sensor outdoors: enter the home's weather"})
    return outdoors_from_log(*airs.shop)


def _fields(request: SheetRequest, exc: CaseFault) -> dict[str, str]:
    """Faults by the names of the request."""
    found = {}
    for fault in exc.faults:
        value = f"{fault.value:.4g}" if isinstance(fault.value, float) else str(fault.value)
        text = f"{value}: must be {fault.allowed}"
        if fault.field == "temp_c" and isinstance(fault.value, float) and fault.value > 45:
            text += "; is it in Fahrenheit?"
        name = request.source if request.source in ("log", "weather") else "source"
        if request.source == "readings" and fault.part.startswith("readings["):
            month = request.readings[int(fault.part[9:-1])].month
            name = f"{'temp' if fault.field == 'temp_c' else 'rh'}.{month}"
        found[name] = text
    return found
