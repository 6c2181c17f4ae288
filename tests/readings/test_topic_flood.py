"""Ten thousand invented topics: the board stays quick, and each message is accounted for."""

from __future__ import annotations

import time
import urllib.request
from contextlib import closing
from json import dumps

import pytest
from board_requests import ask_page
from conftest import until
from numbered_load import connected

from monitor.store import Reader, newcomers

pytestmark = [pytest.mark.slow, pytest.mark.broker]

TOPICS = 10_000
PAGES = ("/", "/sensors", "/bench")
SLOWER_MAX = 3.0
"""Most that a page may take longer after the flood; and half a second,
as other work shares the machine. Ours."""


class Board:
    """A browser's requests for the content of pages."""

    def __init__(self, service):
        self.origin = f"http://127.0.0.1:{service.board_port}"

    def post(self, path, *, json: object, headers=None):
        body = dumps(json).encode()
        kinds = {"Content-Type": "application/json", **(headers or {})}
        request = urllib.request.Request(self.origin + path, body, kinds)
        with urllib.request.urlopen(request, timeout=60) as answer:
            return answer.read()

    def page_s(self, page):
        """Shortest of three times that a page's content takes. [s]"""
        took = []
        for _ in range(3):
            began = time.monotonic()
            assert b"Sensors" in ask_page(self, page) or page != "/sensors"
            took.append(time.monotonic() - began)
        return round(min(took), 3)

    def times(self):
        return {page: self.page_s(page) for page in PAGES}


def test_ten_thousand_topics_wait_and_the_board_stays_quick(whole_service):
    service = whole_service
    client = connected(service.port)
    pack = dumps(
        [{"n": "temperature", "u": "Cel", "v": 20}, {"n": "humidity", "v": 45, "u": "%RH"}]
    )
    for place in ("bench", "varnish"):
        client.publish(f"benchweather/{place}/a1", pack, qos=1).wait_for_publish(60)

    def state():
        with closing(Reader(service.store)) as reader:
            every = newcomers.every(reader)
            return (
                reader.tallies()["messages"],
                len(reader.topics()),
                [one for one in every if one.state == newcomers.WAITING],
                newcomers.beyond(reader),
            )

    until(lambda: state()[0] == 2)
    board = Board(service)
    before = board.times()
    began = time.monotonic()
    for i in range(TOPICS):
        client.publish(f"benchweather/p{i}/s", pack, qos=1)
    during = board.times()
    until(lambda: state()[0] == TOPICS + 2, within_s=120, what="every message was handled")
    took_s = time.monotonic() - began
    after = board.times()
    messages, topics, waiting, beyond = state()
    assert topics == 5  # the two, and three more that were taken at once
    assert len(waiting) == 200
    kept = sum(one.messages for one in waiting)
    assert topics + kept + beyond == messages == TOPICS + 2
    print(f"{took_s:.1f} s; before {before}, during {during}, after {after}")
    for page in PAGES:
        assert after[page] < SLOWER_MAX * before[page] + 0.5, (before, during, after)
    refused = service.command("place", "refuse", "--all")
    assert refused.returncode == 0, refused.stderr
    client.publish("benchweather/bench/a1", pack, qos=1).wait_for_publish(60)
    until(lambda: state()[0] == TOPICS + 3)
    assert state()[2] == []
    assert "200" in refused.stdout.splitlines()[-1]
    client.disconnect()
    client.loop_stop()
