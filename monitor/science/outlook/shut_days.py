"""Days on which the shop is shut though it is usually open, seen in its log.

Each day the learned room is run from early morning twice, as on an open day and as on a shut day,
under the outdoor air as it was. What the readings fit better counts for it. From day to day the
shop goes through a chain of three states: open, shut on one day, shut on several. How often it
shuts, and how long for, is learned from the log.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from monitor.science.air import dew_point
from monitor.science.outlook import heat_balance, vapour_balance
from monitor.science.outlook.calendar import NO_DAYS, Calendar, Days
from monitor.science.outlook.hourly_log import OutdoorHours
from monitor.science.outlook.room_model import PreparedLog, RoomModel, at, vapour_drive
from monitor.science.ranges import Floats

BEGIN_H, END_H = 4, 18
"""The runs of a day begin and end at these hours of the shop's clock. [h]  Ours: before anybody comes,
and when a working day is over."""

NOISE_SD = ((0.3, 0.7, 8.0), (0.6, 1.4, 8.0))
"""Misfits are counted in this noise: at once, what is added far ahead, within how many hours; of
temperature and dew point. [K], [K], [h]  Ours."""

TOGETHER_H = 1.5
"""Misfits of so many hours are one independent value. [h]  Ours, tuned on `tests/rooms`."""

FLOOR = 0.05
"""Least misfit that a room is thought to have on a day that is as supposed. [-]  Ours."""

THERMOSTAT_SHARES = np.array([0.3, 0.3, 0.3, 0.1])
"""Chances that the thermostat of a shut day is set as on known closed days, as on weekly ones, stays at
night's setting, or goes up by its clock. [-]  Ours."""

AROUND_DAYS, USUAL_SHARE = 20, 0.7
"""An open day is usually off by this quantile of so many days before and, where they are known,
after it. [-]  Ours, tuned on `tests/rooms`: with 0.5, twice as many open days looked shut."""

FEWEST_DAYS = 15
"""Fewer working days of log say nothing of shut ones. [d]  Ours: three weeks, until the room and its
week are known."""

CALM_SHARE = 0.3
"""Chance of an open day on which people and machines warm the room no more than on a shut day. [-]
Ours, tuned on `tests/rooms`: what they give is badly known on days without heating."""

PAST_DAYS = 90
"""Days of log that are looked at. [d]  Ours: as many as the room is fitted to."""

WORKS = 0.5
"""A day of the week that is at least this much of a working day is one on which the shop is open.
[-]"""

STARTS = (0.6, 29.4)
GOES_ON = ((2.0, 2.0), (4.0, 1.0))
"""What is supposed before the log tells, as counts: days on which a shut run began, and did not;
days after one shut day, and after several, that were shut too, and that were not. [-]  Ours."""

SEEN = 0.8
"""A past day is taken as shut from this probability on. [-]  Ours."""

DOUBT = 0.05
"""Below this probability of a shut day, the outlook supposes an open one. [-]  Ours."""

ASK = 0.9
"""From this probability on, the shop is asked whether it is closed. [-]  Ours."""

OPEN_AGAIN = 0.05
"""Chance that the shop is open on a day entered as closed, before that day's readings. [-]  Ours."""

_HOURS = END_H - BEGIN_H


