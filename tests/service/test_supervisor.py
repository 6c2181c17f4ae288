"""The supervisor's watch over its parts; whole services are in test_path."""

from __future__ import annotations

import re
import socket
import threading
from pathlib import Path
from types import SimpleNamespace

from conftest import end_accepting, until

from monitor import settings
from monitor.core.steady_clock import SteadyClock
from monitor.runtime.disk_space import DiskSpace
from monitor.service import self_check, supervisor
from monitor.service.evaluation_runs import run_cycles
from monitor.service.sole_use import sole_use
from monitor.service.supervisor import Supervisor
from monitor.service.vital_signs import Parts


class Board:
    """A child that is looked at; it listens, and counts who connects."""

    def __init__(self):
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.connections, self.looks, self.looked = 0, 0, threading.Event()
        self.thread = threading.Thread(target=self._accept, daemon=True)
        self.thread.start()

    def _accept(self):
        while True:
            try:
                self.server.accept()[0].close()
            except OSError:
                return
            self.connections += 1

    def running(self):
        return True

    def restart_if_ended(self):
        self.looks += 1
        if self.looks == 50:
            self.looked.set()


def test_the_board_is_connected_to_only_until_it_answers(tmp_path, monkeypatch):
    monkeypatch.setattr(supervisor, "LOOK_S", 0.001)
    board = Board()
    environ = {"BENCHWEATHER_BOARD__PORT": str(board.port)}
    service = Supervisor(settings.load(data=tmp_path, environ=environ))
    subscription = SimpleNamespace(connected=True, trouble="", address="here")
    ingest = SimpleNamespace(running=lambda: True, store_trouble="", subscription=subscription)
    parts = Parts(ingest, None, None, None, [board], DiskSpace(tmp_path), None, None)
    signs = SimpleNamespace(ready=lambda: None, beat=lambda _: None)
    ready = []
    watch = threading.Thread(
        target=service._watch, args=(parts, signs, lambda: ready.append(board.looks))
    )
    watch.start()
    assert board.looked.wait(60)
    service.stop()
    watch.join(60)
    until(lambda: board.connections)
    end_accepting(board.server, board.thread)
    assert len(ready) == 1
    assert board.looks >= 50
    assert board.connections == 1


def test_what_the_service_makes_is_for_its_user_only(tmp_path):
    """Also in a folder that was open to others before."""
    folder = tmp_path / "data"
    folder.mkdir(mode=0o755)
    with sole_use(folder):
        (folder / "made").mkdir()
        (folder / "made" / "file").write_text("a client's name")
    for path in (folder, folder / "made", folder / "made" / "file"):
        assert path.stat().st_mode & 0o077 == 0, path
    (tmp_path / "after").write_text("")
    assert (tmp_path / "after").stat().st_mode & 0o044


def test_each_part_that_check_tests_has_a_meaning():
    source = Path(self_check.__file__).read_text(encoding="utf-8")
    tested = set(re.findall(r'Check\(\s*"(\w+)",\s*False', source))
    assert {"broker", "store", "backup"} <= tested == set(self_check.MEANS)


def test_check_tells_of_data_that_others_can_read(tmp_path):
    folder = tmp_path / "data"
    folder.mkdir(mode=0o700)
    wide = tmp_path / "shop.toml"
    wide.write_text('[board]\npassword = "a secret of the shop"\n')
    loaded = settings.load(data=folder, config=wide, environ={})
    wide.chmod(0o644)
    found = self_check._privacy(loaded)
    assert not found.good
    assert f"chmod go= {wide}" in found.text
    wide.chmod(0o600)
    assert self_check._privacy(loaded).good
    folder.chmod(0o750)
    assert f"chmod go= {folder}" in self_check._privacy(loaded).text


def test_a_change_during_a_round_has_a_round_of_its_own():
    changed, rounds = threading.Event(), []

    class Cycle:
        def run(self, now_ms):
            rounds.append(now_ms)
            if len(rounds) == 1:
                changed.set()  # a command that came meanwhile

    run_cycles(Cycle(), SteadyClock(), changed)
    assert len(rounds) == 2
    assert not changed.is_set()
