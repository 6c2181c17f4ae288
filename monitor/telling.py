"""What the service tells of waits over MQTT: one retained message for each open wait.

Topic `benchweather/bench/wait/<id>/state`, JSON; empty once the wait is released, which clears it.
"""

from __future__ import annotations

import json
import logging
from typing import TYPE_CHECKING, Any

from monitor.clock import from_ms
from monitor.commands import Journal
from monitor.mqtt import Publisher
from monitor.science.waits.parameters import Hold
from monitor.standings import Standing, standings
from monitor.store import Reader

if TYPE_CHECKING:
    from monitor.settings import Settings

log = logging.getLogger(__name__)

STATE_TOPIC = "benchweather/bench/wait/{}/state"
DAY_MS = 86_400_000
"""Waits released longer ago were told by an earlier run. [ms]"""
STATE_FILTER = "benchweather/bench/wait/+/state"


class Teller:
    """Publishes how each open wait stands, whenever that has changed."""

    def __init__(self, reader: Reader, settings: Settings, publisher: Publisher) -> None:
        self._reader, self._settings, self._publisher = reader, settings, publisher
        self._journal = Journal(reader)
        self._told: dict[str, bytes] = {}

    def tell(self, now_ms: int) -> int:
        """Publish what is new. Returns how many messages that took. [ms since 1970-01-01 UTC]"""
        self._journal.refresh()
        waits = self._journal.waits.values()
        news: dict[str, bytes] = {}
        for wait in waits:
            if wait.released_ms is not None and (
                self._told.get(wait.id) or wait.released_ms > now_ms - DAY_MS
            ):
                news[wait.id] = b""
        for standing in standings(
            self._reader, self._settings, [w for w in waits if w.open], now_ms
        ):
            news[standing.wait.id] = json.dumps(state_of(standing)).encode()
        fresh = {i: payload for i, payload in news.items() if self._told.get(i) != payload}
        for wait_id, payload in fresh.items():
            self._publisher.publish(STATE_TOPIC.format(wait_id), payload, retain=True)
        self._told |= fresh
        return len(fresh)


def state_of(standing: Standing) -> dict[str, Any]:
    """A standing as it is published. Times are ISO 8601 UTC, to the minute; null is not known."""
    wait, found = standing.wait, standing.readiness
    told: dict[str, Any] = {
        "id": wait.id,
        "kind": standing.kind.id,
        "name": standing.kind.name,
        "instrument": wait.instrument,
        "what": wait.what,
        "place": wait.place,
        "started_at": _stamp(wait.started_ms),
        "wanted_at": _stamp(wait.wanted_ms),
        "state": "unknown" if found is None else str(found.state),
        "ready_at": None,
        "ready_from": None,
        "ready_until": None,
        "late": False,
        "hold": None,
        "progress_pct": None,
        "note": standing.why_not,
    }
    if found is not None:
        late = wait.wanted_ms is not None and (
            found.ready_ms is None or found.ready_ms > wait.wanted_ms
        )
        told |= {
            "ready_at": _stamp(found.ready_ms),
            "ready_from": _stamp(found.ready_low_ms),
            "ready_until": _stamp(found.ready_high_ms),
            "late": late,
            "hold": None if found.hold == Hold.NONE else found.hold.name.lower(),
            "progress_pct": round(100 * found.progress.median),
        }
    return told


def _stamp(ms: int | None) -> str | None:
    if ms is None:
        return None
    return from_ms(ms // 60_000 * 60_000).isoformat(timespec="minutes").replace("+00:00", "Z")
