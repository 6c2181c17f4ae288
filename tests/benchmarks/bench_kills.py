"""Kills of the shop's own broker, and of broker and ingest at once, while readings come in.

Run: PYTHONPATH=. python tests/benchmarks/bench_kills.py [--program mosquitto] [--kills 110] [--quick]
A process of its own has the service's broker, watch, ingest and store, without board and outlook, so
that many kills fit in a few minutes. Each reading has a number and a time of its own. Counted:
readings that the broker acknowledged and that are not in the store in the end, and readings that are
in it twice.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from conftest import free_port, needs, until
from numbered_load import connected

from monitor import settings
from monitor.core import logs
from monitor.core.ports import is_listening
from monitor.mqtt.client import Subscription
from monitor.mqtt.embedded_broker import ingest_account
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.runtime.disk_space import DiskSpace
from monitor.service.broker_access import access_rules
from monitor.service.broker_watch import BrokerWatch
from monitor.service.ingest_session import IngestSession, admit_first
from monitor.settings.shop_broker import broker_address, client_id, embedded_broker
from monitor.store import Writer

PER_S, SEED = 50, 20261129
"""Readings a second; seed of the kills' moments."""


def serve(folder: Path) -> None:
    """The service's broker, watch, ingest and store, until killed."""
    logs.set_up("service", verbose=False, file=folder / "service.log")
    loaded = settings.load(data=folder)
    contract, door = Contract(loaded.topics), ingest_account()
    broker = embedded_broker(loaded, door, access_rules(contract))
    address = replace(broker_address(loaded), user=door.user, password=door.password)
    filters = tuple(contract.filters)
    session = IngestSession(folder / "session.json", "", client_id(loaded), filters)
    if not session.is_known():
        admit_first(broker, address, session)
    broker.start()
    subscription = Subscription(address, filters, client_id(loaded))
    ingest = Ingest(subscription, contract, Writer(loaded.store_path))
    disk = DiskSpace(folder)
    watch = BrokerWatch(broker, address, ingest, disk)
    ingest.start()
    watch.start()
    while True:
        (folder / "pid").write_text(str(broker.pid or 0))
        disk.look(doubted=bool(ingest.store_trouble or watch.failing))
        time.sleep(0.05)


class Service:
    """That process."""

    def __init__(self, folder: Path, program: str) -> None:
        self.folder, self.port = folder, free_port()
        self.environment = os.environ | {
            "BENCHWEATHER_BROKER__PORT": str(self.port),
            "BENCHWEATHER_BROKER__PROGRAM": needs(program, program) if program else "",
        }

    def start(self) -> None:
        self.child = subprocess.Popen(
            [sys.executable, __file__, "--serve", str(self.folder)],
            env=self.environment,
            stderr=subprocess.DEVNULL,
        )
        until(lambda: is_listening("127.0.0.1", self.port), within_s=120)

    def kill_broker(self) -> bool:
        """Kill the broker; False if none runs just now."""
        with contextlib.suppress(OSError, ValueError):
            os.kill(int((self.folder / "pid").read_text()), signal.SIGKILL)
            return True
        return False

    def stored(self) -> Counter[int]:
        with contextlib.closing(sqlite3.connect(self.folder / "readings.sqlite3")) as store:
            rows = store.execute("SELECT ts_ms FROM reading").fetchall()
        return Counter(ms // 1000 - 1_700_000_000 for (ms,) in rows)


class Sender(threading.Thread):
    """Sends numbered readings and notes which were acknowledged."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.client, self.ends = connected(port), threading.Event()
        self.mids: set[int] = set()
        self.numbers: dict[int, int] = {}
        self.sent = 0
        self.client.on_publish = lambda c, u, mid, code, p: self.mids.add(mid)

    def run(self) -> None:
        while not self.ends.wait(1 / PER_S):
            pack = [{"n": "temperature", "u": "Cel", "t": 1.7e9 + self.sent, "v": 20}]
            info = self.client.publish("benchweather/bench/numbered", json.dumps(pack), qos=1)
            self.numbers[info.mid] = self.sent
            self.sent += 1


def run(program: str, kills: int, both_every: int, folder: Path) -> None:
    """Kill the broker so many times, each so manieth time with the ingest, and count."""
    service, source, both = Service(folder, program), random.Random(SEED), 0
    service.start()
    sender, began, done, limit = Sender(service.port), time.monotonic(), 0, 60_000
    sender.start()
    while done < kills and sender.sent < limit:
        wanted = len(sender.mids) + 10
        until(lambda wanted=wanted: len(sender.mids) >= wanted, within_s=120)
        time.sleep(source.uniform(0, 0.5))
        if not service.kill_broker():
            continue
        done += 1
        if both_every and done % both_every == 0:
            service.child.kill()
            service.child.wait()
            both += 1
            service.start()
    took_s = time.monotonic() - began
    sender.ends.set()
    sender.join()
    with contextlib.suppress(AssertionError):
        until(lambda: len(sender.mids) == sender.sent, within_s=120)
        until(lambda: set(range(sender.sent)) <= set(service.stored()), within_s=60)
    acknowledged, found = {sender.numbers[mid] for mid in sender.mids}, service.stored()
    print(
        f"{program or 'nats-server'}: killed {done} times, {both} of them with the ingest, in "
        f"{took_s:.0f} s; sent {sender.sent}, acknowledged {len(acknowledged)}, "
        f"acknowledged lost {len(acknowledged - set(found))}, "
        f"doubled {sum(count > 1 for count in found.values())}",
        flush=True,
    )
    sender.client.disconnect()
    sender.client.loop_stop()
    service.child.kill()
    service.child.wait()


def main() -> None:
    parser = argparse.ArgumentParser(description="Kills of broker and ingest.")
    parser.add_argument("--program", default="", help="mosquitto; default: the shipped broker")
    parser.add_argument("--kills", type=int, default=110)
    parser.add_argument("--both-every", type=int, default=5, help="0: never with the ingest")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.serve:
        serve(given.serve)
        return
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        run(given.program, 3 if given.quick else given.kills, given.both_every, Path(folder))


if __name__ == "__main__":
    main()
