"""Waits as the fold of what was done to them, the journal that keeps it, and the command link."""

from __future__ import annotations

import functools
import json
import socket
import socketserver
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.commands import read_request
from monitor.commands.ipc import CommandLink, ServiceUnavailable, ask
from monitor.core.errors import Fault, MonitorError, Rejected, StoreUnavailable, range_fault
from monitor.domain.events import ONE_MOMENT_MS, About, Event
from monitor.domain.wait import MISTAKE, Action, Feel, apply, decide, opened
from monitor.store import Reader, Writer, journal, migrations

NOW = 1_790_000_000_000
HOUR = 3_600_000
KIND = {"id": "plate-crack", "name": "Plate crack"}
OPEN = {"kind": KIND, "instrument": "VN-204", "what": "crack below the f-hole", "place": "bench"}


def body_of(wait, action, fields, now):
    """The body of the event that an action with some fields becomes; `kind` is the whole type."""
    given = fields | ({"kind": fields["kind"]["id"]} if "kind" in fields else {})
    own = {} if action is Action.OPEN else {"wait": "1"}
    request = read_request({"about": "wait", "do": action} | own | given, now)
    return opened(request, KIND, now) if wait is None else decide(wait, request, now)


def do(wait, action, at=NOW, **fields):
    body = body_of(wait, action, fields, at)
    return apply(wait, Event(About.WAIT, "1", at, "test", action, body))


@pytest.fixture
def wait():
    return do(None, Action.OPEN, **OPEN)


def test_a_wait_opens_now_unless_told_otherwise(wait):
    """Rung: property."""
    assert (wait.started_ms, wait.place, wait.open, wait.paused) == (NOW, "bench", True, False)
    earlier = do(None, Action.OPEN, **OPEN, start_ms=NOW - HOUR, clamps=4)
    assert (earlier.started_ms, earlier.clamps) == (NOW - HOUR, 4)


def test_it_can_be_paused_moved_and_released_and_keeps_its_history(wait):
    """Rung: property."""
    wait = do(wait, Action.PAUSE, NOW + HOUR)
    assert wait.paused
    wait = do(wait, Action.RESUME, NOW + 2 * HOUR)
    wait = do(wait, Action.MOVE, NOW + 3 * HOUR, place="varnish-corner")
    wait = do(wait, Action.RELEASE, NOW + 9 * HOUR, feel="right")
    assert wait.pauses == ((NOW + HOUR, NOW + 2 * HOUR),)
    assert wait.places == ((NOW, "bench"), (NOW + 3 * HOUR, "varnish-corner"))
    assert (wait.open, wait.released_ms, wait.feel) == (False, NOW + 9 * HOUR, Feel.RIGHT)
    assert [event.action for event in wait.events] == [
        "open",
        "pause",
        "resume",
        "move",
        "release",
    ]
    reopened = do(wait, Action.REOPEN, NOW + 10 * HOUR)
    assert (reopened.open, reopened.feel, reopened.version) == (True, None, 6)


def test_a_mistake_is_put_right_and_stays_in_the_history(wait):
    """Rung: property."""
    put_right = do(
        wait, Action.CORRECT, NOW + HOUR, start_ms=NOW - HOUR, instrument="VN-205", place="rack"
    )
    assert (put_right.started_ms, put_right.instrument) == (NOW - HOUR, "VN-205")
    assert put_right.places == ((NOW - HOUR, "rack"),)
    assert put_right.events[0].body["instrument"] == "VN-204"


def test_how_it_felt_can_be_taken_back(wait):
    """Rung: property."""
    released = do(wait, Action.RELEASE, NOW + HOUR, feel="soft")
    assert do(released, Action.FEEL, feel="long before").feel is Feel.LONG_BEFORE
    assert do(released, Action.FEEL).feel is None


