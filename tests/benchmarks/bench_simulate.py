"""10,000 simulated sensors: how fast they are made, sent, and into the store of a running service,
against what they need, a message of each in 10 s.

Run by hand: `python tests/benchmarks/bench_simulate.py [--quick]`. Needs mosquitto and Linux.
"""

from __future__ import annotations

import argparse
import multiprocessing
import re
import resource
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from bench_ingest import count_only, forget, leave_session
from bench_service import family, resident_mb
from conftest import ROOT, Mosquitto, RunningService

from monitor.core.clock import to_ms
from monitor.store import Reader
from sensors.simulator.messages import messages
from sensors.simulator.shops import Shops

SHOPS, EACH, PERIOD_S = 500, 20, 10
SENSORS = SHOPS * EACH
NEED = SENSORS / PERIOD_S
"""Messages a second."""
START = datetime.now(UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
"""Near where the rooms are stepped from, so that little time goes into that."""
LINE = "{:<45}{:>12,.0f} /s{:>8.1f} x   >= 1".format


def made(periods: int, into: multiprocessing.Queue) -> None:
    """How long so many periods take to make, after the first. [s], and the memory. [MB]"""
    shops = Shops(1, ZoneInfo("Europe/Berlin"), SHOPS, EACH, 1000 * PERIOD_S)
    start = to_ms(START)
    end = start + 1000 * PERIOD_S * (periods + 1)
    began, took = time.process_time(), 0.0
    for i, _ in enumerate(messages(shops, start, end, in_order=True)):
        if i == SENSORS - 1:
            stepped, began = time.process_time() - began, time.process_time()
    took = time.process_time() - began
    into.put((stepped, took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000))


def simulate(port: int, periods: int) -> subprocess.Popen[str]:
    """The command at its fastest in order."""
    arguments = [
        "--shops",
        SHOPS,
        "--sensors",
        EACH,
        "--period",
        PERIOD_S,
        "--pace",
        1e6,
        "--broker",
        f"mqtt://127.0.0.1:{port}",
        "--from",
        START.isoformat(),
        "--to",
        (START + timedelta(seconds=PERIOD_S * periods)).isoformat(),
    ]
    command = [sys.executable, "-m", "monitor", "sensor", "simulate", *map(str, arguments)]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)


def sent(child: subprocess.Popen[str]) -> tuple[int, int, float]:
    """What the command says: readings and messages it sent, and seconds they took."""
    said, _ = child.communicate(timeout=400)
    found = re.match(r"(\d+) readings in (\d+) messages .* in ([\d.]+) s", said)
    assert child.returncode == 0, said
    assert found, said
    return int(found[1]), int(found[2]), float(found[3])


def into_service(folder: Path, broker: Mosquitto, periods: int) -> None:
    service = RunningService(folder / "shop", broker_url=broker.url)
    many = ("NEW_PLACES_A_DAY", "NEW_SENSORS_A_DAY")
    service.environment |= {f"BENCHWEATHER_SENSOR__{name}": "10000" for name in many}
    service.start()
    leave_session(broker.port, "counting")
    with closing(Reader(service.store)) as reader:
        child = simulate(broker.port, periods)
        while (first := reader.tallies()["messages"]) == 0:
            time.sleep(0.01)
        began = time.perf_counter()
        while (came := reader.tallies()["messages"]) < SENSORS * periods:
            assert service.running()
            time.sleep(0.02)
        rate = (came - first) / (time.perf_counter() - began)
        readings, messages_sent, took_s = sent(child)
        tallies = reader.tallies()
        rows = sum(count for count, _, _ in reader.raw_extents(0, 2**53).values())
    assert came == messages_sent, (came, messages_sent)
    assert rows == tallies["readings"] == readings, (rows, tallies, readings)
    assert (tallies["refused"], tallies["repeats"]) == (0, 0), tallies
    memory = ", ".join(f"{resident_mb([pid]):.0f}" for pid in family(service.pid))
    service.stop()
    print(LINE("sent to mosquitto", messages_sent / took_s, messages_sent / took_s / NEED))
    print(LINE("into the store of a running service", rate, rate / NEED))
    print(f"{'rows in the store, each once, as many as sent':<45}{rows:>12,}")
    print(f"{'resident, each process of the service':<45}{memory:>20} MB")
    seen_s = count_only(broker.port, "counting", messages_sent)
    print(f"{'one who only counts was given as many, in':<45}{seen_s:>12.1f} s")
    forget(broker.port, "counting")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    periods = 1 if parser.parse_args().quick else 20
    spawn = multiprocessing.get_context("spawn")
    answer = spawn.Queue()
    maker = spawn.Process(target=made, args=(periods, answer))
    maker.start()
    stepped_s, took_s, peak_mb = answer.get()
    maker.join()
    rate = SENSORS * periods / took_s
    print(f"{'messages':<45}{'':>14} of the need")
    print(LINE("made on one core", rate, rate / NEED))
    print(f"{'the rooms stepped through 28 days before':<45}{stepped_s:>12.1f} s")
    print(f"{'most memory of the maker':<45}{peak_mb:>12.0f} MB")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m").mkdir()
        broker = Mosquitto(folder / "m")
        broker.start()
        into_service(folder, broker, periods)
        broker.stop()


if __name__ == "__main__":
    main()
