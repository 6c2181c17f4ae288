"""Ten-minute rollups of a stretch that moves on, read again only where readings were added.

The rounds of the service look at the last day each minute. Of a series to whose settled hours, those
before the last one or two, nothing was added, only the newest windows are read.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from monitor.store import many_series
from monitor.store.rollups import HOUR_S, TEN_MINUTES_S

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from monitor.store.connection import StoreConnection

HOUR_MS = 1000 * HOUR_S


class KeptRollups:
    """The rollups that were read before, for one thread and one store.

    Readings are added and never changed, so a window is the same as long as the number and the sum
    of its hour are. Those are compared at each look, and once an hour everything is read anew.
    """

    def __init__(self) -> None:
        self._hours = (0, 0)
        self._held: dict[int, NDArray[np.void]] = {}
        self._sums: dict[int, tuple[int, float]] = {}

    def read(
        self, connection: StoreConnection, series_ids: Collection[int], low_ms: int, end_ms: int
    ) -> dict[int, NDArray[np.void]]:
        """Rollups that begin in [low, end) by time, of each series that has any."""
        first_ms = low_ms - low_ms % HOUR_MS
        settled_ms = max(end_ms - end_ms % HOUR_MS - HOUR_MS, first_ms)
        if self._hours != (first_ms, settled_ms):
            self._hours, self._held, self._sums = (first_ms, settled_ms), {}, {}
        sums = many_series.sums(connection, [*series_ids], HOUR_S, first_ms, settled_ms)
        changed = [
            one
            for one in series_ids
            if one not in self._held or self._sums.get(one) != sums.get(one)
        ]
        again = many_series.rollups(connection, changed, TEN_MINUTES_S, first_ms, settled_ms)
        for one in changed:  # a part of a larger array would keep all of that
            self._held[one] = again[one].copy() if one in again else many_series.none()
        self._sums |= {one: sums[one] for one in changed if one in sums}
        newest = many_series.rollups(
            connection, [*series_ids], TEN_MINUTES_S, max(settled_ms, low_ms), end_ms
        )
        found = {}
        for one in series_ids:
            rows = self._held[one]
            rows = rows[rows["ts_ms"].searchsorted(low_ms) :]
            if (new := newest.get(one)) is not None:
                rows = many_series.joined(rows, new)
            if len(rows):
                found[one] = rows
        return found
