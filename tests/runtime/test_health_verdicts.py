"""Verdicts on each part of the service from its heartbeat, each with words for who runs the computer."""

from __future__ import annotations

import re
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.steady_clock import ClockJump, JumpState
from monitor.runtime import health, heartbeat, service_troubles
from monitor.runtime.disk_space import DiskTrouble
from monitor.runtime.health import Grade
from monitor.runtime.heartbeat import BrokerOutage, Heartbeat, Round, WorkerSign

PARIS = ZoneInfo("Europe/Paris")
NOW = 1_795_694_400_000
MINUTE, HOUR = 60_000, 3_600_000
SOUND = Heartbeat(
    beat_ms=NOW - 1000,
    started_ms=NOW - HOUR,
    pid=7,
    round=Round(ended_ms=NOW - MINUTE, took_s=0.4, outlook_ms=NOW - HOUR, newest_ms=NOW - MINUTE),
)


WORKER = WorkerSign("quay:/var/lib/worker", NOW - 3 * HOUR, 1200, silent=False)


def verdicts(last=None, **changed):
    beat = msgspec.structs.replace(SOUND, **changed)
    if last:
        beat = msgspec.structs.replace(beat, round=msgspec.structs.replace(SOUND.round, **last))
    return {one.part: one for one in health.verdicts(beat, NOW, PARIS)}


def bad(found):
    return {part: str(one.grade) for part, one in found.items() if one.grade is not Grade.OK}


def test_a_sound_service_is_well_in_every_part():
    found = verdicts()
    assert bad(found) == {}
    assert health.status(found.values()) is Grade.OK
    assert health.sentence(found.values()) == "All parts work."
    assert {"broker", "ingest", "store", "rounds", "outlook", "board"} <= set(found)
    assert {"disk", "clock", "notices", "proof"} <= set(found)
    assert found["ingest"].sentence == "Readings are stored. The newest is from 12:59."


def test_workers_are_named_with_what_each_stores_and_one_that_stopped_with_when():
    assert "workers" not in verdicts()
    text = "Ingest workers, and messages that each stores a minute: quay:/var/lib/worker (1 200)."
    assert verdicts(workers=(WORKER,))["workers"].sentence == text
    found = verdicts(workers=(WORKER, WORKER._replace(name="mill:/w", silent=True)))["workers"]
    assert found.sentence == "An ingest worker has stopped: mill:/w, last seen 10:00."
    assert found.remedy.startswith("Start it again on its computer.")


TROUBLES = [
    ({"broker_trouble": "refused"}, {"broker": "failing"}),
    ({"outage": BrokerOutage(NOW - MINUTE, "it is full")}, {"broker": "failing"}),
    ({"outage": BrokerOutage(NOW - MINUTE, "it is full", 1, True)}, {"broker": "trouble"}),
    ({"store_trouble": "the disk is full"}, {"store": "failing"}),
    ({"round_trouble": "a rule has no limit"}, {"rounds": "failing"}),
    ({"stuck": ("ingest",)}, {"ingest": "failing"}),
    ({"stuck": ("rounds",)}, {"rounds": "failing"}),
    ({"ended": ("outlook", "planner")}, {"outlook": "trouble", "plan": "trouble"}),
    ({"ended": ("board",)}, {"board": "failing"}),
    ({"ended": ("notices",)}, {"notices": "failing"}),
    ({"disk": DiskTrouble("No space left on device", 0)}, {"disk": "failing"}),
    ({"disk": DiskTrouble("", 80)}, {"disk": "trouble"}),
    ({"clock": ClockJump(HOUR, NOW - HOUR, JumpState.DOUBTED)}, {"clock": "trouble"}),
    ({"settings_trouble": "the port is taken"}, {"settings": "trouble"}),
    ({"last": {"newest_ms": NOW - 4 * HOUR}}, {"ingest": "trouble"}),
    ({"last": {"newest_ms": None, "outlook_ms": None}}, {}),  # a shop that has only begun
    ({"last": {"ended_ms": NOW - 10 * MINUTE}}, {"rounds": "failing"}),
    ({"last": {"ended_ms": NOW - 10 * MINUTE, "took_s": 500.0}}, {"rounds": "trouble"}),
    ({"last": {"outlook_ms": NOW - 4 * HOUR}}, {"outlook": "trouble"}),
    ({"last": {"outlook_ms": None, "log_from_ms": NOW - 90 * HOUR}}, {}),
    ({"last": {"outlook_ms": None, "log_from_ms": NOW - 100 * HOUR}}, {"outlook": "trouble"}),
    ({"last": {"log_from_ms": NOW - 100 * HOUR}}, {}),
    ({"last": {"outbox_waiting": 2}}, {}),
    (
        {"last": {"outbox_waiting": 2, "outbox_failing": 1, "outbox_oldest_ms": NOW - HOUR}},
        {"notices": "trouble"},
    ),
    ({"last": {"proofs": 1, "proof_trouble": "lighter than dry"}}, {"proof": "trouble"}),
    ({"workers": (WORKER, WORKER._replace(silent=True))}, {"workers": "trouble"}),
    ({"workers": (WORKER,)}, {}),
    ({"round": None}, {"rounds": "failing"}),  # an hour after the start
    ({"round": None, "started_ms": NOW - MINUTE}, {}),
]


