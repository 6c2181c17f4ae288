"""Boards on other computers than their service, each with a data folder of its own."""

from __future__ import annotations

import http.cookiejar
import json
import os
import re
import signal
import subprocess
import sys
import threading
import urllib.error
import urllib.parse
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from board_requests import ask_page
from conftest import ROOT, benchweather, free_port, until

from monitor.commands import link
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.events import About
from monitor.settings import load
from monitor.store import Reader, Writer, roles
from monitor.store.journal import events_about

pytestmark = [pytest.mark.slow, pytest.mark.broker]
MINUTE_MS = 60_000
CONFIG = """
[[places]]
id = "bench"
name = "Bench by the window"
"""
FILE = {"time": "time", "format": "iso", "unit": "Cel", "delimiter": ",", "decimal": "."}
KILLED = """
import os, pathlib, time
from monitor.commands import Commands
ours, mark = Commands.carry_out, pathlib.Path({mark!r})
def carry_out(self, command, now_ms, also):
    def then(run, answer):
        also(run, answer)
        if {before} and command.get("id") == {tap!r} and not mark.exists():
            mark.touch()
            os.kill(os.getpid(), {signal}), time.sleep(1)
    done = ours(self, command, now_ms, then)
    if not {before} and command.get("id") == {tap!r} and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), {signal}), time.sleep(1)
    return done
Commands.carry_out = carry_out
"""
"""Ends or freezes the service in the middle of a request, before its change is stored or after."""


