"""A large site as a whole: 10,000 sensors at 3,000 places, each sends its pair of readings every 10 s.

    nice -n 5 python tests/benchmarks/bench_site.py [--quick] [--minutes 30] [--outlook N] [--sensors N]

The sensors' messages come through 20 connections, as gateways bring them. `benchweather run`,
PostgreSQL (which syncs to the disk), mosquitto and the sensors share this machine. A probe publishes
twice a second and asks the database until its reading is there: its age is the time from message to
durable. Prints a line a minute: messages sent and not yet stored, memory, processor time, rounds; and
at the end the memory of each process, sampled each 30 s, with its slope, as a table for RESULTS.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import multiprocessing
import statistics
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import many_places
import numpy as np
import paho.mqtt.client as paho
import postgresql_server
import psycopg
from bench_service import cpu_s, family
from conftest import Mosquitto, RunningService

from monitor.core.clock import now_ms
from monitor.store import Reader, Writer

PERIOD_S, GATEWAYS, PROBE_S = 10.0, 20, 0.5
WANTED_P95_S, WANTED_ROUND_S = 2.0, 10.0
ROUNDS = ("benchweather_round_duration_seconds_count", "benchweather_round_duration_seconds_sum")
PROBE = "benchweather/room-0002/probe"
PLACES = 3_000
MEMORY_S, STARTS_S = 30.0, 300.0
"""Time between samples of the memory; time from the start that its slope leaves out. [s]"""


def topic(sensor: int) -> str:
    copy, room = divmod(sensor, PLACES)
    return f"benchweather/room-{room:04}/s{room:04}{'abcdefgh'[copy - 1] if copy else ''}"


def pair(sensor: int, turn: int) -> tuple[str, bytes]:
    """Topic and pack of a sensor in a turn; a third of the sensors have a day of readings before."""
    temp_c, rh_pct = 21 + (sensor + turn) % 20 / 10, 50 + (3 * sensor + turn) % 40 / 10
    pack = [
        {"n": "temperature", "u": "Cel", "v": temp_c},
        {"n": "humidity", "u": "%RH", "v": rh_pct},
    ]
    pack[0] = {"bt": round(now_ms() / 1000, 2)} | pack[0]
    return topic(sensor), json.dumps(pack).encode()


def connected(port: int) -> paho.Client:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.max_inflight_messages_set(1_000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def publish_all(port: int, sensors: int, sent, done) -> None:
    """Publish for all sensors, evenly over each period, until told to stop."""
    gateways = [connected(port) for _ in range(GATEWAYS)]
    began = time.monotonic()
    for i in itertools.count():
        if (wait_s := began + i * PERIOD_S / sensors - time.monotonic()) > 0.002:
            time.sleep(wait_s)
        if done.is_set():
            break
        turn, sensor = divmod(i, sensors)
        gateways[sensor % GATEWAYS].publish(*pair(sensor, turn), qos=1)
        sent.value = i + 1
    for client in gateways:
        client.disconnect()
        client.loop_stop()


class Probe(threading.Thread):
    """A sensor whose readings are followed until the database has them."""

    def __init__(self, port: int, url: str) -> None:
        super().__init__(daemon=True)
        self._client, self._url = connected(port), url
        self.took_s: list[float] = []
        self.ended = threading.Event()

    def run(self) -> None:
        with psycopg.connect(self._url, autocommit=True) as run:
            while not self.ended.is_set():
                began, at = time.monotonic(), now_ms()
                pack = [{"bt": at / 1000, "n": "temperature", "u": "Cel", "v": 20.5}]
                self._client.publish(PROBE, json.dumps(pack).encode(), qos=1)
                while not run.execute(
                    "SELECT 1 FROM reading JOIN series USING (series_id) "
                    "WHERE sensor = 'probe' AND ts_ms >= %s LIMIT 1",
                    [at],
                ).fetchone():
                    time.sleep(0.05)
                self.took_s.append(time.monotonic() - began)
                self.ended.wait(began + PROBE_S - time.monotonic())


def metrics(port: int) -> dict[str, float]:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=30) as answer:
        lines = answer.read().decode().splitlines()
    parts = (line.rpartition(" ") for line in lines if not line.startswith("#"))
    return {name: float(value) for name, _, value in parts}


def memory_mb(pids: list[int]) -> float:
    """Memory of processes in RAM, what they share counted once."""
    lines = (Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines() for pid in pids)
    return (
        sum(int(line.split()[1]) for line in itertools.chain(*lines) if line[:4] == "Pss:") / 1000
    )


class Memory:
    """Memory of the service's processes and of the parts beside it, sampled each `MEMORY_S`."""

    def __init__(self, service: int, parts: dict[str, int]) -> None:
        self._service, self._parts = service, parts
        self._began_s, self._next_s = time.monotonic(), 0.0
        self.samples: list[tuple[float, dict[str, float]]] = []
        """Time since the start [s], and memory by process [MB]."""

    def look(self) -> None:
        """Take a sample if it is time for one."""
        if time.monotonic() < self._next_s:
            return
        self._next_s = time.monotonic() + MEMORY_S
        found = {name: memory_mb([pid]) for pid, name in self._processes().items()}
        found["service, all processes"] = sum(found.values())
        found |= {name: memory_mb(family(pid)) for name, pid in self._parts.items()}
        self.samples.append((time.monotonic() - self._began_s, found))

    def _processes(self) -> dict[int, str]:
        """Names of the service's processes: itself, and its children by their modules."""
        found = {}
        for pid in family(self._service):
            words = Path(f"/proc/{pid}/cmdline").read_text().split("\0")
            module = words[words.index("-m") + 1] if "-m" in words else Path(words[0]).name
            found[pid] = f"service: {module}"
        return found

    def table(self) -> str:
        """Memory at the first and the last sample after the start, and the slope between them."""
        lines = [
            "| process | first, MB | last, MB | least, most | slope, MB an hour | samples |",
            "|---|---|---|---|---|---|",
        ]
        steady = [sample for sample in self.samples if sample[0] >= STARTS_S] or self.samples
        for name in dict.fromkeys(name for _, found in steady for name in found):
            of = [(at / 3600, found[name]) for at, found in steady if name in found]
            hours, mb = np.array(of).T
            lines.append(
                f"| {name} | {mb[0]:.0f} | {mb[-1]:.0f} | {mb.min():.0f}, {mb.max():.0f} "
                f"| {slope(hours, mb)} | {len(mb)} in {60 * np.ptp(hours):.1f} min |"
            )
        return "\n".join(lines)


