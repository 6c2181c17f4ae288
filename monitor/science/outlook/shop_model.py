"""Fitted model of a shop, and the ensemble of its air in the days ahead."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.outlook import forecast_correction, residual_correction, verification
from monitor.science.outlook.hourly_log import LEADS_H, STEPS, Issues, OutdoorHours, past_outdoors
from monitor.science.outlook.room_fit import fit_room
from monitor.science.outlook.room_model import PreparedLog, RoomModel, humidifier_running, run
from monitor.science.outlook.weather_members import Distances, drawn
from monitor.science.outlook.what_if import Launch
from monitor.science.ranges import Floats

LEARN_DAYS = 75
"""Corrections are learned from so many days. [d]  Ours."""

EVERY_H = 3
"""Moments that corrections are learned from, apart. [h]  Ours."""

FEWEST_DAYS = 4
"""Fewer days of log teach nothing. [d]  Ours."""

TRIAL_MEMBERS, TRIAL_EVERY = 12, 12
"""Members of the trial that tells how much of the spread is the weather's; each so many moments.
[-]  Ours."""

REST_FLOOR = 0.35
"""What the weather does not explain is at least this part of the whole spread. [-]  Ours."""

REST_H = 12.0
"""How long along its lead an error inside the room lasts. [h]  Ours."""

_STEP = np.arange(1, STEPS + 1)


@dataclass(frozen=True, eq=False)
class ShopModel:
    """Fitted room, correction of the outdoor forecast, and residual correction of both.

    `unexplained_sd` (2, STEPS): standard deviation that the weather does not explain. [K], [%]
    """

    room: RoomModel
    forecast: forecast_correction.Corrector
    residual: residual_correction.ResidualCorrection
    unexplained_sd: Floats

    def without_tank(self) -> ShopModel:
        """The same, had no humidifier been found. The night's learning does the rest."""
        return replace(self, room=replace(self.room, tank=None))


class HoursAhead(NamedTuple):
    """The hours after some moments, `STEPS` of them.

    `fitted` and `given` (2, STEPS, moments): temperature [°C] and RH [%], most likely by the fit
    alone and as issued; `plainer` (2, 2, STEPS, moments): the reference forecasts; `members` (2,
    members, STEPS, moments); `half` (2, STEPS, moments) of the 80 % range before it was widened.
    """

    fitted: Floats
    given: Floats
    plainer: Floats
    members: Floats
    half: Floats


def learn(k: PreparedLog, issues: Issues, stop: int, before: ShopModel | None = None) -> ShopModel:
    """Learns from a log up to and with hour number `stop`.

    Parameters
    ----------
    before : Shop, optional
        What was learned earlier: the fit starts from it and takes a quarter of the time.

    Raises
    ------
    OutOfRange
        If the log is shorter than four days.
    """
    if stop < 24 * FEWEST_DAYS - 1:
        raise OutOfRange("days of log", (stop + 1) / 24, "d", FEWEST_DAYS, None)
    room = fit_room(k, stop, before.room if before else None)
    first = max(stop - 24 * LEARN_DAYS, 36)
    ends = np.arange(stop - 1, first - 1, -EVERY_H)[::-1]
    raw = forecast_correction.forecast_hours(k.hours, k.past, issues, ends, STEPS)
    corrector = _corrector(k, issues, raw, ends, stop, room.offset_h)
    air = forecast_correction.corrected(corrector, raw, _hours(k, ends))
    simulated = run(room, k, ends, air)
    d = residual_correction.hindcast_errors(room, k, first - 336, stop)
    left = residual_correction.learn(k, d, simulated, ends, stop)
    trial = ends[::-TRIAL_EVERY][::-1]
    some = OutdoorHours(*(field[:, ::-1][:, ::TRIAL_EVERY][:, ::-1] for field in air))
    moved = _strayed(room, corrector, k, issues, trial, some, TRIAL_MEMBERS, 1)
    weather = (moved**2).mean(axis=(1, 3))
    whole = np.stack(
        [
            np.interp(_STEP, LEADS_H, left.sd[j] / residual_correction.usual_error(j, LEADS_H))
            * residual_correction.usual_error(j, _STEP)
            for j in range(2)
        ]
    )
    rest = np.sqrt(np.maximum(whole**2 - weather, (REST_FLOOR * whole) ** 2))
    return ShopModel(room, corrector, left, rest)


