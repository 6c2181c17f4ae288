"""The latest start that is ready by a wanted time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from monitor.science.ranges import checked
from monitor.science.waits.air_log import AirLog
from monitor.science.waits.readiness import DRAWS, SEED, ready_times
from monitor.science.waits.wait import Readiness, WaitInputs

MEMORIES = 6
"""How many time constants of the wood's memory are looked at before now. [-]  Ours: e^−6."""


class LatestStart(NamedTuple):
    """Latest starts from now on, ms since 1970-01-01 UTC; None: even a start now is too late."""

    sure_ms: int | None
    """Ready in time with 90 %."""
    start_ms: int | None
    """As likely as not."""
    chance_ms: int | None
    """With 10 %: no use to start later."""


def latest_starts(
    waits: Sequence[WaitInputs],
    now_ms: int,
    wanted_ms: int,
    *,
    step_s: float = 300.0,
    draws: int = DRAWS,
    seed: int = SEED,
) -> list[LatestStart]:
    """The latest start of each wait that is ready by a wanted time.

    Parameters
    ----------
    waits : sequence of Wait
        Their `start_ms` is not looked at; their `outlook` should reach to the wanted time.
    now_ms, wanted_ms : int
        Wanted after now. [ms since 1970-01-01 UTC]
    step_s : float
        Starts are rounded to this, the earlier one, above 0. [s]

    Returns
    -------
    list of LatestStart
        The advised ready time counts, so `never_shorter` holds here too. For a what-if, give the
        waits a `outlook.shifted(...)`.

    Raises
    ------
    OutOfRange
        If the wanted time is not after now.

    Notes
    -----
    By halving: in the same air a later start is never ready sooner.
    """
    checked("wanted_ms - now_ms", wanted_ms - now_ms, "ms", 0, low_open=True)
    step_ms = 1000 * float(checked("step_s", step_s, "s", 0, low_open=True))
    shorter: dict[tuple[int, float], AirLog] = {}
    ready = []
    for w in waits:
        memory_s = 3600 * getattr(w.law, "wood_memory_h", 0.0)
        key = (id(w.air), memory_s)
        if key not in shorter:
            back = round(1000 * max(MEMORIES * memory_s, 3600))
            shorter[key] = w.air.cut(max(int(w.air.begin_ms[0]), now_ms - back), now_ms)
        ready.append(replace(w, air=shorter[key], start_ms=now_ms))

    def in_time(starts: list[list[int]]) -> list[list[bool]]:
        asked = [
            replace(w, start_ms=now_ms + round(k * step_ms))
            for w, ks in zip(ready, starts, strict=True)
            for k in ks
        ]
        found = ready_times(asked, now_ms, draws=draws, seed=seed)
        return [
            [_by(r, wanted_ms)[n] for n, r in enumerate(found[3 * i : 3 * i + 3])]
            for i in range(len(ready))
        ]

    steps = int((wanted_ms - now_ms) // step_ms)
    low = [[0, 0, 0] for _ in ready]  # known to be in time, unless even now is too late
    high = [[steps + 1] * 3 for _ in ready]  # known to be too late
    now_will_do = in_time(low)
    while any(
        h - lo > 1
        for lows, highs in zip(low, high, strict=True)
        for lo, h in zip(lows, highs, strict=True)
    ):
        middle = [
            [(lo + h) // 2 for lo, h in zip(lows, highs, strict=True)]
            for lows, highs in zip(low, high, strict=True)
        ]
        for i, fits in enumerate(in_time(middle)):
            for n, fit in enumerate(fits):
                (low if fit else high)[i][n] = middle[i][n]
    return [
        LatestStart(
            *(now_ms + round(k * step_ms) if ok else None for k, ok in zip(ks, oks, strict=True))
        )
        for ks, oks in zip(low, now_will_do, strict=True)
    ]


def _by(r: Readiness, wanted_ms: int) -> tuple[bool, bool, bool]:
    """Flags of the 90 %, 50 % and 10 % that are ready by then."""
    found = (r.ready_high_ms, r.ready_ms, r.ready_low_ms)
    high, middle, low = (ms is not None and ms <= wanted_ms for ms in found)
    return high, middle, low