class DayMisfits(NamedTuple):
    """Misfits of days (n,), since 1970-01-01, to an open and to a shut day.

    `ends` (hours, n): numbers of the log's hours; `open_day` (2, hours, n) mean squares up to and
    with each hour in units of the noise, of temperature and dew point; `shut_day` (2, 4, hours, n)
    by thermostat, dew point alike in all; `known` (2, hours, n) hours that were read so far.
    """

    day: Days
    ends: np.ndarray
    open_day: Floats
    shut_day: Floats
    known: Floats

    def log_odds(self, end: int) -> Floats:
        """Log of the likelihood of a shut over an open day (n,), by readings up to hour `end`."""
        count = (self.ends <= end).sum(axis=0)
        odds = np.zeros(len(self.day))
        for j in range(2):
            for hours in np.unique(count[count > 0]).tolist():
                now = np.flatnonzero(count == hours)
                last = now[-1] + 1
                as_open, as_shut = self.open_day[j, hours - 1], self.shut_day[j, :, hours - 1]
                known = self.known[j, hours - 1]
                usual = FLOOR + _usual(np.where(known > 0, as_open, np.nan)[:last])[now]
                power = known[now] / TOGETHER_H / 2
                worse = np.log((usual + as_open[now]) / (usual + as_shut[:, now])) * power
                shut, calm = np.exp(np.minimum(worse, 50)), np.exp(np.minimum(worse[-1], 50))
                odds[now] += np.log(THERMOSTAT_SHARES @ shut)
                if j == 0:
                    odds[now] -= np.log(1 - CALM_SHARE + CALM_SHARE * calm)
        return odds


def _usual(misfit: Floats) -> Floats:
    """Usual misfit (n,) of an open day, from those around each; 1 where none is known."""
    rim = np.full(AROUND_DAYS, np.nan)
    padded = np.concatenate([rim, misfit, rim])
    near = np.sort(sliding_window_view(padded, 2 * AROUND_DAYS + 1), axis=1)  # NaN last
    known = (~np.isnan(near)).sum(axis=1)
    at_share = (USUAL_SHARE * (known - 1)).round().clip(0).astype(int)
    return np.where(known > 0, near[np.arange(len(near)), at_share], 1.0)


def day_misfits(room: RoomModel, k: PreparedLog, stop: int) -> DayMisfits:
    """Misfits of the days before hour number `stop` that the shop usually works on and that nobody
    said were closed."""
    first = max(stop - 24 * PAST_DAYS, 1)
    index = np.arange(first, stop)
    clock_h = k.hours.clock_h(index, room.offset_h)
    day = clock_h // 24
    starts = index[(clock_h % 24 == BEGIN_H) & regular(room, day) & ~np.isin(day, k.hours.closed)]
    day = k.hours.clock_h(starts, room.offset_h) // 24
    ends = starts + np.arange(1, _HOURS + 1)[:, None]
    rows = np.minimum(ends, stop)
    air = at(k.past, rows)
    open_, shut = (k.hours.calendar(ends, room.offset_h, closed) for closed in (NO_DAYS, day))
    read_c = np.clip(k.temp_c[rows], -40, 60)
    moist = []
    for when in (open_, shut):
        rh = vapour_balance.simulate(
            room.water.mean[None],
            vapour_drive(air, read_c, when),
            k.rh_pct[starts],
            k.water[:, starts],
        )[:, 0]
        moist.append(dew_point(read_c, np.clip(rh, 1, 100)))
    warm = _temperatures(room, k, starts, air, open_, shut)
    known = (ends <= stop) & ~np.isnan(k.hours.temp_c[rows] + k.hours.rh_pct[rows])
    read_dew = dew_point(read_c, np.clip(k.rh_pct[rows], 1, 100))
    lead = np.arange(1, _HOURS + 1)[:, None]
    squares = []
    for (near, far, within), read, runs in zip(
        NOISE_SD, (read_c, read_dew), (warm, [moist[0], *moist[1:] * 4]), strict=True
    ):
        sd = near + far * (1 - np.exp(-lead / within))
        off = np.where(known, ((np.stack(runs) - read) / sd) ** 2, 0.0)
        squares.append(np.cumsum(off, axis=1) / np.maximum(np.cumsum(known, axis=0), 1))
    both = np.stack(squares)
    count = np.cumsum(known, axis=0).astype(float)
    # A tank that runs dry looks like a shut day: where there is one, only temperature tells.
    counts = np.stack([count, count * (room.tank is None)])
    return DayMisfits(day, ends, both[:, 0], both[:, 1:], counts)


