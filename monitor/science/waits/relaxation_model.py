"""States that relax towards the air: where they are now, and when they cross their threshold.

The recurrence y ← d + (y − d) e^(−x) is linear, so the state now is

    y = y_0 e^(−k(Φ_n − Φ_s)) + Σ d_m [e^(−k(Φ_n − Φ_{m+1})) − e^(−k(Φ_n − Φ_m))],

Φ the running integral of φ, n now, s the start. The sum is a suffix sum that all waits of a place
share; no exponent is positive, so nothing overflows. It is worked out for rates k on a fine
logarithmic grid and read off between (four-point Lagrange). A constant error of the sensor's RH
adds its own such sum; one of its temperature scales k.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.science.ranges import Floats
from monitor.science.waits.air_bins import Bins
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import (
    AirCoverage,
    AirLog,
    Times,
    exponential_mean,
    relaxation_steps,
)
from monitor.science.waits.laws import RelaxationLaw
from monitor.science.waits.monte_carlo import WaitDraws
from monitor.science.waits.parameters import PROGRESS_MOST
from monitor.science.waits.relaxation_time import relaxation_rate, span

GRID_STEP = 0.05
"""Distance of the rates in the grid, in ln k. [-]  Ours: reads off within 1e-6 of the state."""

MEMORY_EXPONENT_MOST = 600.0
"""Where what is left of the wood's own moisture is 0 in any case. [-]"""


