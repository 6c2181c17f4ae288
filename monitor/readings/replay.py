"""Replay: sensors' past readings, from a store or a raw export, sent over MQTT again.

Readings go with times of their own, so a store that has them already is not changed by them, and
a replay that broke off is simply made again.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.core.clock import from_ms, now_ms
from monitor.core.errors import MonitorError
from monitor.core.measurements import Reading, Series
from monitor.mqtt.client import Publisher
from monitor.readings import export
from monitor.readings.payload.senml import pack
from monitor.readings.payload.validation import AHEAD_MAX_MS, EARLIEST_MS
from monitor.store import Reader

AT_ONCE = 100
"""Readings in one message where no pace is kept."""
ON_THE_WAY = 200
"""Most messages that wait for their acknowledgement at a time."""
ACKNOWLEDGED_WITHIN_S = 30.0
"""Time without an acknowledgement after which the broker is given up. [s]"""
ENDS_WITHIN_S = 5.0
"""The same once it was asked to stop. [s]"""
WINDOW_MS = 31 * 86_400_000
"""Read from the store at a time. [ms]"""

Column = tuple[Series, NDArray[np.int64], NDArray[np.float64]]
"""Times [ms since 1970-01-01 UTC] and values of one series, by time; two arrays of shape (n,)."""


class ReplayFault(MonitorError, ValueError):
    """There is nothing to send, or the receiver would reject it."""


class ReplayPlan(NamedTuple):
    """The messages to send: how many readings, from when until when [ms], and, each time it is
    called, the readings themselves."""

    total: int
    first_ms: int
    last_ms: int
    columns: Callable[[], Iterator[Column]]


class RecordedMessage(NamedTuple):
    """`measured_ms` is the time of its first reading, `readings` how many it holds."""

    measured_ms: int
    topic: str
    payload: bytes
    readings: int


def of_store(
    reader: Reader,
    *,
    start_ms: int,
    end_ms: int,
    places: Iterable[str] = (),
    sensors: Iterable[str] = (),
) -> ReplayPlan:
    """The plan for [start, end) of a store, at some places or of some sensors if named. [ms]

    Raises
    ------
    ExportFault, ReplayFault
        If a place or sensor is not there, or told nothing in that time.
    """
    ever = reader.raw_extents(-(2**53), 2**53)
    wanted = _wanted(ever, places, sensors)
    extents = {s: e for s, e in reader.raw_extents(start_ms, end_ms).items() if s in wanted}

    def columns() -> Iterator[Column]:
        for series, (_, first, last) in extents.items():
            for low in range(first, last + 1, WINDOW_MS):
                yield series, *reader.raw_values(series, low, min(low + WINDOW_MS, last + 1))

    return _stretch(extents, columns)


def of_file(
    path: Path,
    *,
    start_ms: int,
    end_ms: int,
    places: Iterable[str] = (),
    sensors: Iterable[str] = (),
) -> ReplayPlan:
    """The same of a file made by `export --raw`.

    Raises
    ------
    ExportFault, ReplayFault
        Also if it is no such file.
    """
    held = export.read_raw(path)
    found: dict[Series, tuple[NDArray[np.int64], NDArray[np.float64]]] = {}
    for series in _wanted(held, places, sensors):
        ts_ms, values = held[series]
        inside = (ts_ms >= start_ms) & (ts_ms < end_ms)
        if inside.any():
            found[series] = ts_ms[inside], values[inside]
    extents = {s: (len(ts), int(ts.min()), int(ts.max())) for s, (ts, _) in found.items()}
    return _stretch(extents, lambda: ((s, ts, values) for s, (ts, values) in found.items()))


def shift(stretch: ReplayPlan, at_ms: int, *, as_now: bool) -> int:
    """The offset to add to each time: 0, or so that the last of them is `at_ms`, now. [ms]

    Raises
    ------
    ReplayFault
        If a service would refuse the times.
    """
    by_ms = at_ms - stretch.last_ms if as_now else 0
    if (first := stretch.first_ms + by_ms) < EARLIEST_MS:
        raise ReplayFault(
            f"the first would be sent with the time {from_ms(first):%Y-%m-%d}: a service rejects times "
            "before 2020; begin later (--from), or send as now (--as-now)"
        )
    if (last := stretch.last_ms + by_ms) > at_ms + AHEAD_MAX_MS:
        raise ReplayFault(
            f"the last would be sent with the time {from_ms(last):%Y-%m-%d %H:%M} UTC, in the "
            "future: end earlier (--to), or send as now (--as-now)"
        )
    return by_ms


def messages(stretch: ReplayPlan, by_ms: int, *, in_order: bool) -> Iterator[RecordedMessage]:
    """The messages to send, each of one sensor.

    Parameters
    ----------
    stretch : Stretch
    by_ms : int
        Added to each time. [ms]
    in_order : bool
        By time over all sensors, a message an instant, as they came; the stretch is then held in
        memory whole, at 24 bytes a reading and as much again to sort it. Else one series after
        another, `AT_ONCE` readings a message.
    """
    if in_order:
        yield from _in_order(list(stretch.columns()), by_ms)
        return
    for series, ts_ms, values in stretch.columns():
        for i in range(0, len(ts_ms), AT_ONCE):
            pairs = zip(
                ts_ms[i : i + AT_ONCE].tolist(), values[i : i + AT_ONCE].tolist(), strict=True
            )
            yield message([Reading(series, t + by_ms, v) for t, v in pairs])


def send(
    publisher: Publisher,
    to_send: Iterable[RecordedMessage],
    acknowledged: Callable[[int], None],
    pace: float | None = None,
    *,
    in_time: bool = False,
    stop: threading.Event | None = None,
) -> int:
    """Send messages and wait until the broker has every one.

    Parameters
    ----------
    publisher : Publisher
        Connected.
    to_send : iterable of RecordedMessage
        By time if a pace is to be kept.
    acknowledged : callable
        Told how many more readings the broker has.
    pace : float, optional
        Time of the log in the time it is sent in; as fast as the broker takes it if not given. [-]
    in_time : bool
        Whether to hold a message back until its own time has come.
    stop : Event, optional
        Once set, nothing more is sent; what is on the way is waited for.

    Returns
    -------
    int
        How many readings were sent.

    Raises
    ------
    BrokerUnavailable
        If the connection is lost, or a message is not acknowledged in `ACKNOWLEDGED_WITHIN_S`.
        What was acknowledged before stays sent.
    """
    waiting: deque[tuple[Callable[[float], None], int]] = deque()
    began, first_ms, sent = time.monotonic(), None, 0
    stop = stop or threading.Event()

    def settle(down_to: int) -> None:
        while len(waiting) > down_to:
            wait, n = waiting[0]
            wait(ENDS_WITHIN_S if stop.is_set() else ACKNOWLEDGED_WITHIN_S)
            waiting.popleft()
            acknowledged(n)

    def early_s(measured_ms: int) -> float:
        """Time until a message is due. [s]"""
        due_s = 0.0
        if pace is not None and first_ms is not None:
            due_s = began + (measured_ms - first_ms) / 1000 / pace - time.monotonic()
        return max(due_s, (measured_ms - now_ms()) / 1000) if in_time else due_s

    for message in to_send:
        if first_ms is None:  # what was done before it could be made is none of the log's time
            first_ms, began = message.measured_ms, time.monotonic()
        if early_s(message.measured_ms) > 0:
            settle(0)
            stop.wait(max(0.0, early_s(message.measured_ms)))
        if stop.is_set():
            break
        waiting.append((publisher.publish(message.topic, message.payload), message.readings))
        sent += message.readings
        settle(ON_THE_WAY)
    settle(0)
    return sent


def message(readings: list[Reading]) -> RecordedMessage:
    """Message with one sensor's readings, as the sensor would send it."""
    place, sensor, _ = readings[0].series
    topic = f"benchweather/{place}/{sensor}"
    return RecordedMessage(readings[0].ts_ms, topic, pack(readings), len(readings))


