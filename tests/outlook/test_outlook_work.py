"""The outlook from a real store of readings and forecasts: learned, looked at, kept, told."""

from __future__ import annotations

import contextlib
import dataclasses
from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.air.place_means import places
from monitor.alerting import observations
from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Commands, Journal
from monitor.core.measurements import Quantity, Reading
from monitor.domain.alerts import alert
from monitor.domain.alerts.rule_registry import in_use
from monitor.domain.events import About, Event
from monitor.outlook import files, worker
from monitor.outlook import issued as issued_outlooks
from monitor.outlook.inputs import fills_of, hours_of, humidifier_at, issues_of
from monitor.outlook.place_air import PlaceAirs
from monitor.outlook.summary import dry_words, foreseen, spell_words
from monitor.outlook.worker import Work
from monitor.science.outlook import ensemble_statistics, tank
from monitor.science.outlook.forecaster import LearnedForecaster
from monitor.science.outlook.hourly_log import STEPS
from monitor.science.outlook.room_model import Tank, prepared_log, room_description
from monitor.settings import load
from monitor.store import Reader, Writer, forecasts, journal
from sensors.demo.forecasts import Forecasts, issues
from sensors.demo.shop import BENCH, OUTDOORS, DemoShop

pytestmark = pytest.mark.slow

HOUR = 3_600_000
DAY = 24 * HOUR
NOW = int(datetime(2026, 11, 20, 12, 7, tzinfo=UTC).timestamp() * 1000)
DAYS = 28
CONFIG = """
[shop]
time_zone = "Europe/Paris"
[[places]]
id = "front-bench"
rh_low_pct = 40
rh_high_pct = 60
volume_m3 = 75
[[places]]
id = "outdoors"
kind = "outdoors"
[[reservoirs]]
id = "tank"
place = "front-bench"
"""


@pytest.fixture(scope="module")
def settings(tmp_path_factory):
    folder = tmp_path_factory.mktemp("outlook")
    (folder / "config.toml").write_text(CONFIG, encoding="utf-8")
    settings = load(data=folder / "data", config=folder / "config.toml")
    shop, told = DemoShop(7, settings.zone), Forecasts(7, settings.zone)
    ts, values = shop.readings(NOW - DAYS * DAY, NOW, 600_000)
    settings.store_path.parent.mkdir(parents=True, exist_ok=True)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        for series, column in values.items():
            if series.place in (BENCH, OUTDOORS) and series.quantity is not Quantity.PRESSURE:
                writer.write(
                    [
                        Reading(series, t, v)
                        for t, v in zip(ts.tolist(), column.tolist(), strict=True)
                    ]
                )
        with writer.connection.transaction() as run:
            for issued in issues(NOW - DAYS * DAY, NOW):
                forecasts.add(run, told.issued(issued), issued + 60_000)
    return settings


@pytest.fixture(scope="module")
def looked(settings):
    with contextlib.closing(Reader(settings.store_path)) as reader:
        work = Work(settings, reader)
        work.look_all(NOW)
        assert not files.fit(settings, BENCH).tried
        work.learn_all(NOW - DAY)
        assert files.fit(settings, BENCH).tried
        assert files.walk_state(settings, BENCH).forecaster.stop_h == NOW // HOUR - 24
        work.look_all(NOW - 26 * HOUR)
        work.look_all(NOW - 25 * HOUR)
        work.learn_all(NOW)
        assert files.walk_state(settings, BENCH).forecaster.stop_h == NOW // HOUR
        work.look_all(NOW)
        yield reader


