"""Vapour balance of a room with air change, sources by the hour, and wood that takes up water.

Per volume of air, with RH = 100 e/e_s(T):

    de/dt = n (e_o − e) + n_n (e_n − e) + g + h + w (e_s − e) + Σ κ_j (b_j − RH)
    τ_j db_j/dt = RH − b_j

The b_j are the humidities that parts of the wood, plaster and paper are in balance with, on a
ladder of fixed time constants: together they follow a slab through which water diffuses. h is
a humidifier that holds its setting s as far as it can, and w one with a wick, that gives in
proportion to what the air lacks, both while there is water; e_n a room next door, lived in.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.outlook.calendar import (
    HARMONICS,
    USUAL_WEEK,
    Calendar,
    of_day,
    waves,
    working,
)
from monitor.science.outlook.fitting import ParameterPrior
from monitor.science.ranges import Floats

LADDER_H = np.array([2.0, 12.0, 72.0, 400.0])
"""Time constants of what takes up water. [h]  Ours."""

_WAVES = 1 + 2 * HARMONICS
_N0, _NW, _NT, _NOCC, _NOPEN = range(5)
KAPPA = slice(5, 9)
_NEXT, _HUMID, _WICK, _HYGRO = 9, 10, 11, 12
_LOGS = 12
REST = slice(13, 13 + _WAVES)
WORK = slice(13 + _WAVES, 13 + 2 * _WAVES)
WEEK = slice(13 + 2 * _WAVES, 20 + 2 * _WAVES)
SIZE = 20 + 2 * _WAVES
BAND_PCT = 4.0
"""A hygrostat goes from nothing to all within so much RH. [%]  Ours."""

USUAL_LACK_PA = 1300.0
"""What air of 20 °C and 45 % lacks. [Pa]"""

NEXT_DOOR_PA = 1100.0
"""e_n: 20 °C and 47 %. [Pa]  Ours."""

_FLAT = np.zeros(_WAVES - 1)
_RATES = np.log([0.4, 0.04, 0.01, 0.15, 0.8, 25.0, 8.0, 2.5, 0.6, 0.05, 20.0, 0.001])
_RATES_SD = [0.6, 1, 1, 1, 1, 1.2, 1.2, 1.2, 1.2, 1.0, 1.5, 2.0]
PRIOR = ParameterPrior(
    np.concatenate([_RATES, [43.0, 30.0], _FLAT, [40.0], _FLAT, USUAL_WEEK]),
    np.concatenate([_RATES_SD, [4.0, 60.0], _FLAT + 25.0, [60.0], _FLAT + 50.0, np.full(7, 0.25)]),
)
"""Ours, around a workshop of 60 m³ with half an air change an hour; wide. In order: ln of n in still
air [1/h], per m/s, per K indoors over outdoors, what working and open windows add [1/h]; ln κ_j
[Pa/(h %)]; ln n_n [1/h]; ln of the most of h [Pa/h], ln w [1/h] and s [%]; g as waves of the day,
and what a working day adds [Pa/h]; how much of a working day each day of the week is [-]."""


class VapourDrive(NamedTuple):
    """Boundary conditions of the room in each hour; every field broadcasts to (steps, runs).

    Outdoor vapour pressure [Pa] and temperature [°C], wind [m/s], indoor temperature [°C] with
    its saturation pressure [Pa], and the calendar; what more is changed of the air [1/h] and
    given off into it [Pa/h]; the part of the fitted humidifier that runs, 0 where what it gives is
    known and stands in `more_source`, of shape (steps, b, runs) where several ways are tried.
    """

    out_pa: Floats
    out_temp_c: Floats
    wind_m_s: Floats
    temp_c: Floats
    saturation_pa: Floats
    when: Calendar
    more_change: Floats | float = 0.0
    more_source: Floats | float = 0.0
    humidifier: Floats | float = 1.0


def air_change(theta: Floats, drive: VapourDrive) -> Floats:
    """Air change with outdoors in each hour, (steps, b, runs), besides what `drive` adds. [1/h]"""
    return _change(np.exp(theta[:, :_LOGS, None]), of_day(theta[:, WEEK], drive.when), drive)


def _change(k: Floats, week: Floats, drive: VapourDrive) -> Floats:
    busy = np.maximum(week, 0) * working(drive.when.hour)[:, None]
    apart = np.abs(drive.temp_c - drive.out_temp_c)
    open_ = np.clip((drive.temp_c - 21.5) / 2.5, 0, 1) * np.clip((drive.out_temp_c - 8) / 5, 0, 1)
    return np.asarray(
        k[:, _N0]
        + k[:, _NW] * drive.wind_m_s[:, None]
        + k[:, _NT] * apart[:, None]
        + busy * (k[:, _NOCC] + k[:, _NOPEN] * open_[:, None])
    )


def given(theta: Floats, rh_pct: Floats, saturation_pa: Floats) -> Floats:
    """Output of the humidifier at an RH if it has water; `theta` (SIZE,). [Pa/h]"""
    held = np.clip((theta[_HYGRO] - rh_pct) / BAND_PCT + 0.5, 0, 1)
    wicked = saturation_pa * np.maximum(1 - rh_pct / 100, 0)
    return np.asarray(np.exp(theta[_HUMID]) * held + np.exp(theta[_WICK]) * wicked)


def setting_pct(theta: Floats) -> float | None:
    """Setting of the humidifier while it has water; None of a wick; `theta` (SIZE,). [%]"""
    wicked = np.exp(theta[_WICK]) * USUAL_LACK_PA
    return None if wicked > np.exp(theta[_HUMID]) else float(theta[_HYGRO])


def with_humidifier(theta: Floats, most_pa_h: float, setting_pct: float) -> Floats:
    """The parameters (SIZE,) with a humidifier that gives so much and is set so. [Pa/h], [%]"""
    out = theta.copy()
    out[_HUMID], out[_HYGRO], out[_WICK] = np.log(most_pa_h), setting_pct, _NONE
    return out


def with_wick(theta: Floats, share_h: float) -> Floats:
    """The parameters (SIZE,) with a wick that gives so much of what the air lacks. [1/h]"""
    out = theta.copy()
    out[_WICK], out[_HUMID] = np.log(share_h), _NONE
    return out


_NONE = -10.0
"""Ln of a humidifier that gives nothing."""


def one_shape(theta: Floats) -> ParameterPrior:
    """The prior of a room whose humidifier is a wick alone, or a hygrostat alone, as in `theta`."""
    mean, sd = (field.copy() for field in PRIOR)
    other = _WICK if theta[_WICK] < _NONE + 1 else _HUMID
    mean[other], sd[other] = _NONE, 1e-9
    return ParameterPrior(mean, sd)


def works(theta: Floats, when: Calendar) -> np.ndarray:
    """True on days on which the shop works, of the shape of `when`."""
    days = np.append(theta[WEEK], 0.0)
    return np.asarray(days[when.weekday] > 0.5)


def simulate(theta: Floats, drive: VapourDrive, rh_pct: Floats, stores: Floats) -> Floats:
    """RH at the ends of the hours, shape (steps, b, runs). [%]

    Parameters
    ----------
    theta : ndarray (b, SIZE)
        Parameters; each set runs through all of `drive`.
    rh_pct : ndarray (runs,)
        RH at the start.
    stores : ndarray (4, runs)
        Humidities b_j at the start. [%]
    """
    col = theta[:, :, None]
    k = np.exp(col[:, :_LOGS])
    basis = np.moveaxis(waves(drive.when.hour), -1, 1)  # (steps, waves, runs)
    week = of_day(theta[:, WEEK], drive.when)
    source = theta[:, REST] @ basis + week * (theta[:, WORK] @ basis)
    change = _change(k, week, drive)
    kappa = k[:, KAPPA]
    back = 1 / LADDER_H[None, :, None]
    taken = kappa / (1 + back)
    sum_taken, hygro = taken.sum(1), col[:, _HYGRO]
    from_stores = np.moveaxis(taken, 1, 2)
    keep, gain = 1 / (1 + back), back / (1 + back)
    per_pct = 100 / drive.saturation_pa
    shape = drive.temp_c.shape
    humidifier = np.asarray(drive.humidifier)
    if humidifier.ndim < 3:
        humidifier = np.broadcast_to(humidifier, shape)[:, None]
    ways = max(len(theta), humidifier.shape[1])
    rh = np.broadcast_to(rh_pct, (ways, len(rh_pct)))
    e = rh / per_pct[0]
    b = np.broadcast_to(stores, (ways, *stores.shape))
    out = np.empty((len(per_pct), *rh.shape))
    change = change + np.broadcast_to(drive.more_change, shape)[:, None]
    source = source + np.broadcast_to(drive.more_source, shape)[:, None]
    given = source + change * drive.out_pa[:, None] + k[:, _NEXT] * NEXT_DOOR_PA
    change = change + k[:, _NEXT]
    most, wick = k[:, _HUMID] * humidifier, k[:, _WICK] * humidifier
    given = given + wick * drive.saturation_pa[:, None]
    own = 1 + change + wick + sum_taken * per_pct[:, None]
    hold = most / BAND_PCT
    pull, stiff = hold * (hygro + BAND_PCT / 2), own + hold * per_pct[:, None]
    for i in range(len(per_pct)):
        free = e + given[i] + (from_stores @ b)[:, 0]
        e = np.maximum(
            free / own[i], np.minimum((free + pull[i]) / stiff[i], (free + most[i]) / own[i])
        )
        rh = e * per_pct[i]
        b = keep * b + gain * rh[:, None]
        out[i] = rh
    return out
