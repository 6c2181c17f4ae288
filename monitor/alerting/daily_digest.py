"""The morning brief: the night's air, the waits, and the open and ended alerts."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.air.current import PlaceAir, air_now
from monitor.air.latest_air import recent
from monitor.air.place_means import means
from monitor.alerting.messages import change, ending, figures_and_rest, sentence, value_text
from monitor.commands import Journal
from monitor.core.clock import to_ms
from monitor.core.formats import dated, in_reader_unit, local, unit_of
from monitor.domain.air_assessment import AirState as AirState
from monitor.domain.glue import GlueState
from monitor.domain.notification import Notice
from monitor.domain.opening_hours import of_day
from monitor.domain.situation import drying
from monitor.science.waits.wait import WaitState
from monitor.store import Reader
from monitor.waits import glue_text
from monitor.waits import text as wait_text
from monitor.waits.evaluation import WaitStatus

if TYPE_CHECKING:
    from monitor.settings import Settings

NIGHT_MS = 12 * 3_600_000
"""Length of the night before the morning brief. [ms]"""
_OLD_GLUE = (GlueState.NEAR, GlueState.PAST)
LATE_MS = 4 * 3_600_000
"""A brief that could not be made in time is still made so long after. [ms]"""


def due(settings: Settings, now_ms: int) -> str | None:
    """The id of the brief that is due at a moment, one a day; None if none is.

    A time that a clock change leaves out falls after it, one that comes twice counts once: the id
    is the day's.
    """
    if not settings.alerts.brief_at:
        return None
    there = local(now_ms, settings.zone)
    at = of_day(settings.alerts.brief_at)
    for day in (there.date(), there.date() - timedelta(days=1)):
        begins = to_ms(datetime.combine(day, at, settings.zone))
        if begins <= now_ms < begins + LATE_MS:
            return f"brief-{day.isoformat()}"
    return None


def brief(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    statuses: Sequence[WaitStatus],
    notice_id: str,
    now_ms: int,
) -> Notice:
    """The brief of a morning.

    Parameters
    ----------
    statuses : sequence of WaitStatus
        Of the open waits.
    now_ms : int
        [ms since 1970-01-01 UTC]
    """
    airs = [
        air
        for air in air_now(
            recent(reader, settings, now_ms), settings, now_ms, drying(journal.waits.values())
        )
        if air.place.kind != "outdoors"
    ]
    parts = [
        ("Air", [_air(reader, air, settings, now_ms) for air in airs]),
        ("Waits", _waits(statuses, settings, now_ms)),
        ("Glue", _glue(journal, settings, now_ms)),
        ("Alerts", _alerts(journal, settings, now_ms)),
    ]
    text = "\n\n".join("\n".join([f"{head}:", *lines]) for head, lines in parts if lines)
    return Notice(notice_id, now_ms, now_ms, 1, _title(airs, statuses, journal), text)


def _title(airs: Sequence[PlaceAir], statuses: Sequence[WaitStatus], journal: Journal) -> str:
    ready = sum(_state(one) is WaitState.READY for one in statuses)
    alerts = sum(alert.open for alert in journal.alerts.values())
    worst = max(airs, key=lambda air: air.gravity, default=None)
    air = "No air readings"
    if worst is not None and worst.assessment.state is not AirState.UNKNOWN:
        air = (
            "The air is good"
            if worst.assessment.weight == 0
            else f"{worst.assessment.state.capitalize()} air at {worst.place.label}"
        )
    waits = _many(ready, "wait").capitalize()
    return f"Good morning. {air}. {waits} ready, {_many(alerts, 'open alert')}."


def _air(reader: Reader, air: PlaceAir, settings: Settings, now_ms: int) -> str:
    fahrenheit = settings.board.temperature_unit == "F"
    night = means(reader, air.place.id, now_ms - NIGHT_MS, now_ms)
    if not len(night.ts_ms):
        return f"{air.place.label}: no readings since yesterday evening."
    low, high = np.min(night.rh_pct), np.max(night.rh_pct)
    cold, warm = (
        value_text(float(t), "°C", fahrenheit=fahrenheit)
        for t in (np.min(night.temp_c), np.max(night.temp_c))
    )
    now = "" if air.old else f" {air.assessment.sentence}"
    return (
        f"{air.place.label}: {low:.0f} to {high:.0f} % RH, {cold} to {warm} since yesterday "
        f"evening.{now}"
    )


def _waits(statuses: Sequence[WaitStatus], settings: Settings, now_ms: int) -> list[str]:
    lines = []
    for one in statuses:
        found = one.readiness
        waiting = found is not None and found.state not in (WaitState.READY, WaitState.HOLD)
        ready_ms = found.ready_ms if found else None
        if waiting and (ready_ms is None or ready_ms >= now_ms + 2 * NIGHT_MS):
            continue
        name = ", ".join(filter(None, (one.wait.instrument, one.wait.what or one.kind.name)))
        late = " That is later than wanted." if waiting and one.late else ""
        lines.append(f"{name}: {wait_text.status_text(one, now_ms, settings.zone).sentence}{late}")
    return lines


def _glue(journal: Journal, settings: Settings, now_ms: int) -> list[str]:
    """Lines on pots that are recorded as on, and on batches near or past their discard time."""
    lines, zone = [], settings.zone
    for one in journal.glues.values():
        pot = glue_text.pot(one, now_ms, zone) if one.here else ""
        state = one.state(now_ms)
        old = glue_text.condition(one, now_ms, zone) if state in _OLD_GLUE else ""
        pot = f"{pot} {glue_text.POT_OFF}" if pot else ""
        if pot or old:
            lines.append(f"{one.label}: {' '.join(filter(None, (pot, old)))}")
    return lines


def _alerts(journal: Journal, settings: Settings, now_ms: int) -> list[str]:
    fahrenheit, zone = settings.board.temperature_unit == "F", settings.zone
    lines = []
    for alert in journal.alerts.values():
        line = sentence(alert, fahrenheit=fahrenheit)
        if alert.open:
            seen = " Acknowledged." if alert.acknowledged else ""
            first, rest = figures_and_rest(alert.detail)
            more = "; ".join(filter(None, (first, change(alert, now_ms, zone))))
            line += f" ({more})" if more else ""
            do = in_reader_unit(alert.do, unit_of(fahrenheit))
            since = f"{line}, since {dated(alert.began_ms, now_ms, zone)}.{seen}"
            lines.append(" ".join(filter(None, (since, rest, do))))
        elif alert.cleared_ms is not None and alert.cleared_ms > now_ms - NIGHT_MS:
            span = (
                f"{dated(alert.began_ms, now_ms, zone)} to {dated(alert.cleared_ms, now_ms, zone)}"
            )
            lines.append(f"Ended: {'; '.join(filter(None, (f'{line}, {span}', ending(alert))))}.")
    return lines


def _state(one: WaitStatus) -> WaitState | None:
    return one.readiness.state if one.readiness else None


def _many(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number or 'no'} {word}s"
