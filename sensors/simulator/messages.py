"""MQTT messages of the sensors of simulated shops."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.readings.replay import AT_ONCE, RecordedMessage, message

if TYPE_CHECKING:
    from sensors.simulator.shops import Block, Shops

    Columns = list[list[tuple[Series, list[float]]]]


def messages(
    shops: Shops,
    start_ms: int,
    end_ms: int,
    *,
    in_order: bool,
    stepped: Callable[[float], None] = lambda _: None,
    clock: Callable[[], int] = now_ms,
) -> Iterator[RecordedMessage]:
    """Messages of all sensors in the periods that begin in [start, end).

    Parameters
    ----------
    shops : Shops
    start_ms, end_ms : int
        Multiples of the period. [ms since 1970-01-01 UTC]
    in_order : bool
        By time over all sensors, a message a reading, as live sensors send; else only what is
        still to come at the time, and what is past in packs of up to `AT_ONCE` readings, as of a
        sensor that kept them.
    stepped : callable
        As of `Shops.blocks`.
    clock : callable
        Now. [ms since 1970-01-01 UTC]
    """
    by_phase = np.argsort(shops.phase_ms, kind="stable").tolist()
    for block in shops.blocks(start_ms, end_ms, stepped):
        past = 0 if in_order else int(np.searchsorted(block.ts_ms.max(axis=1), clock(), "right"))
        times, columns = block.ts_ms.T.tolist(), _columns(shops, block)
        if past:
            for ts_ms, quantities in zip(times, columns, strict=True):
                yield from _packs(ts_ms[:past], quantities)
        for i in range(past, len(block.ts_ms)):
            for sensor in by_phase:
                at = times[sensor][i]
                yield message([Reading(one, at, read[i]) for one, read in columns[sensor]])


def _columns(shops: Shops, block: Block) -> Columns:
    """Series of each sensor with its readings in the block."""
    columns: Columns = [[] for _ in shops.sensors]
    for quantity, (which, read) in block.values.items():
        for i, values in zip(which.tolist(), read.T.tolist(), strict=True):
            columns[i].append((_series(shops, i, quantity), values))
    return columns


def _series(shops: Shops, i: int, quantity: Quantity) -> Series:
    sensor = shops.sensors[i]
    return Series(sensor.place, sensor.name, quantity)


def _packs(
    ts_ms: list[int], quantities: list[tuple[Series, list[float]]]
) -> Iterator[RecordedMessage]:
    at_once = AT_ONCE // len(quantities)
    for low in range(0, len(ts_ms), at_once):
        rows = range(low, min(low + at_once, len(ts_ms)))
        yield message([Reading(one, ts_ms[i], read[i]) for i in rows for one, read in quantities])