REFUSED = [
    (Action.OPEN, {}, "place is missing; kind is missing"),
    (Action.OPEN, {"kind": KIND}, "place is missing"),
    (Action.OPEN, OPEN | {"place": " "}, "place is empty"),
    (Action.OPEN, OPEN | {"what": "x" * 201}, "at most 200"),
    (Action.OPEN, OPEN | {"what": 5}, "must be text"),
    (Action.OPEN, OPEN | {"clamps": -1}, "whole number"),
    (Action.OPEN, OPEN | {"clamps": True}, "whole number"),
    (Action.OPEN, OPEN | {"start_ms": NOW + 2 * HOUR}, "120 min in the future"),
    (Action.OPEN, OPEN | {"start_ms": 0}, "more than a year in the past"),
    (Action.OPEN, OPEN | {"start_ms": "now"}, "a time in ms"),
    (
        Action.OPEN,
        OPEN | {"colour": "red"},
        "colour is not a field of 'open': it has clamps, count",
    ),
]


@pytest.mark.parametrize(("action", "fields", "why"), REFUSED, ids=[why for *_, why in REFUSED])
def test_an_opening_that_cannot_be_is_refused(action, fields, why):
    """Rung: property."""
    with pytest.raises(Rejected, match=why):
        body_of(None, action, fields, NOW)


def test_what_does_not_fit_the_state_is_refused(wait):
    """Rung: property."""
    paused = do(wait, Action.PAUSE, NOW + HOUR)
    released = do(wait, Action.RELEASE, NOW + HOUR)
    cases = [
        (wait, Action.RESUME, {}, "is not paused"),
        (paused, Action.PAUSE, {}, "already paused"),
        (paused, Action.RESUME, {"at_ms": NOW}, "before VN-204 .* was paused"),
        (wait, Action.RELEASE, {"at_ms": NOW - ONE_MOMENT_MS}, "before the start of"),
        (wait, Action.RELEASE, {"feel": "fine"}, "must be one of soft, right, long before"),
        (wait, Action.REOPEN, {}, "is already open"),
        (wait, Action.FEEL, {"feel": "right"}, "not released yet"),
        (wait, Action.CORRECT, {}, "no field to correct"),
        (wait, Action.MOVE, {}, "place is missing"),
        (wait, Action.MOVE, {"place": ""}, "place is empty"),
        (released, Action.PAUSE, {}, "reopen it first"),
        (released, Action.CORRECT, {"start_ms": NOW + 2 * HOUR}, "start is after the release of"),
        (
            paused,
            Action.CORRECT,
            {"start_ms": NOW + 2 * HOUR},
            "after VN-204 .* was moved or paused",
        ),
    ]
    for of, action, request, why in cases:
        with pytest.raises(Rejected, match=why):
            body_of(of, action, request, NOW + 3 * HOUR)


_wishes = st.fixed_dictionaries(
    {},
    optional={
        "at_ms": st.integers(NOW - HOUR, NOW + 30 * HOUR),
        "start_ms": st.integers(NOW - HOUR, NOW + 30 * HOUR),
        "place": st.sampled_from(["bench", "rack", ""]),
        "feel": st.sampled_from([*Feel, "odd"]),
        "clamps": st.integers(-1, 5),
    },
)


@pytest.mark.slow
@given(st.lists(st.tuples(st.sampled_from(list(Action)[1:]), _wishes), max_size=12))
def test_whatever_is_asked_the_history_stays_one_that_can_be(steps):
    """Rung: property."""
    wait = do(None, Action.OPEN, **OPEN)
    for number, (action, request) in enumerate(steps):
        try:
            wait = do(wait, action, NOW + number * HOUR, **request)
        except Rejected:
            continue
        assert all(a <= b for a, b in wait.pauses if b is not None)
        assert [b for _, b in wait.pauses].count(None) <= 1
        assert wait.places[0][0] == wait.started_ms
        assert list(wait.places) == sorted(wait.places, key=lambda p: p[0])
        assert wait.released_ms is None or wait.released_ms >= wait.started_ms
    assert functools.reduce(apply, wait.events, None) == wait


