"""Members of the weather forecast in the outlook: drawn whole, corrected, and done without."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import numpy as np
import pytest

from monitor.core.errors import ImportFault
from monitor.domain.forecast import HOUR_MS, Forecast, Members
from monitor.outlook.evaluation import files
from monitor.outlook.files import WeatherMembers
from monitor.outlook.inputs import issues_of
from monitor.outlook.worker import members_in_use
from monitor.science.outlook import forecast_correction, heat_balance, shop_model, vapour_balance
from monitor.science.outlook.fitting import prior_estimate
from monitor.science.outlook.hourly_log import (
    STEPS,
    Issues,
    OutdoorHours,
    ShopHours,
    past_outdoors,
    side_by_side,
)
from monitor.science.outlook.residual_correction import ResidualCorrection
from monitor.science.outlook.ridge import Ridge
from monitor.science.outlook.room_model import RoomModel, prepared_log
from monitor.science.outlook.shop_model import ShopModel, launch, predict
from monitor.science.outlook.weather_members import (
    FEWEST,
    Distances,
    bridged,
    dealt,
    drawn,
    learn_spread,
    member_moments,
    untried,
)
from monitor.store import Reader, Writer, forecasts

FIRST_H, DAYS, LEADS = 490_000, 10, STEPS + 12
USUAL = forecast_correction.usual_sd(np.arange(1, STEPS + 1))
NO_CORRECTION = Ridge(np.zeros(16), np.zeros(16))


def log(*, outdoors: bool = True) -> ShopHours:
    n = 24 * DAYS
    wave = np.sin(2 * np.pi * np.arange(n) / 24)
    out = (2 + wave, np.full(n, -2.0)) if outdoors else (np.full(n, np.nan),) * 2
    return ShopHours(FIRST_H, 18 + wave, 42 - wave, *out)


def issues(members: np.ndarray | None = None) -> Issues:
    """One issue each 6 h, off by half a kelvin or so; the members (members, LEADS) are dew points of
    the last one."""
    at = FIRST_H + np.arange(0, 24 * DAYS, 6)
    ends = at[:, None] + 1 + np.arange(LEADS)
    off = np.random.default_rng(2).normal(0, 0.5, (2, *ends.shape)).cumsum(axis=2) / 4
    air = OutdoorHours(
        2 + np.sin(2 * np.pi * (ends - FIRST_H) / 24) + off[0],
        -2.0 + off[1],
        np.full(ends.shape, 3.0),
    )
    if members is None:
        return Issues(at.astype(float), air)
    none = OutdoorHours(*np.empty((3, 0, LEADS)))
    last = OutdoorHours(members + 4.0, members, np.full(members.shape, 3.0))
    return Issues(at.astype(float), air, side_by_side([none] * (len(at) - 1) + [last], LEADS))


def shop(hours: ShopHours, told: Issues) -> ShopModel:
    """A usual room, and nothing learned but the weather."""
    past, stop = past_outdoors(hours, told), len(hours) - 1
    ends = np.arange(36, stop, 3)
    raw = forecast_correction.forecast_hours(hours, past, told, ends, STEPS)
    return ShopModel(
        RoomModel(prior_estimate(heat_balance.PRIOR), prior_estimate(vapour_balance.PRIOR), 0),
        forecast_correction.learn(hours, past, raw, ends, stop, 0),
        ResidualCorrection((NO_CORRECTION, NO_CORRECTION), np.ones((2, 18))),
        np.full((2, STEPS), 0.1),
    )


def ahead(told: Issues, members: int = 100):
    hours = log()
    k, end = prepared_log(hours, told), np.array([len(hours) - 1])
    return predict(shop(hours, told), k, told, end, members, 3).members[..., 0]


def front(cold: int, of: int = 20) -> np.ndarray:
    """Dew points of members: `cold` of them have a front of 14 K after 36 h."""
    late = np.arange(LEADS) >= 36
    off = np.linspace(-0.3, 0.3, of)[:, None]
    return -2.0 + off - np.where(np.arange(of)[:, None] < cold, 14.0 * late, 0.0)


def test_a_front_that_half_of_the_members_have_is_in_the_range_with_both_its_ends():
    """Rung: property. The mean of both is a weather that no member has."""
    both = ahead(issues(front(10)))[1][:, 96:].mean(axis=1)
    never, always = (
        float(np.median(ahead(issues(front(n)))[1][:, 96:].mean(axis=1))) for n in (0, 20)
    )
    middle = ahead(issues(np.repeat(front(10).mean(0, keepdims=True), 20, axis=0)))
    width = never - always
    assert width > 4
    low, high = np.quantile(both, [0.1, 0.9])
    assert low < always + 0.35 * width
    assert high > never - 0.35 * width
    # Fewer draws lie in the middle third than where the two ways lead.
    third = np.histogram(
        both, [always - width, always + width / 3, never - width / 3, never + width]
    )
    assert third[0][1] < min(third[0][0], third[0][2])
    alone = np.quantile(middle[1][:, 96:].mean(axis=1), [0.1, 0.9])
    assert alone[0] > low + 0.15 * width
    assert alone[1] < high - 0.15 * width


def test_each_draw_takes_one_whole_member():
    """Rung: property. Temperature and dew point of a draw are of the same member at each hour."""
    hours, told = log(), issues(front(10))
    learned = shop(hours, told)
    exact = learned.forecast.members._replace(
        stretch=np.ones((2, STEPS)), rest=np.zeros((2, STEPS))
    )
    learned = replace(learned, forecast=learned.forecast._replace(members=exact))
    found = launch(learned, prepared_log(hours, told), told, len(hours) - 1, 40, 3).air
    cold = found.dew_c[60] < found.dew_c[60].mean()
    assert cold.sum() == 20
    assert np.ptp(found.temp_c[60] - found.dew_c[60]) < 0.5
    for hour in (50, 80, 110):
        assert ((found.dew_c[hour] < found.dew_c[hour].mean()) == cold).all()


@pytest.mark.parametrize("scale", [0.5, 1.0, 2.0])
def test_the_spread_is_corrected_by_what_the_errors_were(scale):
    """Rung: independent derivation. Errors of 2 K × the day's factor; members `scale` as far apart."""
    random = np.random.default_rng(4)
    leads = np.array([6, 12, 24, 48, 72])
    factor = np.exp(random.normal(0, 0.6, 400))
    truth_sd = 2.0 * factor * np.ones((2, 5, 1))
    error = random.normal(0, truth_sd)
    found = learn_spread(
        error,
        (scale * truth_sd) ** 2,
        forecast_correction.usual_sd(leads),
        1.0,
        leads,
        USUAL,
        24.0,
    )
    assert found.stretch.mean() * scale == pytest.approx(1.0, abs=0.15)
    assert (found.rest < 0.35 * USUAL).all()
    assert found.days == 400