def _wanted(held: Iterable[Series], places: Iterable[str], sensors: Iterable[str]) -> list[Series]:
    held, at, by = list(held), set(places), set(sensors)
    export.only_known("place", at, {series.place for series in held})
    export.only_known("sensor", by, {series.sensor for series in held})
    return [s for s in held if (not at or s.place in at) and (not by or s.sensor in by)]


def _stretch(
    extents: Mapping[Series, tuple[int, int, int]], columns: Callable[[], Iterator[Column]]
) -> ReplayPlan:
    if not extents:
        raise ReplayFault("there are no readings in that time: nothing was sent")
    counts, firsts, lasts = zip(*extents.values(), strict=True)
    return ReplayPlan(sum(counts), min(firsts), max(lasts), columns)


def _in_order(columns: list[Column], by_ms: int) -> Iterator[RecordedMessage]:
    series = sorted({one for one, _, _ in columns})
    number = {one: i for i, one in enumerate(series)}
    ts_ms = np.concatenate([ts for _, ts, _ in columns])
    values = np.concatenate([v for _, _, v in columns])
    whose = np.concatenate([np.full(len(ts), number[one]) for one, ts, _ in columns])
    order = np.lexsort((whose, ts_ms))
    readings = (
        Reading(series[i], t + by_ms, v)
        for i, t, v in zip(
            whose[order].tolist(), ts_ms[order].tolist(), values[order].tolist(), strict=True
        )
    )
    for _, group in itertools.groupby(readings, lambda r: (r.ts_ms, *r.series[:2])):
        yield message(list(group))
