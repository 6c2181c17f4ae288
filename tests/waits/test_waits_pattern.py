"""The outlook from recent days: it begins at the present, and its range holds what comes."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.core.clock import to_ms
from monitor.core.errors import OutOfRange
from monitor.core.measurements import Quantity
from monitor.science.waits.daily_pattern import daily_pattern_ensemble, persistent_ensemble
from sensors.demo.shop import CORNER, DemoShop

DAY_MS = 86_400_000
NOW = to_ms(datetime(2025, 3, 20, 11, 40, tzinfo=UTC))
SEED = 3
HORIZONS_H = (1, 3, 6, 12, 24, 48, 72)


def shaped(days=20, step_s=300):
    ts = np.arange(NOW - days * DAY_MS, NOW, 1000 * step_s)
    random = np.random.default_rng(SEED)
    day = np.sin(2 * np.pi * ts / DAY_MS)
    spell = np.interp(ts, ts[:: 86_400 // step_s], random.normal(0, 1, days))
    return ts, 19 + 2 * day + 0.5 * spell, 50 - 6 * day + 5 * spell


def test_the_ensemble_begins_at_the_present_and_looks_as_far_as_asked():
    """Rung: property."""
    ts, t, rh = shaped()
    t[-1], rh[-1] = 23.0, 66.0  # a lamp just went on
    outlook = daily_pattern_ensemble(ts, t, rh, NOW, 100 * 3600, 60, SEED)
    assert outlook.start_ms == NOW
    assert outlook.temp_c.shape == (60, 200)
    assert np.abs(outlook.temp_c[:, 0] - 23).max() < 1.5
    assert np.abs(outlook.rh_pct[:, 0] - 66).max() < 6
    assert outlook.rh_pct.min() >= 1
    assert outlook.rh_pct.max() <= 100


def test_the_daily_curve_is_kept():
    """Rung: property."""
    ts, t, rh = shaped()
    outlook = daily_pattern_ensemble(ts, t, rh, NOW, 48 * 3600, 200, SEED)
    at = NOW + 1_800_000 * (np.arange(96) + 0.5)
    day = np.sin(2 * np.pi * at / DAY_MS)
    assert np.corrcoef(np.median(outlook.temp_c, axis=0), day)[0, 1] > 0.95
    assert np.corrcoef(np.median(outlook.rh_pct, axis=0), -day)[0, 1] > 0.9


def test_the_same_seed_gives_the_same_air_and_a_gap_in_the_log_is_borne():
    """Rung: property."""
    ts, t, rh = shaped()
    keep = (ts < NOW - 9 * DAY_MS) | (ts > NOW - 7 * DAY_MS)
    rh = np.where(np.arange(ts.size) % 97 == 0, np.nan, rh)
    a, b = (
        daily_pattern_ensemble(ts[keep], t[keep], rh[keep], NOW, 86_400, 20, SEED)
        for _ in range(2)
    )
    assert np.array_equal(a.temp_c, b.temp_c)
    assert np.array_equal(a.rh_pct, b.rh_pct)
    c = daily_pattern_ensemble(ts[keep], t[keep], rh[keep], NOW, 86_400, 20, SEED + 1)
    assert not np.array_equal(a.temp_c, c.temp_c)


def test_warm_days_and_dry_days_stay_together():
    """Rung: property."""
    ts, t, rh = shaped()
    outlook = daily_pattern_ensemble(ts, t, rh, NOW, 72 * 3600, 200, SEED)
    t_off = outlook.temp_c - np.median(outlook.temp_c, axis=0)
    rh_off = outlook.rh_pct - np.median(outlook.rh_pct, axis=0)
    assert np.corrcoef(t_off[:, 100], rh_off[:, 100])[0, 1] > 0.7  # here: warm spells are damp


@pytest.mark.slow
def test_scored_on_a_year_it_was_not_tuned_on():
    """Rung: regression. Targets of ours, on the demo's simulator, not on measured air.

    Seed and place other than those its constants were chosen on; 120 moments of a year.

    Ours: what it must reach. Coverage of the 10 to 90 % range near 80 % at every horizon, and the
    median error below persistence's wherever a daily curve or a return to the mean can help:
    temperature from 3 to 12 h, RH beyond a day. At 1 h persistence of the last reading is as good.
    """
    start = to_ms(datetime(2025, 1, 1, tzinfo=UTC))
    ts, values = DemoShop(23, ZoneInfo("Europe/Berlin")).readings(start, start + 365 * DAY_MS)
    columns = [
        next(v for s, v in values.items() if (s.place, s.quantity) == (CORNER, q))
        for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    ]
    steps = np.linspace(29 * 288, ts.size - 73 * 12, 120).astype(int)
    steps += (37 * np.arange(120)) % 288 - 288
    error, plain, inside = (np.empty((120, 2, len(HORIZONS_H))) for _ in range(3))
    for n, s in enumerate(steps.tolist()):
        past = slice(max(s - 29 * 288, 0), s)
        outlook = daily_pattern_ensemble(
            ts[past], columns[0][past], columns[1][past], int(ts[s]), 72 * 3600, 100, SEED
        )
        for k, ensemble in enumerate((outlook.temp_c, outlook.rh_pct)):
            at = [2 * h - 1 for h in HORIZONS_H]
            true = np.array([columns[k][s + 12 * h - 6 : s + 12 * h].mean() for h in HORIZONS_H])
            low, median, high = np.quantile(ensemble, [0.1, 0.5, 0.9], axis=0)[:, at]
            error[n, k] = np.abs(median - true)
            plain[n, k] = np.abs(columns[k][s - 1] - true)
            inside[n, k] = (low <= true) & (true <= high)
    skill = 1 - error.mean(axis=0) / plain.mean(axis=0)
    coverage = inside.mean(axis=0)
    print("skill", skill.round(2).tolist(), "coverage", coverage.round(2).tolist())
    assert coverage.min() > 0.66
    assert coverage.max() < 0.92
    assert 0.74 < coverage.mean() < 0.86
    assert (skill[0, 1:4] > 0.1).all()
    assert (skill[1, 5:] > 0).all()


def test_without_a_pattern_the_air_stays_and_strays_ever_further():
    """Rung: property."""
    outlook = persistent_ensemble(18.0, 55.0, NOW, 7 * 86_400, 400, SEED)
    spread = outlook.rh_pct.std(axis=0)
    assert spread[0] < 1.5 < spread[24] < spread[-1] < 8.5
    assert abs(outlook.temp_c.mean() - 18) < 0.5


@pytest.mark.parametrize(
    "refused",
    [
        lambda ts, t, rh: daily_pattern_ensemble(ts, t, rh, NOW, 0, 10, SEED),
        lambda ts, t, rh: daily_pattern_ensemble(ts, t, rh, NOW, 3600, 0, SEED),
        lambda ts, t, rh: daily_pattern_ensemble(ts, t, rh, NOW, 3600, 5, SEED, step_s=7000),
        lambda ts, t, rh: daily_pattern_ensemble(ts[:9], t[:9], rh[:9], NOW, 3600, 5, SEED),
        lambda ts, t, rh: daily_pattern_ensemble(ts[-500:], t[-500:], rh[-500:], NOW, 60, 5, SEED),
        lambda ts, t, rh: daily_pattern_ensemble([], [], [], NOW, 3600, 5, SEED),
        lambda ts, t, rh: daily_pattern_ensemble(ts, t, rh, NOW + DAY_MS, 3600, 5, SEED),
        lambda ts, t, rh: persistent_ensemble(18, 55, NOW, -1, 5, SEED),
    ],
)
def test_what_cannot_be_is_refused(refused):
    """Rung: property."""
    with pytest.raises(OutOfRange):
        refused(*shaped())