def test_members_that_tell_nothing_of_the_error_are_not_believed():
    """Rung: property. What is left is then the usual error, as without members."""
    random = np.random.default_rng(5)
    leads = np.array([6, 12, 24, 48, 72])
    usual = forecast_correction.usual_sd(leads)
    error = random.normal(0, 1, (2, 5, 400)) * usual[:, None]
    spread = np.exp(random.normal(0, 1.0, (2, 1, 400))) * np.ones((1, 5, 1))
    found = learn_spread(error, spread, usual, 1.0, leads, USUAL, 24.0)
    assert (found.stretch < 0.4).all()
    assert found.rest == pytest.approx(np.stack([USUAL, USUAL]), rel=0.2)


def test_before_any_record_the_members_are_taken_as_they_are():
    """Rung: property."""
    found = untried(USUAL)
    assert (found.stretch == 1).all()
    assert found.days == 0


def test_members_with_gaps_and_early_ends_keep_the_spread_whole():
    """Rung: property. Where members are silent the forecast's usual error takes over."""
    random = np.random.default_rng(6)
    off = random.normal(0, 1.5, (3, 12, 1, 1)) * np.ones((1, 1, STEPS, 1))
    off[:, 3, 20:30] = np.nan  # a gap
    off[:, 4, :] = np.nan  # silent throughout
    off[:, 5:, 48:] = np.nan  # end early: too few are left
    temp, dew = np.moveaxis(off[:2], -1, 0)[0]
    variance = member_moments(temp, dew).variance[..., None]
    assert np.isnan(variance[:, 60]).all()
    plain = np.stack([USUAL, USUAL])
    own, sd = drawn(Distances(off, variance), untried(USUAL), plain, 200, random)
    assert not np.isnan(own).any()
    whole = (own[:2] ** 2).mean(axis=1) + sd**2
    assert whole[:, 60:, 0] == pytest.approx(plain[:, 60:] ** 2, rel=0.3)
    assert whole[0, 40, 0] >= variance[0, 40, 0]
    assert bridged(off[0])[3, 25, 0] == pytest.approx(off[0, 3, 19, 0] * np.exp(-6 / 24))
    taken = dealt(~np.isnan(off[0]).all(axis=1), 200, random)
    assert sorted(set(taken[:, 0])) == [0, 1, 2, 3, *range(5, 12)]


@pytest.mark.parametrize("left", [0, FEWEST - 1])
def test_a_source_that_sends_no_members_any_more_gives_what_it_gave_without(left):
    """Rung: property. The same draws, bit by bit; so with too few members to tell a spread."""
    some = front(10)[:left] if left else np.full((6, LEADS), np.nan)
    with_none = ahead(issues(some))
    assert np.array_equal(with_none, ahead(issues()))


def test_the_range_without_a_sensor_holds_the_error_of_the_forecasts_that_stand_for_it():
    """Rung: property. A newer issue is not the truth: at one hour, both are the same issue."""
    hours = log(outdoors=False)
    sd = shop(hours, issues()).forecast.sd
    assert (sd[:, 0] > 0.6 * USUAL[0]).all()
    assert (shop(log(), issues()).forecast.sd[:, 0] < sd[:, 0]).all()


