"""Readings of the last day, each read once, for a look at all places at one moment."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from typing import TYPE_CHECKING

from monitor.air.kept_looks import KeptLooks
from monitor.core.measurements import Quantity
from monitor.store import TEN_MINUTES_S

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from monitor.core.measurements import Series
    from monitor.store import Reader

DAY_MS = 86_400_000
Newest = dict[str, dict[str, dict[Quantity, tuple[int, float]]]]
"""Time [ms] and value of the newest readings by place, sensor and quantity."""


class LastDay:
    """The series and their ids, the newest reading of each, and its 10-minute rollups of a day, which
    are read when they are first asked for.

    Parameters
    ----------
    reader : Reader
    now_ms : int
        [ms since 1970-01-01 UTC]
    kept : KeptLooks, optional
        Of the looks before, by the same reader.
    """

    def __init__(self, reader: Reader, now_ms: int, kept: KeptLooks | None = None) -> None:
        self.reader, self.now_ms, self.kept = reader, now_ms, kept or KeptLooks()
        self.ids = reader.series()
        self.latest = reader.latest(now_ms)
        self._rollups: dict[Series, NDArray[np.void]] = {}

    @functools.cached_property
    def newest(self) -> Newest:
        """The newest readings by place, sensor and quantity."""
        found: Newest = {}
        for _, ((place, sensor, quantity), ts_ms, value) in self.latest:
            found.setdefault(place, {}).setdefault(sensor, {})[quantity] = (ts_ms, value)
        return found

    def rollups(self, wanted: Iterable[Series]) -> dict[Series, NDArray[np.void]]:
        """Rollups of those of the wanted series that there are."""
        there = [one for one in wanted if one in self.ids]
        missing = {self.ids[one]: one for one in there if one not in self._rollups}
        found = self.reader.rollups_of(
            missing, TEN_MINUTES_S, self.now_ms - DAY_MS, self.now_ms + 1, self.kept.rollups
        )
        self._rollups |= {missing[series_id]: rows for series_id, rows in found.items()}
        return {one: self._rollups[one] for one in there}
