"""Days the shop is closed, told to the outlook: a fortnight left cold is no sign of a weak heater."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.core.clock import to_ms
from monitor.domain.opening_hours import closed_days
from monitor.science.air import dew_point
from monitor.science.outlook import heat_balance
from monitor.science.outlook.calendar import CLOSED, calendar, of_day
from monitor.science.outlook.hourly_log import STEPS, Issues, OutdoorHours, ShopHours
from monitor.science.outlook.room_fit import fit_room
from monitor.science.outlook.room_model import humidifier_running, prepared_log
from monitor.science.outlook.what_if import Change, Launch, change_effect
from sensors.demo.shop import BENCH, OUTDOORS, DemoShop
from sensors.simulator import habits

HOUR = 3_600_000
END = to_ms(datetime(2027, 1, 2, 14, tzinfo=UTC))
CLOSED_DATES = {"closed": ["2026-12-24/2027-01-02"]}
SHOP = ZoneInfo("Europe/Paris")

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def log() -> ShopHours:
    """Sixty-five days of the demo's shop up to the end of its winter holidays."""
    ts_ms, columns = DemoShop(7, SHOP).readings(END - 65 * 24 * HOUR, END, 600_000)
    means = {
        (series.place, str(series.quantity)): column.reshape(-1, 6).mean(1)
        for series, column in columns.items()
    }
    out_temp, out_rh = (means[OUTDOORS, q] for q in ("temperature", "humidity"))
    dew = dew_point(out_temp, np.clip(out_rh, 1, 100))
    first_h = int(ts_ms[0]) // HOUR + 1
    return ShopHours(first_h, means[BENCH, "temperature"], means[BENCH, "humidity"], out_temp, dew)


def test_a_closed_day_is_no_day_of_the_week_and_counts_as_none():
    days = np.array([0, 1, 2, 2, 3]) * 24 + 12  # 1970-01-01 was a Thursday
    when = calendar(days, 0, np.array([2]))
    assert when.weekday.tolist() == [3, 4, CLOSED, CLOSED, 6]
    week = np.array([[1.0, 2, 3, 4, 5, 6, 7], [10.0, 20, 30, 40, 50, 60, 70]])
    assert of_day(week, when).T.tolist() == [[4, 5, 0, 0, 7], [40, 50, 0, 0, 70]]


def test_the_heater_and_its_settings_are_found_though_the_shop_was_left_cold(log):
    none = Issues(np.empty(0), OutdoorHours(*(np.empty((0, STEPS)),) * 3))
    told = replace(log, closed=closed_days(CLOSED_DATES))
    k, blind = prepared_log(told, none), prepared_log(log, none)
    room, fooled = (fit_room(one, len(log) - 1) for one in (k, blind))
    day, night = room.heat.mean[[heat_balance.DAY, heat_balance.NIGHT]]
    assert day == pytest.approx(habits.DAY_C, abs=1)
    assert night == pytest.approx(habits.NIGHT_C, abs=1)
    assert room.heat.misfit < 0.5 * fooled.heat.misfit
    # The demo's humidifier, whose tank nobody fills each day, is found from RH alone.
    assert room.tank is not None
    assert room.tank.water.misfit < 0.5 * room.water.misfit
    # Who says that there is no humidifier is believed.
    assert fit_room(prepared_log(replace(told, humidifier=False), none), len(log) - 1).tank is None
    steady = OutdoorHours(*(np.full((STEPS, 1), value) for value in (2.0, -3.0, 3.0)))
    assert (
        humidifier_running(room, k, len(log) - 1, steady)[:40].max() == 0
    )  # dry over the holidays
    # So turning the thermostat up dries the air, as it must: 16 to 22 °C is 1.45 times as much
    # vapour at saturation, less what the wood gives back.
    # The humidifier is dry: nobody fills its tank on holiday.
    frost = OutdoorHours(*(np.full((STEPS, 10), value) for value in (2.0, -3.0, 3.0)))
    start = Launch(
        told.first_h + len(told),
        float(k.temp_c[-1]),
        float(k.rh_pct[-1]),
        k.heat[:, -1],
        k.water[:, -1],
        frost,
        told.closed,
        np.zeros(STEPS),
    )
    warm, cool = (change_effect(room, start, Change(setting_c=c)) for c in (22.0, 16.0))
    assert (warm.temp_k - cool.temp_k)[:, -24:].mean() == pytest.approx(6, abs=0.5)
    assert (warm.rh_pct - cool.rh_pct)[:, -24:].mean() < -5
