"""Local time, display units and figures in words: the only place that has any of them.

Everything else in the board works in UTC milliseconds, °C, % and Pa.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from monitor.core.clock import from_ms, to_ms
from monitor.core.units import FAHRENHEIT_REGIONS

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

Unit = Literal["C", "F"]
"""The unit temperatures are shown in."""

UNKNOWN = "–"
"""What stands where there is no figure."""
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
MOST_STEPS = 50
"""Presses of "earlier" or "later" that are carried out in one go."""
NIGHT_FROM_H, NIGHT_TO_H = 22, 6
"""Nights are shaded between these local hours."""
NIGHTS_SHOWN_MS = 31 * DAY_MS
"""Over a longer span nights would be a grey wash and are left out. [ms]"""
_OFFSET_STEP_MS = 15 * MINUTE_MS
"""Time zones change their offset on multiples of this. [ms]"""


class DisplayScale(NamedTuple):
    """How a quantity is named and shown: shown = kept · `factor` + `offset`, in `unit`."""

    words: str
    unit: str
    decimals: int
    factor: float = 1.0
    offset: float = 0.0


_CELSIUS = {
    "temperature": "Temperature",
    "dew_point": "Dew point",
    "frost_point": "Frost point",
    "wet_bulb": "Wet bulb",
    "surface_temperature": "Surface temperature",
}
_OTHERS = {
    "humidity": DisplayScale("Relative humidity", "%", 0),
    "equilibrium_moisture_content": DisplayScale("Wood moisture (EMC)", "%", 1),
    "absolute_humidity": DisplayScale("Absolute humidity", "g/m³", 1),
    "humidity_ratio": DisplayScale("Humidity ratio", "g/kg", 1, 1000.0),
    "vapour_pressure": DisplayScale("Vapour pressure", "hPa", 1, 0.01),
    "vapour_pressure_deficit": DisplayScale("Vapour pressure deficit", "hPa", 1, 0.01),
    "pressure": DisplayScale("Air pressure", "hPa", 0, 0.01),
    "battery": DisplayScale("Battery", "%", 0),
}


def scale(quantity: str, unit: Unit) -> DisplayScale:
    """How a measured or derived quantity is shown to someone who reads temperatures in `unit`."""
    if words := _CELSIUS.get(quantity):
        return (
            DisplayScale(words, "°F", 1, 1.8, 32.0)
            if unit == "F"
            else DisplayScale(words, "°C", 1)
        )
    return _OTHERS.get(quantity) or DisplayScale(quantity.replace("_", " ").capitalize(), "", 1)


def prefers_fahrenheit(accept_language: str) -> bool:
    """Whether the first language of an Accept-Language header names a region that uses °F."""
    first = accept_language.split(",")[0].split(";")[0].strip()
    subtags = first.replace("_", "-").split("-")[1:]
    return any(subtag.upper() in FAHRENHEIT_REGIONS for subtag in subtags)


def temperature_unit(setting: Literal["auto", "C", "F"]) -> Unit:
    """The unit of the request under way; °C where there is none."""
    if setting != "auto":
        return setting
    import flask

    if not flask.has_request_context():
        return "C"
    return "F" if prefers_fahrenheit(flask.request.headers.get("Accept-Language", "")) else "C"


def figure(value: float, decimals: int) -> str:
    """A number with a true minus; never "−0"; a dash if unknown."""
    if not math.isfinite(value):
        return UNKNOWN
    text = f"{abs(value):.{decimals}f}"
    return f"−{text}" if value < 0 and float(text) else text


def shown(quantity: str, value: float, unit: Unit) -> str:
    """A value of a quantity, in its display unit but without it: "21.4"."""
    how = scale(quantity, unit)
    return figure(value * how.factor + how.offset, how.decimals)


def spread(kelvin: float, unit: Unit) -> str:
    """A difference of temperatures, without unit: "0.7"."""
    return figure(kelvin * (1.8 if unit == "F" else 1.0), 1)


def with_unit(quantity: str, value: float, unit: Unit) -> str:
    """A value with its unit: "21.4 °C", "46 %"."""
    return f"{shown(quantity, value, unit)} {scale(quantity, unit).unit}".rstrip()


def whole_temperature(temp_c: float, unit: Unit) -> str:
    """A round temperature for a sentence: "20 °C", "68 °F"."""
    how = scale("temperature", unit)
    return f"{figure(temp_c * how.factor + how.offset, 0)} {how.unit}"


def age(seconds: float) -> str:
    """How long ago, in words. `assets/board.js` says the same."""
    s = max(0, int(seconds))
    if s < 90:
        return f"{s} s ago"
    if s < 90 * 60:
        return f"{s // 60} min ago"
    if s < 36 * 3600:
        return f"{s // 3600} h ago"
    days = s // 86400
    return f"{days} day{'' if days == 1 else 's'} ago"


def duration(ms: float) -> str:
    """A length of time in words: "10 minutes"."""
    for size, word in (
        (DAY_MS, "day"),
        (HOUR_MS, "hour"),
        (MINUTE_MS, "minute"),
        (1000, "second"),
    ):
        n = round(ms / size)
        if ms >= size:
            return f"{n} {word}{'' if n == 1 else 's'}"
    return "1 second"


def local(ms: float, zone: ZoneInfo) -> datetime:
    """The moment in the shop's zone."""
    return from_ms(int(ms)).astimezone(zone)


