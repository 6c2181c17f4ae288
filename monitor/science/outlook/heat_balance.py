"""Heat balance of a room with a thermostat, set back at night, and walls that hold heat.

Per heat capacity of the air and what warms with it:

    dT/dt = u (T_o − T) + u_n (21 − T) + Σ k_j (M_j − T) + q + heater,   τ_j dM_j/dt = T − M_j

The heater gives what holds T at its setting, from nothing to its full power.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.outlook.calendar import (
    CLOSED,
    HARMONICS,
    USUAL_WEEK,
    Calendar,
    of_day,
    waves,
    working,
)
from monitor.science.outlook.fitting import ParameterPrior
from monitor.science.ranges import Floats

LADDER_H = np.array([6.0, 48.0, 240.0])
"""Time constants of walls and furniture. [h]  Ours."""

_WAVES = 1 + 2 * HARMONICS
_U, _UN, _UOPEN = 0, 1, 2
_K = slice(3, 6)
_POWER, _SUN = 6, 7
DAY, NIGHT, SHUT, _ON, _OFF = range(8, 13)
_REST = slice(13, 13 + _WAVES)
_WORK = slice(13 + _WAVES, 13 + 2 * _WAVES)
WEEK = slice(13 + 2 * _WAVES, 20 + 2 * _WAVES)
_AWAY = 20 + 2 * _WAVES

_FLAT = np.zeros(_WAVES - 1)
_RATES, _SETTINGS = (
    np.log([0.08, 0.02, 0.3, 0.3, 0.1, 0.03, 5.0, 0.4]),
    [20.0, 17.0, 16.5, 7.5, 18.0],
)
_RATES_SD, _SETTINGS_SD = [0.8, 1, 1, 1, 1, 1, 0.8, 1.0], [2.0, 3.0, 3.0, 1.5, 1.5]
PRIOR = ParameterPrior(
    np.concatenate([_RATES, _SETTINGS, [0.2], _FLAT, [0.2], _FLAT, USUAL_WEEK, [17.0]]),
    np.concatenate([_RATES_SD, _SETTINGS_SD, *[[0.3], _FLAT + 0.2] * 2, np.full(7, 0.25), [3.0]]),
)
"""Ours, wide. In order: ln of u, u_n, what open windows add [1/h]; ln k_j [1/h]; ln of the heater's
power and of the sun's on a clear noon [K/h]; settings by day, by night, on closed days of the week
[°C]; from and to when it is day [h]; q as waves of the day, and what a working day adds [K/h]; how
much of a working day each day of the week is [-]; setting on other closed days, which need not be
a weekend's [°C]."""


class HeatDrive(NamedTuple):
    """Boundary conditions of each hour; every field broadcasts to (steps, runs). [°C], [°C]

    `setting_c` is what the thermostat is set to instead of its usual setting, NaN where that
    stays [°C]; `more_loss` what more air change adds to the loss [1/h].
    """

    out_temp_c: Floats
    out_dew_c: Floats
    when: Calendar
    setting_c: Floats | None = None
    more_loss: Floats | float = 0.0


def setting(theta: Floats, when: Calendar) -> Floats:
    """Setting of the thermostat, shape (steps, b, runs). [°C]"""
    col = theta[:, None, :, None]
    hour = when.hour
    start, end = col[:, 0, _ON], col[:, 0, _OFF]
    part = np.clip(
        np.minimum(hour[:, None] + 0.5, end) - np.maximum(hour[:, None] - 0.5, start), 0, 1
    )
    week = np.clip(of_day(theta[:, WEEK], when), 0, 1)
    day, night = col[:, 0, DAY], col[:, 0, NIGHT]
    away = (when.weekday == CLOSED)[:, None]
    shut = np.where(away, col[:, 0, _AWAY], col[:, 0, SHUT])
    return shut + week * (night + part * (day - night) - shut)


def simulate(theta: Floats, drive: HeatDrive, temp_c: Floats, stores: Floats) -> Floats:
    """Indoor temperature at the ends of the hours, shape (steps, b, runs). [°C]

    `temp_c` (runs,) and `stores` (3, runs) are T and M_j at the start.
    """
    col = theta[:, :, None]
    k = np.exp(col[:, :8])
    basis = np.moveaxis(waves(drive.when.hour), -1, 1)
    week = of_day(theta[:, WEEK], drive.when)
    gain = theta[:, _REST] @ basis + week * (theta[:, _WORK] @ basis)
    hour = drive.when.hour
    clear = np.clip((drive.out_temp_c - drive.out_dew_c) / 12, 0, 1.5)
    sun = clear * np.clip(np.cos(np.pi * (drive.when.sun - 12.5) / 12), 0, 1)
    gain = gain + k[:, _SUN] * sun[:, None] + 21 * k[:, _UN]
    busy = np.maximum(week, 0) * working(hour)[:, None]
    mild = np.clip((drive.out_temp_c - 8) / 5, 0, 1)[:, None]
    back = 1 / LADDER_H[None, :, None]
    taken = k[:, _K] / (1 + back)
    sum_taken = taken.sum(1) + k[:, _UN]
    goal = setting(theta, drive.when)
    if drive.setting_c is not None:
        other = drive.setting_c[:, None]
        goal = np.where(np.isnan(other), goal, other)
    more = np.broadcast_to(drive.more_loss, drive.out_temp_c.shape)
    t = np.broadcast_to(temp_c, (len(theta), len(temp_c)))
    m = np.broadcast_to(stores, (len(theta), *stores.shape))
    out = np.empty((*gain.shape[:1], *t.shape))
    power = k[:, _POWER]
    steady, open_ = k[:, _U] + more[:, None], k[:, _UOPEN] * busy * mild
    from_stores = np.moveaxis(taken, 1, 2)
    keep, drawn = 1 / (1 + back), back / (1 + back)
    for i in range(len(gain)):
        loss = steady[i] + open_[i] * np.minimum(np.maximum((t - 21.5) / 2.5, 0), 1)
        own = 1 + loss + sum_taken
        free = (t + loss * drive.out_temp_c[i] + gain[i] + (from_stores @ m)[:, 0]) / own
        t = np.maximum(free, np.minimum(goal[i], free + power / own))
        m = keep * m + drawn * t[:, None]
        out[i] = t
    return out
