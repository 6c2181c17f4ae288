"""Salts, coming to rest, and the fit, against tables and other people's least squares."""

from __future__ import annotations

import csv
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize

from monitor.core.errors import OutOfRange
from monitor.science.calibration.fit import (
    HUMIDITY,
    TEMPERATURE,
    BadFit,
    CalibrationFit,
    Point,
    fitted,
)
from monitor.science.calibration.salts import SALTS, fixed_point, reference_point
from monitor.science.calibration.settling import SettlingStage, settling

# Source: Greenspan 1977 and two other tables; see data/SOURCES.md for how each was read.
with (files("data") / "published" / "salt_fixed_points.csv").open(encoding="utf-8") as f:
    TABLE = list(csv.DictReader(f))


@pytest.mark.parametrize("row", TABLE, ids=lambda r: f"{r['salt']}-{r['T_C']}")
def test_every_row_of_the_table_is_met(row):
    """Rung: published value."""
    rh, u = fixed_point(row["salt"], float(row["T_C"]))
    # Tolerance: the table's last figure; it was cut, not rounded.
    assert rh == pytest.approx(float(row["RH_greenspan_table_pct"]), abs=0.012)
    assert u == pytest.approx(float(row["U_greenspan_pct"]), abs=1e-9)
    if row["RH_padfield_pct"]:
        # A second published table, to 0.1; NaCl at 20 °C is its misprint of 75.5.
        off = 0.25 if (row["salt"], row["T_C"]) == ("NaCl", "20") else 0.06
        assert rh == pytest.approx(float(row["RH_padfield_pct"]), abs=off)


def test_a_salt_is_not_asked_beyond_its_range_and_nan_passes():
    """Rung: property."""
    with pytest.raises(OutOfRange, match="0 to 30"):
        fixed_point("K2CO3", 31.0)
    assert np.isnan(fixed_point("NaCl", [20.0, np.nan])[0][1])
    assert list(SALTS) == sorted(SALTS, key=lambda s: float(fixed_point(s, 20.0)[0]))


def test_the_box_adds_what_salt_and_sensor_are_apart():
    """Rung: independent derivation."""
    # Numerical: 0.1 K at 75 % RH is 0.46 % (RH·γ of about 0.062 per K at 20 °C, Magnus).
    _, u = reference_point("NaCl", 20.0, 0.0)
    assert u == pytest.approx(np.hypot(0.07, 75.48 * 0.0619 * 0.1), abs=0.01)


def minutes(n, step=60_000):
    return step * np.arange(n)


def test_a_reading_that_creeps_to_its_end_is_taken_only_when_it_has():
    """Rung: property."""
    ts = minutes(600)
    rh = 75.0 + 25.0 * np.exp(-ts / 3_000_000)  # 50 minutes
    t = np.full(600, 20.0)
    rests = [
        settling(ts[: n + 1], t[: n + 1], rh[: n + 1], 0, int(ts[n])).rest for n in range(600)
    ]
    first = rests.index(SettlingStage.STEADY)
    assert rests[59] is SettlingStage.WAITING
    assert SettlingStage.MOVING in rests[60:first]
    assert set(rests[first:]) == {SettlingStage.STEADY}
    taken = settling(ts[: first + 1], t[: first + 1], rh[: first + 1], 0, int(ts[first]))
    # What is left of the way is within the point's uncertainty (k = 2): repeatability and drift.
    assert taken.rh_pct - 75.0 < 2 * np.hypot(HUMIDITY.repeat, taken.rh_drift_pct)


@pytest.mark.parametrize("tau_h", [0.2, 0.5, 1.0, 2.0, 3.0, 5.0])
@pytest.mark.parametrize("start_pct", [20.0, 50.0, 65.0])
@pytest.mark.parametrize("noise_pct", [0.0, 0.1])
def test_a_slow_jar_is_not_taken_before_its_end(tau_h, start_pct, noise_pct):
    """Rung: property. Made jars: exponentials towards 75.3 %, read each minute, with noise."""
    end_pct, rng = 75.3, np.random.default_rng(3)
    ts = 60_000 * np.arange(60 * 72)
    course = end_pct - (end_pct - start_pct) * np.exp(-ts / (3_600_000 * tau_h))
    rh = np.round(course + rng.normal(0, noise_pct, len(ts)), 2)
    t = np.full(len(ts), 20.0)
    looks = range(60, len(ts), 30)
    taken = next(
        i
        for i in looks
        if settling(ts[: i + 1], t[: i + 1], rh[: i + 1], 0, int(ts[i])).rest
        is SettlingStage.STEADY
    )
    found = settling(ts[: taken + 1], t[: taken + 1], rh[: taken + 1], 0, int(ts[taken]))
    assert abs(found.rh_pct - end_pct) < 0.5
    assert ts[taken] / 3_600_000 < max(9 * tau_h, 3)  # and it does come


def test_scatter_heat_and_silence_are_no_rest():
    """Rung: property."""
    ts, rng = minutes(120), np.random.default_rng(3)
    t, rh = np.full(120, 20.0), np.full(120, 75.0)
    now = int(ts[-1])
    assert settling(ts, t, rh + rng.normal(0, 1.0, 120), 0, now).rest is not SettlingStage.STEADY
    assert settling(ts, t + ts / 3_600_000, rh, 0, now).rest is SettlingStage.MOVING
    assert settling(ts[:60], t[:60], rh[:60], 0, now).rest is SettlingStage.WAITING
    assert settling([], [], [], 0, now).readings == 0
    assert settling(ts, t, rh, now - 600_000, now).rest is SettlingStage.WAITING


