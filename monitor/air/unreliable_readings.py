"""Readings of a sensor that are in doubt, because it was stuck, saturated or had a wrong clock."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from monitor.air.kept_looks import KeptLooks
from monitor.science.sensor_clock import FAST_S, HOUR_MS, SLOW_S, misdated, overlapping
from monitor.science.sensor_health import PERIOD_S, unreliable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.store import Reader


def doubtful(
    reader: Reader, place: str, sensor: str, rh: NDArray[np.void], period_s: int = PERIOD_S
) -> NDArray[np.bool_]:
    """Mask of a sensor's humidity rollups that another sensor should replace. Shape (n,)."""
    return doubtful_of(reader, {(place, sensor): rh}, period_s)[place, sensor]


def doubtful_of(
    reader: Reader,
    rh: Mapping[tuple[str, str], NDArray[np.void]],
    period_s: int = PERIOD_S,
    kept: KeptLooks | None = None,
) -> dict[tuple[str, str], NDArray[np.bool_]]:
    """The mask of `doubtful` of many sensors, each (place, name), looked at together."""
    found = (kept or KeptLooks()).results(
        "unreliable",
        {one: ((rows,), (period_s,)) for one, rows in rh.items()},
        lambda some: [unreliable(rh[one], period_s) for one in some],
    )
    since = {one: int(rows["ts_ms"][0]) for one, rows in rh.items() if len(rows)}
    if not since:
        return found
    topics = _topics(reader, since)
    every = {topic for many in topics.values() for topic in many}
    since_all_ms = min(since.values())
    # Most sensors are on time: their hours need not be read.
    suspects = reader.off_time(every, since_all_ms, SLOW_S, FAST_S)
    lateness = reader.lateness_of(suspects, since_all_ms)
    for one, since_ms in since.items():
        for topic in topics[one] & suspects:
            hours = lateness[topic]
            hours = hours[hours["hour_ms"] > since_ms - HOUR_MS]
            late = overlapping(rh[one]["ts_ms"], period_s, misdated(hours))
            found[one] = found[one] | late  # another array: the first is kept
    return found


def _topics(
    reader: Reader, sensors: Iterable[tuple[str, str]]
) -> dict[tuple[str, str], set[tuple[str, str]]]:
    """Topics of the sensors of each name that were ever at its place."""
    found = {one: {one} for one in sensors}
    for history in reader.histories().values():
        for place in (history.first_place, *(at for _, at in history.stays)):
            if place is not None and (place, history.name) in found:
                found[place, history.name].add((history.topic_place, history.topic_name))
    return found
