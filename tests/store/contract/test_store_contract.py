"""What a store does, whichever engine keeps it: one suite, run on SQLite and on PostgreSQL."""

from __future__ import annotations

import functools
import itertools
import threading
from collections import defaultdict

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from one_schema import statements  # noqa: F401 - watches each test

from monitor.core.clock import EVER_MS
from monitor.core.errors import Rejected, StoreFault
from monitor.core.measurements import Quantity, Reading, Refusal, Series
from monitor.domain.alerts.rule_state import RuleState
from monitor.domain.events import About, Event
from monitor.domain.forecast import Forecast, Members, Position
from monitor.domain.notification import Notice
from monitor.domain.shop_state import Matter, ShopState
from monitor.store import (
    HOUR_S,
    TEN_MINUTES_S,
    Reader,
    Writer,
    aside,
    client_sheets,
    forecasts,
    journal,
    many_series,
    migrations,
    newcomers,
    outbox,
    rollups,
    rule_states,
    shop_states,
)
from monitor.store.aside import AsideMessage
from monitor.store.connection import opened
from monitor.store.newcomers import WaitingMessage
from monitor.store.writer import APART_MS

BENCH = Series("front-bench", "a1", Quantity.TEMPERATURE)
DAMP = Series("front-bench", "a1", Quantity.HUMIDITY)
T0 = 1_790_000_000_000
HOUR0 = T0 - T0 % 3_600_000


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request, tmp_path):
    """Address of an empty store of each engine."""
    if request.param == "sqlite":
        return tmp_path / "readings.sqlite3"
    return request.getfixturevalue("postgresql_server").address()


@pytest.fixture(params=["sqlite", "postgresql"])
def writer(request, tmp_path):
    """Writer of an empty store of each engine, whose schema is this version's."""
    writer = Writer(
        tmp_path / "readings.sqlite3"
        if request.param == "sqlite"
        else request.getfixturevalue("postgresql_server").emptied()
    )
    yield writer
    writer.close()


@pytest.fixture
def reader(writer):
    reader = Reader(writer.address)
    yield reader
    reader.close()


# Readings


def test_what_was_written_is_read_back(writer, reader):
    both = [Reading(BENCH, T0, 20.1), Reading(DAMP, T0 + 5, 45.0)]
    assert writer.write(both, tallies={"messages": 1}) == (2, 0)
    assert [one.reading for one in reader.latest(EVER_MS)] == both[::-1]
    ts_ms, values = reader.readings(reader.series()[BENCH], T0, T0 + 1)
    assert (ts_ms.tolist(), values.tolist()) == ([T0], [20.1])
    assert reader.span(reader.series()[DAMP]) == (T0 + 5, T0 + 5)
    assert reader.tallies() == {"messages": 1, "readings": 2, "repeats": 0, "refused": 0}
    assert reader.newest_ms() == T0 + 5


def test_a_repeat_changes_nothing_also_within_a_batch_and_late_readings_take_their_place(
    writer, reader
):
    writer.write([Reading(BENCH, T0 + 10, 20.5)])
    again = [Reading(BENCH, T0 + 10, 99.0), Reading(BENCH, T0, 1.0), Reading(BENCH, T0, 2.0)]
    assert writer.write(again) == (1, 2)
    ts_ms, values = reader.readings(reader.series()[BENCH], 0, EVER_MS)
    assert (ts_ms.tolist(), values.tolist()) == ([T0, T0 + 10], [1.0, 20.5])
    assert reader.tallies()["repeats"] == 2
    assert rollups.recount(reader, 0, EVER_MS).disagreements == []


