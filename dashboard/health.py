"""`/health` and `/metrics`: the state of the service for programs that watch it.

Both answer from the heartbeat, so that neither a locked store nor a stopped service delays `/health`.
"""

from __future__ import annotations

import json
import platform
from typing import TYPE_CHECKING

import flask

from dashboard.access import guard
from dashboard.access.visitor import may, visitor
from dashboard.data import machine
from dashboard.server.limits import DIRECT
from monitor import __version__
from monitor.core.clock import from_ms, now_ms
from monitor.core.errors import StoreFault
from monitor.core.openmetrics import CONTENT_TYPE, Family, Sample, text
from monitor.domain.notification import URGENCY_HIGH, URGENCY_LOW
from monitor.people.roles import Role
from monitor.runtime import health
from monitor.runtime.health import Grade, Verdict
from monitor.settings.addresses import LOOPBACK

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.data.shop import ShopData
    from monitor.runtime.heartbeat import Heartbeat

LOCAL_ONLY = (
    "Only programs on this computer can read the metrics. To let others read them with a token, set "
    'board.metrics = "network".'
)
HOW_TO_READ = "This needs a token. Make one on this computer: benchweather token add.\n"


def register(app: Dash, shop: ShopData) -> None:
    """Add both addresses to the app's server. Each decides by itself what a visitor may see."""

    def answer_health() -> flask.Response:
        found = _verdicts(shop, now_ms())
        grade = health.status(found)
        body: dict[str, object] = {"status": grade}
        if _sees_all():
            body["parts"] = {one.part: _as_json(one) for one in found}
        elif may(Role.VIEWER).allowed:
            body["parts"] = {one.part: {"verdict": one.grade} for one in found}
        code = 503 if grade is Grade.FAILING else 200
        return flask.Response(json.dumps(body), code, mimetype="application/json")

    def answer_metrics() -> flask.Response:
        if not _from_this_computer():
            if shop.settings.board.metrics != "network":
                return flask.Response(f"{LOCAL_ONLY}\n", 403, mimetype="text/plain")
            if not _sees_all():
                answer = flask.Response(HOW_TO_READ, 401, mimetype="text/plain")
                answer.headers["WWW-Authenticate"] = "Bearer"
                return answer
        return flask.Response(text(_families(shop, now_ms())), content_type=CONTENT_TYPE)

    app.server.add_url_rule("/health", "health", answer_health)
    app.server.add_url_rule("/metrics", "metrics", answer_metrics)


def _verdicts(shop: ShopData, now: int) -> list[Verdict]:
    """Verdict on every part. The board itself answers. [ms since 1970-01-01 UTC]"""
    state = shop.service_state()
    if state.fault is not None:
        found = [Verdict("store", Grade.FAILING, f"The store cannot be read: {state.fault}.")]
    else:
        found = health.verdicts(state.beat, now, shop.settings.zone)
    answers = Verdict("board", Grade.OK, "The board answers.")
    return [
        answers._replace(since_ms=one.since_ms) if one.part == answers.part else one
        for one in found
    ]


def _from_this_computer() -> bool:
    """True if a program on this computer sent the present request, and no proxy passed it on."""
    request = flask.request
    return bool(request.environ.get(DIRECT)) and guard.host_name(request.host) in LOOPBACK


def _sees_all() -> bool:
    """True if the visitor may read sentences and names: a person or token of the shop, or a program
    on this computer. What anyone may read on the board is not enough."""
    if _from_this_computer():
        return True
    role = visitor().role
    return role is not None and role.covers(Role.VIEWER)


def _as_json(one: Verdict) -> dict[str, object]:
    """A verdict as JSON; what a part that is well lacks is left out."""
    since = None if one.since_ms is None else from_ms(one.since_ms).isoformat("T", "seconds")
    fields = {
        "verdict": one.grade,
        "sentence": one.sentence,
        "means": one.means,
        "do": one.remedy,
        "since": since and since.replace("+00:00", "Z"),
    }
    return {name: value for name, value in fields.items() if value}


