"""The log as pandas tables: the store's values, aware times, units in names, read-only."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
import worked_frames

from monitor import settings as settings_module
from monitor.commands import Commands
from monitor.core.errors import MonitorError
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.wait import Expectation
from monitor.frames import ShopLog, with_derived
from monitor.science.air import dew_point
from monitor.science.wood import equilibrium_moisture_content
from monitor.store import Writer

BERLIN = ZoneInfo("Europe/Berlin")
CHANGE = datetime(2026, 10, 25, tzinfo=UTC)
"""The day on which the hour from 2 to 3 comes twice in Berlin."""
HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """Data folder: a day of air each 5 minutes across the change of the clock, a wait, a viola."""
    data = tmp_path_factory.mktemp("shop")
    (data / "benchweather.toml").write_text(
        '[shop]\ntime_zone = "Europe/Berlin"\naltitude_m = 1500\n'
        '[[places]]\nid = "bench"\nname = "Front bench"\nvolume_m3 = 60\n'
        '[[places]]\nid = "loft"\nrh_low_pct = 40\nrh_high_pct = 50\n'
    )
    settings = settings_module.load(data=data, environ={})
    start = int(CHANGE.timestamp() * 1000)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        for i in range(288):
            at = start + i * 300_000
            writer.write(
                [
                    Reading(Series("bench", "a1", Quantity.TEMPERATURE), at, 18 + i / 100),
                    Reading(Series("bench", "a1", Quantity.HUMIDITY), at, 60 - i / 20),
                ]
            )
        now = start + 24 * HOUR_MS
        commands = Commands(
            writer,
            lambda *_: 5 * 3600.0,
            lambda *_: Expectation(tuple(now + n * HOUR_MS for n in (1, 2, 3)), None),
        )
        viola = {"about": "instrument", "do": "register", "reference": "VA-7", "kind": "viola"}
        commands.carry_out(viola | {"place": "bench", "home_rh_pct": 55, "by": "Ina"}, now)
        opened = {"do": "open", "kind": "cleat", "place": "bench", "instrument": "VA-7"}
        for start_h in (6, 3):
            commands.carry_out(opened | {"start_ms": now - start_h * HOUR_MS, "by": "Ina"}, now)
        commands.carry_out({"do": "release", "wait": "1", "feel": "right", "by": "Ina"}, now)
    return data


@pytest.fixture
def log(shop):
    with ShopLog(shop) as opened:
        yield opened


def test_the_air_of_a_place_is_local_and_right_across_the_change_of_the_clock(log):
    table = log.air("bench", every="hour")
    assert str(table.index.tz) == "Europe/Berlin"
    assert table.index.name == "measured_at"
    assert len(table) == 24
    assert list(table.index.strftime("%H:%M %z")[:3]) == [
        "02:00 +0200",
        "02:00 +0100",
        "03:00 +0100",
    ]
    first = 18 + np.arange(12).mean() / 100
    assert table["temp_c"].iloc[0] == pytest.approx(first)


def test_what_follows_from_the_air_is_beside_it_with_its_unit(log):
    table = log.air("bench")
    assert len(table) == 144
    assert list(table.columns) == [
        "temp_c",
        "rh_pct",
        "dew_point_c",
        "frost_point_c",
        "absolute_humidity_g_m3",
        "humidity_ratio_kg_kg",
        "vapour_pressure_pa",
        "vapour_pressure_deficit_pa",
        "wet_bulb_c",
        "equilibrium_moisture_content_pct",
    ]
    t, rh = table["temp_c"].to_numpy(), table["rh_pct"].to_numpy()
    assert table["dew_point_c"].to_numpy() == pytest.approx(dew_point(t, rh))
    emc = equilibrium_moisture_content(t, rh)
    assert table["equilibrium_moisture_content_pct"].to_numpy() == pytest.approx(emc)


def test_the_pressure_is_that_of_the_shops_altitude(log):
    """Rung: worked example. W = 0.621945 e/(p − e) at the standard pressure of 1,500 m, 84,556 Pa
    (ISO 2533, table; from memory)."""
    one = log.air("bench").iloc[0]
    e = one["vapour_pressure_pa"]
    assert one["humidity_ratio_kg_kg"] == pytest.approx(0.621945 * e / (84_556 - e), rel=1e-4)


@pytest.mark.parametrize(
    ("start", "end", "hours"),
    [
        ("2026-10-25 12:00", None, 13),
        (None, "2026-10-25 02:30+02:00", 1),
        (datetime(2026, 10, 25, 6, tzinfo=UTC), datetime(2026, 10, 25, 9, tzinfo=UTC), 3),
        ("2027-01-01", None, 0),
    ],
)
def test_a_span_is_local_unless_it_says_its_zone(log, start, end, hours):
    assert len(log.air("bench", start, end, every="hour")) == hours


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"place": "bensh"}, "place = 'bensh': must be one of bench"),
        ({"place": "bench", "every": "day"}, "every = 'day': must be one of 10min, hour"),
        ({"place": "bench", "start": "soon"}, "start = 'soon': must be a time"),
        ({"place": "bench", "end": "2026-10-25 02:30"}, "end = '2026-10-25 02:30'"),
    ],
)
def test_what_cannot_be_answered_is_said(log, asked, said):
    with pytest.raises(MonitorError, match=said.replace("(", r"\(")):
        log.air(**asked)


def test_places_have_their_band_and_the_extent_of_their_readings(log):
    table = log.places()
    assert list(table.index) == ["bench", "loft"]
    assert table.loc["loft", ["band_low_pct", "band_high_pct"]].tolist() == [40, 50]
    assert table.loc["bench", "volume_m3"] == 60
    assert table.loc["bench", "first_reading"] == pd.Timestamp(CHANGE)
    assert pd.isna(table.loc["loft", "last_reading"])


def test_each_reading_is_there_once(log):
    table = log.readings()
    assert len(table) == 288
    assert str(table["measured_at"].dt.tz) == "Europe/Berlin"
    assert table["temp_c"].tolist() == pytest.approx([18 + i / 100 for i in range(288)])
    assert len(log.readings("2027-01-01")) == 0


def test_waits_have_what_was_expected_and_what_came(log):
    table = log.waits()
    assert list(table.index) == ["1", "2"]
    done = table.loc["1"]
    assert (done["instrument"], done["type"], done["joint"]) == ("VA-7", "cleat", "right")
    assert done["took_h"] == pytest.approx(6)
    assert done["reference_air_h"] == pytest.approx(5)
    assert done["expected_earliest"] < done["expected_at"] < done["expected_latest"]
    assert pd.isna(table.loc["2", "released_at"])


def test_instruments_are_there_with_their_home(log):
    table = log.instruments()
    assert table.loc["va-7", ["reference", "kind", "home_rh_pct"]].tolist() == [
        "VA-7",
        "viola",
        55,
    ]
    assert str(table["arrived_at"].dt.tz) == "Europe/Berlin"


def test_an_empty_log_gives_empty_tables(tmp_path):
    Writer(settings_module.load(data=tmp_path, environ={}).store_path).close()
    with ShopLog(tmp_path) as log:
        assert [
            len(made()) for made in (log.readings, log.waits, log.instruments, log.alerts)
        ] == [0] * 4
        with pytest.raises(MonitorError, match="must be one of none yet"):
            log.air("bench")


def test_without_a_log_it_is_said_that_there_is_none(tmp_path):
    with pytest.raises(MonitorError, match="there is no log yet"):
        ShopLog(tmp_path / "nothing")


def test_a_table_of_ones_own_gets_what_follows_and_gaps_where_a_formula_does_not_reach():
    table = with_derived(pd.DataFrame({"temp_c": [20.0, 300.0], "rh_pct": [50.0, 50.0]}))
    assert table["dew_point_c"].iloc[0] == pytest.approx(9.27, abs=0.01)
    assert np.isnan(table["dew_point_c"].iloc[1])
    with pytest.raises(MonitorError, match="no column rh_pct"):
        with_derived(pd.DataFrame({"temp_c": [20.0]}))


def test_nothing_can_be_changed_through_it(log):
    with pytest.raises(MonitorError, match="readonly"):
        log._reader.connection.rows("DELETE FROM reading")


@pytest.mark.slow
def test_the_worked_page_prints_what_its_blocks_print():
    assert worked_frames.PAGE.read_text("utf-8") == worked_frames.page(), (
        "run PYTHONPATH=.:tests python tests/generated_texts.py"
    )