def test_the_journal_gives_back_what_was_written_and_knows_a_command_again(tmp_path):
    """Rung: property."""
    writer = Writer(tmp_path / "s.sqlite3")
    body = body_of(None, Action.OPEN, OPEN, NOW)
    events = [
        Event(About.WAIT, "1", NOW, "cli", Action.OPEN, body),
        Event(About.KIND, "mine", NOW, "cli", "kind", {"name": "Mine"}),
    ]
    with writer.connection.transaction() as run:
        journal.append(run, events, done=("press-1", NOW, {"waits": ["1"]}))
    reader = Reader(tmp_path / "s.sqlite3")
    assert journal.events(reader) == (events, 2)
    assert journal.events(reader, after=2) == ([], 2)
    assert journal.answered(reader, "press-1") == {"waits": ["1"]}
    assert journal.answered(reader, "press-2") is None
    with pytest.raises(MonitorError), writer.connection.transaction() as run:
        journal.append(run, events, done=("press-1", NOW, {}))
    assert journal.events(reader)[1] == 2


def test_an_older_journal_is_taken_over_into_the_one_for_all(tmp_path, monkeypatch):
    """Rung: property."""
    path = tmp_path / "s.sqlite3"
    steps = migrations.steps()
    monkeypatch.setattr(migrations, "steps", lambda package=None: steps[:2])
    old = Writer(path)
    body = json.dumps(body_of(None, Action.OPEN, OPEN, NOW))
    with old.connection.transaction() as run:
        run.execute("INSERT INTO wait_event VALUES (7, '1', ?, 'cli', 'open', ?)", (NOW, body))
        run.execute("INSERT INTO kind_version VALUES (1, 'x', ?, 'cli', '{\"a\": 1}')", (NOW,))
        run.execute("INSERT INTO kind_version VALUES (2, 'x', ?, 'cli', 'null')", (NOW + 1,))
    old.close()
    monkeypatch.undo()
    Writer(path).close()
    found, _ = journal.events(Reader(path))
    assert [(e.about, e.subject, e.action) for e in found] == [
        (About.WAIT, "1", "open"),
        (About.KIND, "x", "kind"),
        (About.KIND, "x", "retire"),
    ]
    assert (
        functools.reduce(apply, (e for e in found if e.about == About.WAIT), None).place
        == OPEN["place"]
    )


@pytest.fixture
def link(tmp_path):
    def handle(command: Mapping[str, object]) -> Mapping[str, object]:
        if command.get("do") == "fail":
            raise Rejected("there is no such wait")
        if command.get("do") == "range":
            fault = range_fault("home_rh_pct", 150, 5.0, 95.0, "%")
            raise Rejected(fault, Fault("is missing", "place"))
        if command.get("do") == "write":
            raise StoreUnavailable("disk full")
        return {"echo": command}

    service = CommandLink(tmp_path / "command-link.json", handle)
    service.start()
    yield tmp_path / "command-link.json"
    service.stop()


def test_the_link_answers_and_says_why_not(link):
    """Rung: property."""
    assert ask(link, {"do": "x", "what": "àß-brown ö"})["echo"]["what"] == "àß-brown ö"
    with pytest.raises(Rejected, match="no such wait"):
        ask(link, {"do": "fail"})


def test_the_link_ends_without_a_poll(tmp_path, monkeypatch):
    """Rung: property.

    `serve_forever` would look twice a second whether it is to stop.
    """
    monkeypatch.setattr(socketserver.BaseServer, "serve_forever", None)
    service = CommandLink(tmp_path / "command-link.json", dict)
    service.start()
    service.stop()
    assert not (tmp_path / "command-link.json").exists()
    assert not service._thread.is_alive()


def test_a_rejection_crosses_the_process_as_data(link):
    """Rung: property."""
    fault = range_fault("home_rh_pct", 150, 5.0, 95.0, "%")
    with pytest.raises(Rejected) as caught:
        ask(link, {"do": "range"})
    assert caught.value.faults == (fault, Fault("is missing", "place"))
    assert str(caught.value) == "home_rh_pct = 150: must be 5 to 95 %; place is missing"


