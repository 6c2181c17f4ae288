"""Two services with one store, in real processes: one works, the other takes over, nothing twice."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections import Counter
from contextlib import closing

import pytest
from conftest import ROOT, mosquitto_pub, until
from receivers import Webhook

from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.events import About
from monitor.store import Reader, Writer, outbox
from monitor.store.journal import events_about

MINUTE = 60_000
PROGRAM = """
from monitor.service import standby
from monitor.store import lease
lease.LEASE_MS, standby.RENEW_S, standby.ASK_S = 6_000, 0.5, 0.3
from monitor.cli import main
main()
"""
CONFIG = """
[alerts]
quiet = ""
brief_at = ""
[[places]]
id = "bench"
[[channels]]
id = "hook"
url = "{url}"
least = 1
"""


class Service:
    """`benchweather run --standby` with a short lease, in a process of its own."""

    def __init__(self, running, url):
        self.running, self.log = running, running.log
        running.data.mkdir()
        (running.data / "benchweather.toml").write_text(CONFIG.format(url=url), encoding="utf-8")

    def start(self):
        with self.log.open("w") as log:
            self.child = subprocess.Popen(
                [sys.executable, "-c", self.running.without_board + PROGRAM, "run", "--standby"],
                cwd=ROOT,
                env=self.running.environment,
                stdout=log,
                stderr=subprocess.STDOUT,
            )

    def says(self, text):
        return text in self.log.read_text()

    def works(self):
        return self.child.poll() is None and self.says("Board: ")


@pytest.mark.slow
@pytest.mark.broker
def test_one_of_two_services_works_whoever_dies_or_is_frozen_and_nothing_is_told_twice(
    mosquitto, postgresql_server, make_service
):
    store = postgresql_server.address()

    def stored():
        """How often each pressure is stored."""
        try:
            with closing(Reader(store)) as reader:
                rows = reader.connection.rows(
                    "SELECT value FROM reading JOIN series USING (series_id) "
                    "WHERE quantity = 'pressure'"
                )
        except StoreFault:
            return {}
        return Counter(round(value) for (value,) in rows)

    def notices_waiting():
        with closing(Reader(store)) as reader:
            return outbox.tally(reader)

    def send(value):
        pack = json.dumps([{"n": "pressure", "u": "Pa", "v": value}])
        mosquitto_pub(mosquitto.port, "benchweather/bench/a1", pack)

    def revived(one):
        """Whether a service works; one that ended, as it found its lease lost, is started again."""
        if one.child.poll() is not None:
            one.start()
        return one.works()

    with closing(Writer(store)) as writer:
        end = now_ms()
        writer.write(
            [
                Reading(Series("bench", "a1", quantity), end - MINUTE * i, value + 0.1 * (i % 3))
                for i in range(180)
                for quantity, value in ((Quantity.TEMPERATURE, 20.0), (Quantity.HUMIDITY, 26.0))
            ]
        )
    with Webhook().open() as hook:
        services = []
        for _ in range(2):
            running = make_service(broker_url=mosquitto.url)
            running.environment["BENCHWEATHER_STORE__URL"] = store
            services.append(Service(running, hook.url))
        try:
            one, two = services
            one.start()
            until(one.works, what="the first works")
            two.start()
            until(lambda: two.says("Standby: "), what="the second stands by")
            done = one.running.command("rule", "set", "very-dry", "--hold-min", "0")
            assert done.returncode == 0, done.stderr
            until(lambda: hook.posts and not notices_waiting(), what="the first tells of dry air")

            for name in ("Ina", "Jo"):
                done = one.running.command("people", "add", name)
                assert done.returncode == 0, done.stderr
            one.child.send_signal(signal.SIGSTOP)
            send(101_001)
            until(two.works, what="the second works")
            until(lambda: stored() == {101_001: 1}, what="what came meanwhile is stored")
            done = two.running.command("people", "remove", "Jo", "--yes")
            assert done.returncode == 0, done.stderr
            left = one.running.command("people", "list", "--json")
            assert [person["name"] for person in json.loads(left.stdout)] == ["Ina"]
            one.child.send_signal(signal.SIGCONT)
            assert one.child.wait(60) == 1
            assert one.says("another service has taken over"), one.log.read_text()

            one.start()
            until(lambda: one.says("Standby: "), what="the first stands by")
            postgresql_server.stop()
            send(101_002)
            until(lambda: two.says("lease cannot be renewed"), what="the second knows")
            postgresql_server.start()
            until(lambda: 101_002 in stored(), what="what came meanwhile is stored")
            until(lambda: any(map(revived, services)), what="either has the lease")
            holder = next(each for each in services if each.works())
            other = services[1 - services.index(holder)]
            holder.child.kill()
            holder.child.wait()
            send(101_003)
            until(lambda: revived(other), what="the other has taken over")
            until(lambda: 101_003 in stored(), what="what came meanwhile is stored")
            assert stored() == {101_001: 1, 101_002: 1, 101_003: 1}
            with closing(Reader(store)) as reader:
                events, _ = events_about(reader.connection, About.ALERT)
            told = Counter((event.subject, str(event.action)) for event in events)
            assert set(told.values()) == {1}
            assert len({post.body["notice_id"] for post in hook.posts}) == len(hook.posts)
        finally:
            for each in services:
                each.child.kill()
                each.child.wait()