def slope(hours, mb) -> str:
    """Slope by least squares with its standard error, of samples taken as independent. [MB/h]"""
    if len(mb) < 4:
        return "too few samples"
    (slope, _), covariance = np.polyfit(hours, mb, 1, cov=True)
    return f"{slope:+.0f} ± {np.sqrt(covariance[0, 0]):.0f}"


def observe(
    url: str,
    board_port: int,
    parts: dict[str, int],
    memory: Memory,
    sent,
    probe: Probe,
    until_s: float,
) -> tuple[list[int], list[float]]:
    """Print a line a minute. Returns the backlogs in messages and the durations of rounds [s]."""
    rounds: list[float] = []
    before = dict.fromkeys(ROUNDS, 0.0)
    backlogs: list[int] = []
    used = dict.fromkeys(parts, 0.0)
    with contextlib.closing(Reader(url)) as reader:
        while time.monotonic() < until_s:
            time.sleep(5)
            memory.look()
            stored = reader.tallies()["messages"] - len(probe.took_s)
            backlogs.append(max(0, sent.value - stored))
            now = metrics(board_port)
            if (count := now[ROUNDS[0]] - before[ROUNDS[0]]) > 0:
                rounds.append((now[ROUNDS[1]] - before[ROUNDS[1]]) / count)
                before = now
            if len(backlogs) % 12:
                continue
            last = sorted(probe.took_s[-int(60 / PROBE_S) :])
            line = f"{len(backlogs) // 12:4} min  sent {sent.value:>9,}  behind {backlogs[-1]:>6,}"
            if last:
                line += f"  durable p95 {last[int(0.95 * len(last))]:.2f} s"
            line += f"  round {rounds[-1]:.1f} s" if rounds else ""
            for part, pid in parts.items():
                pids = family(pid)
                spent = cpu_s(pids)
                line += f"  {part} {memory_mb(pids):.0f} MB, {(spent - used[part]) / 60:.2f} cores"
                used[part] = spent
            print(line, flush=True)
    return backlogs, rounds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--outlook", type=int, default=1, help="processes that look ahead")
    parser.add_argument("--sensors", type=int, default=10_000)
    asked = parser.parse_args()
    sensors, minutes = (100, 0.2) if asked.quick else (asked.sensors, asked.minutes)
    postgresql_server.FAST = ("-c", "max_connections=50")
    server = postgresql_server.PostgresqlServer()
    server.start()
    spawn = multiprocessing.get_context("spawn")
    sent, done = spawn.Value("q", 0, lock=False), spawn.Event()
    with tempfile.TemporaryDirectory(prefix="site-") as name:
        folder = Path(name)
        url = server.address()
        with contextlib.closing(Writer(url)) as writer:
            many_places.fill(writer, 30 if asked.quick else PLACES, now_ms())
        mosquitto = Mosquitto(folder)
        mosquitto.start()
        service = RunningService(folder / "shop", broker_url=mosquitto.url, fork=False)
        service.environment |= {
            "BENCHWEATHER_STORE__URL": url,
            "BENCHWEATHER_OUTLOOK__PROCESSES": str(asked.outlook),
            "BENCHWEATHER_SHOP__TIME_ZONE": "Europe/Paris",
        }
        try:
            service.start(within_s=300)
            args = (mosquitto.port, sensors, sent, done)
            source = spawn.Process(target=publish_all, args=args)
            source.start()
            probe = Probe(mosquitto.port, url)
            probe.start()
            parts = {
                "service": service.pid,
                "PostgreSQL": server._child.pid,
                "mosquitto": mosquitto._child.pid,
                "sensors": source.pid,
            }
            others = {part: pid for part, pid in parts.items() if part != "service"}
            memory = Memory(service.pid, others)
            until_s = time.monotonic() + 60 * minutes
            port = service.board_port
            backlogs, rounds = observe(url, port, parts, memory, sent, probe, until_s)
            probe.ended.set()
            probe.join(10)
            done.set()
            source.join()
        finally:
            service.clear()
            mosquitto.stop()
            server.remove()
    took = sorted(probe.took_s)
    print(
        f"{sent.value:,} messages in {minutes:g} min; backlog {max(backlogs):,} at most, "
        f"{statistics.median(backlogs):,.0f} usually, {backlogs[-1]:,} at the end\n"
        f"message to durable: median {statistics.median(took):.2f} s, "
        f"p95 {took[int(0.95 * len(took))]:.2f} s (wanted {WANTED_P95_S:g}), most {took[-1]:.2f} s\n"
        f"rounds: {len(rounds)}, longest {max(rounds, default=0):.1f} s (wanted {WANTED_ROUND_S:g})\n"
        f"memory after the first {STARTS_S / 60:g} min, all of it if it ran no longer\n\n"
        f"{memory.table()}"
    )


if __name__ == "__main__":
    main()
