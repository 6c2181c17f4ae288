"""Water balance of an enclosure: a case in a room, or a room in the weather.

Its air holds next to no water beside its wood, so it is in balance at every moment with the air
outside, the wood and what gives off water [% RH, g/day, g/(day %)]:

    K (h_o − h) + k (w + o − h) + e + q = 0
    C dw/dt = k (h − w − o) + k_out (h_o − w − o),   dm/dt = −e

h is the RH inside, h_o that of the outside air at the temperature inside, w the RH that wood of
this moisture keeps at 20 °C and o what warmth adds to it, K the leak, k what passes between wood
and air, k_out what wood taken out of the enclosure passes to the outside air, q a source. A device
gives e = g (b − h), from −(full − m) to m over a step, where b = set + β (m − m_set).
Solved by implicit Euler steps: stable for any step, and what one part loses another gains.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.science.air import R_VAPOUR
from monitor.science.ranges import Floats
from monitor.science.saturation import KELVIN, saturation_vapour_pressure
from monitor.science.wood import equilibrium_moisture_content, relative_humidity_for_moisture

MIDDLE_PCT = 45.0
"""RH around which the warmth's effect on wood is taken. [%]  Ours."""


AT_ONCE_D = 14
"""Days whose coefficients are worked out at once: few enough that they stay in the cache. [d]"""

LEAST_PRODUCT = 1e-200
"""Running product down to which its parts are kept to all digits. [-]"""


def grams_per_pct(temp_c: Floats) -> Floats:
    """Water in a cubic metre of air for each % RH. [g/m³]

    >>> round(float(grams_per_pct(20.0)), 4)
    0.1729
    """
    kelvin = np.asarray(temp_c) + KELVIN
    return np.asarray(10 * saturation_vapour_pressure(temp_c) / (R_VAPOUR * kelvin))[()]


def warmth_offset(temp_c: Floats) -> Floats:
    """RH that wood of unchanged moisture keeps at a temperature, less that at 20 °C. [%]

    For wood in balance with 45 % at 20 °C; −20 to 60 °C, read from a table of whole kelvins.

    >>> warmth_offset([5.0, 20.0, 35.0]).round(1).tolist()
    [-1.3, 0.0, 3.0]
    """
    grid = np.arange(-20.0, 61.0)
    moisture = equilibrium_moisture_content(20.0, MIDDLE_PCT)
    table = relative_humidity_for_moisture(grid, moisture) - MIDDLE_PCT
    return np.interp(temp_c, grid, table)


class Wood(NamedTuple):
    """Wood that takes up water, per member: capacity C [g/%], conductances k and k_out [g/(day
    %)]."""

    capacity: Floats
    inside: Floats
    outside: Floats


class Device(NamedTuple):
    """Device that gives off water, per member.

    `set_pct`: b where its water is `set_g` [%]; `conductance`: g [g/(day %)]; `per_g`: β [%/g];
    `full_g`: its water when full [g]; `set_g`: its water when made ready [g].
    """

    set_pct: Floats
    conductance: Floats
    per_g: Floats
    set_g: Floats
    full_g: Floats

    @property
    def two_way(self) -> bool:
        """True if the device also takes up water."""
        return bool((self.full_g > self.set_g).any())


class Supply(NamedTuple):
    """A device on the mains of a person: holds `set_pct` [%] with at most `most_g_day` [g/day]."""

    set_pct: Floats
    most_g_day: Floats


@dataclass(frozen=True, eq=False)
class CaseDrive:
    """Boundary conditions of each of n steps on M members.

    `step_d`: length of a step, a whole part of a day [d]. `outside_pct` (n, M) or (n, 1): h_o [%].
    `offset_pct` (n,): o [%]. The leak K is `leak_steps` (n, j) @ `leak_members` (j, M)
    [g/(day %)]. `taken_out` (n, 1) or (n, M): share of the step for which the wood is outside [-].
    `source` (M,): q [g/day].
    """

    step_d: float
    outside_pct: Floats
    offset_pct: Floats
    leak_steps: Floats
    leak_members: Floats
    taken_out: Floats
    source: Floats


@dataclass(frozen=True, eq=False)
class CaseCourse:
    """Course of a case, at the end of each step.

    `air_pct`, `wood_pct` (n, M): RH of the air, and that the wood keeps [%]; `water_g` (n, M):
    water left in the device [g], None without one.

    `given_g`, `added_g` (days, M): what the device gave off and what was put in, by day [g].
    """

    air_pct: Floats
    wood_pct: Floats
    water_g: Floats | None
    given_g: Floats
    added_g: Floats