class RelaxationHistory:
    """The past air of one place under one law, ready for any number of waits.

    `capped`: good air counts at most the law's `most_rate`, as for advice.
    """

    def __init__(self, law: RelaxationLaw, log: AirLog, bins: Bins, *, capped: bool) -> None:
        self.law, self.bins = law, bins
        drive = law.drive(log.temp_c, log.rh_pct)
        self.memory_s = 3600 * law.wood_memory_h
        if self.memory_s > 0:
            drive = exponential_mean(log, drive, self.memory_s)
        self._span_drive, self._begin_ms = drive, log.begin_ms
        speed = law.speed(log.temp_c)
        phi = capped_speed(law, speed, drive) if capped else speed
        self.as_uncapped = bool((phi == speed).all())
        self._phi = [log.running(phi, known) for known in (AirCoverage.AIR, AirCoverage.GAP)]
        self._pull = [
            log.running(phi * drive, known) for known in (AirCoverage.AIR, AirCoverage.GAP)
        ]
        edges = bins.edges_ms
        self._bin_phi = [np.diff(r.at(edges)) for r in self._phi]
        self._bin_pull = [np.diff(r.at(edges)) for r in self._pull]
        t, rh = bins.temp_c, bins.rh_pct
        self._slope = np.nan_to_num(law.drive_slope(t, rh))
        mean = float(np.nanmean(t)) if not np.isnan(t).all() else law.reference_temp_c
        self.speed_slope = law.speed_slope(mean)

    def drive_at(self, ts_ms: Times) -> Floats:
        """Balance that the state tended to at some moments; NaN where not known."""
        i = np.searchsorted(self._begin_ms, ts_ms, side="right") - 1
        result: Floats = self._span_drive[np.maximum(i, 0)]
        return result

    def _steps(self, credit: float) -> tuple[Floats, Floats]:
        """∫φ dt and mean drive of each bin, gaps counting `credit` of their neighbours' mean."""
        phi = self._bin_phi[0] + credit * self._bin_phi[1]
        pull = self._bin_pull[0] + credit * self._bin_pull[1]
        return phi, np.where(phi > 0, pull / np.where(phi > 0, phi, 1.0), 0.0)

    def _first(self, start_ms: Times, credit: float) -> tuple[NDArray[np.intp], Floats, Floats]:
        """Edge after each start, ∫φ dt up to it and the mean drive on the way."""
        edges = self.bins.edges_ms
        e = np.searchsorted(edges, start_ms, side="right")
        e = np.minimum(e, len(edges) - 1)
        end = edges[e]

        def between(air_gap: list) -> Floats:
            air, gap = (r.at(end) - r.at(start_ms) for r in air_gap)
            return np.asarray(air + credit * gap)

        phi, pull = between(self._phi), between(self._pull)
        return e, phi, np.where(phi > 0, pull / np.where(phi > 0, phi, 1.0), 0.0)

    def state(
        self, start_ms: Times, kappa: Floats, credit: float, rh_error: Floats, extra: Floats
    ) -> Floats:
        """State now of waits that have begun.

        Parameters
        ----------
        start_ms : ndarray of shape (w,)
        kappa : ndarray of shape (w, j)
            Rate in the air as read, already scaled by the sensor's temperature error. [1/s]
        credit : float
            How much of a gap counts, 0 to 1.
        rh_error : ndarray of shape (j,)
            By how much the true RH is above the reading. [%]
        extra : ndarray of shape (w,)
            How much wetter than the room's memory the wood was at the start. [as the drive]

        Returns
        -------
        ndarray of shape (w, j)
        """
        phi, drive = self._steps(credit)
        e, first_phi, first_drive = self._first(start_ms, credit)
        togo = np.concatenate([np.cumsum(phi[::-1])[::-1], [0.0]])
        fade = np.exp(-kappa * first_phi[:, None])
        y = first_drive[:, None] + (self.law.start - first_drive[:, None]) * fade
        slope = self._slope[e - 1]
        y += (slope[:, None] * rh_error + extra[:, None]) * (1 - fade)
        y *= np.exp(-kappa * togo[e][:, None])

        ln_kappa = np.log(kappa)
        low = float(ln_kappa.min()) - GRID_STEP
        count = int(np.ceil((float(ln_kappa.max()) - low) / GRID_STEP)) + 3
        nodes = np.exp(low + GRID_STEP * np.arange(count))
        columns = np.unique(e)
        where = np.searchsorted(columns, e)
        weight = np.diff(np.exp(-nodes[:, None] * togo), axis=1)

        def suffix(series: Floats) -> Floats:
            sums = np.cumsum((weight * series)[:, ::-1], axis=1)[:, ::-1]
            return np.concatenate([sums, np.zeros((count, 1))], axis=1)[:, columns]

        place = (ln_kappa - low) / GRID_STEP
        i = np.clip(place.astype(np.intp), 1, count - 3)
        p = place - i
        lagrange = (
            -p * (p - 1) * (p - 2) / 6,
            (p + 1) * (p - 1) * (p - 2) / 2,
            -(p + 1) * p * (p - 2) / 2,
            (p + 1) * p * (p - 1) / 6,
        )

        def read_off(series: Floats) -> Floats:
            table = suffix(series)
            return sum(
                (w * table[i + n - 1, where[:, None]] for n, w in enumerate(lagrange)),
                start=np.zeros(kappa.shape),
            )

        y += read_off(drive)
        y += rh_error * read_off(self._slope)
        if extra.any():
            edges = self.bins.edges_ms
            age_s = (edges[-1] - (edges[:-1] + edges[1:]) / 2) / 1000
            grown = np.exp(np.minimum(age_s / self.memory_s, MEMORY_EXPONENT_MOST))
            left = np.exp(-(edges[-1] - start_ms) / 1000 / self.memory_s)
            y += (extra * left)[:, None] * read_off(grown)
        return y

    def trace(
        self, start_ms: int, kappa: float, credit: float, extra: float
    ) -> tuple[Times, Floats]:
        """State at the start and at every edge after it, sensor taken at its word."""
        phi, drive = self._steps(credit)
        first, first_phi, first_drive = self._first(np.array([start_ms]), credit)
        e = int(first[0])
        x = kappa * np.concatenate([first_phi, phi[e:]])
        d = np.concatenate([first_drive, drive[e:]])
        ts = np.concatenate([[start_ms], self.bins.edges_ms[e:]])
        if extra:
            d = d + extra * np.exp(-(ts[:-1] - start_ms) / 1000 / self.memory_s)
        return ts, np.concatenate([[self.law.start], relaxation_steps(x, d, self.law.start)])


def capped_speed(law: RelaxationLaw, speed: Floats, drive: Floats) -> Floats:
    """φ, at most so large that constant air like this counts `most_rate`. [-]"""
    rate = relaxation_rate(law.start, law.threshold, law.reference, drive)
    with np.errstate(divide="ignore"):
        most = np.where(rate > 0, law.most_rate / rate, np.inf)
    return np.minimum(speed, most)


def thresholds(law: RelaxationLaw, draws: WaitDraws) -> Floats:
    """Threshold of each draw, kept a tenth of the way from reference and from start. (j,)"""
    margin = 0.1 * (law.threshold - law.reference), 0.1 * (law.start - law.threshold)
    drawn = law.threshold + law.threshold_sd * draws.law
    return np.clip(drawn, law.reference + margin[0], law.start - margin[1])


