"""Changes that follow each other while the clock is set back, or that two devices date."""

from __future__ import annotations

from contextlib import closing

import pytest

from monitor.commands import Commands
from monitor.core.errors import Rejected
from monitor.domain.events import ONE_MOMENT_MS, in_order
from monitor.domain.sensor import SensorHistory, decide
from monitor.domain.sensor_requests import MoveSensor
from monitor.store import Writer

NOW = 1_795_694_400_000
STEPS = {
    "instrument": [
        ("register", {"reference": "VN-1", "kind": "violin", "place": "bench"}),
        ("open", {"instrument": "vn-1"}),
        ("close", {"instrument": "vn-1"}),
        ("move", {"instrument": "vn-1", "place": "rack"}),
        ("leave", {"instrument": "vn-1"}),
        ("register", {"reference": "VN-1", "kind": "violin", "place": "bench"}),
    ],
    "wait": [
        ("open", {"kind": "plate-crack", "place": "bench"}),
        ("pause", {"wait": "1"}),
        ("resume", {"wait": "1"}),
        ("move", {"wait": "1", "place": "rack"}),
        ("move", {"wait": "1", "place": "bench"}),
        ("release", {"wait": "1"}),
        ("load", {"wait": "1"}),
    ],
    "glue": [
        ("mix", {"kind": "hide"}),
        ("pot on", {"glue": "1"}),
        ("pot off", {"glue": "1"}),
        ("pot on", {"glue": "1"}),
        ("pot off", {"glue": "1"}),
        ("discard", {"glue": "1"}),
    ],
}
"""What is done with one thing, each after the other."""


@pytest.fixture
def commands(tmp_path):
    with closing(Writer(tmp_path / "readings.sqlite3")) as writer:
        yield Commands(writer)


@pytest.mark.parametrize("about", STEPS)
def test_a_clock_that_is_set_back_refuses_no_change(commands, about):
    for number, (do, fields) in enumerate(STEPS[about]):
        commands.carry_out({"about": about, "do": do, **fields}, NOW - 40 * number)


def test_a_clock_that_is_set_back_refuses_no_step_of_a_repair(commands):
    register = {"about": "instrument", "do": "register", "reference": "VN-1"}
    commands.carry_out(register | {"kind": "violin", "place": "bench"}, NOW)
    ask = {"about": "repair", "repair": "1"}
    commands.carry_out(
        {"about": "repair", "do": "take in", "instrument": "VN-1", "template": "top-cracks"},
        NOW - 40,
    )
    for number, step in enumerate(commands.journal.repairs["1"].steps[:2], start=2):
        at_ms = NOW - 80 * number
        commands.carry_out(ask | {"do": "start", "step": step.id}, at_ms)
        commands.carry_out(ask | {"do": "finish", "step": step.id}, at_ms - 40)
    commands.carry_out(ask | {"do": "hand out", "unfinished": True}, NOW - 1000)


def test_a_clock_that_is_set_back_refuses_no_move_of_a_sensor():
    there = SensorHistory("bench/a1", stays=((NOW, "rack"),))
    back = MoveSensor(sensor="bench/a1", place="bench")
    assert decide(there, back, NOW - 40) == {"place": "bench", "at_ms": NOW}
    with pytest.raises(Rejected, match="before"):
        decide(there, back, NOW - ONE_MOMENT_MS)


def test_a_change_a_moment_before_the_one_it_follows_is_at_its_time(commands):
    for do, at_ms in (("mix", NOW), ("pot on", NOW - ONE_MOMENT_MS + 1)):
        fields = {"kind": "hide"} if do == "mix" else {"glue": "1"}
        commands.carry_out({"about": "glue", "do": do, **fields}, at_ms)
    assert commands.journal.glues["1"].pot == ((NOW, None),)


def test_a_change_a_whole_minute_before_the_one_it_follows_is_refused(commands):
    commands.carry_out({"about": "glue", "do": "mix", "kind": "hide"}, NOW)
    with pytest.raises(Rejected, match="before"):
        commands.carry_out({"about": "glue", "do": "pot on", "glue": "1"}, NOW - ONE_MOMENT_MS)


def test_the_order_is_kept_only_within_one_moment():
    assert in_order(5, 6, None, 4) == 6
    assert in_order(7, 6) == in_order(7) == 7
    assert in_order(0, ONE_MOMENT_MS - 1) == ONE_MOMENT_MS - 1
    assert in_order(0, ONE_MOMENT_MS) == 0