def test_readings_dated_by_their_arrival_take_the_next_free_time_and_none_is_lost(writer, reader):
    writer.write([Reading(BENCH, T0, 20.5), Reading(BENCH, T0 + APART_MS, 20.6)])
    came = [Reading(BENCH, T0, 20.5), Reading(BENCH, T0, 20.7), Reading(DAMP, T0, 45.0)]
    beside = [Reading(BENCH, T0 + 2 * APART_MS, 20.9), Reading(BENCH, T0, 20.5)]
    assert writer.write(beside, arrived=came) == (4, 1)
    ts_ms, values = reader.readings(reader.series()[BENCH], 0, EVER_MS)
    assert ts_ms.tolist() == [T0 + i * APART_MS for i in range(5)]
    assert values.tolist() == [20.5, 20.6, 20.9, 20.5, 20.7]
    assert reader.readings(reader.series()[DAMP], 0, EVER_MS)[0].tolist() == [T0]
    assert reader.tallies()["readings"] == 6
    assert rollups.recount(reader, 0, EVER_MS).disagreements == []


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1e308, 1e308])
def test_a_value_that_would_make_a_rollup_infinite_stores_nothing_of_its_batch(
    writer, reader, value
):
    with pytest.raises(StoreFault):
        writer.write([Reading(BENCH, T0 + i, v) for i, v in enumerate([1.0, value, value])])
    assert reader.latest(EVER_MS) == []
    assert writer.connection.rows("SELECT count(*) FROM rollup") == [(0,)]


def test_a_transaction_that_fails_leaves_nothing_behind(writer, reader):
    def fail(_):
        raise KeyError("in the middle")

    with pytest.raises(KeyError):
        writer.write([Reading(BENCH, T0, 1.0)], tallies={"messages": 1}, also=fail)
    assert (reader.latest(EVER_MS), reader.tallies()["messages"]) == ([], 0)
    assert writer.write([Reading(BENCH, T0, 1.0)]) == (1, 0)


def test_series_have_the_same_ids_after_a_restart(writer, reader):
    writer.write([Reading(BENCH, T0, 1.0)])
    before = reader.series()[BENCH]
    again = Writer(writer.address)
    again.write([Reading(BENCH, T0 + 1, 2.0), Reading(DAMP, T0, 3.0)])
    again.close()
    assert reader.series()[BENCH] == before
    assert reader.topics() == {"front-bench/a1"}