def test_a_store_that_is_away_is_no_rejection(link):
    """Rung: property.

    The caller keeps the command and asks again: the board's browser drops what is rejected.
    """
    with pytest.raises(StoreUnavailable, match="disk full") as caught:
        ask(link, {"do": "write"})
    assert caught.value.retryable


def test_the_link_is_private_and_wants_its_token(link):
    """Rung: property."""
    assert link.stat().st_mode & 0o077 == 0
    port = json.loads(link.read_text())["port"]
    for line in (b"junk\n", b"{}\n", b'{"token":"guess","command":{"do":"x"}}\n', b"[]\n"):
        with socket.create_connection(("127.0.0.1", port), timeout=60) as raw:
            raw.sendall(line)
            assert b"rejected" in raw.makefile("rb").readline()


def test_a_service_that_is_not_there_is_told_with_what_to_do(tmp_path, link):
    """Rung: property."""
    with pytest.raises(ServiceUnavailable, match="benchweather run"):
        ask(tmp_path / "none.json", {})
    place = json.loads(link.read_text())
    (tmp_path / "stale.json").write_text(json.dumps(place | {"port": 1}))
    with pytest.raises(ServiceUnavailable):
        ask(tmp_path / "stale.json", {})


JOINT = OPEN | {"kind": KIND | {"load_s": 86_400.0}}


def open_joint():
    return apply(None, Event(About.WAIT, "1", NOW, "test", Action.OPEN, JOINT | {"start_ms": NOW}))


def test_a_joint_whose_clamps_are_off_counts_until_it_is_loaded():
    """Rung: property."""
    joint = open_joint()
    assert (joint.open, joint.setting) == (True, False)
    off = do(joint, Action.RELEASE, NOW + HOUR, feel="right")
    assert (off.open, off.setting, off.released_ms) == (False, True, NOW + HOUR)
    moved = do(off, Action.MOVE, NOW + 2 * HOUR, place="rack")
    assert moved.place == "rack"
    loaded = do(moved, Action.LOAD, NOW + 3 * HOUR)
    assert (loaded.setting, loaded.loaded_ms, loaded.feel) == (False, NOW + 3 * HOUR, Feel.RIGHT)
    again = do(loaded, Action.REOPEN, NOW + 4 * HOUR)  # undoes the last of the two
    assert (again.setting, again.released_ms) == (True, NOW + HOUR)
    assert do(again, Action.REOPEN, NOW + 4 * HOUR).open


def test_a_wait_stored_before_there_was_a_second_time_ends_at_its_release(wait):
    """Rung: property."""
    released = do(wait, Action.RELEASE, NOW + HOUR)
    assert not released.setting
    with pytest.raises(Rejected, match="is not setting"):
        do(released, Action.LOAD, NOW + 2 * HOUR)


@pytest.mark.parametrize(
    ("action", "fields", "why"),
    [
        (Action.PAUSE, {}, "reopen it first"),
        (Action.RELEASE, {}, "reopen it first"),
        (Action.LOAD, {"at_ms": NOW + HOUR - ONE_MOMENT_MS}, "before the release of"),
        (
            Action.MOVE,
            {"place": "rack", "at_ms": NOW + HOUR - ONE_MOMENT_MS},
            "before the release of",
        ),
    ],
)
def test_what_cannot_be_while_a_joint_sets_is_refused(action, fields, why):
    """Rung: property."""
    off = do(open_joint(), Action.RELEASE, NOW + HOUR)
    with pytest.raises(Rejected, match=why):
        do(off, action, NOW + 2 * HOUR, **fields)


def test_a_joint_taken_back_as_a_mistake_does_not_set():
    """Rung: property."""
    joint = do(open_joint(), Action.CORRECT, NOW, note=MISTAKE)
    assert not do(joint, Action.RELEASE, NOW + 60_000).setting