def test_a_short_log_learns_the_forecasts_errors_from_issues_older_than_it():
    """Rung: property. Forecasts that turn 3 K too warm with their lead; in a log of five days, and
    with the archive of fifty days before it."""
    at = FIRST_H + np.arange(-24 * 50, 24 * 5, 6)
    lead = np.arange(LEADS) * np.ones((len(at), 1))
    off = np.random.default_rng(3).normal(0, 0.4, (2, *lead.shape))
    warm = 5 + 3 * np.minimum(lead / 24, 1) + off[0]
    told = Issues(at.astype(float), OutdoorHours(warm, -2 + off[1], np.full(lead.shape, 3.0)))
    n = 24 * 5
    hours = ShopHours(FIRST_H, np.full(n, 18.0), np.full(n, 45.0), *(np.full(n, np.nan),) * 2)
    k, ends = prepared_log(hours, told), np.array([n - 1])

    def found(some: Issues) -> float:
        room_ends = np.arange(36, n - 1, 3)
        raw = forecast_correction.forecast_hours(hours, k.past, some, room_ends, STEPS)
        learned = shop_model._corrector(k, some, raw, room_ends, n - 1, 0)
        ahead_ = forecast_correction.forecast_hours(hours, k.past, told, ends, STEPS)
        when = FIRST_H + ends + np.arange(1, STEPS + 1)[:, None]
        return float(forecast_correction.corrected(learned, ahead_, when).temp_c[40:60].mean())

    late = at >= FIRST_H
    own = Issues(told.issued_h[late], OutdoorHours(*(field[late] for field in told.air)))
    assert abs(found(told) - 5) < 0.5 * abs(found(own) - 5)


def test_a_score_reads_the_members_of_an_exported_file(tmp_path):
    lines = ["issued_at,valid_at,temp_c,rh_pct,wind_m_s,pressure_hpa,member"]
    for member in ("", "1", "2", "12"):
        for h in range(24):
            value = 5 if not member else 5 + int(member)
            lines.append(f"2026-01-10T06:00Z,2026-01-{10 + (6 + h) // 24}T{(6 + h) % 24:02}:00Z,")
            lines[-1] += f"{value},80,,,{member}"
    path, log = tmp_path / "forecasts.csv", tmp_path / "log.csv"
    read = [f"2026-01-{1 + h // 24:02}T{h % 24:02}:00Z,bench,20,50" for h in range(15 * 24)]
    log.write_text("\n".join(["time,place,temp_c,rh_pct", *read]))
    path.write_text("\n".join(lines))
    found = files.read(log, path).issues
    assert found.air.temp_c[0, :3].tolist() == [5.0] * 3
    assert found.members.temp_c[0, :, 0].tolist() == [6.0, 7.0, 17.0]
    assert np.isnan(found.members.temp_c[0, :, 30]).all()
    path.write_text("\n".join([lines[0], *(x for x in lines[1:] if not x.endswith(","))]))
    assert files.read(log, path).issues.air.temp_c[0, 0] == pytest.approx(10.0)
    path.write_text("\n".join(lines).replace(",12", ",a"))
    with pytest.raises(ImportFault, match=r"line 74: member 'a' must be a whole number"):
        files.read(log, path)


def test_the_store_gives_the_outlook_the_members_that_were_known_then(tmp_path):
    at = np.arange(FIRST_H, FIRST_H + 40) * HOUR_MS
    flat = np.full(40, 5.0)
    plain = Forecast("roof", None, int(at[0]), at, flat, flat + 70, flat, flat + 1e5)
    near = np.where(np.arange(40) < 30, 1.0, np.nan) * np.ones((6, 1))
    members = Members(near * (4 + np.arange(6)[:, None]), near * 75, near)
    later = replace(plain, issued_ms=int(at[1]), members=members)
    path = tmp_path / "readings.sqlite3"
    with contextlib.closing(Writer(path)) as writer, contextlib.closing(Reader(path)) as reader:
        with writer.connection.transaction() as run:
            for one in (plain, later):
                forecasts.add(run, one, one.issued_ms)
        now_ms = int(at[2])
        told = issues_of(reader, ["roof"], now_ms, 3)
        found = told.distances_after(np.array([FIRST_H + 2]), STEPS)
        assert found.off[0, :, 5, 0].tolist() == [-2.5, -1.5, -0.5, 0.5, 1.5, 2.5]
        assert (
            told.distances_after(np.array([FIRST_H]), STEPS).variance[0, 5, 0] != 0
        )  # plain: none
        used = forecasts.newest(reader, now_ms)
        # Values up to 29 h after the first: hours ending 3 to 29 h after it lie between two of them.
        assert members_in_use(used, told, FIRST_H + 3, 12.0) == WeatherMembers(6, 27, 12.0)
        assert members_in_use(plain, told, FIRST_H + 1, 12.0) == WeatherMembers(0, 0, 12.0)
