"""A humidifier's tank that runs dry, inferred from the log of RH and the fills that were recorded.

Often nobody records when a tank was filled. But a running humidifier holds RH, and RH falls once
it is dry: hour by hour the vapour balance is run once with the humidifier on and once with it off,
and whichever came nearer to what was read speaks for water in the tank or against. The states are
joined over the hours by a two-state Markov chain; its forward pass is what can be known at an hour,
its backward pass what is known later. (The forward-backward algorithm: Rabiner, Proc. IEEE 77, 1989,
from memory.)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.science.ranges import Floats

if TYPE_CHECKING:
    from collections.abc import Sequence

DRY_H = 36.0
"""A tank runs dry about so long after it was filled. [h]  Ours."""

FILLED_OPEN, FILLED_SHUT = 0.15, 0.003
"""Probability that a dry tank is filled within an hour of a working day, and of another. [-]
Ours."""

LEAST_SD = 0.5
"""One hour ahead RH is expected no better than so. [%]  Ours."""

MEDIAN_OF_SD = 0.6745
"""Half of a normal distribution lies within so many standard deviations."""

TAIL = 4.0
"""Degrees of freedom of Student's t that the errors follow: doors and kettles are no sign of a tank.
[-]  Ours."""


ASKED_NIGHTS, ASKED_OF = 6, 7
"""A humidifier is asked about once a tank was found on so many of the last so many nights. [-]
Ours: never said without an answer."""


def is_asked_about(found: Sequence[bool]) -> bool:
    """True if the tanks found night by night, oldest first, are enough for a question."""
    return sum(found[-ASKED_OF:]) >= ASKED_NIGHTS


class TankProbability(NamedTuple):
    """Probability that the tank holds water in each hour: `then` from what was read up to it,
    `since` from all that was read; (n,) [-]. `gain` in log likelihood over a tank that never runs
    dry and over none. [-]"""

    then: Floats
    since: Floats
    gain: float


def noise(read: Floats, running: Floats, dry: Floats) -> float:
    """Standard deviation of one hour's error of whichever came nearer, robust; arguments as of
    `tank_probability`. [%]"""
    nearer = np.minimum(np.abs(read - running), np.abs(read - dry))
    nearer = nearer[~np.isnan(nearer)]
    return max(LEAST_SD, float(np.median(nearer)) / MEDIAN_OF_SD) if len(nearer) else LEAST_SD


def tank_probability(
    read: Floats, running: Floats, dry: Floats, open_: Floats, sd: float, filled: np.ndarray
) -> TankProbability:
    """Probability that the tank holds water.

    Parameters
    ----------
    read, running, dry : ndarray (n,)
        RH at the end of each hour, NaN where not read, and as expected from the hour before with
        the humidifier on and off. [%]
    open_ : ndarray (n,)
        How much of each hour lies in a working day. [-]
    sd : float
        See `noise`. [%]
    filled : ndarray (n,)
        Whether a fill was recorded in the hour: after it there is water.
    """
    known = ~np.isnan(read)
    off = np.stack([read - dry, read - running])
    speaks = np.where(known, -(TAIL + 1) / 2 * np.log1p((off / sd) ** 2 / TAIL), 0.0)
    up = np.where(filled, 1.0, FILLED_SHUT + (FILLED_OPEN - FILLED_SHUT) * open_)
    down = np.where(filled, 0.0, 1 / DRY_H)
    n = len(read)
    then, sums, back = np.empty(n), np.empty(n), np.ones((2, n))
    best = speaks.max(0)
    hours = list(zip(up.tolist(), down.tolist(), *np.exp(speaks - best).tolist(), strict=True))
    p = 0.5
    for i, (fill, empty, if_dry, if_wet) in enumerate(hours):
        wet = p * (1 - empty) + (1 - p) * fill
        sums[i] = total = (1 - wet) * if_dry + wet * if_wet
        then[i] = p = wet * if_wet / total
    b_dry = b_wet = 1.0
    for i in range(n - 1, 0, -1):
        fill, empty, if_dry, if_wet = hours[i]
        dry, wet = b_dry * if_dry, b_wet * if_wet
        b_dry, b_wet = dry * (1 - fill) + wet * fill, dry * empty + wet * (1 - empty)
        total = b_dry + b_wet
        b_dry, b_wet = b_dry / total, b_wet / total
        back[:, i - 1] = b_dry, b_wet
    wet_, dry_ = then * back[1], (1 - then) * back[0]
    gain = float(np.log(sums).sum() + best.sum() - speaks.sum(1).max())
    return TankProbability(then, wet_ / (wet_ + dry_), gain)


class Habit(NamedTuple):
    """Habit of filling the tank.

    `brim` is what it gives from brim to dry, infinite where it never ran dry [Pa]; `tops_up` whether
    it is filled before it is dry; `hour` of the day at which that is done; `again`,
    `anew` and `late` the probability that it is filled on a working day after one on which it was,
    after one on which it was not, and after several. [-]
    """

    brim: float
    tops_up: bool
    hour: float
    again: float
    anew: float
    late: float


USUAL = Habit(np.inf, True, 9.0, 0.85, 0.3, 0.15)
USUAL_DAYS = 4.0
"""Until the log tells; it counts like so many days.  Ours."""

SEEN_H = 4
"""So long after the hour of filling it shows whether the tank was filled. [h]  Ours."""

SPELL_H = 5
"""A shorter spell with or without water is taken for an error. [h]  Ours."""

TOPPED_QUANTILE = 0.7
"""Of what was given from filled to dry, the brim where the tank is topped up. [-]  Ours."""

FEWEST_DRY = 2
"""A tank that ran dry less often than so has no known brim. [-]  Ours."""


def habits(
    since: Floats, given: Floats, hour: Floats, working_day: np.ndarray, filled: np.ndarray
) -> list[Habit]:
    """Possible habits of filling the tank, the recorded one among them.

    Parameters
    ----------
    since : ndarray (n,)
        See `TankProbability`.
    given : ndarray (n,)
        What the humidifier gives in each hour if it has water. [Pa]
    hour, working_day : ndarray (n,)
        Hour of the day; whether the day is worked on.
    filled : ndarray (n,)
        Whether a fill was recorded in the hour.
    """
    wet = since > 0.5
    recorded = filled.sum() >= FEWEST_DRY
    turned = np.flatnonzero(
        filled if recorded else working_day & np.append(False, np.diff(wet.astype(int)) > 0)
    )
    at = float(np.floor(np.median(hour[turned]))) if len(turned) >= FEWEST_DRY else USUAL.hour
    fills = working_day & (np.floor(hour) == at)
    days = np.flatnonzero(fills)
    kept = wet[days[days + SEEN_H < len(wet)] + SEEN_H]
    after, before = kept[1:], kept[:-1]
    twice = ~before & np.append(False, ~before[:-1])

    def often(of: np.ndarray, usual: float) -> float:
        return float((after[of].sum() + USUAL_DAYS * usual) / (of.sum() + USUAL_DAYS))

    again, anew, late = (
        often(of, usual)
        for of, usual in (
            (before, USUAL.again),
            (~before & ~twice, USUAL.anew),
            (twice, USUAL.late),
        )
    )
    brims = {(tops_up, _brim(wet, given, fills, tops_up)) for tops_up in (False, True)}
    if recorded:
        brims.add((True, _brim(wet, given, filled, True)))
    return [
        Habit(brim, tops_up, at, again, anew, late)
        for tops_up, brim in sorted({*brims, (True, np.inf)})
    ]


def _brim(wet: np.ndarray, given: Floats, fills: np.ndarray, tops_up: bool) -> float:
    """Water from filled to dry, if the tank is topped up at each of `fills`, or only once it is
    dry. [Pa]

    A filling that was left out makes the first too small, one that nobody saw the second too large.
    """
    gave, wet_h, dry_h, ran_dry = 0.0, 0, 0, []
    for now, amount, fresh in zip(wet.tolist(), given.tolist(), fills.tolist(), strict=True):
        if now:
            gave = amount if fresh and tops_up else gave + amount
            wet_h, dry_h = wet_h + 1, 0
            continue
        dry_h += 1
        if dry_h == SPELL_H:
            if wet_h >= SPELL_H:
                ran_dry.append(max(gave, 1.0))
            gave, wet_h = 0.0, 0
    if len(ran_dry) < FEWEST_DRY:
        return np.inf
    return float(np.quantile(ran_dry, TOPPED_QUANTILE if tops_up else 1 - TOPPED_QUANTILE))


class TankState(NamedTuple):
    """Water left in the tank at the end of each hour [Pa], and working days in a row on which it
    was not filled; (n,)."""

    left: Floats
    missed: np.ndarray

    def at(self, hours: np.ndarray) -> TankState:
        """State at some of the hours."""
        return TankState(self.left[hours], self.missed[hours])


LEAST_LEFT = 0.2
"""A tank that still gives holds at least this part of its brim. [-]  Ours."""


def state(
    then: Floats, given: Floats, fills: np.ndarray, habit: Habit, filled: np.ndarray
) -> TankState:
    """State of the tank at each hour from the readings up to it.

    `then` (n,) see `TankProbability`; `given` (n,) what the humidifier gives if it has water
    [Pa]; `fills` (n,) whether an hour is one in which the tank is filled as a rule; `filled` (n,)
    whether a fill was recorded in it.
    """
    n = len(then)
    left, missed = np.zeros(n), np.zeros(n, dtype=np.int64)
    gave, was, missing, asked = 0.0, False, 0, SEEN_H + 1
    wet = (then > 0.5).tolist()
    hours = zip(given.tolist(), fills.tolist(), filled.tolist(), strict=True)
    for i, (amount, fresh, known) in enumerate(hours):
        asked = 0 if fresh else asked + 1
        if wet[i]:
            full = not was or known or (fresh and habit.tops_up)
            gave = amount if full else gave + amount
            left[i] = max(habit.brim - gave, LEAST_LEFT * habit.brim)
            missing = 0
        elif asked == SEEN_H:
            missing += 1
        was = wet[i]
        missed[i] = missing
    return TankState(left, missed)


class TankAhead(NamedTuple):
    """Operation of the humidifier in the hours ahead.

    `running` (2, steps, runs): if its tank is filled as a rule, and if it is not; `filled` (steps,
    runs): the probability of the first. [-]
    """

    running: Floats
    filled: Floats


def ahead(now: TankState, given: Floats, fills: np.ndarray, habit: Habit) -> TankAhead:
    """Tank in the hours after the state `now` (runs,); `given` and `fills` (steps, runs) as in
    `state`."""
    running = np.empty((2, *given.shape))
    filled = np.empty(given.shape)
    p = np.where(now.missed > 0, 0.0, 1.0)
    missed = now.missed.copy()
    kept, left = now.left, now.left
    for i, (amount, fresh) in enumerate(zip(given, fills, strict=True)):
        anew = np.where(missed > 1, habit.late, habit.anew)
        p = np.where(fresh, p * habit.again + (1 - p) * anew, p)
        missed = missed + fresh
        kept = np.where(fresh & (habit.tops_up | (kept <= 0)), habit.brim, kept)
        filled[i] = p
        running[0, i], running[1, i] = kept > 0, left > 0
        kept, left = np.maximum(kept - amount, 0), np.maximum(left - amount, 0)
    return TankAhead(running, filled)
