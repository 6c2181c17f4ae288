"""Outlooks and snap alerts that were really issued, kept and scored against what came.

The walk through the log tells what the outlook would have said; this is what it did say. It cannot
be made again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.domain.alerts import alert as alerts
from monitor.domain.alerts.alert import Alert
from monitor.domain.events import About
from monitor.outlook import files
from monitor.outlook.evaluation.report import SnapScore, scores
from monitor.outlook.evaluation.walk_forward import (
    HORIZONS_H,
    Walked,
    joined,
    nothing,
    outcomes,
    row,
    shifted,
    since,
)
from monitor.outlook.files import IssuedOutlooks, IssuedScore
from monitor.science.outlook import dry_snap
from monitor.science.outlook.hourly_log import STEPS, ShopHours
from monitor.store import Reader, journal

if TYPE_CHECKING:
    from monitor.science.outlook.shop_model import HoursAhead
    from monitor.settings import Settings

KEPT_DAYS = 60
"""Days of issued outlooks that are kept. [d]  Ours: as many as the walk's."""
HOUR_MS = 3_600_000
SNAP_RULE = "dry-snap"

RECENT_H, FEWEST_READINGS = 72, 24
"""Readings of the last hours are held against the outlooks issued for them, if there are so many.
[h], [-]  Ours."""
JUDGED = (HORIZONS_H >= 6) & (HORIZONS_H <= 24)
"""Leads at which that is done. [-]"""


def added(
    settings: Settings, place: str, hours: ShopHours, seen: HoursAhead, chance: float, bar: float
) -> tuple[IssuedOutlooks, float]:
    """The stored outlooks with that from the end of a log, with the chance of a snap and the alert's
    threshold; and `recently_held` of those before it.

    `seen` ends with it.
    """
    end = len(hours) - 1
    last = type(seen)(*(field[..., -1:] for field in seen))
    now = np.array([[hours.temp_c[end]], [hours.rh_pct[end]]])
    ends = np.array([hours.first_h + end])
    one = row(ends, last, now, np.array([chance]), bar)
    before = files.issued(settings, place)
    kept = nothing() if before is None else before.walked
    kept = since(kept, int(ends[0]) - 24 * KEPT_DAYS)
    kept = Walked(*(field[..., kept.moments < ends[0]] for field in kept))
    held = recently_held(shifted(kept, -hours.first_h), hours)
    return IssuedOutlooks(place, joined([kept, one])), held


def recently_held(walked: Walked, hours: ShopHours) -> float:
    """Share of the readings of RH in the last `RECENT_H` of a log that lay in the 80 % range of the
    outlooks issued for them; NaN where there are too few. [-]"""
    late = since(walked, len(hours) - RECENT_H - int(HORIZONS_H[JUDGED].max()))
    came = outcomes(hours, late.moments)[1, JUDGED]
    at = late.moments + HORIZONS_H[JUDGED, None]
    known = ~np.isnan(came) & (at >= len(hours) - RECENT_H)
    if known.sum() < FEWEST_READINGS:
        return float("nan")
    inside = (came >= late.low[1, JUDGED]) & (came <= late.high[1, JUDGED])
    return float(inside[known].mean())


def score(settings: Settings, reader: Reader, place: str, hours: ShopHours) -> IssuedScore | None:
    """Score of the outlooks and alerts issued for a place, by its log."""
    kept = files.issued(settings, place)
    if kept is None:
        return None
    walked = since(shifted(kept.walked, -hours.first_h), 0)
    if not len(walked.moments):
        return None
    walked = walked._replace(outcome=outcomes(hours, walked.moments))
    days = (len(hours) - 1 - int(walked.moments[0])) / 24
    return IssuedScore(
        days, tuple(scores(walked, 1, 0)), _snap_score(reader, place, hours, walked)
    )


def _snap_score(reader: Reader, place: str, hours: ShopHours, walked: Walked) -> SnapScore:
    """Score of the alerts that were raised since the first outlook kept."""
    first, last = int(walked.moments[0]), len(hours) - 1
    starts = dry_snap.snaps(hours.rh_pct)
    raised = []
    for one in snap_alerts(reader, place):
        opened = one.opened_ms // HOUR_MS - hours.first_h
        closed = last if one.cleared_ms is None else one.cleared_ms // HOUR_MS - hours.first_h
        if opened >= first:
            met = starts[(starts > opened) & (starts <= closed + dry_snap.LOW_H)]
            snap_at = int(met[0]) if len(met) else -1
            raised.append(dry_snap.SnapAlert(int(opened), int(closed), snap_at))
    tally = dry_snap.tally(raised, starts, first, last, STEPS)
    leads = [lead for lead in tally.lead_h if lead > 0]
    return SnapScore(
        tally.snaps,
        tally.found,
        sum(lead >= 18 for lead in leads),
        float(np.median(leads)) if leads else np.nan,
        tally.false_alarms,
        tally.false_a_month,
        sum(one.snap_at < 0 for one in raised),
        float(walked.bar[-1]),
    )


class RaisedAlert(NamedTuple):
    """Dry snap alert as it was raised, and cleared if it was. [ms since 1970-01-01 UTC]"""

    opened_ms: int
    cleared_ms: int | None


def snap_alerts(reader: Reader, place: str) -> list[RaisedAlert]:
    """The dry snap alerts that were raised for a place, oldest first."""
    events, _ = journal.events_about(reader.connection, About.ALERT)
    found: dict[str, Alert] = {}
    for event in events:
        found[event.subject] = alerts.apply(found.get(event.subject), event)
    raised = []
    for one in found.values():
        said = (e.recorded_ms for e in one.events if e.body.get("rule") == SNAP_RULE)
        if one.subject == place and (opened_ms := next(said, None)) is not None:
            raised.append(RaisedAlert(opened_ms, one.cleared_ms))
    return raised
