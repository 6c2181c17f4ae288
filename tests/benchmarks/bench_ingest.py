"""How fast messages become durable readings, against a client that only counts them.

Run by hand: `python tests/benchmarks/bench_ingest.py [--quick]`. Both sides run in turn, in one
run, on the same broker; only ratios carry over to another machine.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import json
import multiprocessing
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import paho.mqtt.client as paho
from conftest import Mosquitto, free_port

from monitor.mqtt.accounts import AccessRules
from monitor.mqtt.client import Address, Subscription
from monitor.mqtt.embedded_broker import BrokerAccount, EmbeddedBroker
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.store import Reader, Writer
from monitor.store.connection import StoreAddress

FILTER = "benchweather/+/+"
T0 = 1_790_000_000


def message(i: int, pack: int) -> tuple[str, bytes]:
    """The i-th message: one reading, or a pack of some sensor's."""
    sensor, step = i % 20, i // 20
    first = {"bt": T0 + 10 * step * pack, "n": "temperature", "u": "Cel", "v": 20.25}
    rest = [
        {"n": "temperature", "u": "Cel", "t": 10 * k, "v": 20 + k / 100} for k in range(1, pack)
    ]
    return f"benchweather/bench/s{sensor}", json.dumps([first, *rest]).encode()


def publish(port: int, count: int, pack: int, first: int = 0) -> None:
    """Send `count` messages with QoS 1, up to 200 on the way, and wait until all are taken."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.max_inflight_messages_set(200)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for i in range(first, first + count):
        info = client.publish(*message(i, pack), qos=1)
        if i % 1000 == 0:
            info.wait_for_publish()
    info.wait_for_publish()
    client.disconnect()
    client.loop_stop()


def leave_session(port: int, client_id: str) -> None:
    """Make a persistent session that the broker queues for."""
    client = paho.Client(
        paho.CallbackAPIVersion.VERSION2, client_id, protocol=paho.MQTTv311, clean_session=False
    )
    client.on_connect = lambda c, *_: c.subscribe(FILTER, 1)
    client.on_subscribe = lambda c, *_: c.disconnect()
    client.connect("127.0.0.1", port)
    client.loop_forever()


def count_only(port: int, client_id: str, count: int) -> float:
    """Seconds until a client that does nothing but count has `count` messages."""
    seen = 0

    def on_message(client: paho.Client, _: object, __: object) -> None:
        nonlocal seen
        seen += 1
        if seen == count:
            client.disconnect()

    client = paho.Client(
        paho.CallbackAPIVersion.VERSION2, client_id, protocol=paho.MQTTv311, clean_session=False
    )
    client.on_connect = lambda c, *_: c.subscribe(FILTER, 1)
    client.on_message = on_message
    began = time.perf_counter()
    client.connect("127.0.0.1", port)
    client.loop_forever()
    return time.perf_counter() - began


def new_file(folder: Path) -> StoreAddress:
    """Address of a store that is not there yet."""
    return folder / f"{time.monotonic_ns()}.sqlite3"


def into_store(port: int, client_id: str, count: int, pack: int, address: StoreAddress) -> float:
    """Seconds until every reading is durable, acknowledged and in its rollups."""
    subscription = Subscription(Address("127.0.0.1", port), [FILTER], client_id)
    writer = Writer(address)
    ingest = Ingest(subscription, Contract(), writer)
    reader = Reader(address)
    began = time.perf_counter()
    ingest.start()
    while reader.tallies()["messages"] < count:
        time.sleep(0.01)
    took = time.perf_counter() - began
    assert reader.tallies()["readings"] == count * pack, reader.tallies()
    ingest.stop(5)
    writer.close()
    reader.close()
    if isinstance(address, Path):
        address.unlink()
    return took


@contextlib.contextmanager
def open_embedded(folder: Path) -> Iterator[int]:
    """The embedded broker, letting these clients do both."""

    class Open(EmbeddedBroker):
        def _configuration(self) -> str:
            head, _, rest = super()._configuration().partition("authorization")
            return head + "\n".join(
                line for line in rest.splitlines()[1:] if "no_auth_user" not in line
            )

    broker = Open(
        folder,
        "127.0.0.1",
        free_port(),
        ingest=BrokerAccount("i", "i"),
        rules=AccessRules((FILTER,)),
    )
    broker.start()
    yield broker.port
    broker.stop()


def drain(
    port: int, count: int, pack: int, new_store: Callable[[], StoreAddress], rounds: int
) -> tuple[float, float]:
    """Median messages/s of counting and of storing a queue that waits."""
    counting, storing = [], []
    for number in range(rounds):
        for what in ("count", "store") if number % 2 else ("store", "count"):
            client_id = f"{what}-{number}-{pack}"
            leave_session(port, client_id)
            publish(port, count, pack)
            if what == "count":
                counting.append(count / count_only(port, client_id, count))
            else:
                storing.append(count / into_store(port, client_id, count, pack, new_store()))
            forget(port, client_id)
    return statistics.median(counting), statistics.median(storing)


def live(port: int, count: int, folder: Path, rounds: int) -> tuple[float, float]:
    """The same with the publisher at work at the same time, in a process of its own."""
    counting, storing = [], []
    for number in range(rounds):
        for what in ("count", "store"):
            client_id = f"live-{what}-{number}"
            leave_session(port, client_id)
            sender = multiprocessing.get_context("spawn").Process(
                target=publish, args=(port, count, 1)
            )
            sender.start()
            if what == "count":
                counting.append(count / count_only(port, client_id, count))
            else:
                storing.append(count / into_store(port, client_id, count, 1, new_file(folder)))
            sender.join()
            forget(port, client_id)
    return statistics.median(counting), statistics.median(storing)


def forget(port: int, client_id: str) -> None:
    """Drop a session, so that the broker stops queueing for it."""
    client = paho.Client(
        paho.CallbackAPIVersion.VERSION2, client_id, protocol=paho.MQTTv311, clean_session=True
    )
    client.on_connect = lambda c, *_: c.disconnect()
    client.connect("127.0.0.1", port)
    client.loop_forever()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    quick = parser.parse_args().quick
    count, packs, rounds = (2_000, 200, 1) if quick else (40_000, 3_000, 3)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        new_store = functools.partial(new_file, folder)
        (folder / "m").mkdir()
        mosquitto = Mosquitto(folder / "m")
        mosquitto.start()
        line = "{:<44}{:>12,.0f}{:>12,.0f}{:>9.2f}   {}".format
        print(f"{'':<44}{'counting/s':>12}{'durable/s':>12}{'ratio':>9}   target")
        one = drain(mosquitto.port, count, 1, new_store, rounds)
        print(line("mosquitto, backlog, 1 reading a message", *one, one[1] / one[0], ">= 0.90"))
        many = drain(mosquitto.port, packs, 100, new_store, rounds)
        print(
            line(
                "mosquitto, backlog, packs of 100: readings",
                *(100 * v for v in many),
                many[1] / many[0],
                ">= 100,000/s",
            )
        )
        both = live(mosquitto.port, count, folder, rounds)
        print(line("mosquitto, publisher at work too", *both, both[1] / both[0], ">= 0.85"))
        mosquitto.stop()
        with open_embedded(folder / "n") as port:
            own = drain(port, count, 1, new_store, rounds)
            print(
                line("embedded, backlog, 1 reading a message", *own, own[1] / own[0], "none set")
            )
            both = live(port, count, folder, rounds)
            print(line("embedded, publisher at work too", *both, both[1] / both[0], "none set"))


if __name__ == "__main__":
    main()
