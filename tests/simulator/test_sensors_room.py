"""The physics of the demo's rooms, and what its people do in them."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.core.clock import from_ms, to_ms
from monitor.science.air import vapour_pressure
from monitor.science.saturation import saturation_vapour_pressure
from sensors.simulator import habits, room
from sensors.simulator.time_grid import GRID_MS, SPIN_UP_MS
from sensors.simulator.weather import ZonedYear

BERLIN = ZoneInfo("Europe/Berlin")
SEED = 7
DAY_MS = 86_400_000


def ms(*date: int) -> int:
    return to_ms(datetime(*date, tzinfo=UTC))


def rh_pct(temp_c, pressure_pa):
    return 100 * pressure_pa / saturation_vapour_pressure(temp_c)


def plain_room(**changes: float) -> room.SimulatedRoom:
    numbers = {
        "volume_m3": 60.0,
        "buffer_g_pct": 40.0,
        "buffer_rate_g_h_pct": 20.0,
        "loss_w_k": 60.0,
        "air_j_k": 2e6,
        "mass_j_k": 1e7,
        "mass_w_k": 200.0,
        "mass_loss_w_k": 30.0,
    }
    return room.SimulatedRoom(**{**numbers, **changes})


def alone(a_room, rh, wood, step_h, hours, *, n, outdoor_pa, source_g_h, temp_c=20.0):
    """RH [%] of a room without neighbour, from `rh`, at the ends of the steps of `hours`."""
    saturated = room.saturation_pa(temp_c)
    pressures, woods = (rh / 100 * saturated,) * 2, (wood, wood)
    course = []
    for _ in range(round(hours / step_h)):
        pressures, woods = room.water_step(
            step_h,
            (a_room, a_room),
            pressures,
            woods,
            (saturated, saturated),
            outdoor_pa,
            (n * a_room.volume_m3,) * 2,
            (0.0, 0.0),
            (source_g_h, 0.0),
        )
        course.append(100 * pressures[0] / saturated)
    return np.array(course)


# Source: v = v_o + G/(nV) for V = 60 m³ at 20 °C, v_sat = 17.287 g/m³; worked outside this code
# for −10, 0 and 5 °C at 80 % outdoors. Tolerance: ours, the last digit.
@pytest.mark.parametrize(
    ("n", "outdoor_pa", "source_g_h", "rh"),
    [
        (0.2, 229.2, 0, 9.8),
        (0.2, 229.2, 50, 33.9),
        (0.5, 489.0, 50, 30.5),
        (0.5, 698.0, 0, 29.8),
        (1.0, 489.0, 50, 25.7),
        (1.0, 698.0, 50, 34.7),
    ],
)
def test_a_room_comes_to_the_steady_state_of_the_closed_form(n, outdoor_pa, source_g_h, rh):
    course = alone(
        plain_room(),
        45.0,
        45.0,
        1 / 12,
        24 * 30,
        n=n,
        outdoor_pa=outdoor_pa,
        source_g_h=source_g_h,
    )
    assert course[-1] == pytest.approx(rh, abs=0.06)


# Source: worked outside this code from RH = RH∞ + (RH0 − RH∞) exp(−t/τ), τ = (C + a)/(n a), with
# a = V v_sat/100 = 10.37 g/%: V 60 m³, n 0.5, C 40 g/%, G 10 g/h, 20 °C, outdoors from 5 °C/80 %
# to −8 °C/70 % (234.6 Pa). There C keeps in step with the air, so K is made very large here.
# Tolerance: ours, the error of a first-order step, and with the finer one the last digit.
SNAP_RH_PCT = {3: 26.51, 6: 22.64, 12: 17.72, 24: 13.63, 48: 12.10}


@pytest.mark.parametrize(("step_h", "tolerance"), [(1 / 12, 0.05), (1 / 360, 0.008)])
def test_a_cold_snap_dries_the_room_as_in_the_worked_example(step_h, tolerance):
    course = alone(
        plain_room(buffer_rate_g_h_pct=1e7),
        31.77,
        31.77,
        step_h,
        48,
        n=0.5,
        outdoor_pa=234.6,
        source_g_h=10,
    )
    for hour, rh in SNAP_RH_PCT.items():
        assert course[round(hour / step_h) - 1] == pytest.approx(rh, abs=tolerance)


def test_a_slow_buffer_follows_the_exact_solution_of_its_two_equations():
    # Independent: the linear pair of equations solved by the eigenvectors of its matrix.
    n, outdoor_pa, source, start = 0.5, 234.6, 10.0, 45.0
    a_room = plain_room(buffer_rate_g_h_pct=8.0)
    per_pct = room.G_PER_PA_M3 * 60 * room.saturation_pa(20.0) / 100
    matrix = np.array([[-n - 8.0 / per_pct, 8.0 / per_pct], [8.0 / 40.0, -8.0 / 40.0]])
    rest = 100 * outdoor_pa / room.saturation_pa(20.0) + source / (n * per_pct)
    values, vectors = np.linalg.eig(matrix)
    shares = np.linalg.solve(vectors, np.full(2, start - rest))
    hours = np.arange(1, 49)
    exact = rest + (vectors[0] * shares * np.exp(np.outer(hours, values))).sum(axis=1)
    course = alone(
        a_room, start, start, 1 / 360, 48, n=n, outdoor_pa=outdoor_pa, source_g_h=source
    )
    assert course[359::360] == pytest.approx(exact, abs=0.02)  # ours: first-order step of 10 s


def test_warming_alone_keeps_the_vapour_pressure():
    sealed = plain_room(buffer_rate_g_h_pct=0.0)
    pressures, _ = room.water_step(
        1 / 12,
        (sealed, sealed),
        (900.0, 800.0),
        (40.0, 40.0),
        (room.saturation_pa(26.0), room.saturation_pa(26.0)),
        500.0,
        (0.0, 0.0),
        (0.0, 0.0),
        (0.0, 0.0),
    )
    assert pressures == pytest.approx((900.0, 800.0))


def test_a_heated_room_comes_to_the_steady_state_of_its_losses():
    a_room, air_c, mass_c = plain_room(), 10.0, 10.0
    for _ in range(12 * 24 * 40):
        air_c, mass_c = room.heat_step(300.0, a_room, air_c, mass_c, 0.0, 0.0, 30.0, 0.0, 2000.0)
    walls = 1 / (1 / a_room.mass_w_k + 1 / a_room.mass_loss_w_k)  # in series
    assert air_c == pytest.approx(2000 / (60 + walls + 1200 * 30 / 3600), abs=1e-6)


def test_the_fast_saturation_pressure_agrees_with_that_of_the_service():
    temps = np.arange(-40.0, 60.0, 0.5)
    fast = [room.saturation_pa(t) for t in temps.tolist()]
    # Tolerance: how far Sonntag and Hyland–Wexler are apart over this span, 0.025 %.
    assert fast == pytest.approx(saturation_vapour_pressure(temps), rel=3e-4)


def driven(start_ms, days, zone=BERLIN):
    ts_ms = start_ms + GRID_MS * np.arange(days * DAY_MS // GRID_MS)
    outdoors = ZonedYear(zone).at(ts_ms + GRID_MS)
    return ts_ms, habits.drive(
        SEED, zone, ts_ms, outdoors, vapour_pressure(outdoors.dew_point_c, 100.0)
    )


@pytest.mark.parametrize(
    ("start", "deep_g_pct"), [((2025, 1, 6), 0), ((2025, 5, 5), 400), ((2025, 7, 14), 0)]
)
def test_the_water_of_a_simulated_week_adds_up(start, deep_g_pct):
    _, drive = driven(ms(*start), 7)
    rooms = tuple(
        dataclasses.replace(one, deep_g_pct=deep_g_pct, deep_rate_g_h_pct=deep_g_pct / 100)
        if deep_g_pct
        else one
        for one in (room.BENCH_ROOM, room.VARNISH_CORNER)
    )
    run = room.run(drive, GRID_MS / 1000, rooms)
    volume, buffer, deep = (
        np.array([getattr(one, name) for one in rooms])
        for name in ("volume_m3", "buffer_g_pct", "deep_g_pct")
    )
    moved = np.abs(run.deep_pct - run.deep_pct[0]).max()
    assert moved > 1 if deep_g_pct else moved == 0
    vapour = room.G_PER_PA_M3 * volume * run.vapour_pressure_pa
    held = (vapour + buffer * run.wood_pct + deep * run.deep_pct).sum(axis=1)
    leaves_m3_h = run.fresh_m3_h + run.across_m3_h - run.across_m3_h[:, ::-1]
    assert (leaves_m3_h > 0).all()
    per_h = GRID_MS / 3_600_000
    came = (run.sources_g_h.sum(axis=1) * per_h).sum() + (
        room.G_PER_PA_M3 * run.fresh_m3_h.sum(axis=1) * drive.outdoor_pa * per_h
    ).sum()
    went = (room.G_PER_PA_M3 * leaves_m3_h * run.vapour_pressure_pa[1:] * per_h).sum()
    assert came > 10_000
    assert held[-1] - held[0] == pytest.approx(came - went, abs=0.001 * came)


def test_the_humidifier_gives_what_was_filled_in_and_then_runs_empty():
    steps, filled = 3 * 288, 288
    still = {name: np.zeros(steps) for name in room.RoomDrive._fields}
    fill = np.zeros(steps)
    fill[filled] = 1
    cold = {
        "outdoor_c": np.full(steps, -10.0),
        "outdoor_pa": np.full(steps, 229.2),
        "set_c": np.full(steps, 20.0),
        "fill": fill,
    }
    run = room.run(room.RoomDrive(**{**still, **cold}), GRID_MS / 1000)
    given_g = np.cumsum(run.sources_g_h[:, 0]) * GRID_MS / 3_600_000
    assert given_g[filled - 1] == 0
    assert given_g[-1] == pytest.approx(room.TANK_G)
    rh = rh_pct(run.temp_c[:, 0], run.vapour_pressure_pa[:, 0])
    empty = int(np.argmax(given_g > room.TANK_G - 1e-6))
    assert rh[empty] > rh[filled] + 5
    assert rh[-1] < rh[empty] - 5


@pytest.mark.slow
def test_the_rooms_have_forgotten_their_start_when_the_spin_up_ends():
    start = ms(2025, 7, 1) - SPIN_UP_MS
    _, drive = driven(start - 20 * DAY_MS, 60)
    long = room.run(drive, GRID_MS / 1000)
    skipped = 20 * DAY_MS // GRID_MS
    short = room.run(room.RoomDrive(*(column[skipped:] for column in drive)), GRID_MS / 1000)
    skip = SPIN_UP_MS // GRID_MS
    assert short.temp_c[skip:] == pytest.approx(long.temp_c[skipped + skip :], abs=0.05)
    assert short.wood_pct[skip:] == pytest.approx(long.wood_pct[skipped + skip :], abs=0.1)


# The people


# In Amman clocks changed on Fridays then, so that people come in on the day itself.
@pytest.mark.slow
@pytest.mark.parametrize(
    ("zone", "year"),
    [
        ("Europe/Berlin", 2025),
        ("America/Chicago", 2025),
        ("Asia/Kolkata", 2025),
        ("Asia/Amman", 2021),
    ],
)
def test_work_begins_at_the_same_clock_on_both_sides_of_summer_time(zone, year):
    zone = ZoneInfo(zone)
    ts_ms, drive = driven(ms(year, 1, 5), 355, zone)
    at_work = drive.may_open > 0
    begins = ts_ms[1:][at_work[1:] & ~at_work[:-1]]
    locals_ = [from_ms(int(t)).astimezone(zone) for t in begins]
    assert len(locals_) > 250
    hours = [m.hour + m.minute / 60 for m in locals_]
    assert min(hours) >= 8.3 - 1e-9
    assert max(hours) <= 8.8 + 5 / 60
    assert not any(habits.closed(m.date()) for m in locals_)


def test_nobody_is_in_on_sundays_and_holidays():
    ts_ms, drive = driven(ms(2024, 12, 20), 30)
    days = [from_ms(int(t)).astimezone(BERLIN).date() for t in ts_ms]
    shut = np.array([habits.closed(day) for day in days])
    assert shut.any()
    assert drive.sources_g_h[shut].max() == 0
    assert drive.set_c[shut].max() <= habits.NIGHT_C
    assert drive.set_c.min() == habits.HOLIDAY_C
    assert drive.set_c.max() == habits.DAY_C