def clock(ms: float, zone: ZoneInfo) -> str:
    """The local time of day, "14:02"; with the zone's name in the hour that comes twice."""
    moment = local(ms, zone)
    return f"{moment:%H:%M}{_which_hour(moment)}"


def day(moment: date) -> str:
    return f"{moment:%a} {moment.day} {moment:%b}"


def when(ms: float, now_ms: float, zone: ZoneInfo) -> str:
    """A local moment as briefly as it stays clear: "14:02", "yesterday 14:02", "12 Mar 14:02"."""
    moment, today = local(ms, zone), local(now_ms, zone).date()
    days = (today - moment.date()).days
    if days == 0:
        return clock(ms, zone)
    if days == 1:
        return f"yesterday {clock(ms, zone)}"
    year = "" if moment.year == today.year else f" {moment.year}"
    name = f"{moment:%a}" if 1 < days < 7 else f"{moment.day} {moment:%b}{year}"
    return f"{name} {clock(ms, zone)}"


def ahead(ms: float, now_ms: float, zone: ZoneInfo) -> str:
    """A local moment that may lie ahead: "16:40", "tomorrow 09:10", "Fri 09:10", "3 Dec 09:10"."""
    moment, today = local(ms, zone), local(now_ms, zone).date()
    days = (moment.date() - today).days
    if days <= 0:
        return when(ms, now_ms, zone)
    if days == 1:
        return f"tomorrow {clock(ms, zone)}"
    name = f"{moment:%a}" if days < 7 else f"{moment.day} {moment:%b}"
    return f"{name} {clock(ms, zone)}"