def test_two_writers_take_turns_and_neither_loses_a_reading(writer, reader):
    other = Writer(writer.address)
    threads = [
        threading.Thread(
            target=lambda one, first: [
                one.write([Reading(BENCH, T0 + i, 20.0)]) for i in range(first, 40, 2)
            ],
            args=pair,
        )
        for pair in ((writer, 0), (other, 1))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    other.close()
    assert reader.count(reader.series()[BENCH], T0, T0 + 40) == 40
    assert rollups.recount(reader, 0, EVER_MS).disagreements == []


def test_a_reader_cannot_write_and_sees_that_something_was_committed(writer, reader):
    with pytest.raises(StoreFault, match=r"read-?only"):
        reader.connection.rows("DELETE FROM reading")
    before = reader.version()
    assert reader.version() == before
    writer.write([Reading(BENCH, T0, 1.0)])
    assert reader.version() != before


def test_readings_dated_ahead_are_not_the_newest_and_are_found(writer, reader):
    writer.write([Reading(BENCH, T0, 20.0), Reading(BENCH, T0 + 10**9, 21.0)])
    assert [one.reading.ts_ms for one in reader.latest(T0)] == [T0]
    assert [one.ts_ms for one in reader.raw_latest(T0)] == [T0]
    assert reader.ahead(T0) == [("front-bench/a1", 1, T0 + 10**9, T0 + 10**9)]
    assert reader.raw_extents(T0, T0 + 1) == {BENCH: (1, T0, T0)}


# Rollups

_moments = st.integers(0, 3 * 3600).map(lambda s: HOUR0 + 1000 * s)
_reading = st.tuples(st.sampled_from([BENCH, DAMP]), _moments, st.floats(-50, 80))
_batches = st.lists(st.lists(_reading, max_size=9), max_size=6)


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(batches=_batches)
def test_rollups_are_those_of_the_readings_in_whatever_order_they_come(writer, reader, batches):
    with writer.connection.transaction() as run:
        run.execute("DELETE FROM rollup")
        run.execute("DELETE FROM reading")
    kept = {}
    for batch in batches:
        writer.write([Reading(*one) for one in batch])
        for series, ts_ms, value in batch:
            kept.setdefault((series, ts_ms), value)
    assert rollups.recount(reader, 0, EVER_MS).disagreements == []
    for (series, series_id), period_s in itertools.product(
        reader.series().items(), (TEN_MINUTES_S, HOUR_S)
    ):
        want = defaultdict(list)
        for (of, ts_ms), value in kept.items():
            if of == series:
                want[ts_ms - ts_ms % (1000 * period_s)].append(value)
        found = reader.rollups(series_id, period_s, 0, EVER_MS)
        assert found["ts_ms"].tolist() == sorted(want)
        for row in found:
            values = want[row["ts_ms"]]
            exact = (len(values), min(values), max(values))
            assert (row["n"], row["low"], row["high"]) == exact
            assert row["mean"] == pytest.approx(np.mean(values), rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("at_once", [9, 2000])  # PostgreSQL has another way for many
def test_rollups_from_before_1970_begin_as_others_do(writer, reader, at_once):
    times = range(-3_600_000 - 700_000, 700_000, 1_400_000_000 // (at_once * 1000) * 5)
    for step in range(0, len(times), at_once):
        writer.write([Reading(BENCH, ts_ms, 20.0) for ts_ms in times[step : step + at_once]])
    assert rollups.recount(reader, -EVER_MS, EVER_MS).disagreements == []
    found = reader.rollups(reader.series()[BENCH], HOUR_S, -EVER_MS // 2, EVER_MS // 2)
    assert found["ts_ms"].tolist() == [-7_200_000, -3_600_000, 0]


def test_a_wrong_rollup_is_found_and_made_anew(writer):
    writer.write([Reading(BENCH, HOUR0 + 1000 * i, 20 + i / 7) for i in range(9)])
    with writer.connection.transaction() as run:
        run.execute("UPDATE rollup SET n = n + 1 WHERE period_s = ?", (TEN_MINUTES_S,))
    (wrong,) = rollups.recount(writer, HOUR0, HOUR0 + 1).disagreements
    with writer.connection.transaction() as run:
        rollups.rewrite(run, [wrong])
    assert rollups.recount(writer, HOUR0, HOUR0 + 1) == (2, [])


def test_a_voided_stretch_is_left_out_of_what_is_read(writer, reader):
    writer.write([Reading(BENCH, HOUR0 + 60_000 * i, float(i)) for i in range(60)])
    span = {"from_ms": HOUR0 + 900_000, "until_ms": HOUR0 + 3_000_000, "why": "steam"}
    event = Event(About.SENSOR, "front-bench/a1", T0, "anna", "void-readings", span)
    with writer.connection.transaction() as run:
        journal.append(run, [event])
    kept = [*range(15), *range(50, 60)]
    series_id = reader.series()[BENCH]
    assert reader.readings(series_id, 0, EVER_MS)[1].tolist() == kept
    (hour,) = reader.rollups(series_id, HOUR_S, 0, EVER_MS)
    assert (hour["n"], hour["mean"], hour["high"]) == (25, pytest.approx(np.mean(kept)), 59)
    assert reader.newest_ms() == max(T0, HOUR0 + 60_000 * 59)
    assert rollups.recount(reader, 0, EVER_MS).disagreements == []  # of all that was sent


@pytest.mark.parametrize("at_once", [2, 3_000])
def test_rollups_of_many_series_are_those_of_the_readings_of_each(
    writer, reader, monkeypatch, at_once
):
    monkeypatch.setattr(many_series, "AT_ONCE", at_once)
    every = [Series("front-bench", f"a{i}", Quantity.HUMIDITY) for i in range(5)]
    times = [HOUR0 - 600_000, HOUR0 - 1, HOUR0, HOUR0 + 7, HOUR0 + 600_000, HOUR0 + 1_200_000]
    writer.write(
        [Reading(one, at, 40 + i + at % 7) for i, one in enumerate(every) for at in times]
    )
    void = {"from_ms": HOUR0 + 5, "until_ms": HOUR0 + 700_000, "why": "it fell"}
    with writer.connection.transaction() as run:
        subject = "front-bench/a3"
        journal.append(run, [Event(About.SENSOR, subject, T0, "anna", "void-readings", void)])
    ids = [*reversed(reader.series().values()), 999]
    start, end = HOUR0 - 1, HOUR0 + 1_200_000
    found = reader.rollups_of(ids, TEN_MINUTES_S, start, end)
    assert found.keys() == set(ids)
    assert len(found[999]) == 0
    for one in ids[:-1]:
        ts_ms, values = reader.readings(one, HOUR0 - 600_000, end)
        windows = defaultdict(list)
        for at, value in zip(ts_ms.tolist(), values.tolist(), strict=True):
            windows[at - at % 600_000].append(value)
        counted = [(at, len(v), min(v), sum(v) / len(v), max(v)) for at, v in windows.items()]
        assert found[one].tolist() == counted
        assert found[one].tolist() == reader.rollups(one, TEN_MINUTES_S, start, end).tolist()
    assert len(found[reader.series()[every[3]]]) < len(found[reader.series()[every[0]]])
    assert reader.rollups_of([], TEN_MINUTES_S, start, end) == {}


def test_the_mean_of_the_least_numbers_is_read(writer, reader):
    writer.write([Reading(BENCH, HOUR0, 5e-324), Reading(BENCH, HOUR0 + 1, 0.0)])
    rows = reader.rollups(reader.series()[BENCH], HOUR_S, HOUR0, HOUR0 + 1)
    assert rows["mean"].tolist() == [0.0]


def test_the_correction_of_a_value_asks_the_store_nothing(writer, reader, statements):  # noqa: F811 - the fixture
    writer.write([Reading(BENCH, T0, 20.0)])
    series_id = reader.series()[BENCH]
    statements.clear()
    assert reader.uncertainty(series_id, 20.0, T0) is None
    assert statements == set()


# Rejected messages, deliveries, lateness


def test_rejected_messages_are_kept_known_and_pruned_but_stay_counted(writer, reader):
    refusals = [Refusal(T0 + i, "a/b", b"\x00\xff%?junk", 9, "not a pack") for i in range(10)]
    writer.write([], refusals=refusals)
    assert reader.refused(2) == refusals[:-3:-1]
    writer.write([], refusals=[Refusal(T0, "a/c", b"\x00%?", 3, "not a pack")])
    assert writer.refused_before("a/c", b"\x00%?")
    assert not writer.refused_before("a/b", b"junk")
    assert writer.prune_refused(4) == 7
    assert (len(reader.refused(99)), reader.tallies()["refused"]) == (4, 11)


def test_a_delivery_is_known_by_its_packet_id_and_the_least_lateness_is_kept(writer, reader):
    writer.write([], deliveries=[(7, b"one")], lateness={("p", "s", HOUR0): 900})
    writer.write([], deliveries=[(7, b"two")], lateness={("p", "s", HOUR0): 250})
    writer.write([], lateness={("p", "s", HOUR0): 700})
    assert (writer.delivered(7), writer.delivered(8)) == (b"two", None)
    assert reader.lateness("p", "s", HOUR0).tolist() == [(HOUR0, 0.25)]


def test_questions_about_any_number_of_series_are_of_few_statements(reader, monkeypatch):
    asked, connection = set(), reader.connection
    rows = connection.rows
    monkeypatch.setattr(
        connection, "rows", lambda sql, values: asked.add(sql) or rows(sql, values)
    )
    for n in range(1, 300, 7):
        assert many_series.sums(connection, list(range(n)), HOUR_S, 0, HOUR0) == {}
        assert many_series.lateness(connection, [("p", f"s{i}") for i in range(n)], 0, 1) == {}
    assert len(asked) <= 20  # an engine keeps each, and one of 3,000 series is large


@pytest.mark.parametrize("at_once", [2, 3_000])
def test_lateness_of_many_topics_is_each_ones_own(writer, reader, monkeypatch, at_once):
    monkeypatch.setattr(many_series, "AT_ONCE", at_once)
    late = {("p", f"s{i}", HOUR0 + h * 3_600_000): 100 * i + h for i in range(5) for h in range(4)}
    writer.write([], lateness={**late, ("q", "s1", HOUR0): 9_000})
    topics = [("p", "s4"), ("p", "s1"), ("p", "s0"), ("q", "s1"), ("never", "heard")]
    found = reader.lateness_of(topics, HOUR0 + 3_600_000, HOUR0 + 3 * 3_600_000)
    for place, sensor in topics[:3]:
        wanted = [(at, by / 1000) for (p, s, at), by in late.items() if (p, s) == (place, sensor)]
        assert found[place, sensor].tolist() == wanted[1:3]
    assert [len(found[one]) for one in topics[3:]] == [0, 0]
    # s1 at q is late by 9 s, s2 early by 0.5 s, s4 late by 0.403 s at most, the others by less.
    writer.write([], lateness={("q", "s2", HOUR0): -500})
    off = functools.partial(reader.off_time, [*topics, ("q", "s2")], HOUR0 + 1)
    assert off(9.0, 0.5) == {("q", "s1"), ("q", "s2")}
    assert off(9.001, 0.501) == set()
    assert off(0.403, 60.0) == {("q", "s1"), ("p", "s4")}


# Journal


def test_events_come_back_in_order_and_a_command_is_carried_out_once(writer, reader):
    events = [
        Event(About.WAIT, "w1", T0, "anna", "start", {"é": [1, None, 0.5], "q": "50 % ?"}),
        Event(About.SENSOR, "p/s", T0, "mqtt", "move", {"place": "rack", "from_ms": T0}),
    ]
    with writer.connection.transaction() as run:
        journal.append(run, events, done=("c1", T0, {"ok": True}))
        assert journal.last(run) == 2
    assert journal.events(reader) == (events, 2)
    assert journal.events(reader, 2) == ([], 2)
    assert journal.events_about(reader.connection, About.SENSOR) == (events[1:], 2)
    assert (journal.answered(reader, "c1"), journal.answered(reader, "c2")) == ({"ok": True}, None)
    with pytest.raises(StoreFault), writer.connection.transaction() as run:
        journal.append(run, events, done=("c1", T0, {}))
    assert journal.events(reader) == (events, 2)
    assert writer.prune_commands(T0 + 31 * 86_400_000) == 1


def test_texts_that_are_in_many_events_are_kept_once(writer, reader):
    texts = [" ".join(["Seams", "open", str(n)]) for n in (1, 1, 2)]  # no constants of this module
    with writer.connection.transaction() as run:
        events = [Event(About.ALERT, "1", T0, "anna", "raise", {"why": text}) for text in texts]
        journal.append(run, events)
    bodies = [event.body for event in journal.events(reader)[0]]
    assert [body["why"] for body in bodies] == texts
    assert bodies[0]["why"] is bodies[1]["why"]
    assert all(name is next(iter(bodies[0])) for body in bodies for name in body)


# Outbox


def notice(name, urgency=2, made_ms=T0):
    return Notice(name, made_ms, made_ms, urgency, "Dry", "30 % RH")


def test_a_notice_is_in_the_outbox_once_for_each_channel_and_is_delivered_once(writer, reader):
    for wanted in (2, 0):  # the second time nothing is new
        with writer.connection.transaction() as run:
            assert outbox.add(run, [notice("n1")], ["mail", "push"]) == wanted
    assert outbox.known(reader, "n1")
    assert outbox.due(reader, T0 - 1) is None
    sent = []
    while (entry := outbox.due(writer, T0)) is not None:
        sent.append((entry.channel, entry.notice))
        outbox.delivered(writer, entry, T0 + 1)
    assert sent == [("mail", notice("n1")), ("push", notice("n1"))]
    assert [one.outcome for one in outbox.recent(reader, 9)] == [outbox.Outcome.DELIVERED] * 2
    with writer.connection.transaction() as run:
        assert outbox.add(run, [notice("n1")], ["mail", "push"]) == 0
        assert outbox.withdraw(run, ["n1"], T0) == 0
    assert (outbox.due(writer, EVER_MS), outbox.tally(reader)) == (None, {})


def test_a_channel_that_fails_waits_and_its_entries_are_withdrawn_or_ended(writer, reader):
    with writer.connection.transaction() as run:
        outbox.add(run, [notice("n1"), notice("n2", 3)], ["mail"])
    entry = outbox.due(writer, T0)
    assert entry.notice.notice_id == "n2"  # the more urgent
    outbox.failed(writer, entry, T0, "no route")
    assert outbox.due(writer, T0) is None
    assert outbox.next_try_ms(reader) == T0 + outbox.FIRST_WAIT_MS
    assert outbox.tally(reader) == {"mail": (2, 1, T0)}
    outbox.hurry(writer, T0 + 1)
    assert outbox.due(writer, T0 + 1).last_error == "no route"
    with writer.connection.transaction() as run:
        assert outbox.withdraw(run, ["n1", "n3"], T0 + 2) == 1
    outbox.end_channel(writer, "mail", outbox.Outcome.GIVEN_UP, T0 + 3, "removed")
    ended = {
        one.notice.notice_id: (one.outcome, one.last_error) for one in outbox.recent(reader, 9)
    }
    assert ended == {"n1": ("withdrawn", ""), "n2": ("given up", "removed")}


# Rule states


def test_rule_states_are_kept_changed_and_taken_away(writer, reader):
    dry = {("dry", "attic"): RuleState(True, T0, T0 - 5, 31.25), ("dry", "rack"): RuleState()}
    with writer.connection.transaction() as run:
        rule_states.keep(run, {}, dry)
    assert rule_states.read(reader) == dry
    after = {("dry", "attic"): RuleState(False, T0 + 1)}
    with writer.connection.transaction() as run:
        rule_states.keep(run, dry, after)
    assert rule_states.read(reader) == after


# Forecasts, messages aside, newcomers, clients' sheets


def test_forecasts_are_kept_once_by_source_and_issue(writer, reader):
    hours = np.arange(3)
    value = Forecast(
        "met",
        Position(47.5, 8.25),
        T0,
        T0 + 3_600_000 * hours,
        10.0 + hours,
        50.0 + hours,
        np.array([1.0, np.nan, 2.0]),
        np.full(3, np.nan),
        ("a note",),
        "",
        Members(*(np.array([[1.25, np.nan, 3.0], [2.5, 3.0, 4.0]]) + i for i in range(3))),
    )
    for new in (True, False):
        with writer.connection.transaction() as run:
            assert forecasts.add(run, value, T0 + 1) is new
    found = forecasts.newest(reader, T0 + 2)
    assert (found.source, found.position, found.notes) == (
        "met",
        Position(47.5, 8.25),
        ("a note",),
    )
    np.testing.assert_array_equal(found.wind_m_s, value.wind_m_s)
    assert forecasts.newest(reader, T0) is None  # not known yet
    np.testing.assert_array_equal(np.stack(found.members), np.stack(value.members))
    assert [(one.hours, one.members) for one in forecasts.recent(reader, 5)] == [(3, 2)]
    assert [one.issued_ms for one in forecasts.between(reader, 0, EVER_MS)] == [T0]
    state = forecasts.SourceProgress("met", T0, T0 + 5, None, 1, "away")
    with writer.connection.transaction() as run:
        forecasts.keep_progress(run, state)
    assert forecasts.progress_of(reader, "met") == state


def test_messages_aside_wait_and_end(writer, reader):
    one = AsideMessage(T0, T0 - 5, "p/s", "benchweather/p/s", b"\x00{}", 2, 77, "boot-1", 1)
    writer.write([], messages_aside=[one, one._replace(received_ms=T0 + 1)])
    assert aside.waiting(reader, "p/s")[0][1] == one
    assert aside.by_sensor(reader) == [("p/s", 2, 4, (T0, T0 + 1), (T0 - 5, T0 - 5), True)]
    with writer.connection.transaction() as run:
        first, other = (number for number, _ in aside.waiting(writer, "p/s"))
        aside.end(run, [first], aside.TAKEN, T0)
        aside.end(run, [], aside.TAKEN, T0)
        assert aside.prune(run, T0, 1, 86_400_000) == (0, 0)
    with pytest.raises(Rejected, match="meanwhile"), writer.connection.transaction() as run:
        aside.end(run, [other, first], aside.TAKEN, T0)  # one waits no more
    with writer.connection.transaction() as run:
        assert aside.prune(run, T0, 0, 86_400_000) == (1, 2)
    assert aside.by_sensor(reader) == []


def test_newcomers_wait_until_they_are_admitted_or_refused(writer, reader):
    with writer.connection.transaction() as run:
        newcomers.note(run, dict.fromkeys(("rack", "van"), (T0, newcomers.WAITING)), {"van": 3})
        newcomers.keep(
            run, [WaitingMessage(n, T0, f"t/{n}", b"\xffx", 2) for n in ("rack", "van")]
        )
    assert newcomers.every(reader)[0] == ("rack", T0, "waiting", 0, 1, 2, 2)
    with writer.connection.transaction() as run:
        newcomers.settle(run, ["rack"], newcomers.ADMITTED)
        newcomers.settle(run, ["van"], newcomers.REFUSED)
    ((number, message),) = newcomers.admitted(writer, 9)
    assert message == ("rack", T0, "t/rack", b"\xffx", 2)
    with writer.connection.transaction() as run:
        assert newcomers.forget(run, [number, number + 99]) == 1
        assert newcomers.forget(run, []) == 0
    found = {one.name: (one.state, one.unkept, one.messages) for one in newcomers.every(reader)}
    assert found == {"rack": ("admitted", 0, 0), "van": ("refused", 4, 0)}


def test_a_clients_sheets_are_kept_and_erased(writer, reader):
    number = client_sheets.keep(writer, "Mira", T0, {"zip": "x"}, {"rh": 45.5}, {"rh": [1, 2]})
    client_sheets.keep(writer, "Noor", T0, {}, {}, {})
    sheet = client_sheets.one(reader, number)
    assert (sheet.client, sheet.typed, sheet.advised) == ("Mira", {"zip": "x"}, {"rh": 45.5})
    assert client_sheets.erase(writer, "Mira") == 1
    assert [one.client for one in client_sheets.all_of(reader)] == ["Noor"]
    writer.tidy()


# Schema


def test_each_step_of_the_schema_is_done_once(writer):
    Writer(writer.address).close()
    done = writer.connection.rows("SELECT number FROM schema_step ORDER BY number")
    assert [number for (number,) in done] == [step.number for step in migrations.steps()]


def test_a_store_of_a_newer_version_is_left_alone_and_says_so(address):
    writer = Writer(address)
    with writer.connection.transaction() as run:
        run.execute("INSERT INTO schema_step (number) VALUES (9999)")
    writer.close()
    with pytest.raises(StoreFault, match="newer version"):
        Writer(address)


@pytest.mark.parametrize("begun", [1, 3, 6, len(migrations.steps()) - 1])
def test_a_store_of_each_earlier_step_is_brought_up_to_date(address, monkeypatch, begun):
    every = migrations.steps()
    monkeypatch.setattr(migrations, "steps", lambda *_: every[:begun])
    old = opened(address, read_only=False)
    with old.transaction() as run:
        run.execute(
            "INSERT INTO series (place, sensor, quantity) VALUES ('p', 's', 'temperature')"
        )
        old.add_readings(run, [(1, T0, 20.5)])
    old.close()
    monkeypatch.setattr(migrations, "steps", lambda *_: every)
    writer = Writer(address)
    assert writer.write([Reading(Series("p", "s", Quantity.TEMPERATURE), T0, 1.0)]) == (0, 1)
    writer.close()


def test_a_step_that_fails_leaves_the_store_as_it_was(address, monkeypatch):
    every = migrations.steps()
    broken = migrations.Migration(
        99, "broken", ["CREATE TABLE half (n INTEGER) STRICT;", "NO SQL;"]
    )
    monkeypatch.setattr(migrations, "steps", lambda *_: every)
    Writer(address).close()
    monkeypatch.setattr(migrations, "steps", lambda *_: [*every, broken])
    with pytest.raises(StoreFault):
        Writer(address)
    monkeypatch.setattr(migrations, "steps", lambda *_: every)
    writer = Writer(address)
    with pytest.raises(StoreFault, match="half"):
        writer.connection.rows("SELECT * FROM half")
    writer.close()


def test_the_newest_state_of_the_shop_is_kept(writer, reader):
    assert shop_states.read(reader.connection) is None
    dry = Matter(urgency=3, label="Bench", name="Dry", value=None, unit="%", began_ms=T0)
    for made_ms in (T0, T0 + 60_000):
        state = ShopState(
            name="Quay", made_ms=made_ms, matters=(dry,), alerts={3: 1}, newest_ms=T0
        )
        with writer.connection.transaction() as run:
            shop_states.keep(run, state)
    assert shop_states.read(reader.connection) == state
    assert writer.connection.rows("SELECT count(*) FROM shop_state") == [(1,)]
