"""Ingest against a scripted subscription and a real store; the real brokers are in test_path."""

from __future__ import annotations

import contextlib
import json
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from conftest import until
from hypothesis import given
from hypothesis import strategies as st
from scripted_subscription import NOW, TOPIC, Script, arrival

from monitor.commands import TRIES, Commands, Journal
from monitor.core.errors import MonitorError
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.topic_rules import COMMAND_TOPIC, TopicRule
from monitor.domain.wait import Action, Expectation
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.store import Reader, Writer

OPEN = {"place": "bench"}
NUMBER = TopicRule(
    filter="raw/rh",
    place="cellar",
    sensor="k",
    format="number",
    quantity=Quantity.HUMIDITY,
    unit="%RH",
)


@pytest.fixture
def parts(tmp_path):
    script, writer = Script(), Writer(tmp_path / "readings.sqlite3")
    ingest = Ingest(script, Contract([NUMBER]), writer)
    yield ingest, script, Reader(tmp_path / "readings.sqlite3"), writer
    ingest.stop(60)
    writer.close()


def stored(reader):
    return sum(reader.count(i, 0, 2**60) for i in reader.series().values())


def deliver(parts, *arrivals):
    """Hand a group over and wait until that group is acknowledged, whatever came before it."""
    ingest, script, _, _ = parts
    after = [*script.acknowledged, *(one.packet_id for one in arrivals)]
    script.groups.append(list(arrivals))
    if not ingest.running():
        ingest.start()
    until(lambda: script.acknowledged == after)


TIMED = b'[{"bt":1790000000,"u":"Cel","v":20}]'


def test_a_message_is_acknowledged_after_it_can_be_read_back(parts):
    deliver(parts, arrival(1, TIMED))
    assert stored(parts[2]) == 1


def test_a_refused_message_is_kept_counted_and_acknowledged(parts):
    deliver(parts, arrival(1, b"junk"), arrival(2, TIMED))
    reader = parts[2]
    assert stored(reader) == 1
    assert [(k.topic, k.payload) for k in reader.refused(9)] == [(TOPIC, b"junk")]
    assert parts[1].acknowledged == [1, 2]
    assert (reader.tallies()["messages"], reader.tallies()["refused"]) == (2, 1)


def test_a_large_refused_payload_is_cut_and_its_size_told(parts):
    deliver(parts, arrival(1, b"x" * 70_000))
    (kept,) = parts[2].refused(9)
    assert (len(kept.payload), kept.size) == (4096, 70_000)


def test_a_repeat_with_its_own_time_changes_nothing(parts):
    deliver(parts, arrival(1, TIMED), arrival(2, TIMED), arrival(1, TIMED, repeat=True))
    assert stored(parts[2]) == 1


@pytest.mark.parametrize("apart", [True, False])
def test_a_repeat_without_a_time_is_known_by_its_packet(parts, apart):
    first = arrival(5, b"45.5", topic="raw/rh")
    again = arrival(5, b"45.5", topic="raw/rh", repeat=True, at=NOW + 9_000)
    if apart:
        deliver(parts, first)
        deliver(parts, again)
    else:
        deliver(parts, first, again)
    assert stored(parts[2]) == 1
    assert parts[2].tallies()["repeats"] == 1


def test_an_equal_value_sent_anew_is_a_new_reading(parts):
    deliver(parts, arrival(5, b"45.5", topic="raw/rh"))
    deliver(parts, arrival(6, b"45.5", topic="raw/rh", at=NOW + 10_000))
    deliver(parts, arrival(5, b"45.5", topic="raw/rh", at=NOW + 20_000))  # packet ids come round
    assert stored(parts[2]) == 3


def test_a_repeat_of_a_message_that_was_never_stored_is_stored(parts):
    deliver(parts, arrival(5, b"45.5", topic="raw/rh", repeat=True))
    assert stored(parts[2]) == 1


def test_a_retained_value_of_unknown_age_is_not_taken_as_new(parts):
    deliver(parts, arrival(1, b"45.5", topic="raw/rh", retained=True))
    assert stored(parts[2]) == 0
    deliver(parts, arrival(2, TIMED, retained=True))
    assert stored(parts[2]) == 1


@pytest.mark.parametrize("topic", [TOPIC, f"{TOPIC}/{600 * 'x'}"])
def test_a_retained_refused_message_is_kept_once(parts, topic):
    for packet_id in (1, 2):
        deliver(parts, arrival(packet_id, b"junk", topic=topic, retained=True))
    assert len(parts[2].refused(9)) == 1


def test_what_is_wrong_in_a_retained_value_of_unknown_age_is_kept_with_its_reason(parts):
    half = b'[{"n": "temperature", "u": "Cel", "v": 20}, {"n": "humidity", "u": "%RH", "v": 999}]'
    for packet_id in (1, 2):
        deliver(parts, arrival(packet_id, half, retained=True))
    (refused,) = parts[2].refused(9)
    assert "999" in refused.reason
    assert stored(parts[2]) == 0


