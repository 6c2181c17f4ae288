"""Settings changed in a real service, which starts again with them, or with those before."""

from __future__ import annotations

import json
import socket
import threading
import urllib.request
from contextlib import closing

import pytest
from conftest import free_port, until

from monitor.commands import Journal, ipc
from monitor.core.errors import Rejected
from monitor.domain.topic_rules import COMMAND_TOPIC
from monitor.mqtt.client import Address, Publisher
from monitor.runtime import heartbeat
from monitor.settings import load, version_of
from monitor.store import Reader

pytestmark = [pytest.mark.broker, pytest.mark.real_start]


class Asked:
    """A running service and what is asked of it, as the board does."""

    def __init__(self, service):
        self.service, self.link = service, service.data / "command-link.json"
        self.file = service.data / "benchweather.toml"

    def write(self):
        self.file.write_text(f"# mine\n[board]\nport = {self.service.board_port}\n")
        return self.file.read_text()

    def do(self, do, **fields):
        return ipc.ask(self.link, {"about": "settings", "do": do, "by": "Mara", **fields})

    def change(self, *sets, remove=()):
        text = self.file.read_text() if self.file.exists() else ""
        values = [{"path": path.split("."), "value": value} for path, value in sets]
        return self.do("change", set=values, remove=list(remove), version=version_of(text))

    def beat(self):
        return heartbeat.read(self.service.data / "heartbeat.json")

    def restart(self):
        began_ms = self.beat().started_ms
        ready = self.service.log.read_text().count("Board: ")
        self.used = self.file.read_text()
        self.do("restart")
        until(lambda: (beat := self.beat()) and beat.started_ms != began_ms, what="a new start")
        until(lambda: self.service.log.read_text().count("Board: ") > ready, what="it is ready")

    def answers(self, port):
        try:
            return bool(self.layout(port))
        except OSError:
            return False

    def layout(self, port):
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/_dash-layout", timeout=60) as answer:
            return answer.read().decode()

    def changes(self):
        with closing(Reader(self.service.store)) as reader:
            return Journal(reader).settings_changes


@pytest.fixture(scope="module")
def running(module_service):
    service = module_service
    del service.environment["BENCHWEATHER_BOARD__PORT"]
    service.data.mkdir()
    asked = Asked(service)
    asked.used = asked.write()
    service.start()
    return asked


@pytest.fixture
def asked(running):
    """The service, whose file is at the end as it was; a restart leaves it with other settings."""
    yield running
    running.write()


def test_a_changed_name_is_on_the_board_after_a_restart(asked):
    pid = asked.service.pid
    answer = asked.change(("shop.name", "Quillon Lane"), ("board.password", "geheimes-wort-1"))
    assert answer["version"] == version_of(asked.file.read_text())
    assert "# mine" in asked.file.read_text()
    assert "Quillon Lane" not in asked.layout(asked.service.board_port)
    asked.restart()
    assert asked.service.pid == pid
    assert asked.service.running()
    assert "Quillon Lane" in asked.layout(asked.service.board_port)
    event = asked.changes()[answer["change"]]
    assert (event.by, event.action) == ("Mara", "change")
    name = {"path": ["shop", "name"], "from": None, "to": "Quillon Lane"}
    assert name in event.body["changes"]
    assert b"geheimes" not in asked.service.store.read_bytes()
    assert "geheimes" not in asked.service.log.read_text()
    asked.do("undo", change=answer["change"])
    assert asked.file.read_text() == f"# mine\n[board]\nport = {asked.service.board_port}\n"
    with pytest.raises(Rejected, match="number of a change"):
        asked.do("undo", change=777)


def test_settings_that_cannot_start_are_refused_or_taken_back(asked):
    with pytest.raises(Rejected, match=r"198\.51\.100\.7.*not an address of this computer"):
        asked.change(("board.host", "198.51.100.7"))
    port = free_port()
    asked.change(("board.port", port), ("shop.name", "Quillon Lane"))
    before = asked.beat().started_ms
    with socket.create_server(("127.0.0.1", port)):  # between the change and the restart
        asked.do("restart")
        until(
            lambda: (beat := asked.beat()) and beat.started_ms != before and beat.settings_trouble,
            what="the former settings are used again",
        )
    assert f"port {port}" in asked.beat().settings_trouble
    assert asked.file.read_text() == asked.used
    until(lambda: asked.answers(asked.service.board_port), what="the board answers")


def test_a_file_that_is_not_valid_is_not_started_with(asked):
    asked.file.write_text(f"[board]\nport = {asked.service.board_port}\n[shop]\nnmae = 'x'\n")
    with pytest.raises(Rejected, match=r"shop\.nmae"):
        asked.do("restart")
    assert asked.service.running()


def test_many_at_once_change_different_settings_and_none_is_lost(asked):
    text = asked.file.read_text()
    failed = []

    def change(day):
        values = [{"path": ["hours", day], "value": "10:00-16:00"}]
        try:
            asked.do("change", set=values, version=version_of(text))
        except Rejected as exc:
            failed.append((day, str(exc)))

    days = ("monday", "tuesday", "wednesday", "thursday")
    threads = [threading.Thread(target=change, args=(day,)) for day in days]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert all("changed just now" in why for _, why in failed)
    for day, _ in failed:
        change(day)
    hours = load(data=asked.service.data, environ={}).hours
    assert [getattr(hours, day) for day in days] == ["10:00-16:00"] * 4
    with pytest.raises(Rejected, match="was changed after"):
        asked.do(
            "change", set=[{"path": ["hours", "monday"], "value": ""}], version=version_of(text)
        )


def test_settings_are_not_changed_over_mqtt(asked):
    user, password = asked.service.own_account
    publisher = Publisher(Address("127.0.0.1", asked.service.port, user, password), "button")
    publisher.start()
    until(lambda: publisher.connected, what="the button is connected")
    command = {
        "do": "change",
        "set": [{"path": ["shop", "name"], "value": "x"}],
        "version": version_of(asked.file.read_text()),
    }
    publisher.publish(COMMAND_TOPIC.format("settings"), json.dumps(command))
    with closing(Reader(asked.service.store)) as reader:
        until(lambda: reader.tallies()["refused"], what="the command is rejected")
        assert "by a message" in reader.refused(1)[0].reason
    assert "name" not in asked.file.read_text()
    publisher.close()