def test_a_worked_example_comes_out():
    """Rung: independent derivation."""
    # Independent: the two-point formula λ, g worked out beside it (reference/air.md, 4.3), with
    # u_x = 0.3 and half of Greenspan's expanded uncertainties.
    points = [Point("MgCl2", 36.2, 33.07, 0.3, 0.09), Point("NaCl", 77.1, 75.47, 0.3, 0.07)]
    fit = fitted(points, HUMIDITY)
    assert (fit.slope, fit.offset) == pytest.approx((1.03667, -4.4576), abs=1e-4)
    assert fit.corrected([50.0, 61.3]) == pytest.approx([47.38, 59.09], abs=0.005)
    expected = [0.90, 0.79, 0.89, 1.05, 0.99]
    assert fit.uncertainty([36.2, 50, 77.1, 25, 85]) == pytest.approx(expected, abs=0.006)


def many(rng, slope=1.04, offset=-3.0):
    x = np.array([14.0, 36.0, 45.0, 56.0, 75.0, 84.0]) + rng.normal(0, 1, 6)
    u_x, u_r = rng.uniform(0.2, 0.4, 6), rng.uniform(0.1, 0.6, 6)
    r = offset + slope * x + rng.normal(0, 1, 6) * np.hypot(u_r, slope * u_x)
    return [Point(f"p{i}", *v) for i, v in enumerate(zip(x, r, u_x, u_r, strict=True))]


@pytest.mark.parametrize("seed", range(20))
def test_the_fit_and_its_covariance_agree_with_numpy_and_scipy(seed):
    """Rung: independent library."""
    points = many(np.random.default_rng(seed))
    fit = fitted(points, HUMIDITY)
    x, r, u_x, u_r = np.array([p[1:] for p in points]).T
    w = 1 / np.hypot(u_r, fit.slope * u_x)
    (slope, offset), cov = np.polyfit(x, r, 1, w=w, cov="unscaled")
    wider = max(1.0, fit.misfit) ** 2
    assert (fit.slope, fit.offset) == pytest.approx((slope, offset), rel=1e-7)
    ours = [[fit.var_slope, fit.covariance], [fit.covariance, fit.var_offset]]
    assert np.array(ours) == pytest.approx(cov * wider, rel=1e-6)

    # The likelihood with errors in both, minimised by scipy: another method. Tolerance: a fifth of
    # u; ours holds the weights still at each step.
    def chi2(line):
        return (((r - line[0] - line[1] * x) ** 2) / (u_r**2 + (line[1] * u_x) ** 2)).sum()

    best = minimize(chi2, [offset, slope], method="Nelder-Mead", options={"xatol": 1e-9}).x
    assert fit.offset == pytest.approx(best[0], abs=0.2 * fit.var_offset**0.5)
    assert fit.slope == pytest.approx(best[1], abs=0.2 * fit.var_slope**0.5)


def test_the_truth_lies_within_the_stated_uncertainty_as_often_as_it_should():
    """Rung: property."""
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(2_000):
        x0, x1 = 33.0 + rng.normal(0, 0.3), 75.0 + rng.normal(0, 0.3)
        points = [
            Point("a", x0, 33.0 + rng.normal(0, 0.2), 0.3, 0.2),
            Point("b", x1, 75.0 + rng.normal(0, 0.3), 0.3, 0.3),
        ]
        fit, read = fitted(points, HUMIDITY), 50.0 + rng.normal(0, 0.3)
        inside += abs(float(fit.corrected(read)) - 50.0) <= float(fit.uncertainty(read))
    assert 0.94 < inside / 2_000 < 0.97  # k = 2: 95.4 %


P = Point("NaCl", 74.0, 75.5, 0.3, 0.3)


@pytest.mark.parametrize(
    ("points", "line", "why"),
    [
        ([], None, "no point yet"),
        ([P], True, "two points"),
        ([P, Point("x", 60.0, 61.0, 0.3, 0.3)], True, "at least 20"),
        ([Point("NaCl", 50.0, 75.5, 0.3, 0.3)], None, "off by"),
        ([Point("a", 20.0, 33.0, 0.3, 0.3), P], None, "outside 0.8"),
        ([Point("a", 33.0, 33.0, 0.3, 0.3), Point("b", 54.0, 60.0, 0.3, 0.3), P], None, "again"),
        ([Point("a", 33.0, 30.0, 0.3, 0.3), P], False, "or fit slope"),
    ],
)
def test_bad_points_make_no_correction(points, line, why):
    """Rung: property."""
    with pytest.raises(BadFit, match=why):
        fitted(points, HUMIDITY, line=line)


def test_an_offset_is_worth_less_away_from_its_point():
    """Rung: property."""
    fit = fitted([P], HUMIDITY)
    assert fit.slope == 1.0
    at, away = (float(fit.uncertainty(x)) for x in (74.0, 34.0))
    assert at == pytest.approx(2 * np.sqrt(0.3**2 + 0.3**2 + 0.3**2))
    assert away == pytest.approx(np.hypot(at, 2 * 40 * 0.02))


@given(st.floats(-2, 2), st.floats(0.05, 0.3))
def test_a_thermometer_beside_a_better_one_takes_on_its_offset(off, u):
    """Rung: property."""
    fit = fitted([Point("r", 20.0, 20.0 + off, 0.1, u)], TEMPERATURE)
    assert float(fit.corrected(20.0)) == pytest.approx(20.0 + off)
    assert CalibrationFit(**fit.to_mapping()) == fit