def test_a_message_that_breaks_the_decoder_is_kept_and_stops_nothing(parts, monkeypatch):
    decode = Contract.decode

    def broken(self, topic, payload, received_ms):
        if payload == b"poison":
            raise ZeroDivisionError("a fault of ours")
        return decode(self, topic, payload, received_ms)

    monkeypatch.setattr(Contract, "decode", broken)
    deliver(parts, arrival(1, b"poison"), arrival(2, TIMED))
    assert stored(parts[2]) == 1
    assert "a fault of ours" in parts[2].refused(1)[0].reason


def test_a_store_that_cannot_be_written_holds_messages_back_until_it_can(parts, monkeypatch):
    ingest, script, reader, writer = parts
    monkeypatch.setattr("monitor.store.writer.RETRY_FIRST_S", 0.02)
    pages = writer.connection.raw.execute("PRAGMA page_count").fetchone()[0]
    writer.connection.raw.execute(f"PRAGMA max_page_count = {pages}")
    many = [
        arrival(i + 1, b'[{"bt":%d,"u":"Cel","v":20}]' % (1_790_000_000 - i)) for i in range(1000)
    ]
    script.groups.append(many)
    ingest.start()
    until(lambda: "full" in ingest.store_trouble)
    assert (script.acknowledged, stored(reader)) == ([], 0)
    with writer.connection.alone():
        writer.connection.raw.execute("PRAGMA max_page_count = 1000000")
    until(lambda: len(script.acknowledged) == 1000)
    assert stored(reader) == 1000
    assert ingest.store_trouble == ""
    assert reader.tallies()["messages"] == 1000


def test_a_store_that_was_deleted_holds_messages_back(parts, monkeypatch):
    ingest, script, _, writer = parts
    monkeypatch.setattr("monitor.store.writer.RETRY_FIRST_S", 0.02)
    writer.address.unlink()
    script.groups.append([arrival(1, TIMED)])
    ingest.start()
    until(lambda: "deleted or replaced" in ingest.store_trouble)
    assert script.acknowledged == []


def opening(commands, **request):
    """A thread that opens a wait, and where its answer or its fault goes."""
    said = []

    def ask():
        try:
            said.append(
                commands.carry_out(
                    {"do": "open", "kind": "cleat", "by": "cli", **OPEN, **request}, NOW
                )
            )
        except MonitorError as exc:
            said.append(exc)

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    return thread, said


def test_a_slow_forecast_for_a_new_wait_holds_no_reading_up(parts):
    reader, writer = parts[2:]
    begun, go_on = threading.Event(), threading.Event()

    def forecast(wait, now_ms):
        begun.set()
        assert go_on.wait(60)
        return Expectation((NOW + 1, NOW + 2, NOW + 3), None)

    asking, said = opening(Commands(writer, expect=forecast), kind="cleat")
    assert begun.wait(60)
    deliver(parts, arrival(1, TIMED))  # returns once it is stored and acknowledged
    assert (stored(reader), said, asking.is_alive()) == (1, [], True)
    go_on.set()
    asking.join(60)
    assert said == [{"waits": ["1"]}]
    assert Journal(reader).waits["1"].foreseen_ms == (NOW + 1, NOW + 2, NOW + 3)


def test_a_command_is_decided_again_when_something_was_done_meanwhile(parts):
    writer, asked = parts[3], []

    def forecast(wait, now_ms):
        asked.append(wait.id)
        if len(asked) == 1:
            commands.carry_out({"do": "open", "kind": "linings", "by": "cli", **OPEN}, NOW)
        return Expectation(None, None)

    commands = Commands(writer, expect=forecast)
    assert commands.carry_out({"do": "open", "kind": "cleat", "by": "cli", **OPEN}, NOW) == {
        "waits": ["2"]
    }
    assert asked == ["1", "1", "2"]
    assert [wait.kind["id"] for wait in commands.journal.waits.values()] == ["linings", "cleat"]


def test_a_command_is_carried_out_however_fast_others_come(parts):
    writer, asked, others = parts[3], [], []

    def forecast(wait, now_ms):
        if wait.kind["id"] == "cleat":
            asked.append(wait.id)
            others.append(opening(commands, kind="linings"))
            if len(asked) <= TRIES:  # after that nothing can come between
                others[-1][0].join(60)
        return Expectation(None, None)

    commands = Commands(writer, expect=forecast)
    answer = commands.carry_out({"do": "open", "kind": "cleat", "by": "cli", **OPEN}, NOW)
    assert (answer, asked) == ({"waits": ["4"]}, ["1", "2", "3", "4"])
    for thread, _ in others:
        thread.join(60)
    assert [said for _, said in others] == [[{"waits": [i]}] for i in ("1", "2", "3", "5")]


