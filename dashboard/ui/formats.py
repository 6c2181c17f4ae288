"""The shared formatter, and what only a board needs: time axes, spans, fields, the browser's unit.

Everything else in the board works in UTC milliseconds, °C, % and Pa.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.core import formats
from monitor.core.clock import to_ms
from monitor.core.formats import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    UNKNOWN,
    DisplayScale,
    age,
    ahead,
    between,
    clock,
    counted,
    day,
    degree,
    degree_difference,
    difference_from_unit,
    difference_in_unit,
    duration,
    figure,
    first_upper,
    grouped,
    hours,
    in_reader_unit,
    in_unit,
    limit_temperature,
    local,
    scale,
    shown,
    spread,
    stamp,
    to_celsius,
    utc,
    weekday,
    when,
    whole_temperature,
    with_unit,
)
from monitor.core.formats import TemperatureUnit as Unit

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from monitor.settings import Settings

__all__ = [
    "DAY_MS",
    "HOUR_MS",
    "MINUTE_MS",
    "MOST_STEPS",
    "NIGHTS_SHOWN_MS",
    "NIGHT_FROM_H",
    "NIGHT_TO_H",
    "UNKNOWN",
    "DisplayScale",
    "Tick",
    "Unit",
    "age",
    "ahead",
    "at_hour",
    "between",
    "clock",
    "counted",
    "day",
    "degree",
    "degree_difference",
    "difference_from_unit",
    "difference_in_unit",
    "duration",
    "figure",
    "first_upper",
    "grouped",
    "hours",
    "in_reader_unit",
    "in_unit",
    "iso_local",
    "limit_temperature",
    "local",
    "local_ms",
    "midnight",
    "moments",
    "month_name",
    "moved",
    "nights",
    "of_input",
    "prefers_fahrenheit",
    "scale",
    "shown",
    "spread",
    "stamp",
    "ticks",
    "to_celsius",
    "to_input",
    "unbroken",
    "unit_of",
    "utc",
    "weekday",
    "when",
    "whole_temperature",
    "with_unit",
]

MOST_STEPS = 50
"""Presses of "earlier" or "later" that are carried out in one go."""
NIGHT_FROM_H, NIGHT_TO_H = 22, 6
"""Nights are shaded between these local hours."""
NIGHTS_SHOWN_MS = 31 * DAY_MS
"""Longest span with nights drawn; over a longer one they would be a grey wash. [ms]"""
_OFFSET_STEP_MS = 15 * MINUTE_MS
"""Time zones change their offset on multiples of this. [ms]"""


def prefers_fahrenheit(accept_language: str) -> bool:
    """True if the first language of an Accept-Language header has a region that uses °F."""
    return formats.prefers_fahrenheit(accept_language.split(",")[0].split(";")[0].strip())


def unit_of(settings: Settings) -> Unit:
    """The unit of temperature of the request under way; °C where there is none."""
    setting = settings.board.temperature_unit
    if setting != "auto":
        return setting
    import flask

    if not flask.has_request_context():
        return "C"
    return "F" if prefers_fahrenheit(flask.request.headers.get("Accept-Language", "")) else "C"


def of_input(text: str, zone: ZoneInfo) -> int:
    """The moment of a date and time as a browser's field gives it, "2026-11-25T14:02". [ms]

    In the hour that comes twice the first is meant. Raises ValueError if it is none.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is not None:
        raise ValueError(f"{text!r} has a time zone: leave it out, the shop's is used")
    return to_ms(moment.replace(tzinfo=zone).astimezone(UTC))


def to_input(ms: float | None, zone: ZoneInfo) -> str:
    """A moment as such a field takes it; empty for None."""
    return "" if ms is None else f"{local(ms, zone):%Y-%m-%dT%H:%M}"


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
    """Time at which a local day begins. [ms]"""
    return at_hour(of, 0, zone)


def at_hour(of: date, hour: int, zone: ZoneInfo) -> int:
    """Time of a full hour of a local day. [ms]"""
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
    while (begins := at_hour(evening, NIGHT_FROM_H, zone)) < end_ms:
        evening += timedelta(days=1)
        ends = at_hour(evening, NIGHT_TO_H, zone)
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


def month_name(month: int) -> str:
    """A month by its short name: 3 is `Mar`."""
    return f"{date(2000, month, 1):%b}"


def unbroken(text: str) -> str:
    """A text in large type, where no line ends between a figure and its unit."""
    return re.sub(r"(?<=\d) (?=[%°])", "\N{NO-BREAK SPACE}", text)