def run(
    drive: CaseDrive,
    wood: Wood,
    start_pct: Floats,
    device: Device | Supply | None = None,
    ready: NDArray[np.bool_] | None = None,
) -> CaseCourse:
    """The balance over all steps.

    Parameters
    ----------
    start_pct : ndarray of shape (K·M,)
        RH that the wood keeps at the start. [%]
    device : Device or Supply, optional
        Of K·M: K of them beside each other, k·M + m being device k in member m of `drive` and `wood`.
    ready : ndarray of bool, shape (days, K·M) or (days, 1)
        The days at whose start the device is made ready: filled, or put back to its set point.
        Before the first of them it is empty.
    """
    n, each = len(drive.offset_pct), (-1, len(wood.capacity))
    w = start_pct.reshape(each) - drive.offset_pct[0]
    per_day = round(1 / drive.step_d)
    days = -(-n // per_day)
    air, held = np.empty((n, *w.shape)), np.empty((n, *w.shape))
    reserve = np.empty((n, *w.shape)) if isinstance(device, Device) else None
    given, added = np.zeros((days, *w.shape)), np.zeros((days, *w.shape))
    c = wood.capacity / drive.step_d
    water = np.zeros(w.shape)  # over the step: [g/day]
    if device is not None:
        device = type(device)(*(values.reshape(each) for values in device))
    if isinstance(device, Device):
        two_way = device.two_way
        with np.errstate(divide="ignore"):
            own = 1 / device.conductance + device.per_g * drive.step_d
        middle = device.set_pct - device.per_g * device.set_g
        at_set, most = device.set_g / drive.step_d, device.full_g / drive.step_d
        if ready is not None:
            ready = ready.reshape(days, *(each if ready.shape[1] > 1 else (1, 1)))
    for first in range(0, days, AT_ONCE_D):
        part = slice(first * per_day, min((first + AT_ONCE_D) * per_day, n))
        outside, offset = drive.outside_pct[part], drive.offset_pct[part, None]
        leak = drive.leak_steps[part] @ drive.leak_members
        s = wood.inside / (leak + wood.inside)
        pull = s * leak + drive.taken_out[part] * wood.outside
        lag = 1 / (pull + c)
        rise = s * lag
        push = pull * lag * (outside - offset) + rise * drive.source
        base = outside + s * (offset - outside + drive.source / wood.inside)
        echo = s / wood.inside
        answer = echo + s * rise  # how far e raises the air
        keep, push, rise, base, s, echo, answer = (
            values[:, None] for values in (c * lag, push, rise, base, s, echo, answer)
        )
        rows = held[part]
        if device is None:
            _linear(keep, push, w, rows)
        else:
            e = np.empty(rows.shape)
            if isinstance(device, Supply):
                gain = 1 / answer
                steps = _Steps(keep, push, rise, gain * (device.set_pct - base), gain * s, rows, e)
                _supplied(steps, device.most_g_day, w)
            else:
                gain = 1 / (own + answer)
                steps = _Steps(keep, push, rise, gain * (middle - base), gain * s, rows, e)
                levels = reserve[part]  # type: ignore[index] # a device has a reserve
                back = gain * (device.per_g * drive.step_d)
                for begin, end in _fills(ready, first, min(first + AT_ONCE_D, days)):
                    if ready is not None:
                        new = np.where(ready[begin], at_set, water)
                        added[begin] = (new - water) * drive.step_d
                        water = new
                    at = slice((begin - first) * per_day, (end - first) * per_day)
                    now = _Steps(*(values[at] for values in steps))
                    if two_way:
                        _limited(now, levels[at], back[at], most, w, water)
                    else:
                        _one_way(now, levels[at], w, water)
                    w, water = rows[at][-1], levels[at][-1]
                water = water.copy()
                levels *= drive.step_d
            begins = np.arange(0, len(rows), per_day)
            given[first : first + len(begins)] = np.add.reduceat(e, begins) * drive.step_d
        w = rows[-1].copy()
        np.multiply(s, rows, out=air[part])
        air[part] += base
        if device is not None:
            air[part] += np.multiply(e, echo, out=e)
        rows += offset[:, None]
    given, added = given.reshape(days, -1), added.reshape(days, -1)
    left = None if reserve is None else reserve.reshape(n, -1)
    return CaseCourse(air.reshape(n, -1), held.reshape(n, -1), left, given, added)


def _fills(ready: NDArray[np.bool_] | None, first: int, end: int) -> Iterator[tuple[int, int]]:
    """Stretches of days, each up to the next on which the device is made ready in a member."""
    filled = [] if ready is None else np.flatnonzero(ready[first:end].any(axis=(1, 2))).tolist()
    yield from pairwise(sorted({first, *(first + day for day in filled), end}))


class _Steps(NamedTuple):
    """Some steps: w ← keep w + push + rise e, e = wanted − slope (keep w + push), put into `wood` and
    `given`. Those three and `slope`, `wanted` are (steps, K or 1, M)."""

    keep: Floats
    push: Floats
    rise: Floats
    wanted: Floats
    slope: Floats
    wood: Floats
    given: Floats


def _linear(keep: Floats, push: Floats, w: Floats, wood: Floats) -> None:
    """w ← keep w + push, all steps at once: wₖ = Aₖ (w₀ + Σⱼ pushⱼ / Aⱼ), A the running product of
    keep; in halves where that would be too small for a float."""
    grown = np.cumprod(keep, axis=0)
    if len(keep) > 1 and grown[-1].min() < LEAST_PRODUCT:
        half = len(keep) // 2
        _linear(keep[:half], push[:half], w, wood[:half])
        _linear(keep[half:], push[half:], wood[half - 1], wood[half:])
        return
    np.divide(push, grown, out=wood)
    np.cumsum(wood, axis=0, out=wood)
    wood += w
    wood *= grown


def _one_way(steps: _Steps, levels: Floats, w: Floats, water: Floats) -> None:
    """A device that only gives: linear while it has water, and again once it is empty."""
    keep, push, rise, wanted, slope, wood, given = steps
    stays = 1 - rise * slope
    _linear(keep * stays, push * stays + rise * wanted, w, wood)
    before = np.concatenate([w[None], wood[:-1]])
    np.subtract(wanted, slope * (keep * before + push), out=given)
    np.subtract(water, np.cumsum(given, axis=0), out=levels)
    empties = levels.min(axis=0) < 0
    if empties.any():
        some = _Steps(*(np.broadcast_to(v, wood.shape)[:, None, empties] for v in steps))
        left = levels[:, None, empties]
        _emptied(some, left, w[None, empties], water[None, empties])
        for whole, part in ((wood, some.wood), (given, some.given), (levels, left)):
            whole[:, empties] = part[:, 0]


def _emptied(steps: _Steps, levels: Floats, w: Floats, water: Floats) -> None:
    """Devices that run empty where `levels` first falls below 0: they give the rest, then nothing."""
    keep, push, rise, wanted, slope, wood, given = steps
    at = (levels < 0).argmax(axis=0)[None]
    step = np.arange(len(levels))[:, None, None]
    left = np.where(at > 0, np.take_along_axis(levels, np.maximum(at - 1, 0), axis=0), water)
    given[:] = np.where(step < at, given, np.where(step == at, left, 0.0))
    np.copyto(levels, 0.0, where=step >= at)
    _linear(keep, push + rise * given, w, wood)
    before = np.concatenate([w[None], wood[:-1]])
    if ((wanted < slope * (keep * before + push)) & (step > at)).any():  # it takes up water again
        _limited(steps, levels, np.zeros_like(w[None]), np.full_like(w, np.inf), w, water)


def _limited(
    steps: _Steps, levels: Floats, per: Floats, full: Floats, w: Floats, water: Floats
) -> None:
    """A device that gives and takes, between empty and full."""
    flat = (len(levels), w.size)
    drives = (np.broadcast_to(v, levels.shape) for v in (*steps[:5], per))
    rows = (v.reshape(flat) for v in (*drives, steps.wood, steps.given, levels))
    w, water, full, some = w.ravel(), water.ravel(), full.ravel(), np.empty(w.size)
    for a, u, up, q, r, p, x, e, level in zip(*rows, strict=True):
        np.multiply(a, w, out=x)
        x += u
        np.multiply(r, x, out=e)
        np.subtract(q, e, out=e)
        e += np.multiply(p, water, out=some)
        np.minimum(e, water, out=e)
        np.maximum(e, np.subtract(water, full, out=some), out=e)
        np.subtract(water, e, out=level)
        x += np.multiply(up, e, out=some)
        w, water = x, level


def _supplied(steps: _Steps, most: Floats, w: Floats) -> None:
    """A device that never runs dry and never takes: the wood is where it is with all, none or what is
    wanted of its water, whichever lies in the middle."""
    keep, push, rise, wanted, slope, wood, given = steps
    stays = 1 - rise * slope
    scale, plus = (np.empty((len(wood), 3, *w.shape)) for _ in range(2))
    scale[:, 0] = scale[:, 2] = keep
    scale[:, 1] = keep * stays
    plus[:, 0], plus[:, 1] = push, push * stays + rise * wanted
    plus[:, 2] = push + rise * most
    for a, more, now in zip(scale, plus, wood, strict=True):
        a *= w
        a += more
        none, fitting, all_of_it = a
        np.maximum(none, fitting, out=now)
        np.minimum(now, all_of_it, out=now)
        w = now
    np.subtract(wanted, slope * scale[:, 0], out=given)  # what the wood kept without it
    np.clip(given, 0.0, most, out=given)