@pytest.mark.slow
def test_threads_that_share_a_store_lose_and_mix_up_nothing(tmp_path):
    path, many, each = tmp_path / "readings.sqlite3", 4, 60
    writer = Writer(path)
    reader, commands = Reader(path), Commands(writer)
    start = threading.Barrier(2 * many)

    def write(one):
        start.wait(60)
        for i in range(each):
            assert writer.write([Reading(one, NOW + i, float(i))]).new == 1
            commands.carry_out({"do": "open", "kind": "cleat", "by": "cli", **OPEN}, NOW)

    def read(one):
        start.wait(60)
        for _ in range(each):
            if one in (ids := reader.series()):
                at, values = reader.readings(ids[one], NOW, NOW + each)
                assert (at - NOW == values).all()

    with ThreadPoolExecutor(2 * many) as pool:
        series = [Series("bench", f"a{i}", Quantity.TEMPERATURE) for i in range(many)]
        done = [pool.submit(work, one) for one in series for work in (write, read)]
        for one in done:
            one.result(60)
    assert stored(reader) == many * each
    assert list(commands.journal.waits) == [str(1 + i) for i in range(many * each)]
    writer.close()


def test_a_command_that_comes_again_is_known_for_thirty_days_and_then_forgotten(parts):
    reader, writer = parts[2:]
    commands, day = Commands(writer), 86_400_000
    press = {"do": "open", "kind": "cleat", "by": "cli", "id": "press-1", **OPEN}
    assert commands.carry_out(press, NOW) == {"waits": ["1"]}
    assert writer.prune_commands(NOW + 30 * day) == 0
    assert commands.carry_out(press, NOW + 30 * day) == {"waits": ["1"]}
    assert writer.prune_commands(NOW + 30 * day + 1) == 1
    assert reader.connection.row("SELECT count(*) FROM command_done") == (0,)
    assert commands.carry_out(press, NOW + 31 * day) == {"waits": ["2"]}


@pytest.mark.parametrize("law", [5, [1], "x", {"law": 7}, {"most_rate": "fast"}])
def test_a_command_of_any_shape_is_refused_and_stops_nothing(parts, law):
    command = json.dumps({"do": "kind", "kind": "x", "like": "cleat", "law": law}).encode()
    deliver(parts, arrival(1, command, topic=COMMAND_TOPIC.format("kind")), arrival(2, TIMED))
    assert stored(parts[2]) == 1
    assert len(parts[2].refused(9)) == 1


def test_a_command_about_something_else_than_its_topic_is_refused(parts, caplog):
    command = json.dumps({"about": "instrument", "do": "leave", "instrument": "x"}).encode()
    deliver(parts, arrival(1, command, topic=COMMAND_TOPIC.format("alert")), arrival(2, TIMED))
    (kept,) = parts[2].refused(9)
    assert kept.reason == "about = 'instrument': the topic says alert"
    (line,) = [one.getMessage() for one in caplog.records if "rejected" in one.getMessage()]
    assert "alert" in line
    assert "the topic says alert" in line


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)
_commands = st.fixed_dictionaries(
    {"do": st.sampled_from([*Action, "kind", "retire", "x"])},
    optional={
        name: _json | st.sampled_from(["cleat", "bench", "1", NOW])
        for name in (
            "wait",
            "kind",
            "place",
            "start_ms",
            "at_ms",
            "wanted_ms",
            "count",
            "feel",
            "law",
            "name",
            "like",
            "by",
            "id",
            "note",
            "clamps",
            "cautions",
            "basis_s",
        )
    },
)


@pytest.mark.slow
@given(_commands)
def test_whatever_is_asked_it_is_done_or_refused_in_words(tmp_path_factory, command):
    writer = Writer(tmp_path_factory.mktemp("store") / "readings.sqlite3")
    commands = Commands(writer)
    commands.carry_out({"do": "open", "kind": "cleat", "place": "bench"}, NOW)
    with contextlib.suppress(MonitorError):
        commands.carry_out(command, NOW)
    again = Journal(writer)
    assert again.waits["1"].kind["id"] == "cleat"
    assert all(kind.name.isprintable() for kind in again.book.values())
    writer.close()


def test_refused_messages_are_kept_within_their_number_as_they_come(parts, monkeypatch):
    monkeypatch.setattr("monitor.readings.ingest.PRUNE_EVERY", 50)
    parts[0].refused_max = 20
    deliver(parts, *(arrival(i, b"junk%d" % i) for i in range(1, 121)))
    assert len(parts[2].refused(1000)) <= 20
    assert parts[2].tallies()["refused"] == 120


def test_a_long_topic_is_cut_in_what_is_kept(parts):
    deliver(parts, arrival(1, b"junk", topic="benchweather/" + "x" * 60_000 + "/a"))
    assert len(parts[2].refused(1)[0].topic) == 500


def test_a_damaged_store_ends_the_ingest_unacknowledged(parts):
    ingest, script, _, writer = parts
    writer.connection.raw.execute("DROP TABLE reading")
    script.groups.append([arrival(1, TIMED)])
    ingest.start()
    until(lambda: not ingest.running())
    assert script.acknowledged == []
