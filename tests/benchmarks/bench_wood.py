"""Times a year of moisture in plates against a general-purpose solver, in one run, as ratios.

    python tests/benchmarks/bench_wood.py [--quick]

Needs the test extra (FiPy). Both follow the same 3 mm plate (bare inside, varnished outside) in
the same air of 10-minute steps, 20 plates side by side. FiPy has all of them on one grid, so that
one solution serves 20, and takes backward Euler steps; its time for some hours is scaled up to a
year. Errors are of the mean moisture, the largest of all steps, against FiPy on a finer grid,
extrapolated to steps of no length. Only ratios mean something on another machine; nothing is
asserted.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from monitor.science.plates.assessment import HomeAir, assess
from monitor.science.plates.diffusion import Plates, uniform
from monitor.science.plates.parts import PRESETS
from monitor.science.waits.air_log import air_log

SEED = 20_261_125
L, D, OUTER, INNER = 3e-3, 1e-10, 7e-9, 7e-7
STEP_S = 600.0
PLATES = 20
STEPS_A_YEAR = 365 * 144


def air_pct(steps: int) -> np.ndarray:
    """Equilibrium moisture content of invented air: seasons, days, weather. [%]"""
    t = np.arange(steps) / 144
    weather = np.random.default_rng(SEED).normal(0, 0.08, steps)
    return np.clip(
        9
        + 2 * np.sin(2 * np.pi * t / 365)
        + 0.5 * np.sin(2 * np.pi * t)
        + np.cumsum(weather - weather.mean()),
        3,
        20,
    )


def by_fipy(air: np.ndarray, cells: int, parts: int, plates: int = 1) -> np.ndarray:
    """Mean moisture at the end of each step, by FiPy; each step cut into so many."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import fipy

    mesh = fipy.Grid1D(nx=plates * cells, dx=L / cells)
    inside = np.arange(plates * cells + 1) % cells > 0
    through = fipy.FaceVariable(mesh=mesh, value=D * inside)
    u = fipy.CellVariable(mesh=mesh, value=float(air[0]))
    half = L / cells / 2 / D
    into = [1 / (1 / s + half) / (L / cells) for s in (OUTER, INNER)]
    at = np.zeros((plates, cells))
    at[:, 0], at[:, -1] = into
    rate = fipy.CellVariable(mesh=mesh, value=at.ravel())
    source = fipy.CellVariable(mesh=mesh, value=at.ravel() * air[0])
    equation = fipy.TransientTerm() == (
        fipy.DiffusionTerm(coeff=through) - fipy.ImplicitSourceTerm(coeff=rate) + source
    )
    solver = fipy.LinearLUSolver()
    means = []
    for value in air:
        source.setValue(at.ravel() * value)
        for _ in range(parts):
            equation.solve(var=u, dt=STEP_S / parts, solver=solver)
        means.append(float(np.mean(u.value)))
    return np.array(means)


def ours(air: np.ndarray, plates: Plates) -> np.ndarray:
    start = uniform(np.full(plates.shape, air[0]))
    return plates.course(np.full(len(air), STEP_S), air, state=start).mean


def best_s(run: Any, rounds: int) -> float:
    best = np.inf
    for _ in range(rounds):
        start = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="less for FiPy to do, for CI")
    quick = parser.parse_args().quick
    steps, rounds = (18, 3) if quick else (144, 5)
    short = air_pct(STEPS_A_YEAR)[:steps] + np.where(np.arange(steps) > 6, 2.0, 0.0)
    exact = 2 * by_fipy(short, 160, 8) - by_fipy(short, 160, 4)  # finer, its solver's error shows
    our_error = np.abs(ours(short, Plates(L, OUTER, INNER, D))[0] - exact).max()

    year = air_pct(STEPS_A_YEAR)
    many = Plates(np.full(PLATES, L), OUTER, INNER, D)
    our_s = best_s(lambda: ours(year, many), rounds)
    mixed = Plates(np.tile([3e-3, 3.5e-3, 1e-3, 16e-3], PLATES // 4), OUTER, INNER, D)
    mixed_s = best_s(lambda: ours(year, mixed), rounds)
    print(f"a year of 10-minute steps, {PLATES} plates of 3 mm: ours {our_s:.3f} s (target 0.3)")
    print(f"the same of 1 to 16 mm:                        {mixed_s:.3f} s")
    print(
        f"largest error of the mean in {steps} steps, with a step of 2 % MC: ours {our_error:.1e} % MC"
    )
    for cells, parts in ((10, 1), (40, 2)) if quick else ((10, 1), (20, 1), (40, 2), (80, 8)):
        begun = time.perf_counter()
        by_fipy(short[:1], cells, parts, PLATES)
        set_up_s = time.perf_counter() - begun
        got = by_fipy(short, cells, parts, PLATES)
        their_s = time.perf_counter() - begun - 2 * set_up_s
        their_s *= STEPS_A_YEAR / (steps - 1)
        error = np.abs(got - exact).max()
        print(
            f"FiPy, {cells:3} cells, {parts:2} a step: error {error:.1e} % MC, "
            f"{their_s:8.0f} s scaled up, {their_s / our_s:8.0f} times ours (target 100)"
        )

    n = 60 * 144
    rh = np.clip(45 + 4 * (air_pct(n) - 9), 5, 95)
    at = 1_700_006_400_000 + 600_000 * np.arange(n)
    log = air_log(at, np.full(n, 20.0), rh, int(at[-1]) + 600_000)
    violin, arrived = PRESETS["violin"], int(at[0])
    s = best_s(lambda: assess(violin, log, arrived, home=HomeAir(20.0, 50.0)), rounds)
    print(f"how a violin stands after 60 days, 60 draws: {1000 * s:.0f} ms")


if __name__ == "__main__":
    main()
