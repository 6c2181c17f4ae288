"""10,000 simulated sensors: how fast they are made, sent, and into the store of a running service,
against what they need, a message of each in 10 s.

Run by hand: `python tests/benchmarks/bench_simulate.py [--quick]`. Needs mosquitto and Linux.
"""

from __future__ import annotations

import argparse
import multiprocessing
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

from monitor.clock import to_ms
from monitor.store import Reader
from sensors.messages import messages
from sensors.shops import Shops

SHOPS, EACH, PERIOD_S = 1_000, 10, 10
SENSORS = SHOPS * EACH
NEED = SENSORS / PERIOD_S
"""Messages a second."""
START = datetime.now(UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
"""Near where the rooms are stepped from, so that little time goes into that."""
LINE = "{:<52}{:>12,.0f} /s{:>8.1f} x   >= 1".format


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


def simulate(port: int, periods: int, after: int) -> tuple[subprocess.Popen[str], int]:
    """The command at its fastest in order, of `periods` that begin `after` so many."""
    start = START + timedelta(seconds=PERIOD_S * after)
    arguments = [
        "--shops", SHOPS, "--sensors", EACH, "--period", PERIOD_S, "--pace", 1e6,
        "--broker", f"mqtt://127.0.0.1:{port}", "--from", start.isoformat(),
        "--to", (start + timedelta(seconds=PERIOD_S * periods)).isoformat(),
    ]  # fmt: skip
    command = [sys.executable, "-m", "monitor", "sensor", "simulate", *map(str, arguments)]
    child = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    return child, SENSORS * periods


def told(child: subprocess.Popen[str]) -> float:
    """Readings a second that the command says it sent."""
    out, _ = child.communicate(timeout=300)
    assert child.returncode == 0, out
    print(f"  {out.strip()}")
    return float(out.split()[-4])


def into_service(folder: Path, broker: Mosquitto, periods: int) -> None:
    service = RunningService(folder / "shop", broker_url=broker.url)
    service.start()
    with closing(Reader(service.store)) as reader:
        child, sent = simulate(broker.port, periods, after=0)
        while (first := reader.tallies()["messages"]) == 0:
            time.sleep(0.01)
        began = time.perf_counter()
        while reader.tallies()["messages"] < sent:
            assert service.running()
            time.sleep(0.02)
        rate = (sent - first) / (time.perf_counter() - began)
        told(child)
        tallies = reader.tallies()
        rows = sum(count for count, _, _ in reader.told_extents(0, 2**53).values())
        series = len(reader.series())
    each = Shops(1, ZoneInfo("Europe/Berlin"), SHOPS, EACH, 1000 * PERIOD_S).values_each_period
    assert rows == tallies["readings"] == each * periods, (rows, tallies, each * periods)
    assert (tallies["refused"], tallies["repeats"], series) == (0, 0, each), (tallies, series)
    print(LINE("into the store of a running service, messages", rate, rate / NEED))
    print(f"{'rows in the store, each once':<52}{rows:>12,}")
    print(
        f"{'resident: service, board, outlook':<52}{resident_mb(family(service.pid)):>12,.0f} MB"
    )
    service.stop()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    periods = 3 if parser.parse_args().quick else 60
    spawn = multiprocessing.get_context("spawn")
    answer = spawn.Queue()
    maker = spawn.Process(target=made, args=(periods, answer))
    maker.start()
    stepped_s, took_s, peak_mb = answer.get()
    maker.join()
    rate = SENSORS * periods / took_s
    print(LINE("made on one core, messages", rate, rate / NEED))
    print(f"{'the rooms stepped through 28 days before':<52}{stepped_s:>12.1f} s")
    print(f"{'most memory of the maker':<52}{peak_mb:>12.0f} MB")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m").mkdir()
        broker = Mosquitto(folder / "m")
        broker.start()
        leave_session(broker.port, "counting")
        child, sent = simulate(broker.port, periods, after=0)
        count_only(broker.port, "counting", sent)
        readings = told(child)
        forget(broker.port, "counting")
        print(
            LINE("through mosquitto to one who counts, readings", readings, readings / NEED / 2.1)
        )
        into_service(folder, broker, periods)
        broker.stop()


if __name__ == "__main__":
    main()