def test_hours_are_the_means_of_the_readings_and_nothing_of_the_hour_under_way(settings):
    with contextlib.closing(Reader(settings.store_path)) as reader:
        last = NOW // HOUR
        hours = hours_of(reader, BENCH, OUTDOORS, last, 10, np.array([last // 24]))
    assert hours is not None
    assert hours.first_h + len(hours) - 1 == last
    assert hours.closed.tolist() == [last // 24]
    ts, values = DemoShop(7, settings.zone).readings(NOW - 2 * HOUR, NOW, 600_000)
    inside = (ts >= (last - 1) * HOUR) & (ts < last * HOUR)
    told = {s.quantity: column[inside] for s, column in values.items() if s.place == BENCH}
    assert inside.sum() == 6
    assert hours.temp_c[-1] == pytest.approx(told[Quantity.TEMPERATURE].mean(), abs=1e-9)
    assert hours.rh_pct[-1] == pytest.approx(told[Quantity.HUMIDITY].mean(), abs=1e-9)
    newest = [told[q][-1] for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)]
    assert hours.newest[:, -1] == pytest.approx(newest, abs=1e-9)
    assert np.isnan(hours.newest[:, :-24]).all()
    assert hours.has_outdoors


def test_a_forecast_counts_from_when_it_was_known_and_tells_of_the_hours_after(settings):
    with contextlib.closing(Reader(settings.store_path)) as reader:
        found = issues_of(reader, [], NOW, DAYS)
    last = int(NOW // (6 * HOUR)) * 6 * HOUR
    assert found.issued_h[-2] == pytest.approx(last / HOUR - 6 + 1 / 60)
    # Known at 12:01: what is looked at at 12:07, from the end of the hour before, rests on it.
    assert found.newest(np.array([NOW // HOUR]))[0] == len(found.issued_h) - 1
    one = Forecasts(7, settings.zone).issued(last)
    # The first hour runs from the issue to an hour later: the mean of its two ends.
    assert found.air.temp_c[-1, 0] == pytest.approx(one.temp_c[:2].mean())
    assert np.isnan(found.air.temp_c[-1, -1])  # beyond its reach


def test_forecasts_are_read_from_the_archive_once(settings, monkeypatch):
    with contextlib.closing(Reader(settings.store_path)) as reader:
        known = {}
        first = issues_of(reader, [], NOW, DAYS, known)
        reads, read = [], forecasts.read
        monkeypatch.setattr(forecasts, "read", lambda *a: reads.append(a) or read(*a))
        again = issues_of(reader, [], NOW, DAYS, known)
        assert len(reads) == 1  # the newest, for its source
        np.testing.assert_array_equal(again.issued_h, first.issued_h)
        for one, other in zip(again.air, first.air, strict=True):
            np.testing.assert_array_equal(one, other)
        issues_of(reader, [], NOW - 20 * DAY, 2, known)
        assert 0 < len(known) < len(first.issued_h)  # older ones are let go


def test_what_is_kept_is_read_back_whole(settings, looked):
    found = files.look(settings, BENCH, NOW)
    assert found is not None
    assert found.air.shape[0] == 2
    assert found.air.shape[2] == STEPS
    assert found.start_ms <= NOW < found.start_ms + HOUR
    assert (found.source, found.issued_ms % (6 * HOUR)) == ("demo", 0)
    assert (found.outdoors, found.u_rh_pct) == (True, settings.sensor.rh_accuracy_pct)
    assert np.isnan(found.held)  # of the last days only three outlooks are kept
    assert len(found.launch.summer.changes_h) == len(found.launch.summer.ahead_h) - 1
    fit = files.fit(settings, BENCH)
    assert fit is not None
    assert fit.tried
    assert isinstance(fit.learned, LearnedForecaster)
    files.keep(settings, fit)
    again = files.fit(settings, BENCH)
    for name in ("mean", "cov", "determined"):
        np.testing.assert_array_equal(
            getattr(fit.learned.shop.room.heat, name), getattr(again.learned.shop.room.heat, name)
        )
    assert repr(dataclasses.replace(again, learned=fit.learned)) == repr(fit)  # NaN is not NaN


def test_it_says_nothing_once_it_is_old(settings, looked):
    assert files.look(settings, BENCH, NOW + files.FRESH_MS - 1) is not None
    assert files.look(settings, BENCH, NOW + files.FRESH_MS) is None


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 no archive", b"\x00" * 500])
def test_a_damaged_file_counts_as_none(settings, looked, tmp_path, content):
    spoilt = dataclasses.replace(settings, data=tmp_path)
    (tmp_path / "outlook").mkdir()
    (tmp_path / "outlook" / f"{BENCH}.storedoutlook.npz").write_bytes(content)
    assert files.look(spoilt, BENCH, NOW) is None


def test_the_outlook_beats_as_it_is_now_on_the_demos_own_log(settings, looked):
    fit = files.fit(settings, BENCH)
    day = next(score for score in fit.scores if score.horizon_h == 24)
    assert day.forecasts > 40
    assert day.of_persistence < 1


def test_what_was_issued_is_kept_and_scored_beside_the_walk(settings, looked):
    """The error of "as it is" follows from the log alone. Rung: independent derivation."""
    issued, fit = files.issued(settings, BENCH), files.fit(settings, BENCH)
    last = NOW // HOUR
    assert issued.walked.moments.tolist() == [last - 26, last - 25, last]
    hours = hours_of(looked, BENCH, OUTDOORS, last, 10, np.array([], np.int64))
    moved = [abs(hours.rh_pct[-1 - back] - hours.rh_pct[-1 - back + 24]) for back in (26, 25)]
    day = next(score for score in fit.issued.scores if score.horizon_h == 24)
    assert day.forecasts == 2
    assert day.mae_persistence == pytest.approx(np.mean(moved), abs=1e-9)
    assert fit.issued.days == pytest.approx(26 / 24)
    assert len(fit.scores) > len(fit.issued.scores)


def test_the_alerts_that_count_are_those_that_were_raised(settings, looked, tmp_path):
    """Of three alerts one met the snap, one came to nothing, one was another rule's."""
    hours = hours_of(looked, BENCH, OUTDOORS, NOW // HOUR, 20, np.array([], np.int64))
    rh = np.full(len(hours), 50.0)
    rh[300:310] = 30.0
    hours = dataclasses.replace(hours, rh_pct=rh)
    kept = files.issued(settings, BENCH)
    moments = np.array([hours.first_h + 60, *kept.walked.moments[1:]])
    walked = kept.walked._replace(moments=moments)
    before = files.issued(settings, BENCH)
    files.keep(settings, dataclasses.replace(kept, walked=walked))
    said = dict.fromkeys(alert._SAID, "") | {
        "urgency": 2,
        "value": 1.0,
        "family": "dry air to come",
    }
    said |= {"subject": BENCH, "label": "Bench", "began_ms": NOW}
    path = tmp_path / "other.sqlite3"
    with contextlib.closing(Writer(path)) as writer:
        for number, (rule, opened, cleared) in enumerate(
            [("dry-snap", 270, 300), ("dry-snap", 100, 130), ("dry-spell", 60, 90)]
        ):
            for action, at, body in (
                (alert.AlertAction.RAISE, opened, said | {"rule": rule}),
                (alert.AlertAction.CLEAR, cleared, {"ended": "begun", "worst": None}),
            ):
                at_ms = (hours.first_h + at) * HOUR
                event = Event(About.ALERT, str(number), at_ms, "", action, body)
                with writer.connection.transaction() as run:
                    journal.append(run, [event])
    with contextlib.closing(Reader(path)) as reader:
        found = issued_outlooks.score(settings, reader, BENCH, hours).snaps
    files.keep(settings, before)
    assert (found.snaps, found.found, found.found_18h, found.false_alarms) == (1, 1, 1, 1)
    assert found.median_lead_h == 30


def test_waits_take_the_air_to_come_from_it(settings, looked):
    found = files.look(settings, BENCH, NOW)
    coming = PlaceAirs(looked, NOW, {}, settings=settings).coming(BENCH)
    np.testing.assert_allclose(coming.rh_pct, found.air[1])
    assert coming.start_ms == found.start_ms
    later = NOW + files.FRESH_MS + HOUR
    other = PlaceAirs(looked, later, {}, settings=settings).coming(BENCH)
    assert other is None or other.rh_pct.shape != coming.rh_pct.shape


def test_rules_of_the_air_to_come_see_it_and_say_it(settings, looked):
    (place,) = (p for p in places(looked, settings) if p.id == BENCH)
    one = foreseen(settings, place, NOW, settings.hours.model_dump())
    journal = Journal(looked)
    sight = observations.snapshot(looked, settings, journal, [], [], ServiceTroubles(), NOW)
    rules = in_use(settings.limits, {})
    (snap,) = (
        s
        for s in observations.observe([rules["dry-snap"]], sight)["dry-snap"]
        if s.subject == BENCH
    )
    assert snap.value == pytest.approx(one.look.chance / one.look.bar)
    (dry,) = observations.observe([rules["dry-spell"]], sight)["dry-spell"]
    if one.dry is None or one.dry.begins_h.middle == 0:
        assert dry.value == 0
    else:
        assert dry.value == pytest.approx(100 * one.dry.chance)
        assert dry.detail == dry_words(one, settings.zone)
        assert "in a room of 75 m³" in dry.detail


def test_a_hot_spell_is_told_in_the_unit_of_the_reader(settings, looked):
    (place,) = (p for p in places(looked, settings) if p.id == BENCH)
    one = foreseen(settings, place, NOW, settings.hours.model_dump())
    spell = ensemble_statistics.spell(one.look.air[0] + 30.0, 28.0, 3, below=False)
    in_c, in_f = (spell_words(one, spell, unit, settings.zone) for unit in ("°C", "°F"))
    assert f"{spell.extreme.middle:.0f} °C" in in_c
    assert f"{1.8 * spell.extreme.middle + 32:.0f} °F" in in_f


def test_an_answer_about_a_humidifier_counts_at_the_next_look(settings, looked):
    before = files.fit(settings, BENCH), files.look(settings, BENCH, NOW)
    shop = before[0].learned.shop
    found = Tank(shop.room.vapour, (tank.USUAL,), 1.0)
    room = dataclasses.replace(shop.room, tank=found)
    learned = dataclasses.replace(
        before[0].learned, shop=dataclasses.replace(shop, room=room), tanks=(True,) * 7
    )
    files.keep(settings, dataclasses.replace(before[0], learned=learned))
    with contextlib.closing(Reader(settings.store_path)) as reader:
        work = Work(settings, reader)
        # The tank in the settings is as good as an answer, until somebody answers.
        assert humidifier_at(reader, settings, BENCH) is True
        assert humidifier_at(reader, dataclasses.replace(settings, reservoirs=()), BENCH) is None
        work.look_all(NOW)
        assert files.look(settings, BENCH, NOW).room.tank is not None
        with contextlib.closing(Writer(settings.store_path)) as writer:
            asked = {"about": "humidifier", "do": "none", "place": BENCH}
            Commands(writer).carry_out(asked, NOW)
        assert humidifier_at(reader, settings, BENCH) is False
        work.look_all(NOW)
        assert files.look(settings, BENCH, NOW).room.tank is None
        with contextlib.closing(Writer(settings.store_path)) as writer:
            Commands(writer).carry_out(asked | {"do": "there"}, NOW)
        assert humidifier_at(reader, settings, BENCH) is True
    for one in before:
        files.keep(settings, one)


def test_fills_that_were_told_reach_the_outlook_and_are_kept(settings, looked, monkeypatch):
    """The demo's humidifier is not simulated in litres: these are what its log bears out."""
    before = files.fit(settings, BENCH)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        commands = Commands(writer, reservoirs={"tank": None})
        for day in range(14, 0, -1):
            asked = {"about": "reservoir", "do": "filled", "reservoir": "tank", "amount": "500 mL"}
            commands.carry_out(asked, NOW - day * DAY)
        commands.carry_out({"about": "reservoir", "do": "filled", "reservoir": "tank"}, NOW - HOUR)
    with contextlib.closing(Reader(settings.store_path)) as reader:
        (fills,) = fills_of(reader, ["tank", "never-filled"])
        assert fills.at_h[0] == pytest.approx((NOW - 14 * DAY) / HOUR)
        assert fills.litres[:-1] == pytest.approx(0.5)
        assert np.isnan(fills.litres[-1])
        work = Work(settings, reader)
        work.indoors()
        logs = []

        def noted(hours, issues):
            logs.append(hours)
            return prepared_log(hours, issues)

        monkeypatch.setattr(worker, "prepared_log", noted)
        (settings.data / "outlook" / f"{BENCH}.learnedplace.npz").unlink()
        work.look_all(NOW)
    days = np.arange(14, 0, -1) * 24
    assert logs[0].filled_h.tolist() == [*(NOW // HOUR + 1 - days), NOW // HOUR]
    fit, look = files.fit(settings, BENCH), files.look(settings, BENCH, NOW)
    found = fit.learned.shop.room.pinned
    assert before.learned.shop.room.pinned is None
    assert found is not None
    assert look.room.pinned.air_change_h == found.air_change_h
    assert np.array_equal(look.room.pinned.water.mean, found.water.mean)
    assert room_description(look.room)["air_change_h"].known
    files.keep(settings, before)