@pytest.mark.parametrize("made_ms", [None, NOW - 4 * HOUR])
def test_outlooks_that_nobody_makes_name_the_command_that_makes_them(made_ms):
    last = {"outlook_ms": made_ms, "log_from_ms": NOW - 100 * HOUR}
    assert "look-ahead" not in verdicts(last)["outlook"].remedy
    found = verdicts(last | {"outlook_apart": True})["outlook"]
    assert found.grade is Grade.TROUBLE
    assert "Start `benchweather look-ahead`" in found.remedy


@pytest.mark.parametrize(("changed", "wanted"), TROUBLES)
def test_each_trouble_is_a_verdict_on_its_part_with_what_to_do(changed, wanted):
    found = verdicts(**changed)
    assert bad(found) == wanted
    for part in wanted:
        assert found[part].sentence.endswith(".")
        assert found[part].means
        assert found[part].remedy
    gravest = "failing" if "failing" in wanted.values() else "trouble" if wanted else "ok"
    assert health.status(found.values()) == gravest


@pytest.mark.parametrize("age_s", [heartbeat.LATE_S + 1, 86_400])
def test_a_service_that_gives_no_sign_is_failing_whatever_it_last_said(age_s):
    beat = msgspec.structs.replace(SOUND, beat_ms=NOW - round(1000 * age_s))
    found = {one.part: one for one in health.verdicts(beat, NOW, PARIS)}
    assert health.status(found.values()) is Grade.FAILING
    assert "The service stopped at" in found["service"].sentence
    assert found["ingest"].since_ms == beat.beat_ms
    assert list(found) == list(verdicts())


def test_a_service_that_never_ran_is_failing():
    found = health.verdicts(None, NOW, PARIS)
    assert health.status(found) is Grade.FAILING
    assert "has not run here yet" in health.sentence(found)


def test_the_sentence_names_the_gravest_and_counts_the_others():
    found = verdicts(settings_trouble="no", store_trouble="full", last={"newest_ms": 5 * HOUR})
    text = health.sentence(found.values())
    assert text == "Readings cannot be stored: full. 2 more parts need a hand."


def test_a_verdict_keeps_its_time_until_it_changes():
    sound, broken = verdicts().values(), verdicts(store_trouble="full").values()
    grades = {one.part: one.grade for one in sound}
    first = health.since({}, {}, sound, 100)
    assert set(first.values()) == {100}
    second = health.since(first, grades, broken, 200)
    assert (second["store"], second["disk"]) == (200, 100)
    beat = msgspec.structs.replace(SOUND, store_trouble="full", since=second)
    found = {one.part: one.since_ms for one in health.verdicts(beat, NOW, PARIS)}
    assert (found["store"], found["disk"]) == (200, 100)


@pytest.mark.slow
@given(st.text(max_size=5000), st.text(max_size=3000))
def test_a_heartbeat_with_any_texts_fits_its_file_and_is_read_back(tmp_path_factory, one, other):
    path = tmp_path_factory.getbasetemp() / "heartbeat.json"
    last = msgspec.structs.replace(SOUND.round, proof_trouble=one, alerts={1: 10**6, 3: 10**6})
    beat = msgspec.structs.replace(
        SOUND,
        broker=other,
        broker_trouble=one,
        store_trouble=one,
        round_trouble=other,
        settings_trouble=one,
        outage=BrokerOutage(NOW, other),
        disk=DiskTrouble(one, 1),
        round=last,
        since=dict.fromkeys(verdicts(), NOW),
        stuck=("ingest", "rounds"),
        ended=("board", "outlook", "planner", "demo", "notices"),
    )
    heartbeat.write(path, beat)
    found = heartbeat.read(path)
    assert path.stat().st_size == heartbeat.SIZE
    assert (found.since, found.round.alerts) == (beat.since, last.alerts)
    assert one.startswith(found.store_trouble)


def test_each_kind_of_trouble_belongs_to_a_part():
    source = Path(service_troubles.__file__).read_text(encoding="utf-8")
    kinds = set(re.findall(r'Trouble\(\s*"(\w+)"', source))
    assert {"broker", "store", "backup"} <= kinds
    assert kinds - {"service", "disk"} == set(health._KINDS)
