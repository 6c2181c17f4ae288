"""Ready times: exact where the air is known, honest where it is not."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.clock import to_ms
from monitor.core.errors import OutOfRange
from monitor.science.quantiles import quantile
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import Stay, air_log, stitched
from monitor.science.waits.drying import WASHED_WOOD, DryingLaw
from monitor.science.waits.film import OIL, SPIRIT
from monitor.science.waits.glue import HIDE_GLUE, HIDE_GLUE_BLOCK, HIDE_GLUE_THIN_PLATE
from monitor.science.waits.latest_start import latest_starts
from monitor.science.waits.monte_carlo import SensorUncertainty, latin_hypercube
from monitor.science.waits.parameters import Hold
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.timed_rest import FixedLaw, RestLaw
from monitor.science.waits.wait import WaitInputs, WaitState

NOW = to_ms(datetime(2025, 1, 14, 15, 3, 20, tzinfo=UTC))
HOUR = 3_600_000
SEED = 11
EXACT = {"spread": 0.0, "sensor": SensorUncertainty(0.0, 0.0)}
LAWS = [HIDE_GLUE, HIDE_GLUE_BLOCK, WASHED_WOOD, SPIRIT, OIL, RestLaw(), FixedLaw()]


def steady(start_ms: int, temp_c: float, rh_pct: float, horizon_s: float) -> AirEnsemble:
    """Air that stays as it is: one member, one step."""
    return AirEnsemble(start_ms, horizon_s, np.array([[temp_c]]), np.array([[rh_pct]]))


def sure(law):
    """The law without spread of its own."""
    names = {"hard_activity_sd", "activation_sd_kj_mol", "dry_moisture_sd_pct"}
    return replace(law, **dict.fromkeys(names & set(law.__dataclass_fields__), 0.0))


def log_of(temp_c, rh_pct, hours=48, step_s=60, drop=()):
    """The same air for hours up to now, less the hours before now in `drop`."""
    ts = np.arange(NOW - round(hours * HOUR), NOW, 1000 * step_s)
    t, rh = np.full(ts.size, float(temp_c)), np.full(ts.size, float(rh_pct))
    for older, newer in drop:
        keep = (ts < NOW - older * HOUR) | (ts >= NOW - newer * HOUR)
        ts, t, rh = ts[keep], t[keep], rh[keep]
    return air_log(ts, t, rh, NOW, step_s)


def wait(law=HIDE_GLUE, air=None, outlook=None, ago_h=1.0, basis_h=4.0, **more):
    return WaitInputs(
        law=law,
        basis_s=3600 * basis_h,
        start_ms=NOW - round(ago_h * HOUR),
        air=log_of(20, 50) if air is None else air,
        outlook=steady(NOW, 20, 50, 14 * 86_400) if outlook is None else outlook,
        **more,
    )


def one(w, **more):
    return ready_times([w], NOW, **more)[0]


def hours(w, ms):
    return (ms - w.start_ms) / HOUR


def lively(seed=SEED, hours_back=72, step_s=10):
    """Air with a day, noise and a door: what a thinned log could get wrong."""
    random = np.random.default_rng(seed)
    ts = np.arange(NOW - hours_back * HOUR, NOW, 1000 * step_s)
    day = np.sin(2 * np.pi * ts / 86_400_000)
    door = np.exp(-((ts / 1000) % 5400) / 400)  # every 90 min: 4 K colder, 15 % damper
    t = 19 + 2 * day - 4 * door + random.normal(0, 0.05, ts.size)
    rh = 56 - 8 * day + 15 * door + random.normal(0, 0.4, ts.size)
    return ts, t, rh


def wandering(members=200, steps=336, seed=SEED):
    random = np.random.default_rng(seed)
    t = 19 + np.cumsum(random.normal(0, 0.15, (members, steps)), axis=1)
    rh = 58 + np.cumsum(random.normal(0, 0.9, (members, steps)), axis=1)
    return AirEnsemble(NOW, 1800.0, np.clip(t, 6, 30), np.clip(rh, 15, 95))


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("ago_h", [-5.0, 0.0, 1.0, 3.999])
def test_reference_air_takes_exactly_the_basis(law, ago_h):
    """Rung: property."""
    w = wait(sure(law), ago_h=ago_h, never_shorter=False, **EXACT)
    told = one(w)
    assert told.ready_low_ms == told.ready_high_ms
    assert hours(w, told.ready_ms) == pytest.approx(4, abs=0.3 / 3600)
    assert told.progress.median == pytest.approx(max(ago_h, 0) / 4, abs=1e-5)
    assert told.rests_on == {}
    if ago_h > 0:
        assert told.rate_now == pytest.approx(1)


@pytest.mark.parametrize("law", LAWS)
def test_a_wait_that_is_over_says_since_when(law):
    """Rung: property."""
    w = wait(sure(law), ago_h=10, **EXACT)
    told = one(w)
    assert told.state == WaitState.READY
    assert hours(w, told.ready_ms) == pytest.approx(4, abs=1 / 3600)


def test_the_range_holds_the_basis_and_says_what_it_rests_on():
    """Rung: property."""
    w = wait(never_shorter=False, outlook=wandering())
    told = one(w)
    assert told.ready_low_ms < told.ready_ms < told.ready_high_ms
    assert set(told.rests_on) == {"basis", "law", "sensor", "outlook"}
    assert sum(told.rests_on.values()) == pytest.approx(1)
    only = one(wait(never_shorter=False))  # outlook known
    assert only.rests_on["outlook"] == 0
    assert only.rests_on["basis"] > 0.9


def test_advice_is_never_shorter_than_the_basis_but_progress_is_kept():
    """Rung: property."""
    dry = {"air": log_of(24, 35), "outlook": steady(NOW, 24, 35, 86_400)}
    w = wait(sure(HIDE_GLUE), ago_h=3, **dry, **EXACT)
    told = one(w)
    assert hours(w, told.ready_ms) == pytest.approx(4)
    assert told.state == WaitState.WAITING
    assert hours(w, told.computed_ms) == pytest.approx(3, abs=1e-3)  # capped: 4/1.5 = 2.67
    assert told.progress.median > 1
    allowed = one(replace(w, never_shorter=False, minimum_s=3600 * 3.5))
    assert hours(w, allowed.ready_ms) == pytest.approx(3.5)
    early = one(replace(w, never_shorter=False))
    assert early.state == WaitState.READY
    assert hours(w, early.ready_ms) == pytest.approx(4 / 1.5, abs=0.001)


@pytest.mark.parametrize("law", [HIDE_GLUE, HIDE_GLUE_THIN_PLATE, OIL, WASHED_WOOD])
def test_progress_from_the_thinned_log_is_that_of_every_reading(law):
    """Rung: independent derivation."""
    # Tolerance: ours; the stated error of 10-minute bins. A plain recurrence over every reading.
    law = sure(law)
    ts, t, rh = lively()
    air = air_log(ts, t, rh, NOW, 10)
    start = NOW - 20 * HOUR - 123_457
    w = WaitInputs(
        law=law,
        basis_s=24 * 3600,
        start_ms=start,
        air=air,
        outlook=steady(NOW, 20, 50, 86_400),
        **EXACT,
    )
    i = int(np.searchsorted(ts, start, side="right")) - 1
    lasts = np.diff(np.append(ts, NOW)) / 1000
    first_part = (ts[i + 1] - start) / 1000
    if law is OIL or hasattr(law, "rate"):
        rates = law.relative_rate(t, rh)
        done = rates[i] * first_part + (rates * lasts)[i + 1 :].sum()
        expected = done / w.basis_s
    else:
        phi, drive = law.speed(t), law.drive(t, rh)
        if law.wood_memory_h:
            memory, means = float(drive[0]), []
            x = lasts / (3600 * law.wood_memory_h)
            for d, step in zip(drive, x, strict=True):
                away = memory - d
                means.append(d + away * -math.expm1(-step) / step)
                memory = d + away * math.exp(-step)
            drive = np.array(means)
        span = math.log((law.start - law.reference) / (law.threshold - law.reference))
        y = law.start
        for n in range(i, len(ts)):
            seconds = first_part if n == i else lasts[n]
            y = drive[n] + (y - drive[n]) * math.exp(-span / w.basis_s * phi[n] * seconds)
        expected = math.log((law.start - law.reference) / (y - law.reference)) / span
    assert one(w).progress.median == pytest.approx(expected, abs=4e-5)


def plain_ready_s(law, basis_s, log, outlook, member, d_temp, d_rh, threshold, start_ms):
    """One draw of a glue wait, reading by reading: no thinning, no closed form, no cap."""
    k = math.log((1 - law.reference) / (threshold - law.reference)) / basis_s
    ts, t, rh = log
    y = 1.0
    for n in range(len(ts)):
        end = ts[n + 1] if n + 1 < len(ts) else NOW
        if end <= start_ms:
            continue
        phi = float(law.speed(np.array(t[n] + d_temp)))
        h = (rh[n] + d_rh) / 100
        y = h + (y - h) * math.exp(-k * phi * (end - max(ts[n], start_ms)) / 1000)
    if y <= threshold:
        return 0.0
    for i in range(outlook.temp_c.shape[1]):
        phi = float(law.speed(np.array(outlook.temp_c[member, i] + d_temp)))
        h = min(max((outlook.rh_pct[member, i] + d_rh) / 100, 0.0), 1.0)
        after = h + (y - h) * math.exp(-k * phi * outlook.step_s)
        if after <= threshold:
            return i * outlook.step_s + math.log((y - h) / (threshold - h)) / (k * phi)
        y = after
    return math.inf


@pytest.mark.slow
def test_ready_times_are_those_of_a_plain_loop_over_every_reading_and_draw():
    """Rung: independent derivation."""
    ts, t, rh = lively(hours_back=24, step_s=60)
    law = replace(HIDE_GLUE, most_rate=5.0)
    outlook = wandering(members=40)
    w = WaitInputs(
        law=law,
        basis_s=6 * 3600,
        start_ms=NOW - 3 * HOUR,
        outlook=outlook,
        air=air_log(ts, t, rh, NOW, 60),
        never_shorter=False,
    )
    told = one(w, draws=40, seed=SEED)
    d = latin_hypercube(40, w.sensor, SEED)
    plain = np.array(
        [
            plain_ready_s(
                law,
                w.basis_s * math.exp(w.spread * d.basis[j]),
                (ts, t, rh),
                outlook,
                j,
                d.temp_k[j],
                d.rh_pct[j],
                law.hard_activity + law.hard_activity_sd * d.law[j],
                w.start_ms,
            )
            for j in range(40)
        ]
    )
    for ms, share in ((told.ready_low_ms, 0.1), (told.ready_ms, 0.5), (told.ready_high_ms, 0.9)):
        expected = float(quantile(plain, share))
        # Tolerance: ours; the sensor's error of temperature scales the past rate to first order.
        assert (ms - NOW) / 1000 == pytest.approx(expected, abs=20)


@pytest.mark.slow
def test_a_batch_says_the_same_as_each_wait_alone():
    """Rung: property."""
    ts, t, rh = lively()
    air, outlook = air_log(ts, t, rh, NOW, 10), wandering()
    waits = [
        WaitInputs(
            law=law, basis_s=3600 * b, start_ms=NOW - round(a * HOUR), air=air, outlook=outlook
        )
        for law in LAWS
        for a, b in ((0.5, 4), (30, 40), (-3, 12))
    ]
    for w, told in zip(waits, ready_times(waits, NOW), strict=True):
        alone = one(w)
        for name in ("ready_low_ms", "ready_ms", "ready_high_ms"):
            a, b = getattr(told, name), getattr(alone, name)
            assert (a is None) == (b is None)
            assert a is None or a == pytest.approx(b, abs=60_000)
        assert told.progress == pytest.approx(alone.progress, abs=1e-3)
    assert ready_times(waits, NOW) == ready_times(waits, NOW)
    backwards = ready_times(waits[::-1], NOW)[::-1]
    assert [r.ready_ms for r in backwards] == [r.ready_ms for r in ready_times(waits, NOW)]


@pytest.mark.parametrize("law", [HIDE_GLUE, OIL, WASHED_WOOD])
def test_a_gap_is_said_and_widens_the_range_both_ways(law):
    """Rung: property."""
    outlook = steady(NOW, 18, 55, 14 * 86_400)
    whole = wait(law, log_of(18, 55), outlook, ago_h=8, basis_h=12, never_shorter=False)
    broken = replace(whole, air=log_of(18, 55, drop=[(6, 3)]))
    a, b = ready_times([whole, broken], NOW)
    assert a.unknown_s == 0
    assert b.unknown_s == pytest.approx(3 * 3600 + 60)
    assert b.ready_high_ms > a.ready_high_ms + HOUR
    assert b.ready_low_ms == pytest.approx(a.ready_low_ms, abs=60_000)
    assert b.progress.low < a.progress.low - 0.1
    assert b.progress.high == pytest.approx(a.progress.high, abs=1e-3)
    assert b.progress.median < a.progress.median


def test_a_gap_does_not_matter_to_a_fixed_time():
    """Rung: property."""
    w = wait(FixedLaw(), log_of(18, 55, drop=[(6, 3)]), ago_h=8, basis_h=12, **EXACT)
    assert hours(w, one(w).ready_ms) == pytest.approx(12)


def changed(before, after, at_h, hours_back=48):
    """One air, then another from `at_h` before now."""
    ts = np.arange(NOW - hours_back * HOUR, NOW, 60_000)
    late = ts >= NOW - round(at_h * HOUR)
    pick = [np.where(late, float(b), float(a)) for a, b in zip(before, after, strict=True)]
    return air_log(ts, *pick, NOW, 60)


@pytest.mark.parametrize(
    ("law", "air", "why"),
    [
        (HIDE_GLUE, (20, 84), Hold.DAMP),
        (HIDE_GLUE, (4, 50), Hold.COLD),
        (HIDE_GLUE, (31, 35), Hold.HOT),
        (SPIRIT, (20, 86), Hold.DAMP),
        (WASHED_WOOD, (20, 75), Hold.DAMP),
        (RestLaw(), (20, 20), Hold.DRY),
    ],
)
def test_on_hold_since_when_and_why(law, air, why):
    """Rung: property."""
    w = wait(law, changed((20, 50), air, 2.5), steady(NOW, *air, 86_400), ago_h=4, basis_h=6)
    told = one(w)
    assert told.state == WaitState.HOLD
    assert told.hold == why
    assert told.hold_since_ms == pytest.approx(NOW - 2.5 * HOUR, abs=600_000)
    assert told.rate_now == 0
    assert told.beyond_share > 0.5
    assert told.ready_ms is None  # not within the horizon
    assert told.horizon_ms == NOW + 86_400_000


def test_a_plate_is_on_hold_once_its_wood_is_damp_not_when_the_room_turns():
    """Rung: property."""
    outlook = steady(NOW, 20, 95, 86_400)
    just = one(wait(HIDE_GLUE_THIN_PLATE, changed((20, 70), (20, 95), 0.5), outlook, basis_h=12))
    assert just.hold == Hold.NONE
    assert 0 < just.rate_now < 0.6
    # The wood reaches 80 %: 95 − 25 exp(−t/6 h), t = 3.06 h.
    later = one(wait(HIDE_GLUE_THIN_PLATE, changed((20, 70), (20, 95), 5), outlook, ago_h=6))
    assert later.hold == Hold.DAMP
    assert later.hold_since_ms == pytest.approx(NOW - (5 - 3.06) * HOUR, abs=900_000)
    air = changed((20, 95), (20, 50), 0.5)
    after = one(wait(HIDE_GLUE_THIN_PLATE, air, steady(NOW, 20, 50, 7 * 86_400), ago_h=6))
    assert after.hold == Hold.WOOD_DAMP
    assert after.rate_now == 0
    assert after.ready_ms is not None
    own = one(wait(HIDE_GLUE_BLOCK, ago_h=1, wood_rh_pct=90.0))
    assert (own.hold, own.rate_now, own.hold_since_ms) == (Hold.WOOD_DAMP, 0, NOW - HOUR)


def test_a_hold_counts_nothing_where_the_law_adds_up_or_is_too_cold():
    """Rung: property."""
    for law, air in ((SPIRIT, (20, 86)), (RestLaw(), (20, 20)), (HIDE_GLUE, (4, 50))):
        w = wait(sure(law), changed((20, 50), air, 2), ago_h=3, **EXACT)
        assert one(w).progress.median == pytest.approx(0.25, abs=1e-6)


def test_damp_air_undoes_progress_and_softens_what_was_ready():
    """Rung: property."""
    outlook = steady(NOW, 20, 88, 86_400)
    w = wait(sure(HIDE_GLUE), changed((20, 50), (20, 88), 6), outlook, ago_h=11, **EXACT)
    told = one(w)
    assert told.softened
    assert told.state == WaitState.HOLD
    assert told.progress.median < 1


def test_near_the_hold_it_says_that_the_sensor_decides():
    """Rung: property."""
    told = one(wait(air=log_of(20, 77), outlook=steady(NOW, 20, 77, 9 * 86_400)))
    assert told.slow
    assert told.rests_on["law"] + told.rests_on["sensor"] > 0.5


def test_wood_that_came_damp_is_slower_and_blocks_remember_longer():
    """Rung: property."""
    plate = wait(HIDE_GLUE_THIN_PLATE, ago_h=1, never_shorter=False, **EXACT)
    damp = replace(plate, wood_rh_pct=75.0)
    dry = replace(plate, wood_rh_pct=30.0)
    block = replace(damp, law=HIDE_GLUE_BLOCK)
    told = [one(w).ready_ms for w in (dry, plate, damp, block)]
    assert told == sorted(set(told))
    held = replace(block, wood_rh_pct=95.0)
    assert one(held).ready_ms > told[-1]
    plain = replace(damp, law=HIDE_GLUE)
    assert one(plain).ready_ms == one(replace(plain, wood_rh_pct=None)).ready_ms


def test_the_woods_own_moisture_is_the_sum_it_should_be():
    """Rung: independent derivation."""
    law = sure(HIDE_GLUE_THIN_PLATE)
    w = wait(law, ago_h=3, basis_h=8, wood_rh_pct=75.0, never_shorter=False, **EXACT)
    k, y, step = math.log(5 / 3) / (8 * 3600), 1.0, 10
    for n in range(40 * 360):
        h = 0.5 + 0.25 * math.exp(-(n + 0.5) * step / (6 * 3600))
        y = h + (y - h) * math.exp(-k * step)
        if y <= 0.8:
            break
    assert hours(w, one(w).ready_ms) == pytest.approx((n + 1) * step / 3600, abs=0.01)


def test_a_thick_piece_shut_on_one_side_takes_longer():
    """Rung: property."""
    law = DryingLaw(dry_moisture_sd_pct=0.0, open_faces=1.0)
    w = wait(law, outlook=steady(NOW, 20, 50, 30 * 86_400), **EXACT)
    assert hours(w, one(w).ready_ms) == pytest.approx(16, abs=0.01)


def test_a_start_in_the_future_is_said_and_counted_from_then():
    """Rung: property."""
    w = wait(sure(HIDE_GLUE), ago_h=-7.3, **EXACT)
    told = one(w)
    assert told.state == WaitState.NOT_STARTED
    assert told.progress == (0, 0, 0)
    assert hours(w, told.ready_ms) == pytest.approx(4, abs=1e-3)
    beyond = one(replace(w, start_ms=NOW + 15 * 24 * HOUR))
    assert beyond.ready_ms is None
    assert beyond.state == WaitState.NOT_STARTED


def test_a_start_before_the_log_is_said_and_the_time_before_may_count_nothing():
    """Rung: property."""
    w = wait(air=log_of(20, 50, hours=2), ago_h=5, basis_h=6)
    told = one(w)
    assert told.before_log_s == told.unknown_s == 3 * 3600
    assert told.progress.low < 0.4
    assert told.ready_high_ms > NOW + 3 * HOUR


def test_no_sensor_no_promise_but_a_fixed_time_runs():
    """Rung: property."""
    nothing = air_log([], [], [], NOW)
    told = one(WaitInputs(law=OIL, basis_s=86_400, start_ms=NOW - HOUR, air=nothing, outlook=None))
    assert told.state == WaitState.NO_AIR
    assert told.ready_ms is told.ready_high_ms is None
    assert math.isnan(told.rate_now)
    assert told.unknown_s == 3600
    w = WaitInputs(
        law=FixedLaw(), basis_s=7200, start_ms=NOW - HOUR, air=nothing, outlook=None, **EXACT
    )
    assert hours(w, one(w).ready_ms) == 2


def test_a_sensor_dead_for_hours_widens_the_range_and_tells_no_present():
    """Rung: property."""
    told = one(wait(air=log_of(20, 50, drop=[(5, 0)]), ago_h=6, basis_h=12))
    assert told.unknown_s == pytest.approx(5 * 3600 + 60)
    assert math.isnan(told.rate_now)
    assert told.hold == Hold.NONE
    assert told.state == WaitState.WAITING
    assert told.progress.high - told.progress.low > 0.3


def test_a_paused_wait_promises_nothing_and_a_pause_moves_the_floor():
    """Rung: property."""
    log = log_of(20, 50)
    stays = [Stay(log, NOW - 3 * HOUR, NOW - HOUR), Stay(None, NOW - HOUR, NOW)]
    told = one(wait(sure(HIDE_GLUE), stitched(stays), ago_h=3, **EXACT))
    assert told.state == WaitState.PAUSED
    assert told.ready_ms is None
    assert told.progress.median == pytest.approx(0.5, abs=1e-5)
    middle = [
        Stay(log, NOW - 3 * HOUR, NOW - 2 * HOUR),
        Stay(None, NOW - 2 * HOUR, NOW - HOUR),
        Stay(log, NOW - HOUR, NOW),
    ]
    w = wait(sure(HIDE_GLUE), stitched(middle), ago_h=3, **EXACT)
    assert hours(w, one(w).ready_ms) == pytest.approx(5, abs=1e-3)


def test_a_wait_moved_to_a_better_place_is_counted_in_both():
    """Rung: property."""
    stays = [
        Stay(log_of(20, 65), NOW - 4 * HOUR, NOW - 2 * HOUR),
        Stay(log_of(20, 50), NOW - 2 * HOUR, NOW),
    ]
    told = one(wait(sure(HIDE_GLUE), stitched(stays), ago_h=4, basis_h=8, **EXACT))
    assert 0.25 < told.progress.median < 0.5


@pytest.mark.slow
@pytest.mark.parametrize("law", [HIDE_GLUE, WASHED_WOOD, OIL])
@given(t=st.floats(12, 25), rh=st.floats(25, 78), d_t=st.floats(0.1, 3), d_rh=st.floats(0.1, 10))
@settings(max_examples=15, deadline=None)
def test_warmer_or_drier_coming_air_is_never_later(law, t, rh, d_t, d_rh):
    """Rung: property."""
    outlook = steady(NOW, t, rh, 40 * 86_400)
    w = wait(sure(law), outlook=outlook, never_shorter=False, **EXACT)
    base = one(w).ready_ms
    for better in (outlook.shifted(temp_k=d_t), outlook.shifted(rh_pct=-d_rh)):
        sooner = one(replace(w, outlook=better)).ready_ms
        assert base is None or sooner <= base + 1


def test_shifted_air_keeps_at_least_one_percent():
    """Rung: property."""
    outlook = steady(NOW, 18, 60, 86_400)
    assert outlook.shifted(rh_pct=-80).rh_pct[0, 0] == 1


def test_the_range_narrows_on_average_as_the_wait_goes_on():
    """Rung: property."""
    random = np.random.default_rng(SEED)
    widths = []
    for _ in range(12):
        steps = np.arange(-96, 192)
        t = 19 + np.cumsum(random.normal(0, 0.1, steps.size))
        rh = 60 + np.cumsum(random.normal(0, 0.7, steps.size))
        rh = np.clip(rh, 30, 76)
        row = []
        for gone in (0, 16, 32):  # half hours of about 12 h
            at = 96 + gone
            now = NOW
            ts = now - (at - np.arange(at)) * 1_800_000
            drift = np.cumsum(random.normal(0, 0.7, (100, 192)), axis=1)
            outlook = AirEnsemble(
                now, 1800.0, np.full((100, 192), t[at]), np.clip(rh[at] + drift, 20, 95)
            )
            w = WaitInputs(
                law=HIDE_GLUE,
                basis_s=12 * 3600,
                start_ms=now - gone * 1_800_000,
                air=air_log(ts, t[:at], rh[:at], now),
                outlook=outlook,
                never_shorter=False,
            )
            told = ready_times([w], now, draws=100)[0]
            high = told.ready_high_ms or told.horizon_ms
            row.append(high - told.ready_low_ms)
        widths.append(row)
    mean = np.mean(widths, axis=0)
    assert mean[0] > mean[1] > mean[2]


@pytest.mark.slow
def test_the_latest_start_is_in_time_and_the_next_one_is_not():
    """Rung: property."""
    outlook, wanted = wandering(), NOW + 30 * HOUR
    waits = [wait(law, outlook=outlook, basis_h=b) for law, b in ((HIDE_GLUE, 8), (SPIRIT, 12))]
    for w, latest in zip(waits, latest_starts(waits, NOW, wanted), strict=True):
        assert NOW < latest.sure_ms <= latest.start_ms <= latest.chance_ms < wanted
        assert one(replace(w, start_ms=latest.sure_ms)).ready_high_ms <= wanted
        assert one(replace(w, start_ms=latest.sure_ms + 600_000)).ready_high_ms > wanted
        assert one(replace(w, start_ms=latest.start_ms)).ready_ms <= wanted
    late = latest_starts([wait(basis_h=8)], NOW, NOW + 7 * HOUR)[0]
    assert late == (None, None, None)


def test_the_latest_start_in_known_reference_air_is_the_basis_before():
    """Rung: property."""
    w = wait(sure(HIDE_GLUE), basis_h=6, **EXACT)
    latest = latest_starts([w], NOW, NOW + 10 * HOUR, step_s=60)[0]
    assert latest.start_ms == pytest.approx(NOW + 4 * HOUR, abs=60_000)


@pytest.mark.parametrize(
    "refused",
    [
        lambda: wait(basis_h=0),
        lambda: wait(basis_h=10_000),
        lambda: wait(spread=-0.1),
        lambda: wait(minimum_s=-1.0),
        lambda: wait(wood_rh_pct=101.0),
        lambda: wait(ago_h=24 * 500),
        lambda: wait(ago_h=-24 * 500),
        lambda: ready_times([wait()], NOW + 1),
        lambda: ready_times([wait()], NOW, draws=0),
        lambda: one(wait(sensor=SensorUncertainty(-1, 2))),
        lambda: one(wait(outlook=steady(NOW + HOUR, 20, 50, 3600))),
        lambda: one(wait(outlook=steady(NOW - 2 * HOUR, 20, 50, 3600))),
        lambda: steady(NOW, 20, 101, 3600),
        lambda: steady(NOW, math.nan, 50, 3600),
        lambda: steady(NOW, 20, 50, 0),
        lambda: steady(NOW, 20, 50, 3600).shifted(temp_k=100),
        lambda: latest_starts([wait()], NOW, NOW),
    ],
)
def test_what_cannot_be_is_refused(refused):
    """Rung: property."""
    with pytest.raises(OutOfRange):
        refused()
