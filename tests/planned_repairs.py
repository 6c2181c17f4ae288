"""Repairs of an invented shop, drawn from usual ways of work, for tests and benchmarks of the plan.

Orders of steps, times and clamps are common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from planned_shop import DAY_MS, HOUR_MS, MONDAY_MS, NOW_MS, weekdays

from monitor.domain.wait_types import KINDS
from monitor.planning.problem import Problem, RepairToPlan, Seconds, StepToPlan, WaitTimes


class Work(NamedTuple):
    """A step of a usual repair: minutes by hand, kind of wait, clamps, and what may not be."""

    name: str
    minutes: float
    kind: str = ""
    needs: tuple[tuple[str, int], ...] = ()
    load: bool = False
    """Whether what follows must wait until it may be worked or loaded."""


CRACK, SPOOLS, CUPBOARD = ("crack clamps", 2), ("spool clamps", 28), ("drying cupboard", 1)
STOCK = {"crack clamps": 8, "spool clamps": 32, "drying cupboard": 1}


def _crack(name: str) -> list[Work]:
    return [Work(f"fit {name}", 30), Work(f"glue {name}", 35, "plate-crack", (CRACK,), True)]


OPEN = [Work("open", 60), Work("clean", 50, "washed-wood")]
CLOSE = [Work("close", 75, "closing", (SPOOLS,), True)]
FINISH = [
    Work("retouch", 90, "retouching"),
    Work("varnish", 30, "spirit-coat", (CUPBOARD,)),
    Work("polish", 60, "polish-rest"),
]
SET_UP = [Work("set up", 120, "settling"), Work("hand out", 30)]
USUAL: dict[str, list[Work]] = {
    "top cracks": [
        *OPEN,
        *_crack("middle crack"),
        *_crack("second crack"),
        Work("cleat", 60, "cleat", (CRACK,), True),
        *CLOSE,
        *FINISH,
        *SET_UP,
    ],
    "bar": [
        *OPEN,
        Work("remove bar", 70),
        Work("fit bar", 150),
        Work("glue bar", 30, "centre-joint", (("crack clamps", 5),), True),
        Work("shape bar", 90),
        *CLOSE,
        *SET_UP,
    ],
    "neck reset": [
        Work("loosen neck", 60),
        Work("fit neck", 180),
        Work("glue neck", 40, "neck-or-block", (("crack clamps", 1),), True),
        *FINISH,
        *SET_UP,
    ],
    "open seams": [
        Work("clean seams", 40, "washed-wood"),
        Work("glue seams", 45, "rib-seam", (("spool clamps", 12),), True),
        *SET_UP,
    ],
    "bushing": [
        Work("ream pegs", 50),
        Work("glue bushings", 40, "bushing", (), True),
        Work("fit pegs", 120),
        *SET_UP,
    ],
    "retouch": [
        Work("clean varnish", 60),
        Work("fill", 40, "crack-filler"),
        Work("first colour", 60, "retouching"),
        Work("second colour", 60, "retouching"),
        Work("varnish", 30, "spirit-coat", (CUPBOARD,)),
        Work("varnish again", 30, "spirit-coat", (CUPBOARD,)),
        Work("polish", 60, "polish-rest"),
        Work("hand out", 30),
    ],
}


def large(steps: int) -> list[Work]:
    """Work on a badly cracked instrument, of a number of steps from 15 on."""
    cracks = [w for n in range(1, 9) for w in _crack(f"crack {n}")]
    most = steps - len(OPEN) - len(CLOSE) - len(FINISH) - len(SET_UP) - 2
    inner = cracks[: most - most % 2]
    inner += [Work("cleat", 60, "cleat", (CRACK,), True), Work("linings", 60, "linings", (CRACK,))]
    inner += [Work("fill edges", 30, "cleat")] * (most % 2)
    return [*OPEN, *inner, *CLOSE, *FINISH, *SET_UP]


def made(id_, works, waits, random, **more) -> RepairToPlan:
    """A repair of usual work.

    `waits(kind, load)` returns the waits of a kind of wait, or None. The second and later cracks
    are glued after the first; fits need only the cleaned instrument.
    """
    steps: list[StepToPlan] = []
    first_glue, base, ends = "", "", list[str]()
    for number, work in enumerate(works):
        step_id = f"s{number + 1}"
        usual = 60 * round(float(work.minutes * np.exp(0.25 * random.standard_normal())) / 5) * 5
        after: tuple[str, ...]
        if work.name.startswith("fit ") and "crack" in work.name:
            after = (base,)
        elif work.name.startswith("glue ") and "crack" in work.name:
            after = (steps[-1].id, *((first_glue,) if first_glue else ()))
            first_glue = first_glue or step_id
            ends.append(step_id)
        elif ends:
            after, ends = tuple(ends), []
        else:
            after = (steps[-1].id,) if steps else ()
        if work.name == "clean":
            base = step_id
        steps.append(
            StepToPlan(
                id=step_id,
                name=work.name,
                hands_on=Seconds(0.8 * usual, usual, 1.4 * usual),
                wait=waits(work.kind, False) if work.kind else None,
                load=waits(work.kind, True) if work.load else None,
                loads=True,
                after=after,
                needs=dict(work.needs),
                hazardous=work.kind in ("spirit-coat", "plate-crack", "closing"),
            )
        )
    return RepairToPlan(id=id_, name=id_, steps=tuple(steps), **more)


def waits_in_made_air(random, members=50, days=63):
    """Waits of each kind by start in air that is dry by day, damp by night, and strays."""
    start_ms = MONDAY_MS + np.arange(24 * days) * HOUR_MS
    walk = np.cumsum(random.standard_normal((members, len(start_ms))), axis=1)
    daily = 0.25 * np.sin(2 * np.pi * (start_ms % DAY_MS) / DAY_MS - 1)
    slow = np.maximum(1 + daily + 0.3 * walk / np.sqrt(len(start_ms)), 0.6)
    known: dict[tuple[str, bool], WaitTimes | None] = {}

    def waits(kind: str, load: bool) -> WaitTimes | None:
        if (kind, load) not in known:
            of = KINDS[kind]
            usual_s = of.load_s if load else of.basis_s
            known[kind, load] = (
                WaitTimes(
                    start_ms=start_ms,
                    seconds=usual_s * slow,
                    minimum_s=of.minimum_s,
                    spread=of.spread,
                )
                if usual_s
                else None
            )
        return known[kind, load]

    return waits


def one_large(seed=1) -> Problem:
    """One repair of 25 steps, one person, six crack clamps."""
    random = np.random.default_rng(seed)
    of = made("r0", large(25), waits_in_made_air(random), random)
    stock = STOCK | {"crack clamps": 6}
    return Problem(now_ms=NOW_MS, open=weekdays(9), repairs=(of,), people=1, stock=stock)


def five_large(seed=1) -> Problem:
    """Five repairs of 15 to 30 steps and two people."""
    random = np.random.default_rng(seed)
    waits = waits_in_made_air(random)
    sizes = random.integers(15, 31, 5).tolist()
    repairs = tuple(made(f"r{i}", large(n), waits, random) for i, n in enumerate(sizes))
    return Problem(now_ms=NOW_MS, open=weekdays(9), repairs=repairs, people=2, stock=STOCK)