def progress(law: RelaxationLaw, y: Floats, threshold: Floats | float) -> Floats:
    """Time in reference air that would have brought the state here, in units of the basis. [-]

    ln[(start − ref)/(y − ref)]/ln[(start − ref)/(threshold − ref)]; 0 at the least, and
    `PROGRESS_MOST` where reference air never gets so far.
    """
    above = np.maximum(y - law.reference, 1e-12)
    done = np.log((law.start - law.reference) / above) / span(law.start, threshold, law.reference)
    return np.clip(done, 0.0, PROGRESS_MOST)


def ensemble_steps(
    law: RelaxationLaw,
    outlook: AirEnsemble,
    first: int,
    edges_s: Floats,
    draws: WaitDraws,
    memory: float | None,
    *,
    capped: bool,
) -> tuple[Floats, Floats]:
    """φ and drive of each draw in each step ahead: member j mod members, sensor as drawn.

    `memory` is what the wood remembers now, None without memory. Shapes (j, steps).
    """
    member = np.arange(len(draws.basis)) % outlook.temp_c.shape[0]
    t = outlook.temp_c[member, first:] + draws.temp_k[:, None]
    rh = np.clip(outlook.rh_pct[member, first:] + draws.rh_pct[:, None], 0.0, 100.0)
    phi, drive = law.speed(t), law.drive(t, rh)
    if memory is not None:
        x = np.diff(edges_s) / (3600 * law.wood_memory_h)
        share = -np.expm1(-x) / x
        kept = memory + draws.rh_pct / 100
        mean = np.empty_like(drive)
        for i in range(drive.shape[1]):
            away = kept - drive[:, i]
            mean[:, i] = drive[:, i] + away * share[i]
            kept = drive[:, i] + away * np.exp(-x[i])
        drive = mean
    return (capped_speed(law, phi, drive) if capped else phi), drive


COMPACT_EVERY = 8
"""Steps after which waits that are ready in every draw are dropped. [-]"""


def first_crossings(
    kappa: Floats,
    y: Floats,
    threshold: Floats,
    edges_s: Floats,
    phi: Floats,
    drive: Floats,
    start_s: Floats,
    extra: Floats,
    memory_s: float,
) -> Floats:
    """Time at which each draw of each wait first is at or below its threshold, from now. [s]

    Parameters
    ----------
    kappa, y : ndarray of shape (w, j)
        Rate [1/s] and state now, or at the start if that is to come.
    threshold : ndarray of shape (j,)
    edges_s : ndarray of shape (steps + 1,)
        From now. [s]
    phi, drive : ndarray of shape (j, steps)
    start_s : ndarray of shape (w,)
        Seconds from now to the start; not above 0 if it has begun.
    extra : ndarray of shape (w,)
        What is left, now or at a start to come, of the wood's own moisture. [as the drive]

    Returns
    -------
    ndarray of shape (w, j)
        0 where it is there now, infinite where not within the steps. Exact within a step.
    """
    result = np.full(y.shape, np.inf)
    begun = start_s <= 0
    result[begun[:, None] & (y <= threshold)] = 0.0
    rows = np.arange(len(y))
    y, kappa = y.copy(), -kappa
    aim = np.where(result == 0, -np.inf, threshold)
    for i in range(phi.shape[1]):
        if i % COMPACT_EVERY == 0:
            left = np.isfinite(aim).any(axis=1)
            if not left.all():
                rows, y, kappa, aim = rows[left], y[left], kappa[left], aim[left]
            if not len(rows):
                break
        low, high = edges_s[i], edges_s[i + 1]
        begin = np.clip(start_s[rows], low, high)
        x = kappa * (phi[:, i] * (high - low))
        if begin.max() > low:
            x *= ((high - begin) / (high - low))[:, None]
        d = drive[:, i]
        if extra.any():
            middle = (begin + high) / 2 - np.maximum(start_s[rows], 0)
            d = d + (extra[rows] * np.exp(-np.maximum(middle, 0) / memory_s))[:, None]
        away = y - d
        np.exp(x, out=x)
        x *= away
        x += d
        hit = x <= aim
        if hit.any():
            r, j = np.nonzero(hit)
            d_hit = np.broadcast_to(d, y.shape)[r, j]
            fall = away[r, j], threshold[j] - d_hit
            k_phi = -kappa[r, j] * phi[j, i]
            with np.errstate(divide="ignore", invalid="ignore"):
                after = np.log(fall[0] / fall[1]) / k_phi
            after = np.where(np.isfinite(after), after, high - begin[r])
            result[rows[r], j] = np.clip(begin[r] + after, begin[r], high)
            aim[r, j] = -np.inf
        y = x
    return result
