"""Rates that add up: the time counted so far, and the moment at which the usual time is reached."""

from __future__ import annotations

import numpy as np

from monitor.science.ranges import Floats
from monitor.science.waits.air_bins import Bins
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import AirCoverage, AirLog, Times
from monitor.science.waits.laws import AdditiveLaw
from monitor.science.waits.monte_carlo import WaitDraws


class AdditiveHistory:
    """The past air of one place under one law, ready for any number of waits.

    Sums are exact for the air as read. For a draw, the change against that is taken at each bin's
    mean air.
    """

    def __init__(
        self, law: AdditiveLaw, log: AirLog, bins: Bins, draws: WaitDraws, *, capped: bool
    ) -> None:
        exact = law.rate(log.temp_c, log.rh_pct, capped=capped)
        most = getattr(law, "most_rate", np.inf)
        self.as_uncapped = capped and not (exact >= most * getattr(law, "light_factor", 1)).any()
        self.law = law
        self._exact = [log.running(exact, known) for known in (AirCoverage.AIR, AirCoverage.GAP)]
        self.bins = b = bins
        plain = law.rate(b.temp_c, b.rh_pct, capped=capped)
        rh = np.clip(b.rh_pct + draws.rh_pct[:, None], 0.0, 100.0)
        change = law.rate(
            b.temp_c + draws.temp_k[:, None], rh, capped=capped, z=draws.law[:, None]
        )
        change = np.nan_to_num(change - plain)
        self._drawn = [
            np.concatenate(
                [
                    np.zeros((len(change), 1)),
                    np.cumsum(np.diff(r.at(b.edges_ms)) + change * seconds, axis=1),
                ],
                axis=1,
            )
            for r, seconds in zip(self._exact, (b.air_s, b.gap_s), strict=True)
        ]
        self._needs_air = law.needs_air  # else a gap is as good as air

    def counted(self, start_ms: Times, credit: float) -> Floats:
        """Equivalent seconds of reference air from each start to now, per draw. (w, j)"""
        credit = credit if self._needs_air else 1.0
        edges = self.bins.edges_ms
        m = np.clip(np.searchsorted(edges, start_ms, side="right") - 1, 0, len(edges) - 2)
        part = (start_ms - edges[m]) / (edges[m + 1] - edges[m])
        drawn = self._drawn[0] + credit * self._drawn[1]
        before = drawn[:, m] + part * (drawn[:, m + 1] - drawn[:, m])
        exact = self.exact(edges[m], credit) + part * (
            self.exact(edges[m + 1], credit) - self.exact(edges[m], credit)
        )  # straight across the bin, as `before` is; what the air really did there is exact
        mended = self.exact(start_ms, credit) - exact
        return np.asarray((drawn[:, -1:] - before - mended).T)

    def exact(self, ts_ms: Times, credit: float) -> Floats:
        """Running count of the air as read, at any moments. [s]"""
        credit = credit if self._needs_air else 1.0
        return np.asarray(self._exact[0].at(ts_ms) + credit * self._exact[1].at(ts_ms))

    def trace(self, start_ms: int, credit: float) -> tuple[Times, Floats]:
        """Equivalent seconds at the start and at every edge after it, sensor at its word."""
        edges = self.bins.edges_ms
        ts = np.concatenate([[start_ms], edges[edges > start_ms]])
        count = self.exact(ts, credit)
        return ts, count - count[0]


def first_reached(
    law: AdditiveLaw,
    outlook: AirEnsemble | None,
    now_ms: int,
    need_s: Floats,
    start_s: Floats,
    draws: WaitDraws,
    *,
    capped: bool,
) -> Floats:
    """Time at which each draw of each wait has counted `need_s` more, from now. (w, j) [s]

    0 where nothing is left, infinite where not within the outlook. `start_s` is the seconds
    from now to the start, not above 0 if it has begun.
    """
    begin = np.maximum(start_s, 0.0)
    if not law.needs_air:
        return np.where(need_s <= 0, 0.0, begin[:, None] + need_s)
    if outlook is None:
        return np.where(need_s <= 0, 0.0, np.inf)
    first, edges = outlook.edges_s(now_ms)
    member = np.arange(len(draws.basis)) % outlook.temp_c.shape[0]
    t = outlook.temp_c[member, first:] + draws.temp_k[:, None]
    rh = np.clip(outlook.rh_pct[member, first:] + draws.rh_pct[:, None], 0.0, 100.0)
    rate = law.rate(t, rh, capped=capped, z=draws.law[:, None])
    steps = np.cumsum(rate * np.diff(edges), axis=1)
    result = np.empty(need_s.shape)
    for j in range(len(draws.basis)):
        count = np.concatenate([[0.0], steps[j]])
        aim = need_s[:, j] + np.interp(begin, edges, count)
        i = np.searchsorted(count, aim, side="left")
        inside = np.minimum(np.maximum(i, 1), len(count) - 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            when = edges[inside - 1] + (aim - count[inside - 1]) / rate[j, inside - 1]
        result[:, j] = np.where(i >= len(count), np.inf, np.clip(when, 0.0, edges[inside]))
    result[need_s <= 0] = 0.0
    result[start_s > edges[-1]] = np.inf
    return result
