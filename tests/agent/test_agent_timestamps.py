"""Dates of samples on a board whose clock is not set, or is set while the agent runs."""

from __future__ import annotations

import dataclasses

import pytest
from agent_fixtures import Board

from monitor.core.systemd import Notifier
from monitor.mqtt.client import Address
from sensors.agent.agent import Agent
from sensors.agent.settings import AgentSensor, AgentSettings
from sensors.agent.timestamps import HOLD_MS, JUMP_MS, WRITTEN_MS, Clock, Timestamper

NOW_MS = 1_800_000_000_000


@dataclasses.dataclass
class MovedClock:
    """A clock that the test moves."""

    wall: int = NOW_MS
    since_start: int = HOLD_MS
    in_step: bool = True
    start_id: str = "start-1"

    def wall_ms(self) -> int:
        return self.wall

    def since_start_ms(self) -> int:
        return self.since_start

    def synchronised(self) -> bool:
        return self.in_step

    def pass_(self, ms: int) -> None:
        self.wall += ms
        self.since_start += ms


def test_a_set_clock_gives_dates_from_the_first_look():
    clock = MovedClock()
    dating = Timestamper(clock)
    assert dating.look() == NOW_MS - HOLD_MS
    assert dating.anew
    clock.pass_(60_000)
    assert dating.look() == NOW_MS - HOLD_MS
    assert not dating.anew


@pytest.mark.parametrize("wall", [0, 86_400_000, WRITTEN_MS - 1])
def test_a_clock_that_was_never_set_dates_nothing_until_it_is(caplog, wall):
    clock = MovedClock(wall)
    dating = Timestamper(clock)
    assert dating.look() is None
    assert "clock is not set: it says" in dating.trouble
    assert caplog.text.count("wait for a date") == 1
    clock.wall = NOW_MS
    assert dating.look() == NOW_MS - HOLD_MS
    assert dating.anew
    assert dating.trouble == ""


def test_after_a_start_an_unsynchronised_clock_is_waited_for_but_not_for_ever():
    clock = MovedClock(since_start=10_000, in_step=False)
    dating = Timestamper(clock)
    assert dating.look() is None
    assert "not synchronised yet" in dating.trouble
    clock.in_step = True
    assert dating.look() is not None
    clock = MovedClock(since_start=HOLD_MS, in_step=False)
    assert Timestamper(clock).look() is not None


@pytest.mark.parametrize(
    ("jump", "told"), [(JUMP_MS + 1, True), (-JUMP_MS - 1, True), (JUMP_MS, False)]
)
def test_a_clock_that_jumps_is_told(caplog, jump, told):
    clock = MovedClock()
    dating = Timestamper(clock)
    before = dating.look()
    clock.pass_(60_000)
    clock.wall += jump
    assert dating.look() == before + jump
    assert dating.anew is told
    assert ("clock was set by_s=" in caplog.text) is told


@pytest.mark.real_clock
def test_this_machines_clock_can_be_read():
    clock = Clock()
    assert clock.wall_ms() > WRITTEN_MS
    assert 0 < clock.since_start_ms() < clock.wall_ms()
    assert clock.start_id == Clock().start_id
    assert clock.synchronised() in (True, False)


@pytest.fixture
def agent(tmp_path):
    board = Board(tmp_path / "root")
    board.iio(name="bme280", in_temp_input="20000")
    sensors = (AgentSensor("front-bench", "fb-1", "bme280"),)
    settings = AgentSettings("board-1", 60.0, 1, 1000, Address("127.0.0.1", 1), sensors)
    made = Agent(settings, tmp_path / "state", board.root, MovedClock(wall=0), Notifier({}))
    yield made
    made.backlog.close()


def dates(agent):
    return [kept.measured_ms for _, kept in agent.backlog.after(-1, 100)]


def test_readings_from_before_the_clock_was_set_get_their_right_dates(agent):
    for _ in range(3):
        agent.round()
        agent._clock.pass_(60_000)
    assert dates(agent) == []
    assert "clock is not set" in agent.report()["trouble"][0]
    agent._clock.wall = NOW_MS
    agent.round()
    assert dates(agent) == [NOW_MS - 180_000, NOW_MS - 120_000, NOW_MS - 60_000, NOW_MS]
    assert agent.report()["trouble"] == []


def test_unsent_readings_move_with_a_clock_that_is_set_and_sent_ones_do_not(agent):
    agent._clock.wall = NOW_MS
    agent.round()
    assert dates(agent) == [NOW_MS]  # handed out: the broker may have it
    for _ in range(2):
        agent._clock.pass_(60_000)
        agent.round()
    agent._clock.pass_(60_000)
    agent._clock.wall += 3_600_000
    agent.round()
    later = NOW_MS + 3_600_000
    assert dates(agent) == [NOW_MS, later + 60_000, later + 120_000, later + 180_000]
