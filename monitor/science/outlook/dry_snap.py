"""Dry snaps: the shop's RH falls below 35 % for 3 h after it was above 38 % for 48 h."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.ranges import Floats

LOW_PCT, ARM_PCT = 35.0, 38.0
"""Below the first it is a snap, above the second the shop is at ease. [%]  Ours."""

LOW_H, ARM_H = 3, 48
"""So long below, after so long above. [h]  Ours."""

AHEAD_H = 84
"""An alert tells of a snap that begins within so long. [h]  Ours: farther on forecasts swing from
issue to issue, and half of the snaps are wanted two days ahead."""

LOOKS_APART_H = 3
"""An alert rests on the lower probability of two looks so far apart. [h]  Ours: on the first ten
shops of `tests/rooms` that spares a quarter of the false alarms and loses no snap."""

WITHDRAWN = 0.4
"""An alert is withdrawn below this part of the probability it opens at. [-]  Ours."""

USUAL_THRESHOLD = 0.2
"""Probability at which an alert opens, until the log tells a better one. [-]  Ours: the highest that
found as many snaps of `tests/rooms`' first ten shops as any lower one."""

THRESHOLDS = np.array([0.08, 0.12, 0.17, 0.23, 0.3, 0.35, 0.42, 0.5, 0.58, 0.67, 0.76, 0.85])
FALSE_A_MONTH = 1.0
"""Most false alarms a month that a threshold may bring. [1/month]"""

SHIFTS_PCT = (0.0, 5.0, 10.0, 15.0)
"""A threshold is tuned on falls through these levels above the true ones too: snaps are few. [%]"""


class Arming(NamedTuple):
    """Arming state of a shop.

    Hours in a row above 38 %, whether that armed it and nothing since disarmed it, hours in a row
    below 35 %; each of the shape of the runs.
    """

    above_h: np.ndarray
    armed: np.ndarray
    below_h: np.ndarray


def arming_states(rh_pct: Floats, shift_pct: float = 0.0) -> Arming:
    """Arming state at each hour of a log (n,), NaN counting as the hour before."""
    n = len(rh_pct)
    above, below = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    armed = np.zeros(n, dtype=bool)
    a = b = 0
    ready = False
    for i, value in enumerate(rh_pct.tolist()):
        if value == value:
            a = a + 1 if value > ARM_PCT + shift_pct else 0
            b = b + 1 if value < LOW_PCT + shift_pct else 0
        ready = (ready or a >= ARM_H) and b < LOW_H
        above[i], below[i], armed[i] = a, b, ready
    return Arming(above, armed, below)


def snaps(rh_pct: Floats, shift_pct: float = 0.0) -> np.ndarray:
    """Hours of a log (n,) at which a snap began."""
    state = arming_states(rh_pct, shift_pct)
    fell = (state.below_h == LOW_H) & np.concatenate([[False], state.armed[:-1]])
    return np.flatnonzero(fell) - LOW_H + 1


def probability(members: Floats, now: Arming, shift_pct: float = 0.0) -> Floats:
    """Part of the members (members, steps, moments) whose snap begins within 84 h, (moments,).

    `now` is the arming at each moment, shape (moments,).
    """
    shape = (members.shape[0], members.shape[2])
    above = np.broadcast_to(now.above_h, shape).copy()
    below = np.broadcast_to(now.below_h, shape).copy()
    armed = np.broadcast_to(now.armed, shape).copy()
    fallen = np.zeros(shape, dtype=bool)
    for i in range(min(AHEAD_H + LOW_H - 1, members.shape[1])):
        rh = members[:, i]
        above = np.where(rh > ARM_PCT + shift_pct, above + 1, 0)
        below = np.where(rh < LOW_PCT + shift_pct, below + 1, 0)
        armed |= above >= ARM_H
        fallen |= armed & (below >= LOW_H)
    return np.asarray(fallen.mean(axis=0))


