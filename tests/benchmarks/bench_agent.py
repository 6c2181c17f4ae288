"""The sensor agent over a long and bad time: brokers killed, the agent killed, the disk full; then
what it costs, and how fast it empties a backlog.

Run by hand: `python tests/benchmarks/bench_agent.py [--quick] [--minutes N]`. Needs Linux; the full
disk needs root, which mounts a small file system.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import paho.mqtt.client as paho
from agent_fixtures import Board, RunningAgent, kill_broker_of, stored, tallies
from bench_service import cpu_s, resident_mb
from conftest import Mosquitto, RunningService, until

from monitor.core.clock import now_ms
from sensors.agent.backlog import Backlog
from sensors.agent.pack_store import Pack

RECORDS = '[{"n":"temperature","u":"Cel","v":21.375},{"n":"humidity","u":"%RH","v":47.125}]'


def board(folder: Path) -> Board:
    made = Board(folder / "root")
    made.iio(
        "i2c-1/1-0076",
        name="bme280",
        in_temp_input="21430",
        in_humidityrelative_input="47210",
        in_pressure_input="100.125",
    )
    made.hwmon("i2c-1/1-0044", name="sht3x", temp1_input="18000", humidity1_input="55000")
    return made


def peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def soak(folder: Path, ends: ExitStack, minutes: float) -> None:
    """Kill broker, service and agent at random; then compare what was kept with what is stored."""
    service = RunningService(folder / "shop")
    ends.callback(service.clear)
    service.data.mkdir()
    service.start()
    agent = RunningAgent(
        folder / "agent", board(folder), f"mqtt://127.0.0.1:{service.broker_port}"
    )
    ends.callback(agent.clear)
    agent.period_s, agent.reads = 0.25, 3
    agent.sensors = [("front-bench", "fb-1", "bme280"), ("varnish-corner", "vc-1", "sht3x")]
    agent.start()
    source, end, peak = random.Random(7), time.monotonic() + 60 * minutes, 0.0
    kills = {"broker": 0, "service": 0, "agent": 0}
    until(lambda: agent.kept())
    while time.monotonic() < end:
        time.sleep(source.uniform(1, 8))
        what = source.choices(["broker", "service", "agent"], [5, 1, 3])[0]
        kills[what] += 1
        if what == "broker":
            kill_broker_of(service)
        elif what == "service":
            service.kill()
            time.sleep(source.uniform(0, 5))
            service.start()
        else:
            peak = max(peak, peak_mb(agent.pid))
            agent.kill()
            time.sleep(source.uniform(0, 2))
            agent.start()
    agent.stop()
    kept = agent.kept()
    agent.sensors = [(place, name, "unplugged") for place, name, _ in agent.sensors]
    agent.start()
    until(
        lambda: not set(kept) - stored(service), within_s=120, what="all that was kept is stored"
    )
    agent.stop()
    told = ", ".join(f"{what} {n}" for what, n in kills.items())
    print(f"soak of {minutes:g} min, kills                {told}")
    print(f"  packs kept                         {len(kept):8d}")
    print(f"  kept and not stored                {len(set(kept) - stored(service)):8d}      = 0")
    beyond = len(stored(service) - set(kept))
    print(
        f"  stored and not yet said to be kept {beyond:8d}      <= {2 * kills['agent']} (two a kill)"
    )
    counted = tallies(service)
    print(f"  refused                            {counted['refused']:8d}      = 0")
    print(f"  sent again, taken once             {counted['repeats']:8d}      readings")
    print(f"  peak resident                      {peak:8.1f} MB   <= 40 MB")


def cost(folder: Path, ends: ExitStack, wait_s: float) -> None:
    """Two chips each ten seconds, five reads in a sample, a broker that answers."""
    (folder / "mosquitto").mkdir()
    broker = Mosquitto(folder / "mosquitto")
    broker.start()
    ends.callback(broker.stop)
    agent = RunningAgent(folder / "agent", board(folder), broker.url)
    ends.callback(agent.clear)
    agent.period_s, agent.reads = 10.0, 5
    agent.sensors = [("front-bench", "fb-1", "bme280"), ("varnish-corner", "vc-1", "sht3x")]
    agent.start()
    agent.says("broker connected")
    before, began = cpu_s([agent.pid]), time.monotonic()
    time.sleep(wait_s)
    used = (cpu_s([agent.pid]) - before) / (time.monotonic() - began)
    print(f"two chips each 10 s: one core        {100 * used:8.2f} %")
    print(f"two chips each 10 s: resident        {resident_mb([agent.pid]):8.1f} MB   <= 40 MB")


def backlog(folder: Path, ends: ExitStack, count: int) -> None:
    """Emptying a full backlog, against a bare client that publishes as many and keeps none."""
    (folder / "mosquitto").mkdir()
    broker = Mosquitto(folder / "mosquitto")
    broker.start()
    ends.callback(broker.stop)
    agent = RunningAgent(folder / "agent", board(folder), broker.url)
    ends.callback(agent.clear)
    agent.period_s = 60.0
    queue = Backlog(agent.data / "backlog.sqlite3", 100_000, "an earlier start")
    first = now_ms() - 60_000 * count
    queue.put(
        Pack("benchweather/front-bench/fb-1", "an earlier start", i, first + 60_000 * i, RECORDS)
        for i in range(count)
    )
    queue.close()
    size_mb = (agent.data / "backlog.sqlite3").stat().st_size / 1e6
    began = time.perf_counter()
    bare(broker.port, count)
    alone = count / (time.perf_counter() - began)
    agent.start()
    agent.says("broker connected")
    began = time.perf_counter()
    heard = until_quiet(broker.port)
    rate = heard / (time.perf_counter() - began)
    print(f"full backlog of {count} packs         {size_mb:8.1f} MB on disk")
    print(f"emptied, against a bare client       {rate / alone:8.2f} x    ({rate:.0f} packs/s)")
    print(f"emptying: peak resident              {peak_mb(agent.pid):8.1f} MB   <= 40 MB")


def bare(port: int, count: int) -> None:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.max_inflight_messages_set(100)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for number in range(1, count + 1):
        last = client.publish("bare", RECORDS, qos=1)
        if number % 10_000 == 0 or number == count:  # the client numbers no more than 65,535
            last.wait_for_publish(600)
    client.disconnect()
    client.loop_stop()


def until_quiet(port: int) -> int:
    """Wait until nothing more comes from the agent. Returns how many messages came."""
    heard = 0
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)

    def on_message(*_: object) -> None:
        nonlocal heard
        heard += 1

    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.subscribe("benchweather/front-bench/+", 0)
    client.loop_start()
    before = -1
    while heard != before or not heard:
        before = heard
        time.sleep(0.3)
    client.disconnect()
    client.loop_stop()
    return heard


def full_disk(folder: Path, ends: ExitStack) -> None:
    """A file system of 4 MB, filled to the last byte while the broker is away, then freed."""
    small = folder / "small"
    small.mkdir()
    mount = shutil.which("mount")
    if (
        os.geteuid()
        or not mount
        or subprocess.run(
            [mount, "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(small)], capture_output=True
        ).returncode
    ):
        print("full disk                            not run: it needs root and mount")
        return
    ends.callback(subprocess.run, ["umount", str(small)], check=False)
    service = RunningService(folder / "shop")
    ends.callback(service.clear)
    service.data.mkdir()
    agent = RunningAgent(
        folder / "agent", board(folder), f"mqtt://127.0.0.1:{service.broker_port}"
    )
    ends.callback(agent.clear)
    agent.data, agent.period_s = small / "state", 0.2
    agent.start()
    until(lambda: agent.kept())
    with (small / "ballast").open("wb", buffering=0) as ballast:
        try:
            while ballast.write(b"x" * 512):
                pass
        except OSError:
            pass
    agent.says("readings stay in memory")
    time.sleep(5)
    (small / "ballast").unlink()
    agent.says("on disk again")
    agent.stop()
    kept = agent.kept()
    service.start()
    agent.sensors = [("front-bench", "fb-1", "unplugged")]
    agent.start()
    until(lambda: not set(kept) - stored(service), within_s=60)
    lost = len(set(kept) - stored(service))
    print(f"full disk: packs kept, not stored    {len(kept):8d}, {lost}    = 0")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    parser.add_argument("--minutes", type=float, default=60.0, help="of the soak")
    given = parser.parse_args()
    for number, part in enumerate(
        (
            lambda folder, ends: soak(folder, ends, 0.2 if given.quick else given.minutes),
            lambda folder, ends: cost(folder, ends, 5 if given.quick else 120),
            lambda folder, ends: backlog(folder, ends, 2_000 if given.quick else 100_000),
            full_disk,
        )
    ):
        with tempfile.TemporaryDirectory() as name, ExitStack() as ends:
            folder = Path(name) / str(number)
            folder.mkdir()
            part(folder, ends)


if __name__ == "__main__":
    main()
