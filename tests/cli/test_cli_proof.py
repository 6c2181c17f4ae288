"""Own proof from the terminal, against the commands in this process and stored air."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import command_server
import numpy as np
import pytest
from command_server import opened

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.cautions import DEFERS, WORDS, Caution
from monitor.science.case.presets import PRESETS
from monitor.science.quantiles import QuantileRange
from monitor.waits.proof_text import conclusions, sheet_value

make_command_server = command_server.make_command_server  # fixtures
six_days = command_server.six_days


@pytest.fixture
def shop(make_command_server, six_days):
    return opened(make_command_server(), six_days)


def ago(hours):
    moment = datetime.fromtimestamp(now_ms() / 1000, UTC) - timedelta(hours=hours)
    return moment.isoformat(timespec="minutes")


def shown(shop, number="1"):
    return json.loads(shop.command("proof", "show", number, "--json").stdout)


@pytest.mark.slow
def test_a_coupon_is_weighed_until_it_tells_its_offset_and_lag(shop):
    started = shop.command(
        "proof", "start", "coupon", "bench", "--dry-g", "20", "--dry-u-g", "0.01",
        "--balance-g", "0.01", "--name", "spruce A",
    )  # fmt: skip # several on a line, as they are typed
    assert "Proof 1: Weighed coupon, spruce A, at bench. Running." in started.stdout
    for caution in (WORDS[Caution.OVEN], DEFERS, "6 more measurements needed"):
        assert caution in " ".join(started.stdout.split())
    shop.environment["BENCHWEATHER_BOARD__TEMPERATURE_UNIT"] = "F"
    in_fahrenheit = " ".join(shop.command("proof", "show", "1").stdout.split())
    assert "dried at 217 °F by a laboratory" in in_fahrenheit
    assert "°C" not in in_fahrenheit
    del shop.environment["BENCHWEATHER_BOARD__TEMPERATURE_UNIT"]
    # Truth: 0.5 points above the EMC at 20 °C and 50 % (9.27, Wood Handbook), τ = 20 h.
    for hours in (100, 95, 90, 80, 70, 60, 40, 20, 2):
        moisture = 9.77 + 2.5 * np.exp(-(100 - hours) / 20)
        mass = f"{20 * (1 + moisture / 100):.3f}"
        done = shop.command("proof", "add", "1", "--mass-g", mass, "--at", ago(hours))
    assert done.returncode == 0, done.stderr
    assert "points of moisture damper" in done.stdout
    found = shown(shop)
    assert found["so_far"]["offset_pct"]["median"] == pytest.approx(0.5, abs=0.1)
    assert found["so_far"]["tau_h"]["median"] == pytest.approx(20, rel=0.1)
    assert "changes nothing by itself" in shop.command("proof", "finish", "1", "--use").stderr
    finished = shop.command("proof", "finish", "1").stdout
    assert "Finished." in finished
    assert "The moisture on Wood does not use it" in finished
    assert shown(shop)["result"]["offset_pct"][1] == pytest.approx(0.5, abs=0.1)
    assert "Weighed coupon, spruce A" in shop.command("proof", "list").stdout


@pytest.mark.slow
def test_a_weighed_humidifier_gives_the_input_of_the_clients_sheet(shop):
    case = PRESETS["violin, hard case"]
    now = now_ms()
    shop.writer.write(
        [
            Reading(Series("rack", "case", quantity), now - 300_000 * i, value)
            for quantity, value in ((Quantity.TEMPERATURE, 20.0), (Quantity.HUMIDITY, 65.0))
            for i in range(12 * 130)
        ]
    )
    done = shop.command(
        "proof", "start", "case-leak", "rack", "--room", "bench", "--case", case.name,
        "--balance-g", "0.01",
    )  # fmt: skip # several on a line, as they are typed
    assert WORDS[Caution.CASE_HUMIDIFIER] in done.stdout
    # Rung: independent. 6 air changes a day of 18 L, 0.1729 g/m³ for each % RH at 20 °C, 15 % above.
    loss = 6 * 18 / 1000 * 0.1729 * 15
    for day in range(6):
        fields = ["--mass-g", f"{40 - loss * day:.3f}", "--at", ago(24 * (5 - day) + 1)]
        done = shop.command("proof", "add", "1", *fields)
    found = shown(shop)["so_far"]["changes_day"]
    assert found["low"] < 6 < found["high"]
    assert found["median"] == pytest.approx(6, rel=0.05)
    assert "--set closed_changes_day=" in done.stdout
    assert shop.command("proof", "finish", "1").returncode == 0


@pytest.mark.slow
def test_a_lap_needs_its_times_and_is_corrected_or_struck_out(shop):
    started = shop.command("proof", "start", "laps", "bench", "--kind", "cleat")
    assert "If you glue now, release three at" in started.stdout
    add = ("proof", "add", "1", "--judgement", "held")
    assert "glued is missing" in shop.command(*add).stderr
    done = shop.command(*add, "--glued", ago(12), "--at", ago(2))
    assert "5 more measurements needed, 6 in all." in done.stdout
    (one,) = shown(shop)["measurements"]
    assert one["equivalent_s"] == pytest.approx(36_000, rel=0.02)  # reference air
    shop.command("proof", "correct", "1", "1", "--judgement", "soft")
    assert shown(shop)["measurements"][0]["judgement"] == "soft"
    shop.command("proof", "correct", "1", "1", "--strike")
    assert shown(shop)["measurements"] == []
    assert "is withdrawn" in shop.command("proof", "withdraw", "1").stdout
    assert "is withdrawn" in shop.command(*add, "--glued", ago(12)).stderr


def test_no_measurement_is_taken_without_its_air(shop):
    shop.command(
        "proof", "start", "coupon", "attic", "--start-moisture", "9", "--balance-g", "0.01"
    )
    for hours in (100, 90, 70, 50, 30, 2):
        done = shop.command("proof", "add", "1", "--mass-g", "21.8", "--at", ago(hours))
    assert "log of the place has gaps" in done.stdout
    assert "cannot be finished yet" in shop.command("proof", "finish", "1").stderr


def test_figures_of_a_result_are_written_without_exponents():
    ranges = {name: QuantileRange(104.0, 123.4, 1234.0) for name in ("tau_h", "changes_day")}
    said = " ".join(conclusions(ranges))
    assert "in 123 h (104 to 1234 h)" in said
    assert "--set closed_changes_day=123." in said
    assert sheet_value(QuantileRange(1, 7.24, 9)) == "closed_changes_day=7.2"
