"""The log sent again over MQTT: the same readings, once, to the last bit."""

from __future__ import annotations

import contextlib
import itertools
import time

import numpy as np
import pytest
from conftest import CLOCK_STEP_MS, Mosquitto, benchweather, free_port, needs, until
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.clock import now_ms
from monitor.core.errors import BrokerUnavailable
from monitor.core.measurements import MEASURES, Quantity, Reading, Series
from monitor.readings import export
from monitor.readings import replay as replaying
from monitor.readings.payload.senml import Senml, pack
from monitor.store import Reader, Writer

HOUR = 3_600_000
NOW = 1_780_000_000_000
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
KEYS = st.tuples(st.sampled_from(Quantity), st.integers(0, 40 * 86_400_000))


@given(st.dictionaries(KEYS, st.floats(0, 1), min_size=1, max_size=50))
def test_a_pack_reads_as_the_readings_it_was_made_of(rows):
    readings = [
        Reading(Series("bench", "a", q), NOW + at, m.low + share * (m.high - m.low))
        for (q, at), share in rows.items()
        for m in [MEASURES[q]]
    ]
    decoded = Senml("bench", "a")(pack(readings), NOW + 50 * 86_400_000)
    assert decoded.readings == readings
    assert decoded.timed
    assert not decoded.faults


def stored(store):
    """Every row of a store as it was told."""
    if not store.exists():
        return {}
    with contextlib.closing(Reader(store)) as reader:
        return {
            series: list(
                zip(*map(np.ndarray.tolist, reader.raw_values(series, 0, 2**53)), strict=True)
            )
            for series in reader.raw_extents(0, 2**53)
        }


