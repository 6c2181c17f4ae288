"""Ready times of many waits at once: median and 10 to 90 % range, progress, hold, and why."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple, TypeAlias

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.quantiles import QuantileRange, quantile
from monitor.science.ranges import Floats
from monitor.science.waits import relaxation_model
from monitor.science.waits.additive_model import AdditiveHistory, first_reached
from monitor.science.waits.air_bins import Bins, bin_s, binned
from monitor.science.waits.air_log import AirCoverage, AirLog
from monitor.science.waits.drying import DryingLaw
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.monte_carlo import SensorUncertainty, WaitDraws, latin_hypercube
from monitor.science.waits.parameters import PROGRESS_MOST, Hold
from monitor.science.waits.relaxation_model import RelaxationHistory
from monitor.science.waits.relaxation_time import AT_THE_LIMIT, span
from monitor.science.waits.variance_shares import shares_of_variance
from monitor.science.waits.wait import Readiness, WaitInputs, WaitState

LOW, HIGH = 0.1, 0.9
"""Quantiles of the range. [-]"""

DAY_MS = 86_400_000

STEPS_PER_MEMORY = 12
"""Steps of the outlook in one time constant of the wood's memory, at least. [-]  Ours."""

PastAir: TypeAlias = RelaxationHistory | AdditiveHistory
"""Past air of one place under one law."""

DRAWS = 200
SEED = 20_260_112


def ready_times(
    waits: Sequence[WaitInputs], now_ms: int, *, draws: int = DRAWS, seed: int = SEED
) -> list[Readiness]:
    """Ready times of waits, those that share air and law worked out together.

    Parameters
    ----------
    waits : sequence of Wait
    now_ms : int
        Where every wait's `air` ends and inside its `outlook`. [ms since 1970-01-01 UTC]
    draws : int
        How often basis, threshold, sensor and outlook are drawn together. [-]
    seed : int
        The same seed gives the same answer.

    Returns
    -------
    list of Readiness
        In the order of `waits`.

    Raises
    ------
    OutOfRange
        If a wait's air does not end now, or now is outside its outlook.
    """
    groups: dict[tuple, list[int]] = {}
    for i, w in enumerate(waits):
        if w.air.until_ms != now_ms:
            raise OutOfRange("air.until_ms", w.air.until_ms, "ms", now_ms, now_ms)
        groups.setdefault((id(w.air), id(w.outlook), w.law, w.sensor), []).append(i)
    result: dict[int, Readiness] = {}
    scores: dict[SensorUncertainty, WaitDraws] = {}
    made: dict[tuple[int, int, int], Bins] = {}

    def bins_of(air: AirLog, from_ms: int, width_s: int) -> Bins:
        key = (id(air), from_ms, width_s)
        if key not in made:
            made[key] = binned(air, from_ms, width_s)
        return made[key]

    for (_, _, _, sensor), members in groups.items():
        if sensor not in scores:
            scores[sensor] = latin_hypercube(draws, sensor, seed)
        group = _Group([waits[i] for i in members], now_ms, scores[sensor], bins_of)
        result.update(zip(members, group.readiness(), strict=True))
    return [result[i] for i in range(len(waits))]


def ready_draws(
    waits: Sequence[WaitInputs], now_ms: int, *, draws: int = DRAWS, seed: int = SEED
) -> Floats:
    """Seconds from now until each wait is ready, by draw; infinite beyond the outlook. [s]

    The waits share air, outlook, law and sensor. Draw i is in member i of the outlook, modulo their
    number, in every call with the same seed. Shape (waits, draws).
    """
    group = _Group(list(waits), now_ms, latin_hypercube(draws, waits[0].sensor, seed))
    return group.advised_draws()


