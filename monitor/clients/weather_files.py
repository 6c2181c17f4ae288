"""Weather files: a year of outdoor air by the hour, from EPW or TMY3 as design services give them.

The one module that knows the library that reads them. Which of the two a file is stands in its
first lines; nothing else is guessed.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.core.errors import MonitorError
from monitor.science.case.fields import CaseFault
from monitor.science.case.outdoors import HIGHEST_VAPOUR_PA, YEAR_H, OutdoorYear, from_hours
from monitor.science.ranges import Floats
from monitor.science.saturation import saturation_vapour_pressure

if TYPE_CHECKING:
    import pandas as pd

FILE_MAX = 8_000_000
"""Largest weather file that is taken. [bytes]"""
GAP_MAX_H = 6
"""Longest gap that is bridged by a straight line. [h]  Ours."""
TEMP_C, DEW_C = (-60.0, 60.0), (-70.0, 45.0)
"""Ranges of outdoor air and its dew point. [°C]  Ours; the highest known dew point is about
35 °C, from memory, unchecked."""


class WeatherFault(MonitorError, ValueError):
    """A weather file that cannot be used, with the fault, its line and what is allowed."""


class WeatherYear(NamedTuple):
    """`name` of the station as the file has it, where it is [°], [m], and a year of its air."""

    name: str
    latitude: float
    longitude: float
    altitude_m: float
    outdoors: OutdoorYear


def read(content: bytes, file_name: str = "the file") -> WeatherYear:
    """A weather file's year.

    RH comes from temperature and dew point, both over water; files round it to whole per cent.

    Parameters
    ----------
    content : bytes
        Of an EPW or TMY3 file.
    file_name : str
        For the errors.

    Raises
    ------
    WeatherFault
    """
    if len(content) > FILE_MAX:
        raise WeatherFault(f"{file_name} has {len(content)} bytes: must be at most {FILE_MAX}")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    lines = text.splitlines()
    if lines and lines[0].upper().startswith("LOCATION,"):
        table, about, header = *_read(text, file_name, epw=True), 8
        name = ", ".join(t for t in (about["city"], about["country"]) if t not in ("", "-"))
        temp, dew = table["temp_air"], table["temp_dew"]
    elif len(lines) > 1 and lines[1].startswith("Date (MM/DD/YYYY)"):
        table, about, header = *_read(text, file_name, epw=False), 2
        name = ", ".join(str(about[key]).strip('" ') for key in ("Name", "State"))
        temp, dew = table["temp_air"], table["temp_dew"]
    else:
        raise WeatherFault(
            f"{file_name} must be EPW (first line LOCATION,…) or TMY3 (second line "
            "Date (MM/DD/YYYY),…)"
        )
    columns = [
        _column(column, what, span, file_name, header)
        for column, what, span in ((temp, "temperature", TEMP_C), (dew, "dew point", DEW_C))
    ]
    leap = (table["month"] == 2) & (table["day"] == 29)
    t, td = (column[~leap.to_numpy()] for column in columns)
    if len(t) != YEAR_H:
        raise WeatherFault(f"{file_name} has {len(t)} hours: must be a year of {YEAR_H}")
    return WeatherYear(
        name,
        float(about["latitude"]),
        float(about["longitude"]),
        float(about["altitude"]),
        _outdoors(t, td, file_name),
    )


def _read(text: str, file_name: str, *, epw: bool) -> tuple[pd.DataFrame, dict[str, str]]:
    """Table with temp_air, temp_dew, month and day, and the file's data on its station."""
    try:
        from pvlib.iotools import read_epw, read_tmy3  # slow to load, and seldom wanted
    except ImportError as exc:
        raise WeatherFault(
            f"{file_name}: weather files need pvlib: pip install 'benchweather[weather-files]'"
        ) from exc
    try:
        if epw:
            table, about = read_epw(io.StringIO(text))
        else:
            table, about = read_tmy3(io.StringIO(text), map_variables=True)
            dates = table["Date (MM/DD/YYYY)"].str.split("/", expand=True)
            table = table.assign(month=dates[0].astype(int), day=dates[1].astype(int))
        return table[["temp_air", "temp_dew", "month", "day"]], about
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as exc:
        raise WeatherFault(
            f"{file_name} cannot be read as {'EPW' if epw else 'TMY3'}: {exc}"
        ) from exc


def _column(
    column: pd.Series, what: str, span: tuple[float, float], file_name: str, header: int
) -> Floats:
    """Numbers of a column; short gaps are bridged."""
    try:
        values = column.to_numpy(dtype=np.float64, copy=True)
    except (ValueError, TypeError) as exc:
        raise WeatherFault(f"{file_name}, {what}: {exc}") from exc
    values[(values == 99.9) | (values <= -9000)] = np.nan  # how EPW and TMY3 say "missing"
    outside = np.flatnonzero((values < span[0]) | (values > span[1]))
    if outside.size:
        i = int(outside[0])
        hint = " Is the file in Fahrenheit?" if values[i] > span[1] else ""
        raise WeatherFault(
            f"{file_name}, line {header + i + 1}: {what} {values[i]:g}: must be "
            f"{span[0]:g} to {span[1]:g} °C.{hint}"
        )
    missing = np.isnan(values)
    if missing.all():
        raise WeatherFault(f"{file_name} has no {what}")
    run = 0
    for i, gone in enumerate(missing.tolist()):
        run = run + 1 if gone else 0
        if run > GAP_MAX_H:
            raise WeatherFault(
                f"{file_name}, line {header + i + 1}: {what} is missing for more than {GAP_MAX_H} h"
            )
    at = np.arange(len(values))
    values[missing] = np.interp(at[missing], at[~missing], values[~missing])
    return values


def _outdoors(temp_c: Floats, dew_c: Floats, file_name: str) -> OutdoorYear:
    air, dew = (np.asarray(saturation_vapour_pressure(t)) for t in (temp_c, dew_c))
    if dew.max() > HIGHEST_VAPOUR_PA:
        raise WeatherFault(
            f"{file_name}: a dew point of {dew_c.max():g} °C is higher than any on record. "
            "Is the file in Fahrenheit?"
        )
    try:
        return from_hours(temp_c.tolist(), np.minimum(100 * dew / air, 100.0).tolist())
    except CaseFault as exc:
        raise WeatherFault(f"{file_name}: {exc}") from exc
