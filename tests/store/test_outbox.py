"""The outbox: nothing lost, nothing sent twice that was noted, nothing kept from the list."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.domain.notification import Notice
from monitor.store import Reader, Writer, outbox
from monitor.store.outbox import GIVE_UP_MS, LAST_WAIT_MS, Outcome

T0 = 1_790_000_000_000
MINUTE, HOUR = 60_000, 3_600_000


def notice(notice_id="a", *, urgency=2, made=T0, not_before=T0):
    return Notice(notice_id, made, not_before, urgency, f"Title {notice_id}", "Text")


def put(writer, notices, *channels):
    with writer.connection.transaction() as run:
        return outbox.add(run, notices, channels or ("mail",))


def take_back(writer, *notice_ids, at=T0):
    with writer.connection.transaction() as run:
        return outbox.withdraw(run, notice_ids, at)


def state(store):
    """Outcome and attempts by channel and notice."""
    return {
        (e.channel, e.notice.notice_id): (e.outcome, e.attempts) for e in outbox.recent(store, 99)
    }


@pytest.fixture
def path(tmp_path):
    return tmp_path / "readings.sqlite3"


@pytest.fixture
def writer(path):
    writer = Writer(path)
    yield writer
    writer.close()


def test_a_notice_waits_once_for_each_channel_however_often_it_is_put_in(writer):
    assert put(writer, [notice("a"), notice("b")], "mail", "push") == 4
    assert put(writer, [notice("a")._replace(text="another")], "mail", "web") == 1
    assert len(outbox.recent(writer, 99)) == 5
    assert {e.notice.text for e in outbox.recent(writer, 99)} == {"Text"}


def test_a_notice_for_no_channel_waits_nowhere(writer):
    with writer.connection.transaction() as run:
        assert outbox.add(run, [notice()], []) == 0
    assert outbox.recent(writer, 9) == []
    assert outbox.next_try_ms(writer) is None


def test_a_notice_is_put_in_with_the_callers_transaction_or_not_at_all(writer):
    def half():
        with writer.connection.transaction() as run:
            outbox.add(run, [notice()], ["mail"])
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        half()
    assert outbox.recent(writer, 9) == []


def test_the_most_urgent_goes_first_then_the_oldest(writer):
    put(
        writer,
        [
            notice("late", made=T0 + 9),
            notice("early", made=T0),
            notice("grave", urgency=3, made=T0 + 9),
            notice("small", urgency=1, made=T0 - 9),
        ],
    )
    order = []
    while entry := outbox.due(writer, T0 + 10):
        order.append(entry.notice.notice_id)
        outbox.delivered(writer, entry, T0 + 10)
    assert order == ["grave", "early", "late", "small"]


def test_a_notice_of_the_night_waits_for_the_end_of_quiet_hours(writer):
    put(writer, [notice(not_before=T0 + 5 * HOUR)])
    assert outbox.due(writer, T0 + 5 * HOUR - 1) is None
    assert outbox.next_try_ms(writer) == T0 + 5 * HOUR
    outbox.hurry(writer, T0 + HOUR)
    assert outbox.next_try_ms(writer) == T0 + 5 * HOUR
    assert outbox.due(writer, T0 + 5 * HOUR).notice.notice_id == "a"


def test_tries_come_ever_later_up_to_an_hour(writer):
    put(writer, [notice()])
    now, waits = T0, []
    for _ in range(10):
        outbox.failed(writer, outbox.due(writer, now), now, "it answered 500")
        waits.append((outbox.next_try_ms(writer) - now) / 1000)
        assert outbox.due(writer, outbox.next_try_ms(writer) - 1) is None
        now = outbox.next_try_ms(writer)
    # Ours: half a minute, doubled.
    assert waits == [30, 60, 120, 240, 480, 960, 1920, 3600, 3600, 3600]


def test_a_notice_is_given_up_after_three_days_and_stays_on_the_list(writer):
    put(writer, [notice(not_before=T0 + HOUR)])
    end = T0 + HOUR + GIVE_UP_MS
    outbox.failed(writer, outbox.due(writer, end - 1), end - 1, "first")
    (entry,) = outbox.recent(writer, 9)
    assert entry.outcome is None
    outbox.failed(writer, entry, end, "nothing answers there")
    (entry,) = outbox.recent(writer, 9)
    assert (entry.outcome, entry.ended_ms, entry.attempts) == (Outcome.GIVEN_UP, end, 2)
    assert entry.last_error == "nothing answers there"
    assert outbox.due(writer, end + 10 * HOUR) is None
    assert outbox.tally(writer) == {}


def test_while_a_channel_does_not_answer_one_tries_for_all_of_it_alone(writer):
    put(writer, [notice("a"), notice("b", made=T0 + 1)], "mail")
    put(writer, [notice("c")], "push")
    outbox.failed(writer, outbox.due(writer, T0), T0, "nothing answers there")
    assert outbox.due(writer, T0).channel == "push"
    outbox.delivered(writer, outbox.due(writer, T0), T0)
    assert outbox.due(writer, T0 + 29_999) is None
    assert state(writer)["mail", "b"] == (None, 0)
    put(writer, [notice("d", made=T0 + MINUTE // 6, not_before=T0 + MINUTE // 6)])
    assert outbox.due(writer, T0 + MINUTE // 6).notice.notice_id == "d"  # what is new is tried


def test_what_a_service_refuses_holds_nothing_else_up(writer):
    put(writer, [notice("a"), notice("b", made=T0 + 1)])
    outbox.failed(writer, outbox.due(writer, T0), T0, "it answered 400", retryable=False)
    assert outbox.due(writer, T0).notice.notice_id == "b"
    assert outbox.recent(writer, 9)[-1].next_try_ms == T0 + LAST_WAIT_MS


def test_once_something_gets_through_the_rest_of_the_channel_follows(writer):
    put(writer, [notice("a"), notice("b"), notice("night", not_before=T0 + 9 * HOUR)])
    put(writer, [notice("a")], "push")
    for _ in range(8):
        outbox.hurry(writer, T0)
        outbox.failed(writer, outbox.due(writer, T0), T0, "nothing answers there")
    for entry in outbox.recent(writer, 9):
        if entry.channel == "push":
            outbox.failed(writer, entry, T0, "nothing answers there")
    later = T0 + MINUTE
    outbox.delivered(writer, outbox.recent(writer, 9)[-1], later)
    waiting = {
        (e.channel, e.notice.notice_id): e.next_try_ms
        for e in outbox.recent(writer, 9)
        if e.outcome is None
    }
    assert waiting["mail", "b"] == later
    assert waiting["mail", "night"] == T0 + 9 * HOUR
    assert waiting["push", "a"] == T0 + MINUTE // 2


def test_what_is_over_before_it_was_sent_is_taken_back(writer):
    put(writer, [notice("a"), notice("b")], "mail", "push")
    outbox.delivered(writer, outbox.due(writer, T0), T0)
    assert take_back(writer, "a", "unknown", at=T0 + 5) == 1
    assert state(writer) == {
        ("mail", "a"): (Outcome.DELIVERED, 1),
        ("push", "a"): (Outcome.WITHDRAWN, 0),
        ("mail", "b"): (None, 0),
        ("push", "b"): (None, 0),
    }


def test_what_was_on_its_way_when_it_was_taken_back_is_told_as_it_came_out(writer):
    put(writer, [notice("a"), notice("b")])
    first = outbox.due(writer, T0)
    take_back(writer, "a")
    outbox.delivered(writer, first, T0)
    second = outbox.due(writer, T0)
    take_back(writer, "b")
    outbox.failed(writer, second, T0, "it answered 500")
    assert state(writer) == {
        ("mail", "a"): (Outcome.DELIVERED, 1),
        ("mail", "b"): (Outcome.WITHDRAWN, 1),
    }
    assert outbox.due(writer, T0 + 9 * HOUR) is None


def test_the_outbox_survives_a_restart(writer, path):
    put(writer, [notice("a"), notice("b")])
    outbox.failed(writer, outbox.due(writer, T0), T0, "it answered 500")
    before = outbox.recent(writer, 9)
    writer.close()
    again = Writer(path)
    assert outbox.recent(again, 9) == before
    outbox.hurry(again, T0 + 1)
    assert outbox.due(again, T0 + 1).notice.notice_id == "a"
    again.close()


def test_the_list_is_newest_first_and_the_tally_is_of_what_waits(writer, path):
    put(writer, [notice(str(i), made=T0 + i) for i in range(5)], "mail", "push")
    outbox.delivered(writer, outbox.due(writer, T0), T0)
    outbox.failed(writer, outbox.due(writer, T0), T0, "it answered 500")
    reader = Reader(path)
    assert [e.notice.notice_id for e in outbox.recent(reader, 3)] == ["4", "4", "3"]
    assert outbox.tally(reader) == {
        "mail": outbox.OutboxTally(4, 0, T0 + 1),
        "push": outbox.OutboxTally(5, 1, T0),
    }
    reader.close()


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("add"), st.integers(0, 5), st.sampled_from([0, HOUR, 12 * HOUR])),
        st.tuples(st.sampled_from(["deliver", "fail", "refuse"])),
        st.tuples(st.just("withdraw"), st.integers(0, 5)),
        st.tuples(st.just("rest"), st.integers(1, 4 * HOUR)),
        st.tuples(st.just("restart")),
    ),
    max_size=30,
)


@pytest.mark.slow
@given(STEPS)
def test_whatever_happens_no_notice_is_lost_and_none_goes_after_its_end(tmp_path_factory, steps):
    writer = Writer(tmp_path_factory.mktemp("store") / "readings.sqlite3")
    now, known, ended = T0, set(), {}
    for what, *more in steps:
        if what == "add":
            name = str(more[0])
            put(writer, [notice(name, made=now, not_before=now + more[1])], "mail", "push")
            known |= {("mail", name), ("push", name)}
        elif what == "withdraw":
            take_back(writer, str(more[0]), at=now)
        elif what == "rest":
            now += more[0]
        elif what == "restart":
            outbox.hurry(writer, now)
        elif entry := outbox.due(writer, now):
            key = (entry.channel, entry.notice.notice_id)
            assert key not in ended
            assert now >= entry.notice.not_before_ms
            if what == "deliver":
                outbox.delivered(writer, entry, now)
            else:
                outbox.failed(writer, entry, now, "no", retryable=what == "fail")
        entries = outbox.recent(writer, 99)
        assert {(e.channel, e.notice.notice_id) for e in entries} == known
        for entry in entries:
            key = (entry.channel, entry.notice.notice_id)
            if entry.outcome is None:
                assert entry.next_try_ms <= max(now + LAST_WAIT_MS, entry.notice.not_before_ms)
                assert entry.next_try_ms >= entry.notice.not_before_ms
            else:
                assert ended.setdefault(key, entry) == entry
    writer.close()