class Board:
    """`benchweather board --serve` in a process of its own, asked as a browser asks it."""

    def __init__(self, folder, address):
        self.data, self.log = folder, folder.with_name(f"{folder.name}.log")
        folder.mkdir()
        (folder / "benchweather.toml").write_text(CONFIG, encoding="utf-8")
        self.port = free_port()
        self.environment = {
            k: v for k, v in os.environ.items() if not k.startswith("BENCHWEATHER_")
        } | {
            "BENCHWEATHER_STORE__URL": address,
            "BENCHWEATHER_DATA": str(folder),
            "BENCHWEATHER_BOARD__PORT": str(self.port),
            "PYTHONUNBUFFERED": "1",
        }
        jar = http.cookiejar.CookieJar()
        self._opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(jar))
        self._base = f"http://127.0.0.1:{self.port}"

    def start(self):
        with self.log.open("w") as log:
            self.child = subprocess.Popen(
                [sys.executable, "-m", "monitor", "board", "--serve"],
                cwd=ROOT,
                env=self.environment,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        until(lambda: self._answers(), what="the board answers")
        self.get(re.search(r"http://\S+(/open/\S+)", self.log.read_text())[1])

    def _answers(self):
        assert self.child.poll() is None, self.log.read_text()
        try:
            return self.get("/health") is not None
        except urllib.error.URLError:
            return False

    def stop(self):
        self.child.terminate()
        assert self.child.wait(60) == 0, self.log.read_text()

    def get(self, path):
        try:
            with self._opener.open(self._base + path, timeout=60) as answer:
                return answer.read().decode()
        except urllib.error.HTTPError as exc:
            return exc.read().decode()

    def post(self, path, *, json: object, headers: dict[str, str]):
        whole = {"Content-Type": "application/json", "Origin": self._base, **headers}
        body = globals()["json"].dumps(json).encode()
        return self._opener.open(
            urllib.request.Request(self._base + path, body, whole), timeout=60
        )

    def page(self, path):
        with ask_page(self, path) as answer:
            return json.dumps(json.load(answer), ensure_ascii=False)

    def do(self, **tap):
        """A tap: status and answer."""
        try:
            with self.post("/bench/do", json=tap, headers={}) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as exc:
            return exc.code, json.load(exc)

    def upload(self, content, **fields):
        """A logger's file, stored."""
        query = urllib.parse.urlencode(FILE | fields | {"store": "yes"})
        asked = urllib.request.Request(
            f"{self._base}/settings/file/import?{query}",
            content.encode(),
            {"Content-Type": "application/octet-stream", "Origin": self._base},
        )
        with self._opener.open(asked, timeout=60) as answer:
            return json.load(answer)["said"]

    def token(self):
        return json.loads(self.get("/here"))["token"]

    def banner(self):
        return self.get("/_dash-layout")


@pytest.fixture
def shop(postgresql_server, make_service, tmp_path):
    """A service with its store in a database, and what makes boards elsewhere, which may only ask."""
    owner = postgresql_server.address()
    with closing(Writer(owner)) as writer:
        end = now_ms()
        writer.write(
            [
                Reading(Series("bench", "a1", quantity), end - MINUTE_MS * i, value)
                for i in range(300)
                for quantity, value in ((Quantity.TEMPERATURE, 20.0), (Quantity.HUMIDITY, 50.0))
            ]
        )
        prefix = f"elsewhere{postgresql_server.port}"
        names = roles.make(writer.connection, prefix)
    users = {
        "writer": [names["writer"]],
        "reader": [names["reader"], names["people"]],
        "requester": [names[part] for part in ("requester", "reader", "people")],
    }
    for part, may in users.items():
        postgresql_server.sql(f"CREATE ROLE {prefix}_a_{part} LOGIN IN ROLE {', '.join(may)}")
    address = {part: owner.replace("owner@", f"{prefix}_a_{part}@") for part in names}
    service = make_service(board=False)
    service.data.mkdir()
    (service.data / "benchweather.toml").write_text(CONFIG, encoding="utf-8")
    service.environment["BENCHWEATHER_STORE__URL"] = address["writer"]
    service.environment["BENCHWEATHER_STORE__READ_URL"] = address["reader"]
    made = []

    def board():
        made.append(Board(tmp_path / f"board{len(made)}", address["requester"]))
        made[-1].start()
        return made[-1]

    yield service, board, owner
    for one in made:
        one.child.terminate()
        one.child.wait(60)
    service.clear()
    postgresql_server.until_left(owner)
    postgresql_server.sql(f"DROP SCHEMA {owner.rpartition('%3D')[2]} CASCADE")
    for part in users:
        postgresql_server.sql(f"DROP ROLE {prefix}_a_{part}")
    for name in names.values():
        postgresql_server.sql(f"DROP OWNED BY {name}; DROP ROLE {name}")


def events(address, about):
    with closing(Reader(address)) as reader:
        return events_about(reader.connection, about)[0]


def starts(address, instrument):
    """Waits of an instrument that were opened, and how often."""
    return [e for e in events(address, About.WAIT) if e.body.get("instrument") == instrument]


def stopped(pid):
    """Return whether the kernel has stopped a process."""
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"


def open_wait(board, tap, instrument):
    form = {"kind": "plate-crack", "place": "bench", "instrument": instrument}
    return board.do(do="open", id=tap, kind="plate-crack", place="bench", form=form)


def test_a_board_elsewhere_does_the_whole_work(shop):
    service, make_board, store = shop
    service.start()
    one = make_board()
    assert "Bench by the window" in one.page("/")
    until(lambda: json.loads(one.get("/health"))["status"] == "ok", what="all is well")
    status, answer = open_wait(one, "tap-1", "VN-1")
    assert status == 200, answer
    (wait,) = answer["done"]["waits"]
    assert "VN-1" in one.page("/bench")
    status, answer = one.do(do="correct", wait=wait, id="tap-2", form={"what": "top, all round"})
    assert status == 200, answer
    assert "top, all round" in one.page("/bench")
    status, answer = open_wait(one, "tap-1", "VN-1")
    assert (status, answer["done"]["waits"]) == (200, [wait]), "a repeat changes nothing"
    status, answer = one.do(do="open", id="tap-3", kind="plate-crack", place="cellar")
    assert status == 409
    assert "bench" in answer["refused"]

    status, answer = one.do(about="settings", do="restart")
    assert status == 409
    assert "only on the board of the computer where Benchweather runs" in answer["refused"]
    assert "only on the board of the computer" in one.page("/settings")
    found = benchweather("check", environment=one.environment)
    assert "runs, and all its parts work" in " ".join(found.stdout.split()), found.stdout
    with pytest.raises(Rejected, match="only on the board of the computer"):
        link.ask(load(environ=one.environment), {"about": "settings", "do": "restart"})
    csv = "time,temperature\n2026-01-05T10:00:00Z,19.5\n"
    stored = one.upload(csv, place="bench", sensor="logger", temperature="temperature")
    assert "1 reading is stored" in stored

    two = make_board()
    with ThreadPoolExecutor(2) as both:
        before = two.token()
        done = list(
            both.map(lambda n: open_wait((one, two)[n % 2], f"many-{n}", f"VC-{n}"), range(20))
        )
        assert {status for status, _ in done} == {200}
    assert len({answer["done"]["waits"][0] for _, answer in done}) == 20
    assert all(len(starts(store, f"VC-{n}")) == 1 for n in range(20))
    assert two.token() != before
    assert "VC-19" in two.page("/bench")

    def command(*words):
        found = benchweather(*words, environment=two.environment)
        assert found.returncode == 0, found.stderr
        return found.stdout

    command("instrument", "register", "VN-2", "violin", "bench")
    command("repair", "take-in", "VN-2", "--template", "top-cracks")
    until(lambda: "VN-2" in two.page("/plan"), what="the plan is on the board")
    assert "VN-2" in command("plan")
    assert not (two.data / "plan.json").exists()
    assert not (service.data / "plan.json").exists()

    service.stop()
    until(lambda: "The service stopped at" in one.banner(), what="the banner says so")
    assert json.loads(one.get("/health"))["status"] == "failing"
    gone = benchweather("wait", "open", "cleat", "bench", environment=two.environment)
    assert gone.returncode == 1
    assert "No service uses the store" in gone.stderr
    service.start()
    until(lambda: "The service stopped at" not in one.banner(), what="the banner is gone")
    assert open_wait(one, "tap-4", "VN-4")[0] == 200
    assert [e.by for e in starts(store, "VN-1")] == [""]
    one.stop()
    two.stop()


@pytest.mark.parametrize("before", [True, False])
def test_a_service_killed_in_the_middle_of_a_request_does_it_once(shop, tmp_path, before):
    service, make_board, store = shop
    service.before = KILLED.format(
        mark=str(tmp_path / "killed"), tap="tap-1", before=before, signal=int(signal.SIGKILL)
    )
    service.start()
    board, answers = make_board(), []
    asking = threading.Thread(target=lambda: answers.append(open_wait(board, "tap-1", "VN-1")))
    asking.start()
    until(lambda: not service.running(), what="it is killed")
    assert len(starts(store, "VN-1")) == (0 if before else 1)
    service.start()
    asking.join(60)
    ((status, answer),) = answers
    if status != 200:  # it took longer than the limit to start again
        assert (before, status) == (True, 503)
        assert starts(store, "VN-1") == []
        status, answer = open_wait(board, "tap-1", "VN-1")
    assert status == 200, answer
    assert len(starts(store, "VN-1")) == 1


@pytest.mark.parametrize("before", [True, False])
def test_what_a_frozen_service_had_begun_is_done_once_or_not_at_all(shop, tmp_path, before):
    service, make_board, store = shop
    service.before = KILLED.format(
        mark=str(tmp_path / "frozen"), tap="tap-1", before=before, signal=int(signal.SIGSTOP)
    )
    service.start()
    board = make_board()
    until(lambda: json.loads(board.get("/health"))["status"] == "ok", what="it is seen to work")
    try:
        status, answer = open_wait(board, "tap-1", "VN-1")
        assert status == (503 if before else 200), answer
        until(
            lambda: stopped(service.pid), what="it is frozen: its change is seen a little before"
        )
        assert open_wait(board, "tap-2", "VN-2")[0] == 503
        until(lambda: "The service stopped at" in board.banner(), what="the banner says so")
    finally:
        os.kill(service.pid, signal.SIGCONT)
    until(lambda: open_wait(board, "tap-3", "VN-3")[0] == 200, what="it answers again")
    known = len(starts(store, "VN-1"))
    assert len(starts(store, "VN-2")) == 0, "nobody waits for it any more"
    status, answer = open_wait(board, "tap-1", "VN-1")  # as the board's queue does
    assert (status, len(starts(store, "VN-1"))) == (200, 1), (answer, known)


def test_a_board_elsewhere_says_when_the_database_is_away(shop, postgresql_server):
    service, make_board, _ = shop
    service.start()
    board = make_board()
    until(lambda: json.loads(board.get("/health"))["status"] == "ok", what="all is well")
    postgresql_server.stop()
    until(lambda: json.loads(board.get("/health"))["status"] == "failing", what="it is known")
    seen = board.banner()
    assert "store cannot be read just now" in seen
    assert "has not run here" not in seen
    status, answer = open_wait(board, "tap-1", "VN-1")
    assert status in (403, 503), answer
    postgresql_server.start()
    until(lambda: json.loads(board.get("/health"))["status"] == "ok", what="all is well again")
    assert open_wait(board, "tap-1", "VN-1")[0] == 200
