"""A case through time: its air, its instrument's wood and the water it asks for.

Every member of the ensemble is one way the case and its room may be; member 0 is the usual one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.air import dew_point
from monitor.science.case.devices import Buffer, Humidifier, devices, ready_days
from monitor.science.case.presets import Case, Use
from monitor.science.case.water_balance import (
    CaseCourse,
    CaseDrive,
    Wood,
    grams_per_pct,
    run,
    warmth_offset,
)
from monitor.science.climate.mould import critical_surface_humidity
from monitor.science.plates.diffusion import MoistureCourse as PlateCourse
from monitor.science.plates.diffusion import Plates, speed, uniform
from monitor.science.plates.faces import face_transfers
from monitor.science.plates.parts import Part, checked_parts
from monitor.science.quantiles import QuantileRange, quantile
from monitor.science.ranges import Floats, checked
from monitor.science.saturation import saturation_vapour_pressure
from monitor.science.waits.monte_carlo import ORDINARY_SENSOR, SensorUncertainty
from monitor.science.wood import equilibrium_moisture_content

MEMBERS = 60
"""Members of an ensemble, if not said. [-]  Ours."""

RANKS = 5
"""Spreads of a case in a room: air changes, capacity, exchange, release, sensor. [-]"""

SEED = 20_261_201
DAMP_PCT, TOO_DAMP_PCT = 65.0, 70.0
"""A case is damp above the first for a day, too damp above the second at any time. [%]
Common practice, no source."""


def by_day(values: Floats, per_day: int = 24) -> Floats:
    """Daily means of (n, M) at 10, 50 and 90 % of the members. (n / per_day, 3)"""
    daily = values.reshape(-1, per_day, values.shape[1]).mean(axis=1)
    return np.stack([quantile(daily, share) for share in (0.1, 0.5, 0.9)], axis=1)


def scores(count: int, columns: int, seed: int = SEED) -> Floats:
    """Evenly spread ranks from −1 to 1, each column shuffled by itself; row 0 is 0. (count, columns)

    Raises
    ------
    OutOfRange
        If `count` is not 1 to 10 000.
    """
    checked("members", count, "", 1, 10_000)
    random = np.random.default_rng(seed)
    even = (2 * np.arange(count - 1) + 1) / max(count - 1, 1) - 1
    rows = np.stack([random.permutation(even) for _ in range(columns)], axis=1)
    return np.concatenate([np.zeros((1, columns)), rows])


def normal_scores(ranks: Floats) -> Floats:
    """Standard normal scores of ranks from −1 to 1."""
    inverse = NormalDist().inv_cdf
    return np.array([inverse((1 + r) / 2) for r in ranks.tolist()])


@dataclass(frozen=True, eq=False)
class RoomAir:
    """Air of the room around a case, in equal steps.

    Parameters
    ----------
    temp_c : ndarray of shape (n,)
        −20 to 60. [°C]
    rh_pct : ndarray of shape (n,) or (n, M)
        For all members, or for each. 0 to 100. [%]
    step_s : float
        Length of a step: a whole part of an hour, or of a day in whole hours. [s]
    start_day : int
        Day of the year of the first step, 0 for 1 January.
    start_h : float
        Clock hour at which the first step begins, 0 to 24. [h]

    Raises
    ------
    OutOfRange
        If a value is outside, missing (NaN), the steps are not whole hours together, or the two
        are not of the same length.
    """

    temp_c: Floats
    rh_pct: Floats
    step_s: float = 3600.0
    start_day: int = 0
    start_h: float = 0.0

    def __post_init__(self) -> None:
        for name, unit, low, high in (("temp_c", "°C", -20, 60), ("rh_pct", "%", 0, 100)):
            values = checked(name, getattr(self, name), unit, low, high)
            if np.isnan(values).any():
                raise OutOfRange(name, np.nan, unit, low, high)
            object.__setattr__(self, name, values)
        checked("start_h", self.start_h, "h", 0, 24)
        checked("start_day", self.start_day, "d", 0, 365)
        step = float(checked("step_s", self.step_s, "s", 1, 86_400))
        if (3600 % step and step % 3600) or 86_400 % step:
            raise OutOfRange("step_s beyond whole parts of an hour", step % 3600, "s", 0, 0)
        n, per = len(self.temp_c), self.per_hour
        if self.temp_c.ndim != 1 or not n or n % per:
            raise OutOfRange("steps", n % per or 0.5, "", 0, 0)
        if self.rh_pct.ndim not in (1, 2) or len(self.rh_pct) != n:
            raise OutOfRange("steps of rh_pct", len(self.rh_pct), "", n, n)

    @property
    def per_hour(self) -> int:
        """Steps that are taken together: those of an hour, or one."""
        return max(round(3600 / self.step_s), 1)

    def members(self, count: int, sensor: SensorUncertainty, ranks: Floats) -> Floats:
        """RH of each member. (n, count)  [%]  One log for all is spread by its sensor's error."""
        if self.rh_pct.ndim == 2:
            if self.rh_pct.shape[1] != count:
                raise OutOfRange("members of rh_pct", self.rh_pct.shape[1], "", count, count)
            return self.rh_pct
        off = sensor.u_rh_pct / 2 * normal_scores(ranks)
        spread = np.add.outer(self.rh_pct, off)
        return np.clip(spread, 0, 100, out=spread)


