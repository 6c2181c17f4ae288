"""Opening hours as one axis of ticks: the hours when the shop is closed are left out.

Hands-on work starts and ends on this axis. A wait that ends while the shop is closed ends, for all
that follows it, when the shop opens: nobody takes clamps off before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.planning.problem import TICK_MS

LONG_CLOSED_MS = 24 * 3_600_000
"""A shop closed for at least this has a closed day, as on a weekend. [ms]"""

Ticks = NDArray[np.int64]


class OpenTicks:
    """Ticks at which the shop is open, from now on.

    Parameters
    ----------
    open_ms : sequence of (from, until)
        Rising, without overlap. [ms]
    now_ms : int
        Ticks before are left out.

    Attributes
    ----------
    begin_ms : ndarray of shape (ticks,)
        Begin of each tick. [ms]
    room : ndarray of shape (ticks,)
        Ticks from the begin of each until the shop closes.
    closes_ms, long_closes_ms : ndarray of shape (ticks,)
        When the shop closes next, and when it closes next for a day or more. [ms]
    """

    def __init__(self, open_ms: Sequence[tuple[int, int]], now_ms: int) -> None:
        begins, rooms, closes, long_closes = [], [], [], []
        spans = [(max(a, now_ms), b) for a, b in open_ms if b > now_ms]
        after = [a for a, _ in spans[1:]] + [np.inf]
        for (first, last), opens in zip(spans, after, strict=True):
            count = int((last - first) // TICK_MS)
            if count <= 0:
                continue
            begins.append(first + TICK_MS * np.arange(count, dtype=np.int64))
            rooms.append(np.arange(count, 0, -1))
            closes.append(np.full(count, last, np.int64))
            long_closes.append(last if opens - last >= LONG_CLOSED_MS else -1)
        self.now_ms = now_ms
        none = np.empty(0, np.int64)
        self.begin_ms: Ticks = np.concatenate([*begins, none])
        self.room: Ticks = np.concatenate([*rooms, none])
        self.closes_ms: Ticks = np.concatenate([*closes, none])
        weekend, behind = [none], int(self.closes_ms[-1]) if len(self.begin_ms) else now_ms
        for part, long in zip(reversed(begins), reversed(long_closes), strict=True):
            behind = long if long >= 0 else behind
            weekend.append(np.full(len(part), behind, np.int64))
        self.long_closes_ms: Ticks = np.concatenate(weekend[::-1])

    def __len__(self) -> int:
        return len(self.begin_ms)

    def at_or_after(self, ms: ArrayLike) -> Ticks:
        """First tick that begins at or after a time; the number of ticks if there is none."""
        return np.searchsorted(self.begin_ms, np.asarray(ms), side="left")

    def ms(self, tick: ArrayLike) -> Ticks:
        """Begin of ticks; after the last one, its end. [ms]"""
        last = int(self.begin_ms[-1]) + TICK_MS if len(self) else self.now_ms
        return np.append(self.begin_ms, last)[np.minimum(tick, len(self))]
