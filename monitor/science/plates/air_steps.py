"""The air as the wood feels it: what it would settle at, how fast it follows, and what is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.plates.diffusion import speed
from monitor.science.ranges import Floats
from monitor.science.waits.air_log import AirCoverage, AirLog, Times
from monitor.science.wood import TEMP_C, equilibrium_moisture_content

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
COARSE_STEPS = ((2 * DAY_MS, 600_000), (15 * DAY_MS, HOUR_MS), (None, DAY_MS))
"""For draws, the air of the last two days in 10 minutes, of the last fifteen in hours, and in days
before: wood forgets. [ms]  Ours."""


@dataclass(frozen=True)
class HomeAir:
    """The air an instrument comes from and goes back to. Without RH it is not known.

    Then its moisture is taken as that of wood indoors, `INDOOR_PCT`. [°C], [%]
    """

    temp_c: float = 20.0
    rh_pct: float | None = None

    def home_moisture_pct(self) -> float:
        """Moisture that wood keeps there. [%]

        Raises
        ------
        OutOfRange
            If the air is outside that of `equilibrium_moisture_content`.

        >>> round(HomeAir(20.0, 50.0).home_moisture_pct(), 2), HomeAir().home_moisture_pct()
        (9.27, 8.0)
        """
        if self.rh_pct is None:
            return INDOOR_PCT[1]
        return float(equilibrium_moisture_content(self.temp_c, self.rh_pct))


INDOOR_PCT = (6.0, 8.0, 11.0)
"""Moisture of wood indoors: dry, average and damp region. [%]
Source: Wood Handbook, FPL-GTR-190, 2010, ch. 13 (USA). Second-hand."""


class Opened(NamedTuple):
    """The instrument was open (top off) from one moment to another; None: it still is.

    [ms since 1970-01-01 UTC]
    """

    from_ms: int
    until_ms: int | None = None


class OpenSpell(NamedTuple):
    """A stretch of the log in which the instrument was open throughout, or closed."""

    opened: bool
    air: AirLog


class PlateDrive(NamedTuple):
    """Steps of constant air, each of shape (n,): end [ms], length times `speed` [s], equilibrium
    moisture content [%], mean air [°C], [%], and the share of the step without a reading. [-]"""

    end_ms: Times
    tau_s: Floats
    air_pct: Floats
    temp_c: Floats
    rh_pct: Floats
    gap: Floats


def spells(air: AirLog, arrived_ms: int, opened: Sequence[Opened]) -> list[OpenSpell]:
    """The log since arrival, cut where the instrument was opened or closed, its holes filled.

    Where no air is known, the last known air stands, or the first one to come.

    Raises
    ------
    OutOfRange
        If arrival is not inside the log, no air at all is known, or `opened` does not rise.
    """
    log = _filled(air.cut(arrived_ms, air.until_ms))
    edges = [arrived_ms]
    for each in opened:
        until = log.until_ms if each.until_ms is None else each.until_ms
        if until <= each.from_ms:
            raise OutOfRange("until_ms", until, "ms", each.from_ms, None, low_open=True)
        if len(edges) > 1 and each.from_ms < edges[-1]:
            raise OutOfRange("from_ms", each.from_ms, "ms", edges[-1], None)
        edges += [each.from_ms, until]
    edges = [*np.clip(edges, arrived_ms, log.until_ms).tolist(), log.until_ms]
    return [
        OpenSpell(i % 2 == 1, log.cut(begin, end))
        for i, (begin, end) in enumerate(pairwise(edges))
        if begin < end
    ]


def _filled(log: AirLog) -> AirLog:
    known = np.flatnonzero(np.isfinite(log.temp_c) & np.isfinite(log.rh_pct))
    if not known.size:
        raise OutOfRange("spans of known air", 0, "", 1, None)
    nearest = known[np.maximum(np.searchsorted(known, np.arange(len(log.temp_c)), "right") - 1, 0)]
    return replace(log, temp_c=log.temp_c[nearest], rh_pct=log.rh_pct[nearest])


def air_steps(log: AirLog) -> PlateDrive:
    """Every span of a spell as a step. Air below −20 °C counts as that for the balance."""
    air = equilibrium_moisture_content(np.maximum(log.temp_c, TEMP_C[0]), log.rh_pct)
    gap = (log.known != AirCoverage.AIR).astype(np.float64)
    return PlateDrive(
        log.end_ms, log.seconds * speed(log.temp_c), air, log.temp_c, log.rh_pct, gap
    )


def coarse_steps(log: AirLog, now_ms: int) -> PlateDrive:
    """A spell in fewer steps, `COARSE_STEPS`, each the exact mean of its air as the wood weighs it."""
    edges = [np.array([log.begin_ms[0], log.until_ms])]
    end = now_ms
    for back, width in COARSE_STEPS:
        begin = int(log.begin_ms[0]) if back is None else now_ms - back
        edges.append(np.arange(begin // width * width, end, width))
        end = begin
    inside = np.concatenate(edges)
    at = np.unique(inside[(inside >= log.begin_ms[0]) & (inside <= log.until_ms)])
    every = air_steps(log)

    def sums(value: Floats) -> Floats:
        return np.asarray(sum(np.diff(log.running(value, known).at(at)) for known in AirCoverage))

    fast = every.tau_s / log.seconds
    seconds, tau = np.diff(at) / 1000, sums(fast)
    mean = [sums(v) / seconds for v in (every.temp_c, every.rh_pct, every.gap)]
    return PlateDrive(at[1:], tau, sums(fast * every.air_pct) / tau, *mean)
