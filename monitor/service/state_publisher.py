"""Publishes the state of each open wait and the open alerts over MQTT, retained.

Topic `benchweather/bench/wait/<id>/state`, JSON; empty once the wait is released, and for a joint once
it may be loaded, which clears it.
Topic `benchweather/bench/alert/open`, a JSON list.
Topic `benchweather/bench/repair/<id>/state`, JSON; empty once the instrument is handed out.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from monitor.alerting.messages import sentence
from monitor.core import formats
from monitor.domain.alerts.alert import Alert
from monitor.domain.wait import Wait
from monitor.mqtt.client import Publisher
from monitor.science.waits.parameters import Hold
from monitor.waits.evaluation import SETTING_MS, WaitStatus

if TYPE_CHECKING:
    from monitor.domain.repairs.repair import Repair
    from monitor.planning.present import PresentPlan
    from monitor.planning.words import Names
    from monitor.settings import Settings


STATE_TOPIC = "benchweather/bench/wait/{}/state"
CLEARED_MS = SETTING_MS + 86_400_000
"""Waits released longer ago were cleared by an earlier run. [ms]"""
STATE_FILTER = STATE_TOPIC.format("+")
ALERTS_TOPIC = "benchweather/bench/alert/open"
REPAIR_TOPIC = "benchweather/bench/repair/{}/state"
REPAIR_FILTER = REPAIR_TOPIC.format("+")


class StatePublisher:
    """Publishes the states of open waits and alerts when they change."""

    def __init__(self, settings: Settings, publisher: Publisher) -> None:
        self._settings, self._publisher = settings, publisher
        self._published: dict[str, bytes] = {}
        self._connection = 0

    def publish_waits(
        self, waits: Iterable[Wait], statuses: Iterable[WaitStatus], now_ms: int
    ) -> int:
        """Publish changed states of waits. Returns the number of messages.

        Parameters
        ----------
        waits : iterable of Wait
            All of them.
        statuses : iterable of WaitStatus
            Of the open ones, and of the joints that are setting.
        now_ms : int
            [ms since 1970-01-01 UTC]
        """
        news: dict[str, bytes] = {}
        for wait in waits:
            topic = STATE_TOPIC.format(wait.id)
            if wait.released_ms is not None and (
                self._published.get(topic) or wait.released_ms > now_ms - CLEARED_MS
            ):
                news[topic] = b""
        for status in statuses:
            news[STATE_TOPIC.format(status.wait.id)] = json.dumps(state_of(status)).encode()
        return self._publish(news)

    def publish_alerts(self, alerts: Iterable[Alert]) -> int:
        """Publish the open alerts, if they have changed; an empty list when there are none."""
        fahrenheit = self._settings.board.temperature_unit == "F"
        told = [alert_state(alert, fahrenheit=fahrenheit) for alert in alerts if alert.open]
        return self._publish({ALERTS_TOPIC: json.dumps(told).encode()})

    def publish_repairs(
        self, repairs: Iterable[Repair], names: Names, plan: PresentPlan | None, now_ms: int
    ) -> int:
        """Publish changed states of the open repairs, as the present plan has them."""
        news: dict[str, bytes] = {}
        for one in repairs:
            topic = REPAIR_TOPIC.format(one.id)
            if one.open:
                news[topic] = json.dumps(repair_state(one, names, plan)).encode()
            elif self._published.get(topic) or (one.handed_out_ms or 0) > now_ms - CLEARED_MS:
                news[topic] = b""
        return self._publish(news)

    def _publish(self, news: Mapping[str, bytes]) -> int:
        if not self._publisher.connected:
            return 0  # changes are published once there is a broker again
        if self._connection != self._publisher.connections:
            self._connection = self._publisher.connections
            self._published.clear()  # it may be another broker, or have forgotten
        fresh = {topic: body for topic, body in news.items() if self._published.get(topic) != body}
        for topic, body in fresh.items():
            self._publisher.publish(topic, body, retain=True)
        self._published |= fresh
        return len(fresh)


def alert_state(alert: Alert, *, fahrenheit: bool = False) -> dict[str, Any]:
    """An open alert as it is published. Times are ISO 8601 UTC, to the minute."""
    return {
        "id": alert.id,
        "rule": alert.rule,
        "about": alert.subject,
        "urgency": alert.urgency,
        "said": sentence(alert, fahrenheit=fahrenheit),
        "detail": alert.detail,
        "do": alert.do,
        "began_at": _stamp(alert.began_ms),
        "raised_at": _stamp(alert.raised_ms),
        "changed_at": _stamp(alert.changed_ms),
        "acknowledged_by": alert.acknowledged[1] if alert.acknowledged else None,
        "snoozed_until": _stamp(alert.snoozed_until_ms),
    }


def state_of(status: WaitStatus) -> dict[str, Any]:
    """A wait's evaluation as published. Times are ISO 8601 UTC, to the minute; null is unknown."""
    wait, found = status.wait, status.readiness
    told: dict[str, Any] = {
        "id": wait.id,
        "kind": status.kind.id,
        "name": status.kind.name,
        "instrument": wait.instrument,
        "what": wait.what,
        "place": wait.place,
        "started_at": _stamp(wait.started_ms),
        "wanted_at": _stamp(wait.wanted_ms),
        "state": "unknown" if found is None else str(found.state),
        "ready_at": None,
        "ready_from": None,
        "ready_until": None,
        "setting": wait.setting,
        "load_at": None,
        "load_from": None,
        "load_until": None,
        "late": status.late,
        "hold": None,
        "progress_pct": None,
        "note": status.why_not,
    }
    if found is not None:
        told |= {
            "ready_at": _stamp(found.ready_ms),
            "ready_from": _stamp(found.ready_low_ms),
            "ready_until": _stamp(found.ready_high_ms),
            "hold": None if found.hold == Hold.NONE else found.hold.name.lower(),
            "progress_pct": round(100 * found.progress.median),
        }
    if wait.setting:  # its clamps are off
        told |= {"ready_at": _stamp(wait.released_ms), "ready_from": None, "ready_until": None}
    if status.load is not None:
        told |= {
            "load_at": _stamp(status.load.ready_ms),
            "load_from": _stamp(status.load.ready_low_ms),
            "load_until": _stamp(status.load.ready_high_ms),
        }
    return told