@dataclass(frozen=True, eq=False)
class CaseYear:
    """A case through n steps of its room's air, H stretches of an hour or of a longer step.

    `air_pct` (n, M): RH of its air at each step [%]. `wood_pct` (H, M): RH that the wood keeps.
    `room_pct`, `out` (n, M): the room's RH and the share of each step the instrument is out.
    `course`: stretch by stretch, with the device's water.
    """

    case: Case
    room: RoomAir
    room_pct: Floats
    out: Floats
    air_pct: Floats
    course: CaseCourse

    @property
    def wood_pct(self) -> Floats:
        return self.course.wood_pct

    def part(self, members: slice) -> CaseYear:
        """Some of the members."""
        course = self.course
        water = None if course.water_g is None else course.water_g[:, members]
        return replace(
            self,
            room_pct=self.room_pct[:, members],
            out=self.out[:, members],
            air_pct=self.air_pct[:, members],
            course=CaseCourse(
                course.air_pct[:, members],
                course.wood_pct[:, members],
                water,
                course.given_g[:, members],
                course.added_g[:, members],
            ),
        )

    @property
    def stretch_h(self) -> float:
        """Length of a stretch. [h]"""
        return max(self.room.step_s / 3600, 1.0)

    def felt_pct(self, member: int = 0) -> Floats:
        """RH around the instrument: the room's while it is out. (n,) [%]"""
        out = self.out[:, member]
        return np.asarray((1 - out) * self.air_pct[:, member] + out * self.room_pct[:, member])

    def daily_around_pct(self) -> Floats:
        """RH around the instrument by day at 10, 50 and 90 % of the members. (days, 3) [%]"""
        per_day = round(86_400 / self.room.step_s)
        days = len(self.out) // per_day
        out = self.out[: days * per_day]
        felt = (1 - out) * self.air_pct[: len(out)] + out * self.room_pct[: len(out)]
        return by_day(felt, per_day)

    def moisture_pct(self) -> Floats:
        """Moisture content of the wood, from the RH it keeps. (H, M) [%]"""
        temp = self.room.temp_c.reshape(len(self.wood_pct), -1).mean(axis=1)
        return equilibrium_moisture_content(temp[:, None], self.wood_pct)

    def week_ml(self) -> Floats:
        """Water given off in each whole week. (weeks, M) [mL]"""
        weeks = len(self.course.given_g) // 7
        return np.asarray(self.course.given_g[: 7 * weeks].reshape(weeks, 7, -1).sum(axis=1))

    def empties_after_d(self) -> Floats:
        """Days from being made ready to empty, over all times it did: shortest, per member. (M,)

        Infinite where it never ran empty. [d]
        """
        water, added = self.course.water_g, self.course.added_g
        if water is None:
            return np.full(self.wood_pct.shape[1], np.inf)
        per_day = max(round(24 / self.stretch_h), 1)
        filled = np.repeat(added > 0, per_day, axis=0)[: len(water)]
        filled[np.arange(len(water)) % per_day > 0] = False
        at = np.arange(len(water))[:, None]
        last = np.maximum.accumulate(np.where(filled, at, -1), axis=0)
        empty = (water <= 0) & (last >= 0)
        hours = np.where(empty, at + 1 - last, np.inf).min(axis=0) * self.stretch_h
        return np.asarray(hours / 24)

    def damp(self) -> Damp:
        """Hours of damp air, by member."""
        hours = self.room.step_s / 3600
        temp = self.room.temp_c
        with np.errstate(invalid="ignore"):
            mould = self.air_pct >= critical_surface_humidity(temp)[:, None]
        wettest = (self.air_pct * saturation_vapour_pressure(temp)[:, None]).argmax(axis=0)
        most = self.air_pct[wettest, np.arange(self.air_pct.shape[1])]
        return Damp(
            (self.air_pct >= DAMP_PCT).sum(axis=0) * hours,
            (self.air_pct >= TOO_DAMP_PCT).sum(axis=0) * hours,
            mould.sum(axis=0) * hours,
            np.asarray(dew_point(temp[wettest], np.clip(most, 0.1, 100.0))),
        )

    def plates(self, parts: Sequence[Part], member: int = 0) -> PlateCourse:
        """Moisture of each part of the instrument in the air around it, by diffusion.

        For the air of one member. The parts start at rest with the wood of the case.
        Its faces and the air inside it are those of a closed instrument; the lag of its inside was
        measured on a violin only, so for others this is a second opinion to `moisture_pct`.
        """
        parts = checked_parts(parts)
        plates = Plates(
            [p.thickness_mm / 1000 for p in parts], *face_transfers(parts, opened=False)
        )
        air = equilibrium_moisture_content(self.room.temp_c, self.felt_pct(member))
        start = equilibrium_moisture_content(self.room.temp_c[0], self.wood_pct[0, member])
        tau = self.room.step_s * speed(self.room.temp_c)
        return plates.course(tau, air, state=uniform(np.full(len(parts), start)))


