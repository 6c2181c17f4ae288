"""Ensemble of possible future air in equal steps, and changes to it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked


@dataclass(frozen=True, eq=False)
class AirEnsemble:
    """Members × steps of constant air from `start_ms` on.

    Parameters
    ----------
    start_ms : int
        Begin of the first step, at or before now. [ms since 1970-01-01 UTC]
    step_s : float
        Length of a step, above 0. [s]
    temp_c, rh_pct : ndarray of shape (members, steps)
        −40 to 60 [°C], 0 to 100 [%]. No NaN.
    """

    start_ms: int
    step_s: float
    temp_c: Floats
    rh_pct: Floats

    def __post_init__(self) -> None:
        checked("step_s", self.step_s, "s", 0, low_open=True)
        for name, unit, low, high in (("temp_c", "°C", -40, 60), ("rh_pct", "%", 0, 100)):
            values = getattr(self, name)
            checked(name, values, unit, low, high)
            if np.isnan(values).any():
                raise OutOfRange(name, np.nan, unit, low, high)
        if self.temp_c.ndim != 2 or self.temp_c.shape != self.rh_pct.shape:
            raise OutOfRange("temp_c axes", self.temp_c.ndim, "", 2, 2)
        if not self.temp_c.size:
            raise OutOfRange("temp_c size", 0, "", 1, None)

    @property
    def end_ms(self) -> int:
        """Horizon: end of the last step."""
        return self.start_ms + round(1000 * self.step_s * self.temp_c.shape[1])

    def edges_s(self, now_ms: int) -> tuple[int, Floats]:
        """First step that is not over, and the edges of the steps from it on, relative to now.

        Raises
        ------
        OutOfRange
            If now is not inside.
        """
        if not self.start_ms <= now_ms < self.end_ms:
            raise OutOfRange("now_ms", now_ms, "ms", self.start_ms, self.end_ms - 1)
        edges = float(self.step_s) * np.arange(self.temp_c.shape[1] + 1)
        edges += (self.start_ms - now_ms) / 1000
        first = max(int(np.searchsorted(edges, 0.0, side="right")) - 1, 0)
        edges = edges[first:]
        edges[0] = 0.0
        return first, edges

    def finer(self, most_s: float) -> AirEnsemble:
        """The same air in steps of at most so long."""
        parts = int(np.ceil(self.step_s / most_s))
        if parts <= 1:
            return self
        return replace(
            self,
            step_s=self.step_s / parts,
            temp_c=np.repeat(self.temp_c, parts, axis=1),
            rh_pct=np.repeat(self.rh_pct, parts, axis=1),
        )

    def followed_by(self, far: AirEnsemble) -> AirEnsemble:
        """The same air, and after its end that of another with steps of the same length.

        Member i is followed by member i of the other, modulo their number.
        """
        first = -((far.start_ms - self.end_ms) // round(1000 * self.step_s))
        rows = np.arange(len(self.temp_c)) % len(far.temp_c)
        return replace(
            self,
            temp_c=np.hstack([self.temp_c, far.temp_c[rows, first:]]),
            rh_pct=np.hstack([self.rh_pct, far.rh_pct[rows, first:]]),
        )

    def shifted(self, temp_k: float = 0.0, rh_pct: float = 0.0) -> AirEnsemble:
        """The same air, warmer or more humid.

        Parameters
        ----------
        temp_k : float
            Warmer by. [K]
        rh_pct : float
            More humid by; negative is drier. [percentage points]

        Returns
        -------
        AirEnsemble
            RH kept within 1 to 100.

        Raises
        ------
        OutOfRange
            If a temperature leaves −40 to 60 °C.
        """
        rh = np.clip(self.rh_pct + rh_pct, 1.0, 100.0)
        return replace(self, temp_c=self.temp_c + temp_k, rh_pct=rh)
