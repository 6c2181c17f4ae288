"""Power cuts: the real service, its broker and a sensor agent on a disk that loses what was not
flushed, then started again on what each cut has left.

Run by hand: `python tests/benchmarks/bench_power.py [--quick] [--cuts N] [--seconds N]`. Needs Linux,
root, FUSE and loop devices. A run records the disk's writes and flushes with the moments at which a
sender had its acknowledgement; each cut is at a random write of it.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import paho.mqtt.client as paho
from agent_fixtures import Board, RunningAgent, settle
from bench_service import family
from conftest import RunningService
from lossy_disk import MODES, Cuts, LossyDisk, missing, mounted

from monitor.commands.ipc import ask
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError
from monitor.core.ports import is_listening

DRAIN_S = 40.0
"""Time after the restart for what was acknowledged to be in the store. [s]"""
TIMED, UNTIMED, AGENT = "timed", "untimed", "agent"
SEED = 20261129


class Recorded(NamedTuple):
    """Acknowledgements of a run, each with the position of the log when it was there: readings as
    (kind, sensor, time or value), and notes that a command has written."""

    readings: list[tuple[int, tuple[str, str, float]]]
    notes: list[tuple[int, str]]


class StoringService(RunningService):
    """A service that counts as ready once it stores readings, whether its board answers or not."""

    def _ready(self) -> bool:
        text = self.log.read_text()
        assert self.running(), f"the service ended:\n{text}"
        return "broker connected" in text and is_listening("127.0.0.1", self.port)


class Sender:
    """A sender of one sensor, a reading at a time, each acknowledged before the next; the values of
    one without times never come twice."""

    def __init__(self, disk: LossyDisk, kind: str, number: int, into: Recorded) -> None:
        self._disk, self._kind, self._sensor, self._into = disk, kind, f"{kind}-{number}", into
        self._stop, self._port = threading.Event(), 0
        self._taken = threading.Semaphore(0)
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self, port: int) -> None:
        self._port = port
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(20)

    def _run(self) -> None:
        client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id=self._sensor, clean_session=False
        )
        client.on_publish = lambda *_: self._taken.release()
        client.reconnect_delay_set(0.1, 0.5)
        client.connect("127.0.0.1", self._port)
        client.loop_start()
        at, number = now_ms() - 3_600_000, 0
        while not self._stop.is_set():
            number += 1
            value = round(number * 0.001, 3)
            record = {"n": "temperature", "u": "Cel", "v": value}
            if self._kind == TIMED:
                record["bt"] = (at + 10 * number) / 1000
            client.publish(f"benchweather/loft/{self._sensor}", json.dumps([record]), qos=1)
            while not self._taken.acquire(timeout=0.5):
                if self._stop.is_set():
                    break
            else:
                key = at + 10 * number if self._kind == TIMED else value
                self._into.readings.append(
                    (self._disk.position(), (self._kind, self._sensor, key))
                )
            time.sleep(0.01)
        client.loop_stop()


def chips(folder: Path) -> Board:
    made = Board(folder / "root")
    made.iio(
        "i2c-1/1-0076", name="bme280", in_temp_input="20000", in_humidityrelative_input="47210"
    )
    return made


def agent_on(folder: Path, data: Path, port: int) -> RunningAgent:
    agent = RunningAgent(folder, chips(folder), f"mqtt://127.0.0.1:{port}")
    agent.data, agent.period_s = data, 0.25
    return agent


def record(disk: LossyDisk, folder: Path, seconds: float, ends: contextlib.ExitStack) -> Recorded:
    """Run everything on the disk, from the first start on, with a kill of the service in between."""
    found = Recorded([], [])
    service = StoringService(disk.folder / "shop")
    service.log = folder / "service.log"
    agent = agent_on(folder / "agent", disk.folder / "agent", service.broker_port)
    over = threading.Event()

    def note_kept() -> None:
        seen = 0
        while not over.wait(0.003):
            kept = agent.kept() if agent.log.exists() else []
            at = disk.position()
            found.readings.extend((at, (AGENT, "fb-1", ms)) for _, ms in kept[seen:])
            seen = len(kept)

    def ask_often() -> None:
        number = 0
        while not over.wait(0.2):
            text = f"note {number}"
            request = {"about": "sensor", "do": "note", "sensor": "loft/timed-0", "text": text}
            with contextlib.suppress(MonitorError):
                ask(service.data / "command-link.json", request)
                found.notes.append((disk.position(), text))
                number += 1

    ends.callback(kill_all, service)
    service.start(within_s=240)
    senders = [Sender(disk, kind, i, found) for kind in (TIMED, UNTIMED) for i in range(2)]
    for sender in senders:
        sender.start(service.port)
    ends.callback(agent.clear)
    agent.start()
    watchers = [threading.Thread(target=work) for work in (note_kept, ask_often)]
    for watcher in watchers:
        watcher.start()
    draw, chip = random.Random(SEED), agent.board.root / "sys/bus/iio/devices/iio:device0"
    for half in range(2):
        until_s = time.monotonic() + seconds / 2
        while time.monotonic() < until_s:
            settle(chip / "in_temp_input", f"{draw.randrange(15_000, 30_000)}\n")
            time.sleep(0.2)
        if not half:
            kill_all(service)
            service.start(within_s=240)
    over.set()
    for part in (*watchers, *senders):
        part.join() if isinstance(part, threading.Thread) else part.stop()
    return found


def kill_all(service: RunningService) -> None:
    """End every process of a service at once, as a power cut does."""
    pids = list[int]()
    with contextlib.suppress(FileNotFoundError):  # it has ended by itself
        pids = family(service.pid)
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    service.kill()


class Outcome(NamedTuple):
    """Outcome of a cut."""

    position: int
    mode: str
    acknowledged: int
    lost: list[tuple[str, str, float]]
    doubled: dict[str, int]
    notes_lost: list[str]
    fault: str


def after_cut(
    cuts: Cuts, run: Recorded, position: int, mode: str, seed: int, folder: Path
) -> Outcome:
    """Start everything on what a cut has left, and compare."""
    image = cuts.work / f"cut-{seed}.img"
    cuts.image(image, position, mode, seed)
    due = {key for at, key in run.readings if at <= position}
    notes = {text for at, text in run.notes if at <= position}
    folder.mkdir()
    fault, lost, doubled, notes_lost = "", set(due), {}, sorted(notes)
    with contextlib.ExitStack() as ends:
        ends.callback(image.unlink)
        disk = ends.enter_context(mounted(image, folder / "disk"))
        service = StoringService(disk / "shop")
        service.log = folder / "service.log"
        agent = agent_on(folder / "agent", disk / "agent", service.broker_port)
        agent.sensors = [("front-bench", "fb-1", "unplugged")]  # it sends what it has
        try:
            ends.callback(kill_all, service)
            service.start(within_s=240)
            ends.callback(agent.clear)
            agent.start()
            give_up = time.monotonic() + DRAIN_S
            while time.monotonic() < give_up:
                rows = stored(service.store)
                lost = due - set(rows)
                if not lost:
                    break
                time.sleep(0.2)
            time.sleep(0.5)
            rows = stored(service.store)
            lost = due - set(rows)
            doubled = {
                kind: sum(n - 1 for (one, _, _), n in rows.items() if one == kind)
                for kind in (TIMED, UNTIMED, AGENT)
            }
            notes_lost = sorted(notes - noted(service.store))
        except AssertionError as exc:
            fault = (
                f"{exc}\n{service.log.read_text()}"[-3000:] if service.log.exists() else str(exc)
            )
    shutil.rmtree(folder, ignore_errors=True)
    return Outcome(position, mode, len(due), sorted(lost), doubled, notes_lost, fault)


def stored(store: Path) -> collections.Counter[tuple[str, str, float]]:
    """Readings in the store, as `Recorded` has them."""
    if not store.exists():
        return collections.Counter()
    with contextlib.closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as connection:
        sound = connection.execute("PRAGMA quick_check").fetchone()
        assert sound == ("ok",), sound
        rows = connection.execute(
            "SELECT sensor, ts_ms, value FROM reading JOIN series USING (series_id) "
            "WHERE quantity = 'temperature'"
        ).fetchall()
    found = collections.Counter[tuple[str, str, float]]()
    for sensor, ts_ms, value in rows:
        kind = AGENT if sensor == "fb-1" else sensor.partition("-")[0]
        found[kind, sensor, round(value, 3) if kind == UNTIMED else ts_ms] += 1
    return found


def noted(store: Path) -> set[str]:
    with contextlib.closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as connection:
        rows = connection.execute("SELECT body FROM event WHERE action = 'note'").fetchall()
    texts = [json.loads(body)["text"] for (body,) in rows]
    assert len(texts) == len(set(texts)), "a command was carried out twice"
    return set(texts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    parser.add_argument("--cuts", type=int, default=120)
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--seed", type=int, default=SEED)
    given = parser.parse_args()
    cuts_n, seconds = (4, 6.0) if given.quick else (given.cuts, given.seconds)
    if reason := missing():
        print(f"not run: {reason}")
        return
    with contextlib.ExitStack() as ends:
        memory = Path(ends.enter_context(tempfile.TemporaryDirectory(dir="/dev/shm")))
        folder = Path(ends.enter_context(tempfile.TemporaryDirectory()))
        disk = LossyDisk(memory, folder / "disk")
        with disk, contextlib.ExitStack() as running:
            run = record(disk, folder, seconds, running)
        cuts = Cuts(disk)
        kinds = collections.Counter(key[0] for _, key in run.readings)
        print(f"writes and flushes          {len(cuts):6d}, flushes {cuts.flushes()}")
        print(f"acknowledged                {dict(kinds)}, commands {len(run.notes)}", flush=True)
        draw = random.Random(given.seed)

        def one(number: int) -> Outcome:
            mode, position = MODES[number % len(MODES)], positions[number]
            return after_cut(cuts, run, position, mode, given.seed + number, folder / f"c{number}")

        positions = [draw.randrange(len(cuts) + 1) for _ in range(cuts_n)]
        with ThreadPoolExecutor(2) as pool:
            found = []
            for outcome in pool.map(one, range(cuts_n)):
                found.append(outcome)
                if (
                    outcome.lost
                    or outcome.fault
                    or outcome.notes_lost
                    or any(outcome.doubled.values())
                ):
                    print(
                        f"  cut at {outcome.position} ({outcome.mode}): of {outcome.acknowledged} "
                        f"lost {len(outcome.lost)} {outcome.lost[:3]}, doubled {outcome.doubled}, "
                        f"notes lost {len(outcome.notes_lost)} {outcome.fault}",
                        flush=True,
                    )
        lost = collections.Counter(key[0] for outcome in found for key in outcome.lost)
        doubled = collections.Counter[str]()
        for outcome in found:
            doubled.update(outcome.doubled)
        print(f"cuts                        {len(found):6d}")
        print(f"acknowledged before a cut   {sum(o.acknowledged for o in found):6d}")
        print(f"lost                        {lost.total():6d} {dict(lost)}   == 0")
        print(f"doubled                     {doubled.total():6d} {dict(doubled)}")
        print(f"answered commands lost      {sum(len(o.notes_lost) for o in found):6d}   == 0")
        print(f"would not start             {sum(bool(o.fault) for o in found):6d}   == 0")


if __name__ == "__main__":
    main()