def _temperatures(
    room: RoomModel,
    k: PreparedLog,
    starts: np.ndarray,
    air: OutdoorHours,
    open_: Calendar,
    shut: Calendar,
) -> list[Floats]:
    """Temperature of an open day and, by thermostat, of a shut one, each (hours, n), side by side in
    one run. [°C]"""
    heat, ways, shape = room.heat.mean, 1 + len(THERMOSTAT_SHARES), air.temp_c.shape
    fixed = (np.nan, np.nan, heat[heat_balance.SHUT], heat[heat_balance.NIGHT])
    usual = heat_balance.setting(heat[None], open_)[:, 0]
    settings_c = [*(np.full(shape, setting_c) for setting_c in fixed), usual]
    when = [
        np.concatenate([a, *[b] * (ways - 1)], axis=1) for a, b in zip(open_, shut, strict=True)
    ]
    drive = heat_balance.HeatDrive(
        np.tile(air.temp_c, ways),
        np.tile(air.dew_c, ways),
        Calendar(*when),
        np.concatenate(settings_c, axis=1),
    )
    before = np.tile(k.temp_c[starts], ways), np.tile(k.heat[:, starts], ways)
    return np.split(heat_balance.simulate(heat[None], drive, *before)[:, 0], ways, axis=1)


def regular(room: RoomModel, day: np.ndarray) -> np.ndarray:
    """True for days, since 1970-01-01, of the week on which the shop usually works."""
    week = (room.heat.mean[heat_balance.WEEK] + room.vapour.mean[vapour_balance.WEEK]) / 2
    return np.asarray(week[(day + 3) % 7] >= WORKS)


class ShutHabit(NamedTuple):
    """Probabilities that a shut run begins, goes on after one day, and after several. [-]"""

    starts: float
    again: float
    further: float

    @property
    def chain(self) -> Floats:
        """Probabilities (from, to) of open, shut on one day, shut on several."""
        return np.array(
            [
                [1 - self.starts, self.starts, 0.0],
                [1 - self.again, 0.0, self.again],
                [1 - self.further, 0.0, self.further],
            ]
        )


USUAL_HABIT = ShutHabit(*(a / (a + b) for a, b in (STARTS, *GOES_ON)))
"""Before the log tells."""


def learned_habit(shut: np.ndarray) -> ShutHabit:
    """Habit from days in a row (n,), True where one was shut."""
    run = np.zeros(len(shut), np.int64)
    for i in range(len(shut)):
        run[i] = (run[i - 1] + 1 if i else 1) if shut[i] else 0
    before = np.minimum(run[:-1], 2)
    parts = []
    for state, (yes, no) in enumerate((STARTS, *GOES_ON)):
        after = shut[1:][before == state]
        parts.append((yes + after.sum()) / (yes + no + len(after)))
    return ShutHabit(*(float(part) for part in parts))


class ShutOutlook(NamedTuple):
    """Shut days of the past and probabilities of those ahead, at a moment.

    `seen`: past days that were shut, though nobody said so; `days`: the next ones (at most
    `most`) on which the shop usually works, the present one first; `chance` (days + 1,) of
    so many of them being shut from the first one on, `chance[0]` of none; `odds`: log of the
    likelihood of a shut over an open day by the present day's own readings, NaN where there are none;
    `again`: see `chance_open_again`.
    """

    seen: Days
    days: Days
    chance: Floats
    odds: float
    again: float = float("nan")

    @property
    def now(self) -> float:
        """Probability that the first of `days` is shut. [-]"""
        return float(1 - self.chance[0]) if len(self.days) else 0.0

    @property
    def likely(self) -> int:
        """The number of shut days to reckon with: the median. [-]"""
        return int(np.searchsorted(np.cumsum(self.chance), 0.5)) if len(self.days) else 0


