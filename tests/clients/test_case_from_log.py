"""A year of air from logs with gaps."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.science.case.fields import CaseFault
from monitor.science.case.from_log import home_from_log, outdoors_from_log, year_of_hours
from monitor.science.case.home import Basis
from monitor.science.case.outdoors import YEAR_H, from_normals, month_of_hour

HOURS = np.arange(YEAR_H)


def test_several_years_of_a_log_fall_on_one():
    """Rung: property."""
    year = year_of_hours(np.array([5, 5, 7]), np.array([40.0, 50.0, 60.0]))
    assert year[[5, 7]].tolist() == [45.0, 60.0]
    assert np.isnan(year).sum() == YEAR_H - 2


def test_recorded_hours_stay_and_the_others_lie_near_their_months():
    """Rung: property."""
    rh, temp = np.full(YEAR_H, np.nan), np.full(YEAR_H, np.nan)
    january, july = HOURS < 744, month_of_hour() == 6
    rh[january], temp[january] = 30.0 + 3 * np.sin(HOURS[january]), 21.0
    rh[july], temp[july] = 55.0, 25.0
    year = home_from_log(temp, rh, members=20)
    assert year.basis is Basis.READINGS
    assert year.months_read == (1, 7)
    assert np.allclose(year.rh_pct[january, 0], rh[january])
    april = year.monthly()[3]
    assert 33 < april.median < 52
    assert april.high - april.low > 10  # nobody read it
    assert year.monthly()[0].high - year.monthly()[0].low < 6


@pytest.mark.parametrize(
    ("temp", "rh", "said"),
    [(np.nan, np.nan, "log = '?0 h"), (70.0, 40.0, "temp_c = 70.*−?10 to 45 °C|temp_c = 70")],
)
def test_a_log_that_cannot_be_a_homes_is_refused(temp, rh, said):
    """Rung: property."""
    with pytest.raises(CaseFault, match=said):
        home_from_log(np.full(YEAR_H, temp), np.full(YEAR_H, rh))


def test_a_log_the_weather_makes_impossible_is_refused():
    """Rung: property."""
    cold = from_normals([-20.0] * 12, [70.0] * 12, 0.0)
    with pytest.raises(CaseFault, match=r"rh_pct = 80.*outdoors"):
        home_from_log(np.full(YEAR_H, 20.0), np.full(YEAR_H, 80.0), outdoors=cold)


def test_an_outdoor_log_with_gaps_keeps_its_months_and_one_without_a_month_is_refused():
    """Rung: property."""
    temp = 10 - 8 * np.cos(2 * np.pi * HOURS / YEAR_H) + 3 * np.sin(2 * np.pi * HOURS / 24)
    rh = np.full(YEAR_H, 75.0)
    whole = outdoors_from_log(temp, rh)
    temp[100:400] = np.nan
    gap = outdoors_from_log(temp, rh)
    assert np.abs(gap.monthly()[0] - whole.monthly()[0]).max() < 0.6
    assert np.isfinite(gap.vapour_pa).all()
    temp[month_of_hour() == 4] = np.nan
    with pytest.raises(CaseFault, match="too little in May"):
        outdoors_from_log(temp, rh)