def of_input(text: str, zone: ZoneInfo) -> int:
    """The moment of a date and time as a browser's field gives it, "2026-11-25T14:02". [ms]

    In the hour that comes twice the first is meant. Raises ValueError if it is none.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is not None:
        raise ValueError(f"{text!r} names a zone: the shop's is meant")
    return to_ms(moment.replace(tzinfo=zone).astimezone(UTC))


def to_input(ms: float | None, zone: ZoneInfo) -> str:
    """A moment as such a field takes it; empty for None."""
    return "" if ms is None else f"{local(ms, zone):%Y-%m-%dT%H:%M}"


def hours(seconds: float) -> str:
    """A length of time as the trade says it: "40 min", "6 h", "1.5 h", "2 days"."""
    if seconds < 5400 and seconds % 3600:
        return f"{round(seconds / 60)} min"
    h = seconds / 3600
    if h >= 48:
        return f"{figure(h / 24, 1).removesuffix('.0')} days"
    return f"{figure(h, 1).removesuffix('.0')} h"


def stamp(ms: float, zone: ZoneInfo) -> str:
    """A local moment in full: "Wed 25 Nov 2026 14:02"."""
    return f"{day(local(ms, zone).date())} {local(ms, zone).year} {clock(ms, zone)}"


def _which_hour(moment: datetime) -> str:
    twice = moment.replace(fold=0).utcoffset() != moment.replace(fold=1).utcoffset()
    return f" {moment:%Z}" if twice else ""


def local_ms(ts_ms: NDArray[np.int64], zone: ZoneInfo) -> NDArray[np.int64]:
    """UTC times as local wall-clock milliseconds, for writing them out in bulk."""
    block, where = np.unique(ts_ms // _OFFSET_STEP_MS, return_inverse=True)
    offsets = [_offset_ms(int(b) * _OFFSET_STEP_MS, zone) for b in block]
    return ts_ms + np.array(offsets, dtype=np.int64)[where]


def _offset_ms(ts_ms: int, zone: ZoneInfo) -> int:
    offset = datetime.fromtimestamp(ts_ms / 1000, zone).utcoffset() or timedelta()
    return int(offset.total_seconds() * 1000)


def moments(ts_ms: NDArray[np.int64], zone: ZoneInfo) -> list[str]:
    """Local times for hover texts: "Wed 25 Nov 14:02"."""
    minutes = local_ms(ts_ms, zone) // MINUTE_MS
    days, where = np.unique(minutes // 1440, return_inverse=True)
    names = [day(datetime.fromtimestamp(int(d) * 86400, UTC)) for d in days]
    of_day = minutes % 1440
    return [
        f"{names[i]} {m // 60:02d}:{m % 60:02d}"
        for i, m in zip(where.tolist(), of_day.tolist(), strict=True)
    ]


def iso_local(ts_ms: NDArray[np.int64], zone: ZoneInfo) -> list[str]:
    """Local times with their offset, ISO 8601: "2026-11-25T15:02:10.000+01:00"."""
    wall = local_ms(ts_ms, zone)
    texts = np.datetime_as_string(wall.astype("M8[ms]"), unit="ms").tolist()
    minutes = ((wall - ts_ms) // MINUTE_MS).tolist()
    ends = {
        m: f"{'-' if m < 0 else '+'}{abs(m) // 60:02d}:{abs(m) % 60:02d}" for m in set(minutes)
    }
    return [text + ends[m] for text, m in zip(texts, minutes, strict=True)]


class Tick(NamedTuple):
    at_ms: int
    text: str


_MINUTE_STEPS = (1, 5, 10, 15, 30, 60, 120, 180, 360, 720)
_DAY_STEPS = (1, 2, 7)
_MONTH_STEPS = (1, 3, 6, 12, 60)


def ticks(start_ms: int, end_ms: int, zone: ZoneInfo, most: int = 9) -> list[Tick]:
    """Marks for a time axis, at round local times, at most about `most`.

    An hour that comes twice is marked twice, one that is left out is not marked.
    """
    span = end_ms - start_ms
    for minutes in _MINUTE_STEPS:
        if span / (minutes * MINUTE_MS) <= most:
            return _clock_ticks(start_ms, end_ms, zone, minutes)
    first = local(start_ms, zone).date()
    for days in _DAY_STEPS:
        if span / (days * DAY_MS) <= most:
            marks = _midnights(first, end_ms, zone, days)
            return [Tick(ms, day(d)) for ms, d in marks if ms >= start_ms]
    months = next((m for m in _MONTH_STEPS if span / (m * 30 * DAY_MS) <= most), 120)
    found: list[Tick] = []
    number = first.year * 12 + first.month - 1
    while True:
        month = date(number // 12, number % 12 + 1, 1)
        ms = midnight(month, zone)
        if ms >= end_ms:
            return found
        if ms >= start_ms and number % months == 0:
            named = month.month == 1 or not found
            found.append(Tick(ms, f"{month:%b}<br>{month.year}" if named else f"{month:%b}"))
        number += 1


def _clock_ticks(start_ms: int, end_ms: int, zone: ZoneInfo, minutes: int) -> list[Tick]:
    step = (15 if minutes >= 15 else min(minutes, 5)) * MINUTE_MS  # zones lie on quarters
    found: list[Tick] = []
    seen: date | None = None
    for ms in range(-(-start_ms // step) * step, end_ms + 1, step):
        moment = local(ms, zone)
        if (moment.hour * 60 + moment.minute) % minutes == 0:
            text = f"{moment:%H:%M}"
            if moment.date() != seen:
                seen = moment.date()
                text = f"{text}<br>{day(seen)}"
            found.append(Tick(ms, text))
    return found


def midnight(of: date, zone: ZoneInfo) -> int:
    """When a local day begins. [ms]"""
    return _at(of, 0, zone)


def _at(of: date, hour: int, zone: ZoneInfo) -> int:
    return to_ms(datetime(of.year, of.month, of.day, hour, tzinfo=zone).astimezone(UTC))


def _midnights(first: date, end_ms: int, zone: ZoneInfo, days: int) -> Iterator[tuple[int, date]]:
    current = first if days < 7 else first - timedelta(days=first.weekday())
    while (ms := midnight(current, zone)) < end_ms:
        yield ms, current
        current += timedelta(days=days)


def nights(start_ms: int, end_ms: int, zone: ZoneInfo) -> list[tuple[int, int]]:
    """The local nights within a span, for shading; none if the span is too long for them. [ms]"""
    found: list[tuple[int, int]] = []
    if end_ms - start_ms > NIGHTS_SHOWN_MS:
        return found
    evening = local(start_ms, zone).date() - timedelta(days=1)
    while (begins := _at(evening, NIGHT_FROM_H, zone)) < end_ms:
        evening += timedelta(days=1)
        ends = _at(evening, NIGHT_TO_H, zone)
        if ends > start_ms:
            found.append((max(begins, start_ms), min(ends, end_ms)))
    return found


def moved(ms: int, span: str, by: int, zone: ZoneInfo) -> int:
    """`ms` moved by spans on the local calendar: a day earlier is the same time of day.

    Parameters
    ----------
    span : {"hour", "day", "week", "month", "year"}
    by : int
        Negative: earlier.
    """
    if span == "hour":
        return ms + by * HOUR_MS
    moment = local(ms, zone).replace(tzinfo=None)
    if span in ("day", "week"):
        moment += timedelta(days=by * (7 if span == "week" else 1))
    else:
        number = moment.year * 12 + moment.month - 1 + by * (12 if span == "year" else 1)
        year, month = number // 12, number % 12 + 1
        last = (date(year + month // 12, month % 12 + 1, 1) - timedelta(days=1)).day
        moment = moment.replace(year=year, month=month, day=min(moment.day, last))
    return to_ms(moment.replace(tzinfo=zone).astimezone(UTC))
