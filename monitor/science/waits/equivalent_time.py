"""Equivalent time in reference air: the additive rate summed over a log."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.waits.air_log import AirCoverage, AirLog
from monitor.science.waits.laws import Law


class EquivalentTime(NamedTuple):
    """Seconds of reference air: gaps counted as nothing, and as their neighbours' mean; and the
    seconds in gaps. [s]"""

    low_s: float
    high_s: float
    unknown_s: float


def equivalent_time(
    law: Law, air: AirLog, start_ms: int, *, capped: bool = False
) -> EquivalentTime:
    """Time in reference air that the air from a start to the log's end is worth, exactly.

    Parameters
    ----------
    law : Law
    air : AirLog
    start_ms : int
        Inside the log. [ms since 1970-01-01 UTC]
    capped : bool
        Whether good air counts at most the law's `most_rate`.
    """
    rate = law.relative_rate(air.temp_c, air.rh_pct, capped=capped)
    start = np.array([start_ms])
    sums = [air.running(rate, known) for known in (AirCoverage.AIR, AirCoverage.GAP)]
    known_s, gap_s = (r.total - float(r.at(start)[0]) for r in sums)
    if not law.needs_air:
        return EquivalentTime(known_s + gap_s, known_s + gap_s, 0.0)
    return EquivalentTime(known_s, known_s + gap_s, air.unknown_s(start_ms))