@pytest.fixture
def log(tmp_path):
    """A shop's data folder: two sensors over 50 days, a reading of each 20 minutes."""
    rng, end = np.random.default_rng(11), now_ms() - HOUR
    folder = tmp_path / "shop"
    folder.mkdir()
    with contextlib.closing(Writer(folder / "readings.sqlite3")) as writer:
        for place, sensor, quantity in (
            ("bench", "a1", T),
            ("bench", "a1", RH),
            ("case", "c1", Quantity.SURFACE_TEMPERATURE),
        ):
            times = range(end - 50 * 24 * HOUR, end, HOUR // 3)
            values = rng.normal(30, 2, len(times)).tolist()
            series = Series(place, sensor, quantity)
            writer.write([Reading(series, t, v) for t, v in zip(times, values, strict=True)])
    return folder


@pytest.mark.slow
@pytest.mark.broker
def test_a_log_replayed_into_a_running_service_is_there_exactly_once(log, service, tmp_path):
    broker = f"mqtt://127.0.0.1:{service.port}"

    def replay(*more):
        done = benchweather("sensor", "replay", *more, "--broker", broker, "--data", str(log))
        assert done.returncode == 0, done.stderr
        return done.stdout

    sent = stored(log / "readings.sqlite3")
    assert "10800 readings sent to mqtt://" in replay()
    until(lambda: stored(service.store) == sent, what="every row is there")
    replay()
    made = benchweather("export", "--raw", "--out", str(tmp_path / "raw.csv"), "--data", str(log))
    assert made.returncode == 0, made.stderr
    replay(str(tmp_path / "raw.csv"), "--place", "bench")
    with contextlib.closing(Reader(service.store)) as reader:
        until(lambda: reader.tallies()["repeats"] == 10_800 + 7_200, what="the repeats have come")
        own = service.command("sensor", "replay", "--sensor", "c1")  # to the shop's own broker
        assert "3600 readings sent" in own.stdout, own.stderr
        until(lambda: reader.tallies()["repeats"] == 21_600, what="and those from its own log")
        assert reader.tallies()["refused"] == 0
    assert stored(service.store) == sent

    before = now_ms()
    assert "3600 readings sent" in replay("--as-now", "--sensor", "c1")
    surface = Series("case", "c1", Quantity.SURFACE_TEMPERATURE)
    until(lambda: len(stored(service.store)[surface]) == 7_200, what="the shifted ones are there")
    last_ms = stored(service.store)[surface][-1][0]
    assert before - CLOCK_STEP_MS <= last_ms <= now_ms() + CLOCK_STEP_MS


def test_a_raw_export_is_read_again_to_the_last_bit(log, tmp_path):
    for name in ("raw.csv", "raw.parquet"):
        path = tmp_path / name
        assert (
            benchweather("export", "--raw", "--out", str(path), "--data", str(log)).returncode == 0
        )
        held = {
            series: list(zip(ts.tolist(), values.tolist(), strict=True))
            for series, (ts, values) in export.read_raw(path).items()
        }
        assert held == stored(log / "readings.sqlite3")


HEAD = "measured_at,place,sensor,raw_temp_c,raw_rh_pct\n"
FILES = [
    ("measured_at,place,sensor,temp_c\n", "has a column temp_c, which raw files do not have"),
    ("time,T\n", "has no column measured_at: make the file with export --raw"),
    ("", "is not a table"),
    (HEAD + "soon,a,b,20,\n", "line 2: 'soon' is not a time"),
    (
        HEAD + "2026-01-01T00:00:00Z,a,b,20,\n2026-01-01T00:00:00Z,a,b,hot,\n",
        "line 3: 'hot' in raw",
    ),
    (HEAD + "2026-01-01T00:00:00Z,a,b,99,\n", "temperature must be -60 to 85 °C"),
    (HEAD + "2026-01-01T00:00:00Z,a/c,b,20,\n", "line 2: place 'a/c'"),
    (HEAD + "2019-01-01T00:00:00Z,a,b,20,\n", "a service rejects times before 2020"),
    (HEAD + "2126-01-01T00:00:00Z,a,b,20,\n", "UTC, in the future"),
    (HEAD, "no readings in that time"),
]


@pytest.mark.parametrize(("text", "why"), FILES, ids=[why[:20] for _, why in FILES])
def test_a_file_that_cannot_be_sent_is_told_in_a_line(tmp_path, text, why):
    (tmp_path / "raw.csv").write_text(text)
    done = benchweather("sensor", "replay", str(tmp_path / "raw.csv"), "--data", str(tmp_path))
    assert (done.returncode, done.stderr.count("\n")) == (1, 1), done.stderr
    assert why in done.stderr


WRONG = [
    (["--pace", "0"], 2, "must be above 0"),
    (["--as-now"], 2, "another broker with --broker"),
    (["--user", "x"], 2, "must be given together"),
    (["--broker", "http://x"], 2, "must be mqtt://host:port"),
    (["--broker", "mqtt://me:mine@x"], 2, "a password goes into"),
    (["--from", "soon"], 2, "must be a day or time"),
    (["--from", "2025-02-01", "--to", "2025-01-01"], 2, "is not before"),
    (["--place", "attic"], 1, "no place attic there: it has bench, case"),
    (["--sensor", "z"], 1, "no sensor z there: it has a1, c1"),
    (["--place", "case", "--sensor", "a1"], 1, "no readings in that time"),
    (["--to", "2021-01-01"], 1, "no readings in that time"),
    (["/nowhere.csv"], 1, "/nowhere.csv: No such file"),
]


@pytest.mark.slow
def test_what_cannot_be_sent_is_told_in_a_line(log):
    for arguments, code, why in WRONG:
        done = benchweather("sensor", "replay", *arguments, "--data", str(log))
        assert (done.returncode, done.stderr.count("\n")) == (code, 1), (arguments, done.stderr)
        assert why in done.stderr
        assert "mine" not in done.stderr


@pytest.mark.broker
def test_a_broker_that_is_away_or_lets_nobody_in_is_told_at_once(log, tmp_path, monkeypatch):
    monkeypatch.setattr("monitor.cli.sending.ANSWER_S", 0.5)
    away = f"mqtt://127.0.0.1:{free_port()}"
    done = benchweather("sensor", "replay", "--broker", away, "--data", str(log))
    assert (done.returncode, done.stderr) == (1, f"{away}: no answer\n")
    monkeypatch.setattr("monitor.cli.sending.ANSWER_S", 100.0)
    needs("mosquitto", "mosquitto")
    (tmp_path / "who").write_text("")
    broker = Mosquitto(tmp_path, "allow_anonymous false", f"password_file {tmp_path / 'who'}")
    broker.start()
    (tmp_path / "password").write_text("wrong\n")
    began = time.monotonic()
    done = benchweather(
        "sensor",
        "replay",
        "--broker",
        broker.url,
        "--data",
        str(log),
        "--user",
        "shop",
        "--password-file",
        str(tmp_path / "password"),
    )
    broker.stop()
    assert (done.returncode, done.stderr.count("\n")) == (1, 1), done.stderr
    assert "rejected: " in done.stderr
    assert time.monotonic() - began < 60  # it did not wait for another answer


class Scripted:
    """Stands for a publisher whose broker acknowledges at once; notes when what was sent."""

    def __init__(self):
        self.sent = []

    def publish(self, topic, payload):
        self.sent.append((time.monotonic(), topic, payload))
        return lambda wait_s: None


def test_at_a_pace_messages_go_in_order_and_not_before_they_are_due(log):
    with contextlib.closing(Reader(log / "readings.sqlite3")) as reader:
        end = max(last for _, _, last in reader.raw_extents(0, 2**53).values()) + 1
        stretch = replaying.of_store(reader, start_ms=end - HOUR, end_ms=end)
        messages = list(replaying.messages(stretch, 0, in_order=True))
    times = [message.measured_ms for message in messages]
    assert times == sorted(times)
    assert [message.topic for message in messages] == 3 * [
        "benchweather/bench/a1",
        "benchweather/case/c1",
    ]
    assert [message.readings for message in messages] == 3 * [2, 1]
    publisher, acknowledged = Scripted(), []
    began = time.monotonic()
    assert replaying.send(publisher, messages, acknowledged.append, pace=12_000) == 9
    assert sum(acknowledged) == 9
    for (at, _, _), measured_ms in zip(publisher.sent, times, strict=True):
        assert at - began >= (measured_ms - times[0]) / 1000 / 12_000
    assert all(a[0] <= b[0] for a, b in itertools.pairwise(publisher.sent))


class Lost(Scripted):
    """Its connection is lost with the third message."""

    def publish(self, topic, payload):
        def wait(wait_s):
            if self.sent[2:]:
                raise BrokerUnavailable("lost")

        super().publish(topic, payload)
        return wait


@pytest.mark.slow
def test_a_lost_connection_is_told_with_what_had_arrived(log, monkeypatch):
    with contextlib.closing(Reader(log / "readings.sqlite3")) as reader:
        stretch = replaying.of_store(reader, start_ms=0, end_ms=2**53, sensors=["c1"])
        acknowledged = []
        monkeypatch.setattr(replaying, "ON_THE_WAY", 0)
        with pytest.raises(BrokerUnavailable, match="lost"):
            replaying.send(
                Lost(), replaying.messages(stretch, 0, in_order=False), acknowledged.append
            )
    assert acknowledged == [100, 100]


def test_one_who_stops_it_is_told_what_had_arrived(log, monkeypatch):
    def stopped(publisher, to_send, acknowledged, pace):
        acknowledged(next(to_send).readings)
        raise KeyboardInterrupt

    monkeypatch.setattr(replaying, "send", stopped)
    monkeypatch.setattr("monitor.mqtt.client.Publisher.connect", lambda *_: None)
    done = benchweather("sensor", "replay", "--data", str(log))
    assert done.returncode == 130
    assert "100 of 10800 readings had arrived" in done.stderr