def _corrector(
    k: PreparedLog,
    issues: Issues,
    raw: forecast_correction.ForecastHours,
    ends: np.ndarray,
    stop: int,
    offset_h: int,
) -> forecast_correction.Corrector:
    """Correction of the forecasts, learned also from issues that are older than a short log."""
    more = k.hours.with_hours_before(issues, 24 * LEARN_DAYS - stop)
    added = len(more) - len(k.hours)
    if added < EVERY_H:
        return forecast_correction.learn(k.hours, k.past, raw, ends, stop, offset_h)
    past, stop = past_outdoors(more, issues), stop + added
    ends = np.arange(stop - 1, 36, -EVERY_H)[::-1]
    raw = forecast_correction.forecast_hours(more, past, issues, ends, STEPS)
    return forecast_correction.learn(more, past, raw, ends, stop, offset_h)


def predict(
    shop: ShopModel,
    k: PreparedLog,
    issues: Issues,
    ends: np.ndarray,
    members: int,
    seed: int,
    trust: verification.Trust = verification.UNTRIED,
) -> HoursAhead:
    """The air after each of the hours number `ends`, rising, from what was known then.

    Parameters
    ----------
    members : int
        At least 2; rounded up to an even number, the second half straying opposite to the first.
    trust : Trust
        What the outlook's own record says of it.
    """
    raw = forecast_correction.forecast_hours(k.hours, k.past, issues, ends, STEPS)
    air = forecast_correction.corrected(shop.forecast, raw, _hours(k, ends))
    simulated = run(shop.room, k, ends, air)
    d = residual_correction.hindcast_errors(shop.room, k, int(ends[0]) - 480, int(ends[-1]))
    fitted, given, others = [], [], []
    for j, now in enumerate((k.temp_c, k.rh_pct)):
        x = residual_correction.features(k, d, j, simulated[j], ends, _STEP)
        fitted.append(simulated[j] + shop.residual.weights[j].apply(x))
        others.append(verification.reference_forecasts(now, ends, STEPS))
        given.append(verification.blended(trust.shares[j], j, fitted[j], others[j]))
    middle = np.stack(given)
    off = _strayed(shop.room, shop.forecast, k, issues, ends, air, members, seed)
    random = np.random.default_rng((seed, 2))
    half_members = off.shape[1] // 2
    for j in range(2):
        rest = _along(random, (half_members, len(ends)), REST_H) * shop.unexplained_sd[j][:, None]
        off[j] += np.concatenate([rest, -rest])
    half = (np.quantile(off, 0.9, axis=1) - np.quantile(off, 0.1, axis=1)) / 2
    wider = np.stack([np.interp(_STEP, LEADS_H, w) for w in trust.widths])
    off *= wider[:, None, :, None]
    members_ = middle[:, None] + off
    np.clip(members_[0], -40, 60, out=members_[0])
    np.clip(members_[1], 1, 100, out=members_[1])
    np.clip(middle[1], 1, 100, out=middle[1])
    return HoursAhead(np.stack(fitted), middle, np.stack(others), members_, half)


def entry(seen: HoursAhead, ends: np.ndarray) -> verification.RecordEntry:
    """Record entry of a forecast."""
    at = LEADS_H - 1
    return verification.RecordEntry(
        ends,
        seen.fitted[:, at],
        seen.given[:, at],
        seen.plainer[:, :, at],
        np.maximum(seen.half[:, at], 1e-3),
    )