def repair_state(repair: Repair, names: Names, present: PresentPlan | None) -> dict[str, Any]:
    """A repair as it is published. Times are ISO 8601 UTC, to the minute; null is unknown."""
    plan = present.plan if present is not None else None
    steps = [one for one in plan.steps if one.repair == repair.id] if plan else []
    planned = [one for one in plan.repairs if one.repair == repair.id] if plan else []
    ready = planned[0].ready if planned else None
    kept = planned[0].kept if planned else None
    waiting = {one.id: one.label for one in repair.steps if one.started_ms is None}
    # The plan may be older than the repair: a step may be started or removed since.
    following = next((one for one in steps if one.step in waiting), None)
    return {
        "id": repair.id,
        "name": repair.name,
        "instrument": names.instrument(repair.id),
        "steps": len(repair.steps),
        "finished": sum(one.finished for one in repair.steps),
        "under_way": [one.label for one in repair.steps if one.started_ms and not one.finished],
        "next": None if following is None else waiting[following.step],
        "next_at": None if following is None else _stamp(following.from_ms),
        "ready_at": ready and _stamp(ready.usual_ms),
        "ready_from": ready and _stamp(ready.low_ms),
        "ready_until": ready and _stamp(ready.high_ms),
        "promised_at": _stamp(repair.promised_ms),
        "promise_pct": None if kept is None else round(100 * kept),
    }


def _stamp(ms: int | None) -> str | None:
    return None if ms is None else formats.utc(ms, "minutes")