def shut_outlook(
    room: RoomModel, k: PreparedLog, misfits: DayMisfits, end: int, ahead_h: int
) -> ShutOutlook:
    """Shut days by the readings up to hour number `end`, and for `ahead_h` hours more."""
    today = int(k.hours.clock_h(end, room.offset_h)) // 24
    count = int((misfits.day <= today).sum())
    odds = misfits.log_odds(end)[:count]
    if count < FEWEST_DAYS:
        odds = np.zeros(count)
    odds = np.where(np.isin(misfits.day[:count], k.hours.opened), -50.0, odds)
    habit = USUAL_HABIT
    for _ in range(2):
        filtered, smoothed = _chances(habit, odds)
        shut = smoothed >= SEEN
        habit = learned_habit(shut) if count > 1 else habit
    past = misfits.day[:count] < today
    ahead = np.arange(today, today + 1 + (ahead_h + 23) // 24)
    ahead = ahead[regular(room, ahead) & ~np.isin(ahead, k.hours.closed)]
    state = np.array([1.0, 0.0, 0.0])
    judged = bool(count and not past[-1])
    if judged:
        state = filtered[-1]
    elif count:
        state = filtered[-1] @ habit.chain
    going, chances = 1.0, []
    chain = habit.chain
    for n in range(len(ahead)):
        if np.isin(ahead[n], k.hours.opened):
            state = np.array([1.0, 0.0, 0.0])
        chances.append(going * state[0])
        going *= 1 - state[0]
        if going <= 0:
            state = np.array([1.0, 0.0, 0.0])
            continue
        state = np.array([0.0, *state[1:]]) / max(1 - state[0], 1e-12) @ chain
    today_s = float(odds[-1]) if judged else float("nan")
    return ShutOutlook(
        misfits.day[:count][past & shut], ahead, np.array([*chances, going]), today_s
    )


def chance_open_again(room: RoomModel, k: PreparedLog, end: int) -> float:
    """Probability that the shop is open on the present day, one entered as closed, by the readings up
    to hour number `end`; NaN on another day, or where nothing shows it. [-]"""
    today = int(k.hours.clock_h(end, room.offset_h)) // 24
    others = k.hours.closed[k.hours.closed != today]
    if len(others) == len(k.hours.closed):
        return float("nan")
    misfits = day_misfits(room, k._replace(hours=replace(k.hours, closed=others)), end)
    if len(misfits.day) < FEWEST_DAYS or misfits.day[-1] != today:
        return float("nan")
    shut = float(misfits.log_odds(end)[-1])
    return float(1 / (1 + (1 - OPEN_AGAIN) / OPEN_AGAIN * np.exp(np.clip(shut, -50, 50))))


def _chances(habit: ShutHabit, odds: Floats) -> tuple[Floats, Floats]:
    """Probabilities of the states each day from the days up to it (n, 3), and of a shut day from
    all days (n,)."""
    chain, n = habit.chain, len(odds)
    weight = np.ones((n, 3))
    weight[:, 1:] = np.exp(np.clip(odds, -50, 50))[:, None]
    forward = np.empty((n, 3))
    state = np.array([1.0, 0.0, 0.0])
    for i in range(n):
        state = (state @ chain) * weight[i]
        state = state / state.sum()
        forward[i] = state
    back = np.ones(3)
    smoothed = np.empty(n)
    for i in range(n - 1, -1, -1):
        both = forward[i] * back
        smoothed[i] = 1 - both[0] / both.sum()
        back = chain @ (weight[i] * back)
        back = back / back.sum()
    return forward, smoothed


def supposed(k: PreparedLog, shut: ShutOutlook, count: int) -> PreparedLog:
    """Log with the days seen as shut, and the first `count` of the next days, as closed days."""
    days = np.concatenate([shut.seen, shut.days[:count]]).astype(np.int64)
    closed = np.union1d(k.hours.closed, days)
    return k._replace(hours=replace(k.hours, closed=closed, supposed=days))
