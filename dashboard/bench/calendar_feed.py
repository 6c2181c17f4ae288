"""Ready times and the plan as calendars (RFC 5545), under links that cannot be guessed."""

from __future__ import annotations

import hmac
from datetime import timedelta
from typing import TYPE_CHECKING

import flask

from monitor.core.clock import from_ms, now_ms
from monitor.core.errors import StoreFault
from monitor.people.board_keys import read_board_keys
from monitor.people.homes import home_of
from monitor.planning.calendar import AGAIN, LASTS, host_of
from monitor.science.waits.wait import WaitState
from monitor.waits import text as wait_text

if TYPE_CHECKING:
    from collections.abc import Callable

    import icalendar
    from dash import Dash

    from dashboard.data.repairs import RepairQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.domain.wait import Wait
    from monitor.science.waits.wait import Readiness
    from monitor.waits.evaluation import WaitStatus

RELEASED_KEPT = 50
"""Released waits that stay in the calendar as called off, so that phones take them out."""


def register(app: Dash, shop: ShopData, book: WaitQueries, repairs: RepairQueries) -> None:
    """Hang the feed into the app's server."""

    def feed(token: str) -> flask.Response:
        return answer(shop, book, token)

    def plan_feed(token: str) -> flask.Response:
        return _answer(shop, token, repairs.calendar)

    app.server.add_url_rule("/calendar/<token>.ics", "calendar", feed)
    app.server.add_url_rule("/calendar/<token>/plan.ics", "plan_calendar", plan_feed)


def answer(shop: ShopData, book: WaitQueries, token: str) -> flask.Response:
    """The calendar of the waits, or 404 on a wrong link."""
    return _answer(
        shop, token, lambda: calendar(shop, book.statuses(), book.finished(RELEASED_KEPT))
    )


def _answer(shop: ShopData, token: str, make: Callable[[], bytes]) -> flask.Response:
    try:
        found = read_board_keys(home_of(shop.settings).files)
        known = found is not None and found.calendar_token
        if not known or not hmac.compare_digest(token.encode(), known.encode()):
            return flask.Response("There is nothing here.\n", 404, mimetype="text/plain")
        text = make()
    except StoreFault as exc:
        return flask.Response(f"{exc}\n", 503, mimetype="text/plain")
    response = flask.Response(text, mimetype="text/calendar")
    response.headers["Cache-Control"] = "private, max-age=60"
    return response


def link(shop: ShopData) -> str:
    """Path of the feed of the waits, for who may change things; empty while there is none."""
    return _path(shop, ".ics")


def plan_link(shop: ShopData) -> str:
    """Path of the feed of the plan, for who may change things; empty while there is none."""
    return _path(shop, "/plan.ics")


def _path(shop: ShopData, end: str) -> str:
    found = read_board_keys(home_of(shop.settings).files)
    return f"/calendar/{found.calendar_token}{end}" if found else ""


def calendar(shop: ShopData, open_waits: list[WaitStatus], released: list[Wait]) -> bytes:
    """All waits that have a ready time, and those released lately as called off."""
    import icalendar  # 80 modules, read when somebody asks for a calendar

    name = shop.settings.shop.name or "Benchweather"
    out = icalendar.Calendar()
    out.add("prodid", "-//Benchweather//Waits//EN")
    out.add("version", "2.0")
    out.add("method", "PUBLISH")
    out.add("name", f"{name}: ready")
    out.add("x-wr-calname", f"{name}: ready")
    out.add("refresh-interval", AGAIN, parameters={"VALUE": "DURATION"})
    for status in open_waits:
        if status.wait.open and status.readiness and status.readiness.ready_ms is not None:
            out.add_component(_event(status, status.readiness, shop))
        if status.load is not None and status.load.ready_ms is not None:
            out.add_component(_event(status, status.load, shop, load=True))
    counting = {status.wait.id for status in open_waits}
    for wait in released:
        out.add_component(_called_off(wait, shop))
        if wait.kind.get("load_s") and wait.id not in counting:
            out.add_component(_called_off(wait, shop, load=True))
    return bytes(out.to_ical())


def _base(wait: Wait, shop: ShopData, ready_ms: int, *, load: bool) -> icalendar.Event:
    import icalendar

    event = icalendar.Event()
    host = host_of(shop.settings)
    event.add("uid", f"{'load' if load else 'wait'}-{wait.id}-{wait.events[0].recorded_ms}@{host}")
    event.add("sequence", wait.version)
    event.add("dtstamp", from_ms(now_ms() // 1000 * 1000))
    event.add("created", from_ms(wait.events[0].recorded_ms // 1000 * 1000))
    event.add("last-modified", from_ms(wait.events[-1].recorded_ms // 1000 * 1000))
    event.add("dtstart", from_ms(ready_ms // 60_000 * 60_000))
    event.add("duration", LASTS)
    event.add("transp", "TRANSPARENT")
    return event


def _event(
    status: WaitStatus, found: Readiness, shop: ShopData, *, load: bool = False
) -> icalendar.Event:
    import icalendar

    wait, ready_ms = status.wait, found.ready_ms
    assert ready_ms is not None  # noqa: S101 - for the type checker; asked by the caller
    words = wait_text.status_text(status, now_ms(), shop.settings.zone)
    ready = found.state is WaitState.READY
    name = wait_text.title(wait)
    event = _base(wait, shop, ready_ms if ready else wait_text.about(ready_ms), load=load)
    event.add("status", "CONFIRMED" if ready else "TENTATIVE")
    word = "Clamps off" if status.kind.load_s else "Ready"
    if load:
        word = "May be worked" if ready else "May be worked from"
    event.add("summary", f"{word if ready else f'{word}, about'}: {name}")
    names = {place.id: place.label for place in shop.settings.places}
    event.add("location", names.get(wait.place, wait.place))
    event.add("description", "\n".join([str(wait.kind["name"]), words.sentence, *words.more]))
    alarm = icalendar.Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("trigger", timedelta(0))
    alarm.add("description", f"{word}, about: {name}")
    event.add_component(alarm)
    return event


def _called_off(wait: Wait, shop: ShopData, *, load: bool = False) -> icalendar.Event:
    event = _base(wait, shop, wait.loaded_ms or wait.released_ms or now_ms(), load=load)
    event.add("status", "CANCELLED")
    event.add("summary", f"{'In work' if load else 'Released'}: {wait_text.title(wait)}")
    return event