def confirmed(chance: Floats) -> Floats:
    """The lower of each probability (n,) and the one before it, `LOOKS_APART_H` earlier."""
    return np.minimum(chance, np.concatenate([chance[:1], chance[:-1]]))


class SnapAlert(NamedTuple):
    """An alert: opened and closed at these hours; closed by the snap itself (`snap_at`, the hour
    it began), or withdrawn (−1)."""

    opened: int
    closed: int
    snap_at: int


def alerts(
    moments: np.ndarray, chance: Floats, starts: np.ndarray, threshold: Floats | float
) -> list[SnapAlert]:
    """Alerts that a threshold would have raised.

    `chance` (n,) at rising `moments` (n,) [h], `threshold` one or (n,); `starts` the hours at which
    snaps began. A snap closes the alert that stands when it begins. Until it is one, `LOW_H` on,
    what the members say is of this snap: nothing new opens. One still open at the end is left out.
    """
    found: list[SnapAlert] = []
    opened, begun = -1, -LOW_H
    queue = [int(s) for s in starts if len(moments) and s > moments[0]]
    bars = np.broadcast_to(threshold, chance.shape)
    for moment, p, bar in zip(moments.tolist(), chance.tolist(), bars.tolist(), strict=True):
        while queue and queue[0] <= moment:
            begun = queue.pop(0)
            if opened >= 0:
                found.append(SnapAlert(opened, begun, begun))
                opened = -1
        if opened < 0 and p >= bar and moment >= begun + LOW_H:
            opened = moment
        elif opened >= 0 and p < WITHDRAWN * bar:
            found.append(SnapAlert(opened, moment, -1))
            opened = -1
    if opened >= 0 and queue:
        found.append(SnapAlert(opened, queue[0], queue[0]))
    return found


class SnapTally(NamedTuple):
    """Snaps, how long ahead each was alerted [h] (0 if not), false alarms, and months looked at.

    A false alarm is an alert with no snap within `horizon_h` after it opened.
    """

    snaps: int
    lead_h: tuple[int, ...]
    false_alarms: int
    months: float

    @property
    def found(self) -> int:
        return sum(lead > 0 for lead in self.lead_h)

    @property
    def false_a_month(self) -> float:
        return self.false_alarms / self.months if self.months else 0.0


def tally(
    raised: list[SnapAlert], starts: np.ndarray, first: int, last: int, horizon_h: int
) -> SnapTally:
    """Tally of the snaps that began after hour `first`, up to `last`."""
    inside = [int(s) for s in starts if first < s <= last]
    by_snap = {alert.snap_at: alert.snap_at - alert.opened for alert in raised}
    leads = tuple(by_snap.get(s, 0) for s in inside)
    every = np.asarray(starts)
    false = sum(
        not bool(((every > a.opened) & (every <= a.opened + horizon_h)).any())
        for a in raised
        if a.snap_at < 0 and a.opened + horizon_h <= last
    )
    return SnapTally(len(inside), leads, false, (last - first) / (24 * 30.44))


def best_threshold(tallies: list[list[SnapTally]]) -> float:
    """The threshold that did best in a log: tallies for each shift and each of `THRESHOLDS`.

    Snaps missed or told late weigh against false alarms above what is allowed, those below it
    hardly count; with few snaps the usual threshold stays near.
    """
    cost = np.zeros(len(THRESHOLDS))
    for shift, row in enumerate(tallies):
        weight = 1.0 if shift == 0 else 0.5
        for i, t in enumerate(row):
            late = sum(0 < lead < 18 for lead in t.lead_h)
            cost[i] += weight * (3 * (t.snaps - t.found) + 1.5 * late + 0.1 * t.false_alarms)
            cost[i] += weight * 3 * max(t.false_alarms - FALSE_A_MONTH * t.months, 0)
    cost += 2.0 * np.log(THRESHOLDS / USUAL_THRESHOLD) ** 2
    return float(THRESHOLDS[int(np.argmin(cost))])
