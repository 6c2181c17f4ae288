"""Correction fitted to the points of a calibration, and the uncertainty of a corrected value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.core.errors import MonitorError
from monitor.science.ranges import Floats

SLOPE_LOW, SLOPE_HIGH = 0.8, 1.25
"""Slopes outside are no correction but a broken sensor. [-]"""
SLOPE_SD = 0.02
"""Standard uncertainty of the slope where only an offset was fitted. [-]  Ours."""
AGREE_SD = 3.0
"""Points further from the line than so many standard uncertainties do not belong on it. [-]"""


class FitBounds(NamedTuple):
    """Limits that a fit must keep, in the quantity's unit.

    `span`: least span of the readings for a slope; `off`: most that the sensor may be off at any
    point; `stray`: deviation from the line that is always allowed; `repeat`: repeatability with
    hysteresis, a standard uncertainty; `drift_a_year`: drift in a year (k = 2).
    """

    span: float
    off: float
    stray: float
    repeat: float
    drift_a_year: float


HUMIDITY = FitBounds(20.0, 15.0, 1.0, 0.3, 0.5)
"""[% RH]  Span, offset and slope limits, repeatability: common practice, no source. Drift: common
practice, no source (the sheets of ordinary capacitive sensors)."""
TEMPERATURE = FitBounds(10.0, 3.0, 0.3, 0.1, 0.05)
"""[K]  Common practice, no source."""


class BadFit(MonitorError, ValueError):
    """Points of which no correction can be made, and why."""


class Point(NamedTuple):
    """A sensor's reading against its reference, and the standard uncertainty of each."""

    name: str
    reading: float
    reference: float
    u_reading: float
    u_reference: float


@dataclass(frozen=True)
class CalibrationFit:
    """Calibration line, truth = `offset` + `slope` · reading, with the covariance of both.

    `low` and `high` are the readings it was fitted between. `misfit` is √(χ²/ν), 0 without degrees
    of freedom. In the unit of the quantity.
    """

    slope: float
    offset: float
    var_slope: float
    var_offset: float
    covariance: float
    u_reading: float
    low: float
    high: float
    misfit: float

    def corrected(self, reading: ArrayLike) -> Floats:
        """Corrected value of a reading."""
        value: Floats = self.offset + self.slope * np.asarray(reading, dtype=np.float64)
        return value

    def uncertainty(self, reading: ArrayLike) -> Floats:
        """Expanded uncertainty (k = 2) of a corrected reading, on the day of the calibration.

        u² = var(a) + x² var(b) + 2 x cov(a, b) + (b u_x)² (JCGM 100:2008, H.3; from memory).
        """
        x = np.asarray(reading, dtype=np.float64)
        line = self.var_offset + x * x * self.var_slope + 2 * x * self.covariance
        u: Floats = 2 * np.sqrt(np.maximum(line, 0.0) + (self.slope * self.u_reading) ** 2)
        return u

    def to_mapping(self) -> dict[str, Any]:
        return asdict(self)


def fitted(
    points: Sequence[Point], bounds: FitBounds, *, line: bool | None = None
) -> CalibrationFit:
    """Correction fitted to the points by weighted least squares.

    Parameters
    ----------
    points : sequence of Point
        At least one; at least two, far enough apart, for a slope.
    bounds : Bounds
    line : bool, optional
        Fit a slope as well as an offset; left out: where the points lie far enough apart.

    Raises
    ------
    BadFit
        With the reason, and what to do.

    Notes
    -----
    Weights 1/(u_R² + b² u_x²), b from the step before (effective variance); covariance
    (XᵀWX)⁻¹, widened by χ²/ν where the points scatter more than they should.
    """
    if not points:
        raise BadFit("there is no point yet: take one first")
    x = np.array([point.reading for point in points])
    r = np.array([point.reference for point in points])
    span = float(x.max() - x.min())
    if line is None:
        line = len(points) > 1 and span >= bounds.span
    if line and (len(points) < 2 or span < bounds.span):
        raise BadFit(
            f"the readings span {span:.1f}: a slope needs two points at least {bounds.span:g} "
            "apart; take another, or fit the offset alone"
        )
    off = r - x
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > bounds.off:
        raise BadFit(
            f"it is off by {off[worst]:+.1f} at {points[worst].name}: more than {bounds.off:g} is "
            "no matter of correcting; look at salt and seal, then replace the sensor"
        )
    slope = 1.0
    for _ in range(20 if line else 1):
        variance = np.array([p.u_reference**2 + (slope * p.u_reading) ** 2 for p in points])
        offset, new, cov = _weighted(x, r, variance) if line else _shift(x, r, variance)
        done, slope = abs(new - slope) < 1e-12, new
        if done:
            break
    if not SLOPE_LOW <= slope <= SLOPE_HIGH:
        raise BadFit(
            f"its slope would be {slope:.2f}: outside {SLOPE_LOW:g} to {SLOPE_HIGH:g} it is "
            "no matter of correcting; look at the points, then replace the sensor"
        )
    rest = r - offset - slope * x
    allowed = np.maximum(AGREE_SD * np.sqrt(variance), bounds.stray)
    far = int(np.argmax(np.abs(rest) / allowed))
    if abs(rest[far]) > allowed[far]:
        raise BadFit(
            f"{points[far].name} lies {rest[far]:+.1f} off the others: at most "
            f"{allowed[far]:.1f} is chance; take that point again"
            + ("" if line else ", or fit slope and offset")
        )
    freedom = len(points) - (2 if line else 1)
    chi2 = float((rest**2 / variance).sum()) / freedom if freedom > 0 else 0.0
    cov = cov * max(1.0, chi2)
    if not line:  # what the slope does away from the point is not known
        middle, own = float(np.average(x, weights=1 / variance)), SLOPE_SD**2
        cov = np.array([[cov[0, 0] + middle**2 * own, -middle * own], [-middle * own, own]])
    u_reading = max(point.u_reading for point in points)
    return CalibrationFit(
        float(slope),
        float(offset),
        float(cov[1, 1]),
        float(cov[0, 0]),
        float(cov[0, 1]),
        u_reading,
        float(x.min()),
        float(x.max()),
        float(np.sqrt(chi2)),
    )


def _weighted(x: Floats, r: Floats, variance: Floats) -> tuple[float, float, Floats]:
    """Offset, slope and their covariance, about the weighted middle so that nothing cancels."""
    w = 1 / variance
    middle = (w * x).sum() / w.sum()
    apart = x - middle
    s_xx = (w * apart * apart).sum()
    slope = (w * apart * r).sum() / s_xx
    level = (w * r).sum() / w.sum()
    var_b, var_level = 1 / s_xx, 1 / w.sum()
    cov = np.array([[var_level + middle**2 * var_b, -middle * var_b], [-middle * var_b, var_b]])
    return float(level - slope * middle), float(slope), cov


def _shift(x: Floats, r: Floats, variance: Floats) -> tuple[float, float, Floats]:
    w = 1 / variance
    return float((w * (r - x)).sum() / w.sum()), 1.0, np.array([[1 / w.sum(), 0.0], [0.0, 0.0]])
