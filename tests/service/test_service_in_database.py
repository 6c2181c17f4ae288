"""The whole service with its store on a PostgreSQL server: nothing is lost, whatever stops."""

from __future__ import annotations

import subprocess
import urllib.request
from contextlib import closing
from json import dumps, load
from urllib.parse import urlencode

import pytest
from board_requests import ask_page
from conftest import mosquitto_pub, until

from monitor.core.clock import EVER_MS
from monitor.core.errors import StoreFault
from monitor.runtime import heartbeat
from monitor.store import Reader, outlooks, rollups

pytestmark = [pytest.mark.slow, pytest.mark.broker]
SECRET = "hunter2-of-the-store"


class Board:
    """The board of a running service, asked as a browser asks it."""

    def __init__(self, port):
        self._base = f"http://127.0.0.1:{port}"

    def post(self, path, *, json, headers):
        return urllib.request.urlopen(
            urllib.request.Request(
                self._base + path,
                dumps(json).encode(),
                {"Content-Type": "application/json", "Origin": self._base, **headers},
            ),
            timeout=60,
        )

    def page(self, path):
        with ask_page(self, path) as answer:
            return dumps(load(answer), ensure_ascii=False)

    def lets_in(self, name, password):
        form = urlencode({"name": name, "password": password}).encode()
        asked = urllib.request.Request(f"{self._base}/sign-in", form, {"Origin": self._base})
        return self._leads_on(asked)

    def opens(self, link):
        return self._leads_on(urllib.request.Request(link.strip()))

    def _leads_on(self, asked):
        with urllib.request.urlopen(asked, timeout=60) as answer:
            return "said=" not in answer.url

    def frame(self):
        """What is around each page, with the banner."""
        with urllib.request.urlopen(f"{self._base}/_dash-layout", timeout=60) as answer:
            return dumps(load(answer), ensure_ascii=False)


def test_the_service_keeps_its_store_in_a_database(mosquitto, make_service, postgresql_server):
    service, server = make_service(broker_url=mosquitto.url), postgresql_server
    address = server.address().replace("owner@", f"owner:{SECRET}@")
    added = service.command("people", "add", "Eilidh")  # to the data folder
    assert added.returncode == 0, added.stderr
    service.environment["BENCHWEATHER_STORE__URL"] = address
    board, told = Board(service.board_port), []

    def send(first, count):
        for i in range(first, first + count):
            pack = dumps(
                [
                    {"n": "temperature", "u": "Cel", "v": 20 + i / 10},
                    {"n": "humidity", "u": "%RH", "v": 47},
                ]
            )
            mosquitto_pub(mosquitto.port, "benchweather/front-bench/a1", pack)

    def stored():
        try:
            with closing(Reader(address)) as reader:
                return reader.tallies()["readings"]
        except StoreFault:
            return None

    def say(text):
        told.append(text)
        return text

    (service.data / "outlook").mkdir(parents=True)
    (service.data / "outlook" / "a%2Fb.issuedoutlooks.npz").write_bytes(b"of an earlier version")
    service.start()
    send(0, 3)
    until(lambda: stored() == 6, what="three messages are stored")
    assert not service.store.exists()
    opened = service.command("wait", "open", "plate-crack", "front-bench", "--instrument", "VN-1")
    assert opened.returncode == 0, opened.stderr
    assert "Front bench" in say(board.page("/"))
    assert "VN-1" in say(board.page("/bench"))
    assert board.opens(service.command("board").stdout)
    assert board.lets_in("Eilidh", added.stdout.rpartition(": ")[2].strip())
    for command in ("settings", "check", "now", "wait list"):
        done = service.command(*command.split())
        told += [done.stdout, done.stderr]
    assert "postgresql://127.0.0.1" in "".join(told)

    server.stop()  # as in a crash, in mid-ingest
    send(3, 3)
    beat_path = service.data / "heartbeat.json"
    until(lambda: heartbeat.read(beat_path).store_trouble, what="the service knows")
    assert "cannot be read" in say(board.page("/"))
    assert not board.lets_in("Eilidh", added.stdout.rpartition(": ")[2].strip())
    assert "store cannot be read just now: postgresql://" in say(board.frame())
    told.append(beat_path.read_text())
    server.start()
    until(lambda: stored() == 12, what="what waited is stored")
    until(lambda: not heartbeat.read(beat_path).store_trouble, what="the trouble is over")
    assert "cannot be read" not in board.page("/") + board.frame()

    assert service.command("people", "remove", "Eilidh", "--yes").returncode == 0
    service.stop()
    told.append(service.log.read_text())
    send(6, 2)  # waits at the broker
    service.start()
    until(lambda: stored() == 16, what="what waited at the broker is stored")
    assert "VN-1" in say(board.page("/bench"))
    assert "Eilidh" not in service.command("people", "list").stdout  # though the file has her
    told.append(board.page("/settings"))
    titles = subprocess.run(["ps", "-eo", "args"], capture_output=True, text=True, check=True)
    told.append(titles.stdout)
    with closing(Reader(address)) as reader:
        kept = outlooks.read(reader.connection, "a/b", "issuedoutlooks")
        assert kept == b"of an earlier version"
        assert rollups.recount(reader, 0, EVER_MS).disagreements == []
    service.stop()
    told.append(service.log.read_text())
    assert SECRET not in "".join(told)
