"""Scores of a walk: by horizon against plainer forecasts, and of the snap alert."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.outlook.evaluation.walk_forward import HORIZONS_H, Walked
from monitor.science.outlook import dry_snap
from monitor.science.outlook.hourly_log import STEPS
from monitor.science.ranges import Floats

AFTER_DAYS = (10, 30)
"""Scores are given for all forecasts from so many days of log on. [d]"""

QUANTITIES = ("temp_c", "rh_pct")


class Score(NamedTuple):
    """Scores of one horizon of one quantity, in its unit.

    Mean error, mean absolute error, CRPS, part of outcomes in the 80 % range, mean absolute error
    of "as it is" and of "as at this hour of the last day", and ours as a share of each.
    """

    horizon_h: int
    forecasts: int
    bias: float
    mae: float
    crps: float
    coverage_80: float
    mae_persistence: float
    mae_diurnal: float
    of_persistence: float
    of_diurnal: float


def scores(walked: Walked, quantity: int, after_days: int) -> list[Score]:
    """Scores by horizon of temperature (0) or RH (1), from `after_days` of log on.

    Horizons at which nothing came to be judged are left out.
    """
    late = walked.moments >= 24 * after_days - 1
    found = []
    for i, horizon in enumerate(HORIZONS_H.tolist()):
        outcome = walked.outcome[quantity, i]
        use = late & ~np.isnan(outcome)
        if not use.any():
            continue
        truth = outcome[use]

        def off(values: Floats, use: np.ndarray = use, truth: Floats = truth) -> Floats:
            return np.asarray(values[use] - truth)

        error = off(walked.given[quantity, i])
        mae = float(np.abs(error).mean())
        now = float(np.abs(off(walked.now[quantity])).mean())
        same = float(np.abs(off(walked.same[quantity, i])).mean())
        low, high = off(walked.low[quantity, i]), off(walked.high[quantity, i])
        found.append(
            Score(
                horizon,
                int(use.sum()),
                float(error.mean()),
                mae,
                _mean(walked.crps[quantity, i][use]),
                float(((low <= 0) & (high >= 0)).mean()),
                now,
                same,
                mae / now if now else np.nan,
                mae / same if same else np.nan,
            )
        )
    return found


def _mean(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else np.nan


class SnapScore(NamedTuple):
    """The snap alert: snaps, those alerted before they began, those alerted 18 h ahead, the median
    lead of those found [h] (NaN if none), false alarms, and these a month; withdrawn alerts, and
    the threshold at the end."""

    snaps: int
    found: int
    found_18h: int
    median_lead_h: float
    false_alarms: int
    false_a_month: float
    withdrawn: int
    threshold: float


def alerts(walked: Walked, rh_pct: Floats, after_days: int) -> list[dry_snap.SnapAlert]:
    """The alerts that were raised from `after_days` of log on, in hours of the log."""
    late = walked.moments >= 24 * after_days - 1
    return dry_snap.alerts(
        walked.moments[late], walked.chance[late], dry_snap.snaps(rh_pct), walked.bar[late]
    )


def snap_score(walked: Walked, rh_pct: Floats, after_days: int) -> SnapScore:
    """Score of the dry snap alerts after `after_days` of log; `rh_pct` (n,) is by the hour."""
    late = walked.moments >= 24 * after_days - 1
    if not late.any():
        return SnapScore(0, 0, 0, np.nan, 0, 0.0, 0, dry_snap.USUAL_THRESHOLD)
    moments = walked.moments[late]
    starts = dry_snap.snaps(rh_pct)
    raised = alerts(walked, rh_pct, after_days)
    t = dry_snap.tally(raised, starts, int(moments[0]), int(moments[-1]), STEPS)
    leads = [lead for lead in t.lead_h if lead > 0]
    return SnapScore(
        t.snaps,
        t.found,
        sum(lead >= 18 for lead in leads),
        float(np.median(leads)) if leads else np.nan,
        t.false_alarms,
        t.false_a_month,
        sum(a.snap_at < 0 for a in raised),
        float(walked.bar[-1]),
    )