class _Group:
    """Waits that share air, outlook, law and sensor."""

    def __init__(
        self,
        waits: list[WaitInputs],
        now_ms: int,
        draws: WaitDraws,
        bins_of: Callable[[AirLog, int, int], Bins] = binned,
    ) -> None:
        self.waits, self.now_ms, self.draws = waits, now_ms, draws
        self.law, self.air, self.outlook = waits[0].law, waits[0].air, waits[0].outlook
        self.start_ms = np.array([w.start_ms for w in waits], dtype=np.int64)
        self.basis_s = np.array([w.in_reference_air_s for w in waits])
        self.spread = np.array([w.spread for w in waits])
        self.start_s = (self.start_ms - now_ms) / 1000
        self.begun = self.start_s <= 0
        ones = np.ones(len(self.air.begin_ms))
        seconds = {k: self.air.running(ones, k) for k in (AirCoverage.GAP, AirCoverage.PAUSED)}
        inside = np.minimum(self.start_ms, now_ms)
        first = self.air.begin_ms[0]
        self.unknown_s, self.paused_s = (
            np.where(self.begun, seconds[k].total - seconds[k].at(inside), 0.0)
            for k in (AirCoverage.GAP, AirCoverage.PAUSED)
        )
        self.gappy = (self.unknown_s > 0) & self.law.needs_air
        from_ms = int(max(min(inside.min(), now_ms - DAY_MS) // DAY_MS * DAY_MS, first))
        self.bins = bins_of(self.air, from_ms, bin_s(float(self.basis_s.min())))
        self.past = {True: self._past(capped=True)}
        """By whether good air is capped. The same object where the cap changes nothing."""
        same = self.past[True].as_uncapped
        self.past[False] = self.past[True] if same else self._past(capped=False)

    def _past(self, *, capped: bool) -> PastAir:
        if isinstance(self.law, GlueLaw | DryingLaw):
            return RelaxationHistory(self.law, self.air, self.bins, capped=capped)
        return AdditiveHistory(self.law, self.air, self.bins, self.draws, capped=capped)

    def advised_draws(self) -> Floats:
        """Seconds from now until each wait is ready, never before its floor. [s]"""
        ready, _ = self._outcome(np.arange(len(self.waits)), 0.0)
        return np.maximum(ready, self._floor_s()[:, None])

    def _floor_s(self) -> Floats:
        floor_s = np.array([w.floor_s for w in self.waits])
        return np.asarray(floor_s + self.paused_s + self.start_s)

    def readiness(self) -> list[Readiness]:
        """Readiness of each wait."""
        every = np.arange(len(self.waits))
        ready, progress = self._outcome(every, 0.0)
        low, middle = ready.copy(), ready.copy()
        progress_middle, progress_high = progress.copy(), progress.copy()
        if self.gappy.any():
            some = np.flatnonzero(self.gappy)
            middle[some], progress_middle[some] = self._outcome(some, 0.5)
            low[some], progress_high[some] = self._outcome(some, 1.0)
        floor_s = self._floor_s()

        def advised(seconds: Floats) -> Floats:
            return np.maximum(seconds, floor_s[:, None])

        times = np.stack(
            [
                quantile(advised(low), LOW),
                quantile(advised(middle), 0.5),
                quantile(advised(ready), HIGH),
                quantile(middle, 0.5),
            ]
        )
        shares = np.stack([(advised(middle) <= 0).mean(axis=1), np.isinf(middle).mean(axis=1)])
        ranges = np.stack(
            [
                quantile(progress, LOW),
                quantile(progress_middle, 0.5),
                quantile(progress_high, HIGH),
            ]
        )
        rests = shares_of_variance(
            self.draws, middle, 0 if self.outlook is None else self.outlook.temp_c.shape[0]
        )
        now = self._air_now()
        return [
            self._told(
                i, times[:, i], shares[:, i], QuantileRange(*ranges[:, i].tolist()), rests[i], now
            )
            for i in range(len(self.waits))
        ]

    def _outcome(self, rows: np.ndarray, credit: float) -> tuple[Floats, Floats]:
        """Seconds from now until ready, and progress, per wait of `rows` and draw."""
        basis = self.basis_s[rows, None] * np.exp(self.spread[rows, None] * self.draws.basis)
        past = self.past[True]
        if isinstance(past, RelaxationHistory):
            return self._relaxed(past, rows, credit, basis)
        starts, begun = self.start_ms[rows], self.begun[rows]

        def counted(past: PastAir) -> Floats:
            done = np.zeros(basis.shape)
            if begun.any() and isinstance(past, AdditiveHistory):
                done[begun] = past.counted(starts[begun], credit)
            return done

        done = self._by_cap(counted)
        ready = first_reached(
            past.law,
            self.outlook,
            self.now_ms,
            basis - done[True],
            self.start_s[rows],
            self.draws,
            capped=True,
        )
        return ready, np.clip(done[False] / basis, 0.0, PROGRESS_MOST)

    def _relaxed(
        self, past: RelaxationHistory, rows: np.ndarray, credit: float, basis: Floats
    ) -> tuple[Floats, Floats]:
        law, draws = past.law, self.draws
        threshold = relaxation_model.thresholds(law, draws)
        kappa = np.asarray(span(law.start, threshold, law.reference)) / basis
        begun = self.begun[rows]
        extra = np.array([self._extra(i) for i in rows])

        def state(past: PastAir) -> Floats:
            y = np.full(basis.shape, law.start)
            if begun.any() and isinstance(past, RelaxationHistory):
                scaled = kappa[begun] * np.exp(past.speed_slope * draws.temp_k)
                y[begun] = past.state(
                    self.start_ms[rows][begun], scaled, credit, draws.rh_pct, extra[begun]
                )
            return y

        y = self._by_cap(state)
        progress = relaxation_model.progress(law, y[False], threshold)
        if self.outlook is None:
            return np.where(begun[:, None] & (y[True] <= threshold), 0.0, np.inf), progress
        outlook, memory = self.outlook, None
        if past.memory_s > 0:
            outlook = outlook.finer(past.memory_s / STEPS_PER_MEMORY)
        first, edges = outlook.edges_s(self.now_ms)
        if past.memory_s > 0:
            memory = float(past.drive_at(np.array([self.now_ms - 1]))[0])
            if np.isnan(memory):
                memory = float(outlook.rh_pct[:, first].mean()) / 100
            extra = extra * np.exp(np.minimum(self.start_s[rows], 0.0) / past.memory_s)
        phi, drive = relaxation_model.ensemble_steps(
            law, outlook, first, edges, draws, memory, capped=True
        )
        ready = relaxation_model.first_crossings(
            kappa,
            y[True],
            threshold,
            edges,
            phi,
            drive,
            self.start_s[rows],
            extra,
            max(past.memory_s, 1.0),
        )
        return ready, progress

    def _by_cap(self, of: Callable[[PastAir], Floats]) -> dict[bool, Floats]:
        """Results of `of` for the past with and without the cap, once where they are the same."""
        capped = of(self.past[True])
        same = self.past[False] is self.past[True]
        return {True: capped, False: capped if same else of(self.past[False])}

    def _extra(self, i: int) -> float:
        """Excess of the wood's moisture at a wait's start over the room's memory. [-]"""
        past, rh = self.past[True], self.waits[i].wood_rh_pct
        if rh is None or not isinstance(past, RelaxationHistory) or past.memory_s == 0:
            return 0.0
        at = np.array([min(self.waits[i].start_ms, self.now_ms - 1)])
        room = float(past.drive_at(at)[0])
        return 0.0 if np.isnan(room) else rh / 100 - room

    def _air_now(self) -> _Now:
        """Effect of the latest air: from the last bin, if it has a reading."""
        b = self.bins
        if self.air.known[-1] != AirCoverage.AIR or np.isnan(b.temp_c[-1]):
            return _Now(np.nan, Hold.NONE, None, slow=False, outside=False)
        t, rh = b.temp_c, np.minimum(b.rh_pct, 100.0)
        holds = np.where(np.isnan(t), int(Hold.NONE), self.law.hold(t, rh))
        seen, past = float(rh[-1]), self.past[True]
        if isinstance(past, RelaxationHistory) and past.memory_s > 0:
            wood = past.drive_at(b.edges_ms[1:] - 1)  # the glue line sees the wood, not the room
            damp = np.where(holds == Hold.DAMP, int(Hold.DAMP), int(Hold.WOOD_DAMP))
            damp = np.where(wood >= past.law.threshold - AT_THE_LIMIT, damp, int(Hold.NONE))
            holds = np.where(np.isin(holds, [Hold.COLD, Hold.HOT]), holds, damp)
            seen = 100 * float(np.clip(wood[-1], 0.0, 1.0))
        hold, since = Hold(int(holds[-1])), None
        if hold != Hold.NONE:
            same = {Hold.DAMP, Hold.WOOD_DAMP} if hold in (Hold.DAMP, Hold.WOOD_DAMP) else {hold}
            other = np.flatnonzero(~np.isin(holds, list(same)) | (b.air_s + b.gap_s <= 0))
            since = int(b.edges_ms[other[-1] + 1] if len(other) else b.edges_ms[0])
        claim = self.law.valid_low_c <= t[-1] <= self.law.valid_high_c
        rate = float(self.law.relative_rate(float(t[-1]), seen))
        return _Now(rate, hold, since, slow=self.law.slow(seen), outside=not claim)

    def _own_wood_is_damp(self, i: int) -> bool:
        """True if what is left of the wood's own moisture keeps a wait from hardening."""
        past = self.past[True]
        extra = self._extra(i)
        if not extra or not isinstance(past, RelaxationHistory):
            return False
        left = extra * np.exp(min(self.start_s[i], 0.0) / past.memory_s)
        room = past.drive_at(np.array([self.now_ms - 1]))[0]
        return bool(room + left >= past.law.threshold - AT_THE_LIMIT)

    def trace(self, i: int, *, capped: bool) -> tuple[np.ndarray, np.ndarray]:
        """Progress of a wait along the past: times [ms], shares [-]."""
        past, start = self.past[capped], int(self.start_ms[i])
        if isinstance(past, AdditiveHistory):
            ts, count = past.trace(start, 0.5)
            return ts, np.minimum(count / self.basis_s[i], PROGRESS_MOST)
        law = past.law
        kappa = float(span(law.start, law.threshold, law.reference)) / self.basis_s[i]
        ts, y = past.trace(start, kappa, 0.5, self._extra(i))
        return ts, relaxation_model.progress(law, y, law.threshold)

    def _ready_before(self, i: int) -> tuple[int | None, bool]:
        """Since when the air as read has a wait ready, and whether it was and is no more."""
        if not self.begun[i]:
            return None, False
        ts, share = self.trace(i, capped=True)
        done = share >= 1 - 1e-12
        if not done.any():
            return None, False
        if not done[-1]:
            return None, True
        first = int(np.flatnonzero(~done)[-1]) + 1
        past = share[first - 1], share[first]
        part = (1 - past[0]) / (past[1] - past[0])
        return int(ts[first - 1] + part * (ts[first] - ts[first - 1])), False

    def _told(
        self,
        i: int,
        times: Floats,
        shares: Floats,
        progress: QuantileRange,
        rests_on: dict[str, float],
        now: _Now,
    ) -> Readiness:
        w = self.waits[i]
        floor_ms = w.start_ms + round(1000 * (w.floor_s + self.paused_s[i]))
        low, median, high, computed = (
            self.now_ms + round(1000 * t) if np.isfinite(t) else None for t in times.tolist()
        )
        since, softened = self._ready_before(i)
        horizon = self.now_ms if self.outlook is None else self.outlook.end_ms
        hold, hold_since, rate = now.hold, now.hold_since_ms, now.rate
        if hold == Hold.NONE and self._own_wood_is_damp(i):
            hold, hold_since, rate = Hold.WOOD_DAMP, w.start_ms, 0.0
        state = WaitState.WAITING
        blind = self.air.known[-1] == AirCoverage.GAP
        blind &= self.unknown_s[i] * 1000 >= self.now_ms - w.start_ms
        if not self.begun[i]:
            state, hold, hold_since = WaitState.NOT_STARTED, Hold.NONE, None
        elif times[1] <= 0:
            state, softened = WaitState.READY, False
            median = min(max(since or self.now_ms, floor_ms), self.now_ms)
            low = median
            high = median if high is not None and high <= self.now_ms else high
        elif self.air.known[-1] == AirCoverage.PAUSED:
            state = WaitState.PAUSED
            low = median = high = computed = None
        elif self.law.needs_air and self.outlook is None and blind:
            state = WaitState.NO_AIR
        elif hold != Hold.NONE:
            state = WaitState.HOLD
        if hold_since is not None:
            hold_since = max(hold_since, w.start_ms)
        first = self.air.first_ms
        lead = self.now_ms if first is None else first
        before = min(max(lead - w.start_ms, 0) / 1000, float(self.unknown_s[i]))
        return Readiness(
            state=state,
            ready_ms=median,
            ready_low_ms=low,
            ready_high_ms=high,
            computed_ms=computed,
            floor_ms=floor_ms,
            horizon_ms=horizon,
            progress=progress,
            ready_share=float(shares[0]),
            beyond_share=float(shares[1]),
            rate_now=rate,
            hold=hold,
            hold_since_ms=hold_since,
            slow=now.slow and state in (WaitState.WAITING, WaitState.HOLD),
            softened=softened,
            unknown_s=float(self.unknown_s[i]),
            before_log_s=before,
            outside_claim=now.outside,
            rests_on=rests_on,
        )


class _Now(NamedTuple):
    """Effect of the latest air on a law's waits."""

    rate: float
    hold: Hold
    hold_since_ms: int | None
    slow: bool
    outside: bool