def _families(shop: ShopData, now: int) -> list[Family]:
    """Every metric that is known now. [ms since 1970-01-01 UTC]"""
    state = shop.service_state()
    found = _verdicts(shop, now)
    version = {"version": __version__, "python": platform.python_version()}
    states = [
        Sample(int(one.grade is grade), {"part": one.part, "benchweather_health": grade})
        for one in found
        for grade in Grade
    ]
    disk = machine.disk_free_bytes(shop.settings)
    families = [
        Family("benchweather_build", "info", "Build of the program.", [Sample(1, version)]),
        _gauge("benchweather_up", "1 if the service runs.", int(not state.gone)),
        Family("benchweather_health", "stateset", "Verdict on each part.", states),
        _gauge("benchweather_disk_free_bytes", "Free space on the disk.", disk, "bytes"),
    ]
    families += _of_store(shop, now)
    if state.beat is not None and not state.gone:
        families += _of_service(shop, state.beat)
    return families


def _of_store(shop: ShopData, now: int) -> list[Family]:
    """Metrics that are in the store; without a store that can be read only the size of its file."""
    size = machine.store_bytes(shop.settings)
    families = [_gauge("benchweather_store_bytes", "Size of the store's file.", size, "bytes")]
    try:
        counts, newest = shop.counts(), shop.newest_by_place()
    except StoreFault:
        return families
    for name, counted, about in (
        ("messages", "messages", "Messages received since the store was made."),
        ("readings_stored", "readings", "Readings stored since the store was made."),
        ("readings_repeated", "repeats", "Readings that were stored already."),
        ("messages_refused", "refused", "Messages rejected since the store was made."),
    ):
        families.append(_counter(f"benchweather_{name}", about, counts.get(counted, 0)))
    ages = [
        Sample(max(0, now - at_ms) / 1000, {"place": place}) for place, at_ms in newest.items()
    ]
    about = "Age of the newest reading of a place."
    name = "benchweather_newest_reading_age_seconds"
    return [*families, Family(name, "gauge", about, ages, "seconds")]


def _of_service(shop: ShopData, beat: Heartbeat) -> list[Family]:
    """Metrics that the service counts, by its heartbeat."""
    memory = machine.memory_bytes(beat.pid if shop.is_beside_service() else None)
    rounds = [Sample(beat.rounds, ending="_count"), Sample(beat.rounds_s, ending="_sum")]
    families = [
        _gauge(
            "benchweather_start_time_seconds",
            "Time of the service's start, since 1970-01-01 UTC.",
            beat.started_ms / 1000,
            "seconds",
        ),
        Family(
            "benchweather_process_memory_bytes",
            "gauge",
            "Memory of a process that is in RAM.",
            [Sample(size, {"process": process}) for process, size in memory.items()],
            "bytes",
        ),
        Family(
            "benchweather_round_duration_seconds",
            "summary",
            "Duration of the rounds of evaluation since the service's start.",
            rounds,
            "seconds",
        ),
        _counter("benchweather_notices_sent", "Notices sent since the start.", beat.notices_sent),
        _counter(
            "benchweather_notice_failures",
            "Tries to send a notice that failed since the start.",
            beat.notices_failed,
        ),
    ]
    if (last := beat.round) is None:
        return families
    alerts = [
        Sample(last.alerts.get(urgency, 0), {"urgency": str(urgency)})
        for urgency in range(URGENCY_LOW, URGENCY_HIGH + 1)
    ]
    return [
        *families,
        _gauge(
            "benchweather_last_round_duration_seconds",
            "Duration of the last round of evaluation.",
            last.took_s,
            "seconds",
        ),
        _gauge("benchweather_open_waits", "Open waits.", last.waits),
        Family(
            "benchweather_open_alerts",
            "gauge",
            "Open alerts by urgency; 3 is the gravest.",
            alerts,
        ),
        _gauge("benchweather_running_proofs", "Experiments that run.", last.proofs),
        _gauge("benchweather_outbox_waiting", "Notices that wait.", last.outbox_waiting),
        _gauge(
            "benchweather_outbox_failing",
            "Notices that wait after a try that failed.",
            last.outbox_failing,
        ),
    ]


def _gauge(name: str, about: str, value: float | None, unit: str = "") -> Family:
    return Family(name, "gauge", about, [] if value is None else [Sample(value)], unit)


def _counter(name: str, about: str, value: float) -> Family:
    return Family(name, "counter", about, [Sample(value)])
