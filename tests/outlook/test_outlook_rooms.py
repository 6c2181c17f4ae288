"""The simulated shops are what they claim: the outlook is reported on them."""

from __future__ import annotations

import numpy as np
import pytest
from rooms.catalogue import HELD_BACK, TUNED_ON, spec_of
from rooms.forecasts import archive
from rooms.shops import ShopSpec, simulate
from rooms.weather import CLIMATES, START_MS, Weather, demo_year, made_up_year

HOUR_MS = 3_600_000
HOURS = 24 * 200


@pytest.fixture(scope="module")
def weather():
    return made_up_year(CLIMATES["continental"], 3, HOURS, 1.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    "make", [lambda w: w, lambda w: demo_year(HOURS)], ids=["made up", "demo"]
)
def test_forecast_errors_grow_with_lead_as_they_are_said_to(weather, make):
    """1 K at 6 h, 2 K at 48 h, 3.4 K at 120 h: what archived forecasts are like. Tolerance: ours,
    for 200 days of errors that hang together. RH cannot pass 100 %, which narrows dew points."""
    from monitor.science.air import dew_point

    outdoors = make(weather)
    forecasts = archive(outdoors, 8)
    first = ((forecasts.issued_ms - START_MS) // HOUR_MS).astype(int)
    for lead, sd in ((6, 1.0), (48, 2.0), (120, 3.4)):
        use = first + lead < HOURS
        at = first[use] + lead
        off = forecasts.temp_c[use, lead] - outdoors.temp_c[at]
        assert off.std() == pytest.approx(sd, rel=0.25)
        dew = dew_point(forecasts.temp_c[use, lead], forecasts.rh_pct[use, lead])
        assert 0.5 * sd < (dew - outdoors.dew_point_c[at]).std() < 1.2 * sd
    late = (
        forecasts.temp_c[:, 24:96]
        - outdoors.temp_c[np.minimum(first[:, None] + np.arange(24, 96), HOURS - 1)]
    )
    assert np.corrcoef(late[:-20, 0], late[:-20, 6])[0, 1] > 0.5  # along lead
    assert np.corrcoef(late[1:-20, 12], late[:-21, 18])[0, 1] > 0.3  # from issue to issue


@pytest.mark.slow
def test_a_closed_room_without_sources_keeps_its_water():
    hours = 24 * 42
    still = Weather(np.full(hours, 18.0), np.full(hours, 5.0), np.zeros(hours), np.zeros(hours))
    spec = ShopSpec(
        leak_h=0,
        stack_h_k=0,
        wind_h=0,
        neighbour_m3_h=0,
        doors_h=0,
        glue_days=0,
        people=0,
        work_days=0,
        window=0,
        heater_w=0,
        sun_w=0,
        neighbour_w_k=0,
        rh_noise_pct=0,
        rh_step_pct=0.01,
    )
    _, _, rh, *_ = simulate([spec], [still], 1)
    assert np.ptp(rh[24 * 6 :]) < 1.5


def test_shops_range_from_sheds_to_tight_rooms_and_the_two_sets_are_apart():
    specs = [spec_of(number) for number in TUNED_ON + HELD_BACK]
    leaks = np.array([s.leak_h for s in specs])
    assert leaks.max() / leaks.min() > 4
    assert any(s.heater_w == 0 for s in specs)
    assert any(s.humidifier_g_h > 0 for s in specs)
    assert not set(TUNED_ON) & set(HELD_BACK)
