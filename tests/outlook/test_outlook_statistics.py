"""What an ensemble says, and what if: against plain counting and the balance's own limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.errors import OutOfRange
from monitor.outlook.evaluation.walk_forward import Walked, nothing
from monitor.outlook.issued import recently_held
from monitor.science.air import R_VAPOUR
from monitor.science.outlook import ensemble_statistics, heat_balance, vapour_balance
from monitor.science.outlook.fitting import prior_estimate
from monitor.science.outlook.hourly_log import STEPS, OutdoorHours, ShopHours
from monitor.science.outlook.room_model import SCALE_SD, RoomModel
from monitor.science.outlook.what_if import (
    LAG_H,
    Change,
    ChangeEffect,
    Launch,
    change_effect,
    vapour_pa_h,
    water_to_hold,
    with_change,
)

ROOM = RoomModel(prior_estimate(heat_balance.PRIOR), prior_estimate(vapour_balance.PRIOR), 0)


def launch(members: int = 20, out_c: float = -3.0, dew_c: float = -6.0) -> Launch:
    shape = (STEPS, members)
    air = OutdoorHours(np.full(shape, out_c), np.full(shape, dew_c), np.full(shape, 3.0))
    return Launch(480_000, 20.0, 42.0, np.full(3, 19.0), np.full(4, 42.0), air)


@pytest.mark.slow
@given(st.integers(1, 6), st.integers(0, 2**32 - 1), st.booleans())
def test_a_spell_is_what_counting_hour_by_hour_finds(hours, seed, below):
    """Rung: independent derivation."""
    values = np.random.default_rng(seed).normal(40, 6, (15, 30)).cumsum(axis=1) / 8
    limit = float(np.median(values))
    first, rows = [], []
    for row in values.tolist():
        run = 0
        for i, value in enumerate(row):
            run = run + 1 if (value < limit if below else value > limit) else 0
            if run == hours:
                first.append(i - hours + 1)
                rows.append(row)
                break
    found = ensemble_statistics.spell(values, limit, hours, below=below)
    if not first:
        assert found is None
        return
    assert found is not None
    assert found.chance == pytest.approx(len(first) / 15)
    assert found.begins_h == pytest.approx(np.quantile(first, [0.1, 0.5, 0.9]))
    middles = [float(np.median(column)) for column in zip(*rows, strict=True)]
    at = middles.index(min(middles) if below else max(middles))
    assert found.extreme_at_h == at
    kept = [
        (min if below else max)(
            (max if below else min)(row[i : i + hours]) for i in range(31 - hours)
        )
        for row in rows
    ]
    assert found.extreme == pytest.approx(np.quantile(kept, [0.1, 0.5, 0.9]))
    assert all(value < limit if below else value > limit for value in found.extreme)


def test_the_best_stretch_is_the_likeliest_that_is_allowed():
    """Rung: property."""
    suits = np.zeros((10, 12), dtype=bool)
    suits[:, 6:9] = True  # all members
    suits[:8, 1:5] = True
    allowed = np.ones(12, dtype=bool)
    assert ensemble_statistics.best_stretch(suits, allowed, 3) == (6, 3, 1.0)
    allowed[7] = False
    assert ensemble_statistics.best_stretch(suits, allowed, 3) == (1, 3, 0.8)
    assert ensemble_statistics.best_stretch(suits, np.zeros(12, dtype=bool), 3) is None
    assert ensemble_statistics.best_stretch(suits, np.ones(12, dtype=bool), 13) is None


def test_a_fan_holds_its_members_and_wood_settles_lower_in_drier_air():
    """Rung: published value."""
    air = np.stack([np.full((5, 4), 20.0), np.linspace(30, 50, 5)[:, None] * np.ones(4)])
    fan = ensemble_statistics.fan(air)
    assert fan.rh_pct[:, 0] == pytest.approx([32, 40, 48])
    assert fan.emc_pct[0, 0] < fan.emc_pct[2, 0]
    # Wood Handbook (FPL 2010) table 4-2, 21.1 °C and 40 %: 7.7 %; at 20 °C it is the same to 0.1.
    assert fan.emc_pct[1, 0] == pytest.approx(7.7, abs=0.1)


def test_water_raises_the_vapour_pressure_as_the_gas_law_says():
    """Rung: independent derivation."""
    # 24 L a day in 60 m³ is 1 kg/h: 16.67 g/m³ each hour, at 20 °C 2255 Pa.
    assert float(vapour_pa_h(24.0, 60.0)) == pytest.approx(1 / 60 * R_VAPOUR * 293.15)
    assert float(vapour_pa_h(24.0, 60.0)) == pytest.approx(2255, abs=1)


def test_nothing_done_changes_nothing():
    """Rung: property."""
    by = change_effect(ROOM, launch(), Change())
    assert np.abs(by.temp_k).max() == 0
    assert np.abs(by.rh_pct).max() == 0


@pytest.mark.parametrize(
    ("change", "temp", "rh"),
    [
        (Change(water_l_day=3.0), 0, 1),
        (Change(setting_c=14.0), -1, 1),  # less heat: the same water makes more RH
        (Change(window_ach=1.0, start=24, stop=27), 0, -1),  # frosty air brings none
    ],
)
def test_a_change_moves_the_air_the_way_that_it_must(change, temp, rh):
    """Rung: property."""
    by = change_effect(ROOM, launch(), change)
    late = by.temp_k[:, 24:27].mean(), by.rh_pct[:, 24:27].mean()
    assert np.sign(np.round(late[0], 1)) == temp
    assert np.sign(late[1]) == rh


def test_a_change_does_nothing_before_it_begins():
    """Rung: property."""
    by = change_effect(ROOM, launch(), Change(water_l_day=5.0, window_ach=2.0, start=30, stop=40))
    assert np.abs(by.rh_pct[:, :30]).max() == 0
    assert np.abs(by.rh_pct[:, 30:40]).min() > 0


def test_how_much_a_litre_does_is_as_unsure_as_the_air_change():
    """Rung: property."""
    by = change_effect(ROOM, launch(400), Change(water_l_day=2.0))
    early = by.rh_pct[:, 0]
    ratio = np.quantile(early, 0.9) / np.quantile(early, 0.5)
    assert ratio == pytest.approx(np.exp(1.2816 * SCALE_SD), rel=0.1)


def test_a_changed_ensemble_stays_air():
    """Rung: property."""
    air = np.stack([np.full((8, STEPS), 20.0), np.full((8, STEPS), 95.0)])
    by = ChangeEffect(np.full((3, STEPS), 50.0), np.full((3, STEPS), 20.0))
    out = with_change(air, by)
    assert out[0].max() == 60
    assert out[1].max() == 100


def test_the_water_told_holds_the_level_and_a_tenth_less_does_not():
    """Rung: property."""
    start = launch()
    nothing = np.full((20, STEPS), 30.0)
    water = water_to_hold(ROOM, start, nothing, 42.0, 60.0, 12)
    assert water is not None
    assert water.low < water.middle < water.high
    for litres, holds in ((1.02 * water.middle, True), (0.9 * water.middle, False)):
        change = Change(water_l_day=litres, start=water.start)
        one = Launch(
            *(getattr(start, f) for f in ("first_h", "temp_c", "rh_pct", "heat", "water")),
            OutdoorHours(*(field[:, :1] for field in start.air)),
        )
        rh = 30.0 + change_effect(ROOM, one, change).rh_pct[0]
        held = np.lib.stride_tricks.sliding_window_view(rh[LAG_H:], 3).max(axis=1).min()
        assert bool(held >= 42.0) is holds


def test_no_water_is_needed_where_the_air_stays_above():
    """Rung: property."""
    assert water_to_hold(ROOM, launch(), np.full((5, STEPS), 50.0), 45.0, 60.0, 0) is None


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"water_l_day": -1}, "water a day = -1"),
        ({"water_l_day": 900}, "water a day = 900"),
        ({"setting_c": 68}, "thermostat = 68"),
        ({"window_ach": float("inf")}, "window = inf"),
        ({"volume_m3": 0}, "volume = 0"),
        ({"start": 9, "stop": 3}, "first step"),
    ],
)
def test_what_cannot_be_is_refused(fields, words):
    """Rung: property."""
    with pytest.raises(OutOfRange, match=words):
        Change(**fields)


@pytest.mark.slow
def test_dew_forms_on_what_is_colder_than_the_dew_point_by_psychrolib():
    """Rung: independent library."""
    # Source: the dew point of PsychroLib (ASHRAE Handbook Fundamentals 2017, ch. 1).
    psychrolib.SetUnitSystem(psychrolib.SI)
    point = psychrolib.GetTDewPointFromRelHum(20.0, 0.45)
    air = np.stack([np.full((9, 6), 20.0), np.full((9, 6), 45.0)])
    out = np.full((6, 8), 12.0)
    out[3] = point - 0.2
    dew = ensemble_statistics.dew_on_cold(air, out)
    assert dew.at == 3
    assert dew.dew_point.middle == pytest.approx(point, abs=0.05)
    assert dew.chance == 1
    out[3] = np.where(np.arange(8) < 2, point - 0.2, point + 0.2)
    assert ensemble_statistics.dew_on_cold(air, out).chance == 0.25
    assert ensemble_statistics.dew_on_cold(air, np.full((6, 8), 12.0)).chance == 0


@pytest.mark.parametrize(
    ("chance", "told"),
    [
        (0.0, "less than 1 in 10"),
        (0.051, "1 in 10"),
        (0.404, "4 in 10"),
        (0.95, "9 in 10"),
        (1.0, "more than 9 in 10"),
    ],
)
def test_no_chance_is_told_as_certain(chance, told):
    """Rung: property."""
    assert ensemble_statistics.likely(chance) == told


def test_chances_of_the_same_tenths_have_the_same_word():
    """Rung: property."""
    words = {}
    for chance in np.linspace(0, 1, 2001):
        told = ensemble_statistics.likely(chance)
        words.setdefault(told, set()).add(ensemble_statistics.how_sure(chance))
    assert {len(found) for found in words.values()} == {1}
    assert words["6 in 10"] == {"likely"}
    assert words["5 in 10"] == {"possible"}
    assert words["8 in 10"] == {"likely"}
    assert words["9 in 10"] == words["more than 9 in 10"] == {"almost certain"}


def test_how_far_a_member_goes_for_hours_on_end_is_where_its_spells_end():
    """Rung: property."""
    rng = np.random.default_rng(11)
    values = rng.normal(45, 6, (30, 60))
    low, high = (
        ensemble_statistics.sustained_extreme(values, 3, below=below) for below in (True, False)
    )
    assert low[0] == min(values[0, i : i + 3].max() for i in range(58))
    assert high[0] == max(values[0, i : i + 3].min() for i in range(58))
    for limit in (38.0, 41.0):
        found = ensemble_statistics.spell(values, limit, 3, below=True)
        assert (found.chance if found else 0.0) == np.mean(low < limit)


def test_the_next_hours_are_not_asked_to_be_held_at_the_cost_of_the_days_after():
    """Rung: property."""
    already = np.full((20, STEPS), 43.0)
    already[:, :6] = 20.0  # what is dry now, no water would lift at once
    water, later = (
        water_to_hold(ROOM, launch(), rh, 42.0, 60.0, 0)
        for rh in (already, already - 3.0 * (np.arange(STEPS) > 20))
    )
    assert water is None
    assert later is not None
    assert later.middle < 10


def test_of_the_last_days_only_readings_that_came_are_held_against_their_ranges():
    """Rung: by hand. From hour 200 on the air lies above all that was foretold."""
    rh = np.where(np.arange(240) < 200, 50.0, 60.0)
    hours = ShopHours(480_000, rh, rh, rh, rh)
    moments = np.arange(100, 240, 3)
    wide, none = np.ones((2, 7, len(moments))), np.zeros(len(moments))
    issued = Walked(
        moments, wide, wide, 45 * wide, 55 * wide, wide, wide, np.stack([none, none]), none, none
    )
    # Leads of 6, 12 and 24 h; of hours 168 to 239 the 32 before 200 were in their range.
    held = recently_held(issued, hours)
    ends = (moments + np.array([[6], [12], [24]])).ravel()
    ends = ends[(ends >= 240 - 72) & (ends < 240)]
    assert held == pytest.approx(np.mean(ends < 200))
    assert recently_held(issued, replace(hours, rh_pct=np.full(240, 50.0))) == 1
    assert np.isnan(recently_held(nothing(), hours))
    assert np.isnan(recently_held(issued, replace(hours, rh_pct=np.full(240, np.nan))))
