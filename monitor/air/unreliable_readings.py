"""Readings of a sensor that are in doubt, because it was stuck, saturated or had a wrong clock."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.science.sensor_clock import misdated, overlapping
from monitor.science.sensor_health import PERIOD_S, unreliable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.store import Reader


def doubtful(
    reader: Reader, place: str, sensor: str, rh: NDArray[np.void], period_s: int = PERIOD_S
) -> NDArray[np.bool_]:
    """Mask of a sensor's humidity rollups that another sensor should replace. Shape (n,)."""
    found = unreliable(rh, period_s)
    if len(rh):
        for topic in _topics(reader, place, sensor):
            hours = reader.lateness(*topic, int(rh["ts_ms"][0]))
            found |= overlapping(rh["ts_ms"], period_s, misdated(hours))
    return found


def _topics(reader: Reader, place: str, sensor: str) -> set[tuple[str, str]]:
    """Topics of the sensors of a name that were ever at a place."""
    moved = {
        (one.topic_place, one.topic_name)
        for one in reader.histories().values()
        if one.name == sensor and place in (one.first_place, *(at for _, at in one.stays))
    }
    return moved | {(place, sensor)}
