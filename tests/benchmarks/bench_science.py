"""Times the arithmetic of air and wood against general-purpose libraries, in one run, as ratios.

    python tests/benchmarks/bench_science.py [--quick]

Needs the test extras: psychrolib with numba, and metpy. The best of several rounds counts, the
rivals of a row taking turns, so that a busy machine slows all of them. Only ratios mean something
on another machine; nothing is asserted.
"""

from __future__ import annotations

import argparse
import sys
import time
import tracemalloc
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from monitor.science.air import dew_point, wet_bulb
from monitor.science.wood import equilibrium_moisture_content

SEED = 20_240_117


class Race(NamedTuple):
    """One of our functions against its peer, and the ratio of times that is the target, if any."""

    name: str
    ours: Callable[[], Any]
    peer_name: str
    peer: Callable[[], Any]
    target: float | None


def plain_moisture_content(t: np.ndarray, rh: np.ndarray) -> np.ndarray:
    """Wood Handbook eq. 4-5 as anyone would type it, with no check and no thought of memory."""
    h = rh / 100
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    return (
        1800
        / w
        * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2))
    )


def races(t: np.ndarray, rh: np.ndarray) -> list[Race]:
    with warnings.catch_warnings():  # third-party imports may announce deprecations of their own
        warnings.simplefilter("ignore")
        import psychrolib
        from metpy.calc import dewpoint_from_relative_humidity
        from metpy.units import units
    psychrolib.SetUnitSystem(psychrolib.SI)
    h = rh / 100
    t_quantity, h_quantity = units.Quantity(t, "degC"), units.Quantity(h, "dimensionless")
    pressure = np.full_like(t, 101_325.0)

    def dew() -> Any:
        return dew_point(t, rh)

    return [
        Race(
            "dew point",
            dew,
            "PsychroLib, numba",
            lambda: psychrolib.GetTDewPointFromRelHum(t, h),
            0.2,
        ),
        Race(
            "dew point",
            dew,
            "MetPy",
            lambda: dewpoint_from_relative_humidity(t_quantity, h_quantity),
            1.0,
        ),
        Race(
            "moisture content",
            lambda: equilibrium_moisture_content(t, rh),
            "plain numpy",
            lambda: plain_moisture_content(t, rh),
            1.2,
        ),
        Race(
            "wet bulb",
            lambda: wet_bulb(t, rh),
            "PsychroLib, numba",
            lambda: psychrolib.GetTWetBulbFromRelHum(t, h, pressure),
            None,
        ),
    ]


def best_ms(race: Race, rounds: int) -> tuple[float, float]:
    """Best time of ours and of the peer, the two taking turns; the first turn compiles. [ms]"""
    best = [np.inf, np.inf]
    for turn in range(rounds + 1):
        for i, run in enumerate((race.ours, race.peer)):
            start = time.perf_counter()
            run()
            took = 1000 * (time.perf_counter() - start)
            if turn:
                best[i] = min(best[i], took)
    return best[0], best[1]


def peak_mb(run: Callable[[], Any]) -> float:
    """Most memory held at once beyond the inputs, as numpy reports it. [MB]"""
    tracemalloc.start()
    run()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the readings, for CI")
    quick = parser.parse_args().quick
    n, rounds = (100_000, 3) if quick else (1_000_000, 7)
    random = np.random.default_rng(SEED)
    t, rh = random.uniform(0, 60, n), random.uniform(1, 100, n)
    print(f"{n:,} readings, 0 to 60 °C, 1 to 100 % RH; best of {rounds}; range checks included")
    heads = f"{'ours ms':>8} {'MB':>5}  {'peer':17} {'ms':>8} {'MB':>5} {'ratio':>6} {'target':>6}"
    print(f"{'':17} {heads}")
    for race in races(t, rh):
        ours, peer = best_ms(race, rounds)
        target = "" if race.target is None else f"{race.target:g}"
        print(
            f"{race.name:17} {ours:8.1f} {peak_mb(race.ours):5.0f}  {race.peer_name:17} "
            f"{peer:8.1f} {peak_mb(race.peer):5.0f} {ours / peer:6.2f} {target:>6}"
        )


if __name__ == "__main__":
    main()
