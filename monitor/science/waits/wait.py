"""Inputs and results of a wait's calculation."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import checked
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import BEFORE_MS, AirLog
from monitor.science.waits.laws import Law
from monitor.science.waits.monte_carlo import ORDINARY_SENSOR, SensorUncertainty
from monitor.science.waits.parameters import Hold

BASIS_S = (60.0, 400 * 86_400.0)
"""Shortest and longest basis. [s]  Ours."""


class WaitState(StrEnum):
    """States of a wait."""

    NOT_STARTED = "not started"
    WAITING = "waiting"
    HOLD = "on hold"
    READY = "ready"
    PAUSED = "paused"
    NO_AIR = "no air"
    """No reading since the start and none expected: nothing can be said."""


@dataclass(frozen=True, eq=False, kw_only=True)
class WaitInputs:
    """Inputs of a ready time. Waits of one place share their `air` and `outlook`.

    Parameters
    ----------
    law : Law
    basis_s : float
        The wait in reference air, 60 s to 400 days. [s]
    start_ms : int
        May lie in the future, or up to 400 days before the log's first reading. [ms]
    air : AirLog
        Up to now.
    outlook : AirEnsemble or None
        None: nothing is known of it, so nothing is promised.
    spread : float
        Standard deviation of ln(basis). [-]
    never_shorter : bool
        Whether the advised wait is at least the basis, however good the air.
    minimum_s : float
        The advised wait is at least this in any case. [s]
    wood_rh_pct : float, optional
        RH that the wood was in balance with at the start, if not this room's; used by a law with
        wood memory only. [%]
    sensor : SensorError
    """

    law: Law
    basis_s: float
    start_ms: int
    air: AirLog
    outlook: AirEnsemble | None
    spread: float = 0.15
    never_shorter: bool = True
    minimum_s: float = 0.0
    wood_rh_pct: float | None = None
    sensor: SensorUncertainty = ORDINARY_SENSOR

    def __post_init__(self) -> None:
        checked("basis_s", self.basis_s, "s", *BASIS_S)
        checked("spread", self.spread, "", 0, 1)
        checked("minimum_s", self.minimum_s, "s", 0, BASIS_S[1])
        if self.wood_rh_pct is not None:
            checked("wood_rh_pct", self.wood_rh_pct, "%", 0, 100)
        low = int(self.air.begin_ms[0])
        checked("start_ms", self.start_ms, "ms", low, self.air.until_ms + BEFORE_MS)

    @property
    def in_reference_air_s(self) -> float:
        """The wait in reference air, for this piece. [s]"""
        return self.basis_s * self.law.basis_factor

    @property
    def floor_s(self) -> float:
        """Least advised wait, without pauses. [s]"""
        return max(self.minimum_s, self.in_reference_air_s if self.never_shorter else 0.0)


class Readiness(NamedTuple):
    """State of a wait and its ready time.

    Times are ms since 1970-01-01 UTC; None is "not within the horizon".
    """

    state: WaitState
    ready_ms: int | None
    """Advised: the median, or since when if it is ready."""
    ready_low_ms: int | None
    """10 %: hardly before this. Now, if it may be ready already."""
    ready_high_ms: int | None
    """90 %: almost surely by this."""
    computed_ms: int | None
    """The median before `never_shorter` and the safe minimum; None also if nothing is known."""
    floor_ms: int
    """The advice is never before this."""
    horizon_ms: int
    """End of what is known of the outlook."""
    progress: QuantileRange
    """Share of the basis, from the air as it was, neither capped nor held back. [-]"""
    ready_share: float
    """Share of draws that are ready now. [-]"""
    beyond_share: float
    """Share of draws not ready within the horizon: it may never be. [-]"""
    rate_now: float
    """The latest air relative to reference air, not capped; 0 on hold, NaN if unknown. [-]"""
    hold: Hold
    hold_since_ms: int | None
    slow: bool
    """The air is so near the hold that the sensor's error decides: no promise."""
    softened: bool
    """It was ready, and damp air has undone it."""
    unknown_s: float
    """Seconds since the start without a reading. They count zero at the least."""
    before_log_s: float
    """That part of them which lies before the first reading."""
    outside_claim: bool
    """The latest air is outside the range that the law is meant for."""
    rests_on: dict[str, float]
    """Shares of the variance: "basis", "law", "sensor", "outlook". [-]  Empty if there is no range.
    What gaps add is not among them: see `unknown_s`."""
