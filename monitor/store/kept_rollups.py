"""Ten-minute rollups of a stretch that moves on, read again only where readings were added.

The rounds of the service look at the last day each minute. Of a series to whose settled hours, those
before the last one or two, nothing was added, only the newest windows are read. While these are the
same too, so is the array, and what was made from it need not be made again.
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
        self._given: dict[int, tuple[tuple[int, bytes], NDArray[np.void]]] = {}

    def read(
        self, connection: StoreConnection, series_ids: Collection[int], low_ms: int, end_ms: int
    ) -> dict[int, NDArray[np.void]]:
        """Rollups that begin in [low, end) by time, of each series that has any."""
        first_ms = low_ms - low_ms % HOUR_MS
        settled_ms = max(end_ms - end_ms % HOUR_MS - HOUR_MS, first_ms)
        if self._hours != (first_ms, settled_ms):
            self._hours = (first_ms, settled_ms)
            self._held, self._sums, self._given = {}, {}, {}
        sums = many_series.sums(connection, [*series_ids], HOUR_S, first_ms, settled_ms)
        changed = [
            one
            for one in series_ids
            if one not in self._held or self._sums.get(one) != sums.get(one)
        ]
        again = many_series.rollups(connection, changed, TEN_MINUTES_S, first_ms, settled_ms)
        for one in changed:  # a part of a larger array would keep all of that
            self._held[one] = again[one].copy() if one in again else many_series.none()
            self._given.pop(one, None)
        self._sums |= {one: sums[one] for one in changed if one in sums}
        newest = many_series.rollups(
            connection, [*series_ids], TEN_MINUTES_S, max(settled_ms, low_ms), end_ms
        )
        found, nothing = {}, many_series.none()
        for one in series_ids:
            held, new = self._held[one], newest.get(one, nothing)
            start = int(held["ts_ms"].searchsorted(low_ms))
            state, given = (start, new.tobytes()), self._given.get(one)
            if given is None or given[0] != state:
                every = many_series.joined(held, new)
                self._held[one] = every[: len(held)]  # one copy of both
                given = self._given[one] = (state, every[start:])
            if len(given[1]):
                found[one] = given[1]
        return found
