"""Two open weather services that a small business may use, each as it documents its answers.

met-norway: the Norwegian Meteorological Institute's point forecast for anywhere on earth,
CC BY 4.0, commercial use allowed with attribution. us-nws: the US National Weather Service's grid
for the United States, public domain. Both ask for a User-Agent that says whom to write to, honour
conditional requests, and want no more decimals of a coordinate than they need. Terms change: read
theirs before you switch one on.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from datetime import timedelta
from typing import Any, NamedTuple

import numpy as np

from monitor.core.errors import BadPayload
from monitor.core.json_documents import at, json_object, moment_of, number_of, pointer_of
from monitor.domain.forecast import HOUR_MS, Position, position, station_pressure
from monitor.domain.forecast_source import ELEMENTS, Element, ForecastSource
from monitor.outlook.weather.members import RawMembers
from monitor.outlook.weather.validation import HOURS_MAX, RawForecast, converted

NEAR_DEG = 0.1
"""An answer farther than this from the position asked for is for another place. [°]"""


class ForecastService(NamedTuple):
    """A weather service: its address and how its answers are read.

    `path` is what to ask for at a position, below the service's `base`; `follow` finds in that
    answer the address to ask next, where the first only tells which; `read` reads the answer, for
    the position asked for and a height above the sea [m].
    """

    base: str
    path: Callable[[Position, float], str]
    read: Callable[[bytes, Position, float], RawForecast]
    follow: Callable[[bytes], str] | None
    attribution: str


def _met_path(place: Position, altitude_m: float) -> str:
    return (
        f"/weatherapi/locationforecast/2.0/complete?lat={place.latitude:.2f}"
        f"&lon={place.longitude:.2f}&altitude={altitude_m:.0f}"
    )


_MET_UNITS = {"celsius": "Cel", "%": "%RH", "hPa": "hPa", "m/s": "m/s"}
_MET_NAMES = {
    "air_temperature": Element.TEMPERATURE,
    "relative_humidity": Element.HUMIDITY,
    "dew_point_temperature": Element.DEW_POINT,
    "wind_speed": Element.WIND,
    "air_pressure_at_sea_level": Element.PRESSURE,
}


def _met_read(body: bytes, asked: Position, altitude_m: float) -> RawForecast:
    """GeoJSON: a point (longitude, latitude, altitude), units, hours with `instant` details."""
    document = json_object(body)
    longitude, latitude, *height = (
        number_of(value, "coordinates") for value in _list(document, "/geometry/coordinates", 2)
    )
    where = position(latitude, longitude)
    if max(abs(a - b) for a, b in zip(where, asked, strict=True)) > NEAR_DEG:
        raise BadPayload(f"it is for {where}, not for {asked} as requested")
    units = _dict(document, "/properties/meta/units")
    hours = _list(document, "/properties/timeseries", 1)
    times, details = [], []
    for number, hour in enumerate(hours, 1):
        try:
            times.append(moment_of(_at(hour, "/time"), "iso"))
            details.append(_dict(hour, "/data/instant/details"))
        except BadPayload as exc:
            raise BadPayload(f"hour {number}: {exc}") from exc
    values = {}
    for name, element in _MET_NAMES.items():
        given = [one.get(name) for one in details]
        if all(value is None for value in given):
            continue
        unit = str(units.get(name, ""))
        values[element] = converted(
            element,
            _MET_UNITS.get(unit, unit),
            [None if value is None else number_of(value, name) for value in given],
        )
    _need_air(values)
    if Element.PRESSURE in values:
        temp, limits = values[Element.TEMPERATURE], ELEMENTS[Element.TEMPERATURE]
        values[Element.PRESSURE] = station_pressure(
            values[Element.PRESSURE],
            height[0] if height else altitude_m,
            np.where((temp >= limits.low) & (temp <= limits.high), temp, np.nan),
        )
    issued = moment_of(_at(document, "/properties/meta/updated_at"), "iso")
    return RawForecast(issued, times, values, asked, members=_met_quantiles(details))


def _met_quantiles(details: list[dict[str, Any]]) -> RawMembers | None:
    """Percentiles 10 and 90 of temperature and wind, which the service gives for some places."""
    values = {}
    for name in ("air_temperature", "wind_speed"):
        names = [f"{name}_percentile_{level}" for level in (10, 90)]
        rows = [[one.get(key) for one in details] for key in names]
        table = np.array(
            [
                [np.nan if value is None else number_of(value, key) for value in row]
                for key, row in zip(names, rows, strict=True)
            ]
        )
        table[:, ~(table[0] <= table[1])] = np.nan
        if np.isfinite(table).any():
            values[_MET_NAMES[name]] = table
    if Element.TEMPERATURE not in values:
        return None
    return RawMembers(values, (0.1, 0.9), ("percentile 10", "percentile 90"))


def _nws_path(place: Position, _: float) -> str:
    return f"/points/{place.latitude:g},{place.longitude:g}"


def _nws_follow(body: bytes) -> str:
    address = _at(json_object(body), "/properties/forecastGridData")
    if not isinstance(address, str):
        raise BadPayload("/properties/forecastGridData must be an address")
    return address


_UNIT_SPACE = re.compile(r"^(wmo|wmoUnit|uc|nwsUnit|unit):")
_NWS_UNITS = {
    "degC": "Cel",
    "degF": "F",
    "K": "K",
    "percent": "%RH",
    "km_h-1": "km/h",
    "m_s-1": "m/s",
    "Pa": "Pa",
    "hPa": "hPa",
}
_NWS_NAMES = {
    "temperature": Element.TEMPERATURE,
    "relativeHumidity": Element.HUMIDITY,
    "dewpoint": Element.DEW_POINT,
    "windSpeed": Element.WIND,
    "pressure": Element.PRESSURE,
}
_INTERVAL = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?)?")


def _nws_read(body: bytes, asked: Position, _: float) -> RawForecast:
    """The grid: for each element a unit, and values each for an ISO 8601 interval of hours."""
    properties = _dict(json_object(body), "/properties")
    hourly: dict[Element, dict[int, float | None]] = {}
    units: dict[Element, str] = {}
    for name, element in _NWS_NAMES.items():
        layer = properties.get(name)
        if not isinstance(layer, dict) or not layer.get("values"):
            continue
        unit = _UNIT_SPACE.sub("", str(layer.get("uom", "")))
        units[element] = _NWS_UNITS.get(unit, unit)
        hourly[element] = _expanded(_list(layer, "/values", 1), name)
    if Element.PRESSURE in units and units[Element.PRESSURE] not in ("Pa", "hPa"):
        del hourly[Element.PRESSURE]  # its unit is not documented, and nothing rests on it
    _need_air(hourly)
    times = sorted(hourly[Element.TEMPERATURE])
    values = {
        element: converted(element, units[element], [layer.get(at_ms) for at_ms in times])
        for element, layer in hourly.items()
    }
    issued = moment_of(_at(properties, "/updateTime"), "iso")
    return RawForecast(issued, times, values, asked)


def _expanded(intervals: list[Any], name: str) -> dict[int, float | None]:
    """Every whole hour of each interval, with its value."""
    found: dict[int, float | None] = {}
    for number, one in enumerate(intervals, 1):
        try:
            start, _, length = str(_at(one, "/validTime")).partition("/")
            start_ms, hours = moment_of(start, "iso"), _hours(length)
            value = _at(one, "/value")
            kept = None if value is None else number_of(value, "value")
        except BadPayload as exc:
            raise BadPayload(f"{name}, interval {number}: {exc}") from exc
        for i in range(hours):
            at_ms = start_ms + i * HOUR_MS
            if at_ms in found:
                raise BadPayload(f"{name}, interval {number}: {one['validTime']} overlaps another")
            found[at_ms] = kept
    if len(found) > HOURS_MAX:
        raise BadPayload(f"{name} has {len(found)} hours: at most {HOURS_MAX} are accepted")
    return found


def _hours(length: str) -> int:
    """Whole hours of an ISO 8601 duration of days, hours and minutes, at least one."""
    found = _INTERVAL.fullmatch(length)
    days, hours, minutes = (int(part or 0) for part in found.groups()) if found else (0, 0, 0)
    span = timedelta(days=min(days, 999), hours=min(hours, 999), minutes=min(minutes, 999))
    if not span:
        raise BadPayload(f"{length[:20]!r} is not a length of time such as PT3H")
    return max(1, int(span / timedelta(hours=1)))


def _need_air(values: Any) -> None:
    if Element.TEMPERATURE not in values:
        raise BadPayload("it has no temperature")
    if not {Element.HUMIDITY, Element.DEW_POINT} & set(values):
        raise BadPayload("it has no humidity and no dew point")


def _at(document: Any, pointer: str) -> Any:
    return at(pointer_of(pointer), document)


def _dict(document: Any, pointer: str) -> dict[str, Any]:
    found = _at(document, pointer)
    if not isinstance(found, dict):
        raise BadPayload(f"{pointer!r} holds {str(found)[:40]!r}: must be an object")
    return found


def _list(document: Any, pointer: str, least: int) -> list[Any]:
    found = _at(document, pointer)
    if not isinstance(found, list) or not least <= len(found) <= HOURS_MAX:
        raise BadPayload(f"{pointer!r} must be a list of {least} to {HOURS_MAX}")
    return found


READY: dict[str, ForecastService] = {
    "met-norway": ForecastService(
        "https://api.met.no",
        _met_path,
        _met_read,
        None,
        "Weather data from MET Norway, CC BY 4.0, changed here (rounded, drawn by the hour)",
    ),
    "us-nws": ForecastService(
        "https://api.weather.gov",
        _nws_path,
        _nws_read,
        _nws_follow,
        "Weather data from the US National Weather Service, public domain",
    ),
}
"""By the name it has in the settings. Rates are stated far above one request an hour, the most we
make of each; with `follow` two."""


def credit_of(source: ForecastSource) -> str:
    """Licence line shown beside a source's forecasts; empty if there is none."""
    return source.attribution or (READY[source.service].attribution if source.service else "")


def credit_by_id(source_id: str, sources: Iterable[ForecastSource]) -> str:
    """Licence line of the source with an id; empty if it has none or is not in use any more."""
    return next((credit_of(one) for one in sources if one.id == source_id), "")