def _hours(k: PreparedLog, ends: np.ndarray) -> np.ndarray:
    return np.asarray(k.hours.first_h + ends + _STEP[:, None])


def launch(
    shop: ShopModel, k: PreparedLog, issues: Issues, end: int, members: int, seed: int
) -> Launch:
    """Initial state of a run after hour number `end`, for members (even) of its weather."""
    ends = np.array([end])
    raw = forecast_correction.forecast_hours(k.hours, k.past, issues, ends, STEPS)
    air = forecast_correction.corrected(shop.forecast, raw, _hours(k, ends))
    distances = issues.distances_after(k.hours.first_h + ends, STEPS)
    weather = _weather(shop.forecast, air, distances, members, seed)
    return Launch(
        k.hours.first_h + end + 1,
        float(k.temp_c[end]),
        float(k.rh_pct[end]),
        k.heat[:, end],
        k.water[:, end],
        OutdoorHours(*(field[:, :, 0] for field in weather)),
        k.hours.closed,
        humidifier_running(shop.room, k, end, air),
        k.hours.summer,
    )


def _weather(
    corrector: forecast_correction.Corrector,
    air: OutdoorHours,
    distances: Distances | None,
    members: int,
    seed: int,
) -> OutdoorHours:
    """The outdoor air as it may come, fields of shape (STEPS, members, moments).

    Each draw takes one member of the forecast, if `distances` has any, and the error that members
    do not explain is added as noise.
    """
    random = np.random.default_rng((seed, 1))
    half, moments = -(-members // 2), air.temp_c.shape[1]
    a = _along(random, (half, moments), corrector.along_h)
    b = _along(random, (half, moments), corrector.along_h)
    b = corrector.cross * a + np.sqrt(1 - corrector.cross**2) * b
    own, sd = np.zeros((3, 1, 1, 1)), corrector.sd[..., None]
    if distances is not None:
        dealer = np.random.default_rng((seed, 4))
        own, sd = drawn(distances, corrector.members, corrector.sd, 2 * half, dealer)
    off = [np.concatenate([z, -z]) * sd[j] + own[j] for j, z in enumerate((a, b))]
    t = np.clip(air.temp_c + off[0], -45, 55)
    dew = np.minimum(air.dew_c + off[1], t)
    wind = np.broadcast_to(np.maximum(air.wind_m_s + own[2], 0), t.shape)
    return OutdoorHours(*(np.moveaxis(field, 1, 0) for field in (t, dew, wind)))


def _strayed(
    room: RoomModel,
    corrector: forecast_correction.Corrector,
    k: PreparedLog,
    issues: Issues,
    ends: np.ndarray,
    air: OutdoorHours,
    members: int,
    seed: int,
) -> Floats:
    """Deviations of members from their mean due to the weather, (2, members, STEPS, moments)."""
    distances = issues.distances_after(k.hours.first_h + ends, STEPS)
    weather = _weather(corrector, air, distances, members, seed)
    _, count, moments = weather.temp_c.shape
    flat = OutdoorHours(*(field.reshape(STEPS, -1) for field in weather))
    runs = np.stack(run(room, k, np.tile(ends, count), flat))
    runs = np.moveaxis(runs.reshape(2, STEPS, count, moments), 2, 1)
    return np.asarray(runs - runs.mean(axis=1, keepdims=True))


def _along(random: np.random.Generator, shape: tuple[int, int], hold_h: float) -> Floats:
    """Noise of standard deviation 1 that lasts `hold_h` along the steps: (members, STEPS, moments)."""
    keep = float(np.exp(-1 / hold_h))
    kicks = random.standard_normal((STEPS, *shape))
    kicks[1:] *= np.sqrt(1 - keep**2)
    for i in range(1, STEPS):
        kicks[i] += keep * kicks[i - 1]
    return np.moveaxis(kicks, 0, 1)
