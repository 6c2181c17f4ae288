"""Faults of a sender's clock, found from the lateness of its messages.

The lateness of a message is its arrival less the time of its newest reading. What waited on the way
is late too, so only the least lateness of an hour speaks of the clock. Rows are structured arrays
with `hour_ms` (of arrival) and `least_s`, rising in time, one for each hour that heard anything.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

HOUR_MS = 3_600_000
SLOW_S, FAST_S = 300.0, 60.0
"""A clock that is off by so much is a fault. A message may be late for another reason, never early.
[s]  Ours: 5 minutes matter to no wait, and a clock 5 minutes fast has its messages refused."""
HOURS, WITHIN_MS = 3, 12 * HOUR_MS
"""So many heard hours in a row, within so long, must say the same. [-], [ms]  Ours."""
STEADY_S = 120.0
"""They lie no further apart than this; the hours in which a backlog is sent do. [s]  Ours: a clock
that loses 1 % moves by 72 s in two hours, a backlog sent at twice the pace of its coming by 3600 s."""

Hours = NDArray[np.void]


def wrong_clock_hours(hours: Hours) -> NDArray[np.bool_]:
    """Hours that heard a sender whose clock was wrong. Shape (n,).

    Notes
    -----
    A sender that sends steadily late, each message a quarter of an hour old, cannot be told from
    one whose clock is slow by as much.
    """
    found = np.zeros(len(hours), bool)
    late = hours["least_s"]
    if len(hours) < HOURS or not ((late >= SLOW_S) | (late <= -FAST_S)).any():
        return found
    least = np.lib.stride_tricks.sliding_window_view(late, HOURS)
    low, high = least.min(axis=1), least.max(axis=1)
    near = hours["hour_ms"][HOURS - 1 :] - hours["hour_ms"][: 1 - HOURS] <= WITHIN_MS
    wrong = near & (((low >= SLOW_S) & (high - low <= STEADY_S)) | (high <= -FAST_S))
    for i in range(HOURS):
        found[i : i + len(wrong)] |= wrong
    return found


def slow_s(hours: Hours) -> float:
    """Delay of a clock at the last of these hours; negative if it is fast, 0 if it is right. [s]"""
    return float(hours["least_s"][-HOURS:].min()) if wrong_clock_hours(hours)[-1:].any() else 0.0


def misdated(hours: Hours) -> NDArray[np.int64]:
    """The stretches in which readings bear wrong times, by those times: from and until, which is
    not in it. [ms]  Shape (k, 2)."""
    bad = hours[wrong_clock_hours(hours)]
    shift_ms = np.round(1000 * bad["least_s"]).astype(np.int64)
    return np.stack([bad["hour_ms"] - shift_ms, bad["hour_ms"] + HOUR_MS - shift_ms], axis=1)


def overlapping(
    ts_ms: NDArray[np.int64], period_s: int, spans: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Periods, given by their starts, that overlap any of these stretches. [ms], [s]  Shape (n,)."""
    found = np.zeros(len(ts_ms), bool)
    for start, end in spans:
        found |= (ts_ms < end) & (ts_ms + 1000 * period_s > start)
    return found
