"""Evidence of a shut day, and of an open one in a closing, from the outlooks of all places."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.core.formats import local
from monitor.domain.opening_hours import of_date

if TYPE_CHECKING:
    from monitor.domain.closing import AnsweredDays
    from monitor.outlook.files import StoredOutlook
    from monitor.settings import Settings

FIRST_DAY = date(1970, 1, 1).toordinal()


def chance_shut(looks: Iterable[StoredOutlook], settings: Settings, now_ms: int) -> float:
    """Probability of a shut day today; NaN where the readings do not show it yet.

    0 on a day that is closed by the settings, or by an answer that the outlooks know. Places may
    disagree: the one that is surest counts, if all together speak for a shut day.
    """
    today = local(now_ms, settings.zone).date()
    if of_date(settings.hours.model_dump(), today) is None:
        return 0.0
    number = today.toordinal() - FIRST_DAY
    fresh = [one for one in looks if one.fresh(now_ms)]
    if not fresh:
        return float("nan")
    shuts = [one.shut for one in fresh if len(one.shut.days) and one.shut.days[0] == number]
    if not shuts:
        return 0.0
    judged = [one for one in shuts if not np.isnan(one.odds)]
    if not judged:
        return float("nan")
    if sum(one.odds for one in judged) <= 0:
        return min(one.now for one in judged)
    return max(one.now for one in judged)


def chance_open_again(looks: Iterable[StoredOutlook], settings: Settings, now_ms: int) -> float:
    """Probability that the shop is open today, a day entered as closed; NaN on another day, or where
    the readings do not show it. The place that is surest counts."""
    today = local(now_ms, settings.zone).date()
    chances = [
        one.shut.again
        for one in looks
        if one.fresh(now_ms) and local(one.made_ms, settings.zone).date() == today
    ]
    return max((one for one in chances if not np.isnan(one)), default=float("nan"))


def closed_until(said: AnsweredDays, today: date) -> date | None:
    """Last day of the closing that somebody answered and that today is in; None if in none."""
    closed = set(said.closed)
    if today not in closed:
        return None
    last = today
    while last + timedelta(days=1) in closed:
        last += timedelta(days=1)
    return last