class Damp(NamedTuple):
    """Damp air in the case, per member.

    Hours at `DAMP_PCT` and more, at `TOO_DAMP_PCT` and more, and where mould could grow on wood
    [h]; its highest dew point [°C]: a wall of the case that is colder, once it is carried into the
    cold, gets wet.
    """

    damp_h: Floats
    too_damp_h: Floats
    mould_h: Floats
    dew_point_c: Floats


def simulate(
    case: Case,
    room: RoomAir,
    use: Use | Sequence[Use] | None = None,
    device: Humidifier | Buffer | Sequence[Humidifier | Buffer] | None = None,
    *,
    members: int = MEMBERS,
    start_pct: float | Floats | None = None,
    sensor: SensorUncertainty = ORDINARY_SENSOR,
    ranks: Floats | None = None,
) -> CaseYear:
    """Simulates a case in the air of its room.

    Parameters
    ----------
    case : Case
    room : RoomAir
    use : Use, optional
        Or one for each member. Else it is played two hours a day and shut at all other times.
    device : Humidifier or Buffer, optional
        Or several of one kind, to compare them side by side: member k·M + m of the result is device
        k in member m of M.
    members : int
        Ways the case may be, `MEMBERS`; 1 takes every usual value.
    start_pct : float or ndarray of shape (members,), optional
        RH the wood keeps at the start, 0 to 100; else the mean of the first thirty days. [%]
    sensor : SensorError
        Of a room's log that is the same for all members.
    ranks : ndarray of shape (members, 5), optional
        Place of each member in the spreads, −1 to 1, in place of `scores`.

    Notes
    -----
    Wood and water go in steps of an hour, driven by the hour's mean air (they lag by days); the
    case's air follows the room within each step. How often the case is opened and shut is in `use`,
    not in the closed air changes. Above 60 % RH real wood takes up more than the constant capacity
    here: the case is then told too damp rather than too dry.
    The spread: closed air changes, capacity, exchange and release evenly in the logarithm; a sensor
    normally.

    Raises
    ------
    OutOfRange
    """
    uses, used = _uses(use or Use(), members)
    ranks = scores(members, RANKS) if ranks is None else ranks
    rh = room.members(members, sensor, ranks[:, 4])
    per, n = room.per_hour, len(room.temp_c)
    hours = n // per
    stretch_h = max(room.step_s / 3600, 1.0)
    mean_rh = rh.reshape(hours, per, members).mean(axis=1) if per > 1 else rh
    temp = room.temp_c.reshape(hours, per).mean(axis=1)
    out, lid = _shares(uses, room.start_h, stretch_h, hours)
    per_change = case.air_l / 1000 * grams_per_pct(temp)
    leak_steps = per_change[:, None] * np.concatenate([1 - lid, lid], axis=1)
    shut = case.closed_changes_day * case.closed_times ** ranks[:, 0]
    leak_members = np.concatenate([used * shut, used * case.open_changes_day])
    exchange = 24 * case.exchange_g_h_pct * case.exchange_times ** ranks[:, 2]
    wood = Wood(case.capacity_g_pct * case.capacity_times ** ranks[:, 1], exchange, exchange)
    drive = CaseDrive(
        stretch_h / 24,
        mean_rh,
        warmth_offset(temp),
        leak_steps,
        leak_members,
        out @ used if len(uses) > 1 else out,
        np.zeros(members),
    )
    if start_pct is None:
        start = mean_rh[: round(30 * 24 / stretch_h)].mean(axis=0)
    else:
        start = checked("start_pct", start_pct, "%", 0, 100) + np.zeros(members)
    if device is None:
        course = run(drive, wood, start)
    else:
        days = -(-hours // round(24 / stretch_h))
        each = list(device) if isinstance(device, Sequence) else [device]
        ready = np.stack([ready_days(one, room.start_day, days) for one in each], axis=1)
        if count := len(each) - 1:
            ready, start = np.repeat(ready, members, axis=1), np.tile(start, count + 1)
        course = run(drive, wood, start, devices(each, ranks[:, 3]), ready)
    step_out = _shares(uses, room.start_h, room.step_s / 3600, n)[0]
    air = course.air_pct
    if per > 1:
        air = _within_hours(rh, mean_rh, air, leak_steps @ leak_members, exchange)
    outs = step_out @ used
    if count := course.wood_pct.shape[1] // members - 1:
        rh, outs = np.tile(rh, (1, count + 1)), np.tile(outs, (1, count + 1))
    return CaseYear(case, room, rh, outs, air, course)


def _uses(use: Use | Sequence[Use], members: int) -> tuple[list[Use], Floats]:
    """The uses that differ, and which member has which: 1 or 0. (U, members)"""
    each = [use] * members if isinstance(use, Use) else list(use)
    if len(each) != members:
        raise OutOfRange("uses", len(each), "", members, members)
    uses = list(dict.fromkeys(each))
    return uses, np.array([[one == own for own in each] for one in uses], dtype=np.float64)


def _shares(
    uses: Sequence[Use], start_h: float, step_h: float, steps: int
) -> tuple[Floats, Floats]:
    """Shares of each step for which it is out, and the lid open, in each use. 2 of (steps, U) [-]"""
    shares = np.array([use.shares(start_h, step_h, steps) for use in uses])
    return shares[:, 0].T, shares[:, 1].T


def _within_hours(
    rh: Floats, mean_rh: Floats, air: Floats, leak: Floats, exchange: Floats
) -> Floats:
    """Air of a case at each step: within an hour it follows the room by the leak's share of all
    that holds it. (n, M) [%]"""
    per = len(rh) // len(air)
    fine = np.empty_like(rh)
    for begin in range(0, len(air), 24):
        hours = slice(begin, begin + 24)
        steps = slice(begin * per, min(begin + 24, len(air)) * per)
        shape = (-1, per, rh.shape[1])
        part = fine[steps].reshape(shape)
        share = leak[hours] / (leak[hours] + exchange)
        np.subtract(rh[steps].reshape(shape), mean_rh[hours, None], out=part)
        part *= share[:, None]
        part += air[hours, None]
    return fine


def stays_h(
    case: Case, start_pct: float, room_pct: float, limit_pct: float, *, temp_c: float = 20.0
) -> QuantileRange:
    """Time for which the shut case keeps its wood on this side of a limit, with nothing done. [h]

    In steady room air: τ ln[(start − room)/(limit − room)] with τ = C (1/K + 1/k). Infinite if
    the limit lies beyond the room's RH. Over the corners of what is not known, and the usual.

    Raises
    ------
    OutOfRange
        If an RH is not 0 to 100, or the limit is not between start and room or beyond it.

    Examples
    --------
    >>> from monitor.science.case.presets import PRESETS
    >>> [round(h / 24, 1) for h in stays_h(PRESETS["violin, hard case"], 45, 25, 35)]
    [9.7, 28.4, 85.9]
    """
    names = (("start_pct", start_pct), ("room_pct", room_pct), ("limit_pct", limit_pct))
    start, room, limit = (float(checked(name, value, "%", 0, 100)) for name, value in names)
    if (start - limit) * (start - room) < 0:
        low, high = sorted((start, room))
        raise OutOfRange("limit_pct", limit, "%", low, high)
    ends = []
    for corner in (-1, 0, 1):
        leak = case.leak_g_day_pct(temp_c) / case.closed_times**corner
        exchange = 24 * case.exchange_g_h_pct / case.exchange_times**corner
        capacity = case.capacity_g_pct * case.capacity_times**corner
        ends.append(24 * capacity * (1 / leak + 1 / exchange))
    if start == limit:
        return QuantileRange(0.0, 0.0, 0.0)
    if abs(limit - start) >= abs(room - start):
        return QuantileRange(np.inf, np.inf, np.inf)
    return QuantileRange(*(float(t * np.log((start - room) / (limit - room))) for t in ends))
