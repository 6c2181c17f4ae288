"""Worked example waits for the documents: the same work in four kinds of air."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from monitor.science.ranges import Floats
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import air_log
from monitor.science.waits.film import OIL, SPIRIT
from monitor.science.waits.glue import HIDE_GLUE
from monitor.science.waits.laws import Law
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.wait import WaitInputs

HOUR_MS = 3_600_000
START_MS = 1_736_186_400_000
"""6 January 2025, 18:00 UTC: work is put up in the evening. [ms]"""

STEP_S = 600
HORIZON_H = 24 * 21


class Example(NamedTuple):
    """A wait in one kind of air."""

    air: str
    work: str
    basis_h: float
    additive_h: float | None
    """By the additive card. [h]  None: not within three weeks."""
    computed_h: float | None
    """By the law, good air capped. [h]"""
    advised_h: float | None
    low_h: float | None
    high_h: float | None
    """Never shorter than the basis: median and 10 to 90 %. [h]"""


def _airs(hours: Floats) -> dict[str, tuple[Floats, Floats]]:
    """Temperature and RH by hour since 18:00. Invented, as a shop might have them."""
    clock = (18 + hours) % 24
    day = np.cos(2 * np.pi * (clock - 15) / 24)  # warmest at 15:00
    heated = (clock >= 7) & (clock < 19)
    ones = np.ones(len(hours))
    return {
        "reference air, 20 °C 50 %": (20 * ones, 50 * ones),
        "cold and humid, 15 °C 75 %": (15 * ones, 75 * ones),
        "warm and dry, 24 °C 35 %": (24 * ones, 35 * ones),
        "heated winter night": (np.where(heated, 20.0, 13.0), np.where(heated, 35.0, 52.0)),
        "monsoon week": (27 + 1.5 * day, np.where(hours < 168, 86.0, 70.0) - 4 * day),
    }


WORK: tuple[tuple[str, Law, float], ...] = (
    ("crack in hide glue", HIDE_GLUE, 4.0),
    ("spirit coat", SPIRIT, 12.0),
    ("oil coat", OIL, 48.0),
)


def examples() -> list[Example]:
    """Example waits: every work in every air, put up at 18:00; only the air is known."""
    log = air_log([START_MS - 60_000], [20.0], [50.0], START_MS)
    hours = (np.arange(HORIZON_H * 3600 // STEP_S) + 0.5) * STEP_S / 3600
    result = []
    for name, (temp_c, rh_pct) in _airs(hours).items():
        outlook = AirEnsemble(START_MS, STEP_S, temp_c[None], rh_pct[None])
        waits = [
            WaitInputs(law=law, basis_s=3600 * h, start_ms=START_MS, air=log, outlook=outlook)
            for _, law, h in WORK
        ]
        for (work, law, basis_h), told in zip(WORK, ready_times(waits, START_MS), strict=True):
            count = np.cumsum(law.relative_rate(temp_c, rh_pct) * STEP_S / 3600)
            i = int(np.searchsorted(count, basis_h - 1e-9))
            additive = None if i == len(count) else (i + 1) * STEP_S / 3600
            if additive is not None:  # exact within the step
                additive -= (count[i] - basis_h) / law.relative_rate(temp_c[i], rh_pct[i]).item()

            def hours_of(ms: int | None) -> float | None:
                return None if ms is None else (ms - START_MS) / HOUR_MS

            result.append(
                Example(
                    name,
                    work,
                    basis_h,
                    additive,
                    hours_of(told.computed_ms),
                    hours_of(told.ready_ms),
                    hours_of(told.ready_low_ms),
                    hours_of(told.ready_high_ms),
                )
            )
    return result


def table() -> str:
    """The examples as a Markdown table, hours to 0.1."""

    def of(hours: float | None) -> str:
        return "never" if hours is None or math.isinf(hours) else f"{hours:.1f}"

    lines = [
        "| air | work | basis | card | law | advised | 10 to 90 % |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {e.air} | {e.work} | {of(e.basis_h)} | {of(e.additive_h)} | "
        f"{of(e.computed_h)} | {of(e.advised_h)} | {of(e.low_h)} to {of(e.high_h)} |"
        for e in examples()
    ]
    return "\n".join(lines) + f'\n\nHours; "never": not within {HORIZON_H // 24} days.\n'
