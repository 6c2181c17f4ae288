"""Sensors: each sensor with its last values, counts, and the messages that were rejected.

Topics, payloads and names come from anyone who can publish: they are shown as text only.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.visitor import may_change, may_manage
from dashboard.data import sensors as data_sensors
from dashboard.sensors.rejected import broker_refused, cut, rejected
from dashboard.sensors.sensor_page import address
from dashboard.ui import formats, missing, page_frame, paging
from dashboard.ui.controls import action_button, action_results, folded, tap_row
from dashboard.ui.markup import attributes
from dashboard.ui.paging import Asked
from dashboard.ui.tables import stacked_table
from monitor.core.clock import now_ms
from monitor.core.measurements import BY_HAND, Quantity
from monitor.core.steady_clock import JumpState, jump_words
from monitor.domain.hand_reading import fresh_ms
from monitor.domain.shop_clock import event_words
from monitor.sensor_care.health import sentence

if TYPE_CHECKING:
    from collections.abc import Mapping
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.records import AheadReadings, AsideOfSensor, Newcomer, PlacedSensor
    from dashboard.data.shop import ShopData
    from dashboard.ui.formats import Unit
    from monitor.sensor_care.health import Health

PATH = "/sensors"
MANY = 50
"""Most sensors that are shown at once; more are shown by pages, the gravest first.  Ours."""
NEW_SHOWN = 8
JUMPS_SHOWN = 8
COUNTED = {
    "messages": ("message received", "messages received"),
    "readings": ("reading stored", "readings stored"),
    "repeats": ("duplicate reading ignored", "duplicate readings ignored"),
    "refused": ("message rejected", "messages rejected"),
}


def register(app: dash.Dash, shop: ShopData, book: AlertQueries) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "sensors",
        path=PATH,
        name="Sensors",
        title="Sensors",
        layout=lambda q="", page="", **_: layout(shop, book, Asked(str(q), str(page))),
    )

    @app.callback(
        Output("sensors", "children"),
        Input("token", "data"),
        State("_pages_location", "search"),
        prevent_initial_call=True,
    )
    def refresh(_token: str, search: str | None) -> list[Component]:
        asked = paging.asked_in(search)
        return content(shop, book, asked, writer=may_manage().allowed, typing=may_change().allowed)


def layout(
    shop: ShopData, book: AlertQueries | None = None, asked: Asked = paging.FIRST
) -> Component:
    found = content(shop, book, asked, writer=may_manage().allowed, typing=may_change().allowed)
    return html.Main([*action_results(), html.Div(found, id="sensors")], className="sheet")


@page_frame.where_store_fails(
    lambda trouble, *_, **__: [html.H1("Sensors"), *page_frame.sentence_of(trouble)]
)
def content(
    shop: ShopData,
    book: AlertQueries | None = None,
    asked: Asked = paging.FIRST,
    *,
    writer: bool = False,
    typing: bool = False,
) -> list[Component]:
    """Present content of the page, with taps for a `writer`; if it cannot be shown, why.

    `book`: the alerts, by which many sensors are put in order. `asked`: which of many are shown.
    `typing`: whether a reading may be typed.
    """
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
    sensors, counts = shop.sensors(), shop.counts()
    now = now_ms()
    return [
        html.H1("Sensors"),
        *(sensor_pages(sensors, book, asked, shop, now, unit) if sensors else [_none_yet()]),
        *([html.P(dcc.Link(*missing.TYPE_READING, className="tap"))] if typing else []),
        *waiting(shop, now, writer=writer),
        *jars(shop),
        *clock_jumps(shop, now, writer=writer),
        *wrong_times(shop, now, writer=writer),
        *removed(shop),
        html.H2("Totals since the start"),
        html.Ul(
            [
                html.Li(
                    [
                        html.Span(formats.grouped(counts[name]), className="number"),
                        f" {one if counts[name] == 1 else many}",
                    ]
                )
                for name, (one, many) in COUNTED.items()
            ],
            className="counts",
        ),
        *broker_refused(shop, now),
        *rejected(shop, now),
    ]


def _none_yet() -> Component:
    return missing.missing(missing.NO_READING, missing.CONNECT_SENSOR)


def sensor_pages(
    sensors: list[PlacedSensor],
    book: AlertQueries | None,
    asked: Asked,
    shop: ShopData,
    now: int,
    unit: Unit,
) -> list[Component]:
    """A row per sensor; of many those of one page, the gravest first, and a field to search."""
    if len(sensors) <= MANY:
        return [sensor_table(sensors, shop, now, unit)]
    urgency: dict[str, int] = {}
    for alert in book.open() if book else ():
        urgency[alert.subject] = max(alert.urgency, urgency.get(alert.subject, 0))

    def rank(one: PlacedSensor) -> tuple[int, bool, str, str]:
        grave = urgency.get(f"{one.place.id}/{one.sensor}", 0)
        fresh = now - one.heard_ms <= fresh_ms(one.sensor, shop.settings.board.stale_after_s)
        return -grave, fresh, one.place.label.casefold(), one.sensor

    found = paging.with_words(
        sorted(sensors, key=rank),
        asked.words,
        lambda one: f"{one.place.label} {one.place.id} {one.sensor}",
    )
    page = paging.page_of(found, asked.page, MANY)
    return [
        paging.search_form("Search by place or sensor", "sensors-query", PATH, asked.words),
        html.P(paging.count_words(page, len(sensors), "sensor", asked.words), className="lead"),
        *([sensor_table(list(page.rows), shop, now, unit)] if page.rows else []),
        *paging.links(page, PATH, asked.words, "sensors"),
    ]


def sensor_table(sensors: list[PlacedSensor], shop: ShopData, now: int, unit: Unit) -> Component:
    """A row per sensor."""
    topics = functools.partial(_topic, data_sensors.topics(shop))
    healths = data_sensors.healths(shop, sensors)
    rows = []
    for one, count in zip(sensors, data_sensors.in_a_day(shop, sensors), strict=True):
        values = [
            html.Div(
                f"{formats.scale(str(q), unit).words} {formats.with_unit(str(q), value, unit)}"
            )
            for q, (_, value, _) in one.last.items()
            if q is not Quantity.BATTERY
        ]
        battery = one.last.get(Quantity.BATTERY)
        stale_s = fresh_ms(one.sensor, shop.settings.board.stale_after_s) / 1000
        heard = html.Span(
            formats.age((now - one.heard_ms) / 1000),
            className="heard",
            **attributes(
                data_heard=str(one.heard_ms),
                data_stale_s=f"{stale_s:g}",
                data_old="yes" if now - one.heard_ms > 1000 * stale_s else "no",
            ),
        )
        rows.append(
            [
                [
                    one.place.label,
                    html.Br(),
                    dcc.Link(one.sensor, href=address(topics(one)), className="sensor"),
                ],
                state_words(one, healths.get((one.place.id, one.sensor))),
                values,
                [
                    heard,
                    html.Br(),
                    html.Span(
                        formats.when(one.heard_ms, now, shop.settings.zone), className="sensor"
                    ),
                ],
                formats.grouped(count),
                formats.with_unit("battery", battery[1], unit) if battery else formats.UNKNOWN,
            ]
        )
    return stacked_table(
        [
            "Place and sensor",
            "Health",
            "Last values",
            "Last reading",
            "Readings in 24 h",
            "Battery",
        ],
        rows,
        "Sensors",
        counts=(4, 5),
    )


def _topic(topics: Mapping[tuple[str, str], str], one: PlacedSensor) -> str:
    return topics.get((one.place.id, one.sensor), f"{one.place.id}/{one.sensor}")


def jars(shop: ShopData) -> list[Component]:
    """List the sensors in a jar, whose readings are not used for a place meanwhile."""
    found = data_sensors.sensors_in_jars(shop)
    if not found:
        return []
    return [
        html.H2("Being calibrated"),
        html.Ul([html.Li(dcc.Link(one.id, href=address(one.id))) for one in found]),
    ]


def waiting(shop: ShopData, now: int, *, writer: bool) -> list[Component]:
    """New places and sensors that wait to be admitted, then the refused ones, each with its taps."""
    found, beyond = shop.newcomers()
    if not found and not beyond:
        return []
    new = [one for one in found if one.state == "waiting"]
    refused_ones = [one for one in found if one.state != "waiting"]
    taps = [_settle_all(do) for do in ("admit", "refuse")] if writer and len(new) > 1 else []
    shown = [_newcomer(one, now, shop.settings.zone, writer=writer) for one in new[:NEW_SHOWN]]
    parts: list[Component] = [html.H2("New places and sensors")]
    if new:
        parts += [
            html.P(
                "More new names came within a day than are accepted at once. Their readings are kept, "
                "but not used, until you admit them. Admit only your own places and sensors."
            ),
            *([tap_row(taps)] if taps else []),
            html.Ul(shown),
        ]
    if len(new) > NEW_SHOWN:
        left = f"And {len(new) - NEW_SHOWN} more: "
        parts.append(html.P([left, html.Code("benchweather place list")], className="aside"))
    if beyond:
        parts.append(
            html.P(
                f"Not kept: {formats.counted(beyond, 'message')} with more new names than allowed.",
                className="aside",
            )
        )
    if refused_ones:
        items = [
            _newcomer(one, now, shop.settings.zone, writer=writer)
            for one in refused_ones[:NEW_SHOWN]
        ]
        parts += [folded(f"{len(refused_ones)} refused", html.Ul(items, className="refused"))]
    return parts


def _settle_all(do: str) -> Component:
    """Tap for all that wait."""
    word = {"admit": "Admit all", "refuse": "Refuse all"}[do]
    return action_button(
        word,
        do,
        about="newcomer",
        every="yes",
        sure=f"Tap again to {word.lower()} that wait",
        said="Done.",
        then="reload",
    )


def _newcomer(one: Newcomer, now: int, zone: ZoneInfo, *, writer: bool) -> Component:
    about = {"about": "newcomer", "newcomer": one.name, "then": "reload"}
    taps = [action_button("Admit", "admit", said="Admitted.", **about)]
    if one.state == "waiting":
        sure = "Tap again to delete its messages"
        taps.append(action_button("Refuse", "refuse", sure=sure, said="Refused.", **about))
    unkept = f" Not kept: {one.unkept}." if one.unkept else ""
    said = f"since {formats.when(one.first_ms, now, zone)}. Messages kept: {one.messages}."
    return html.Li(
        [
            html.Span([html.Code(cut(one.name, 140)), f" {said}{unkept}"]),
            *([tap_row(taps)] if writer else []),
        ]
    )


def removed(shop: ShopData) -> list[Component]:
    """List the removed sensors; the page of each can undo it."""
    found = data_sensors.removed_sensors(shop)
    if not found:
        return []
    links = [html.Li(dcc.Link(one.id, href=address(one.id))) for one in found]
    return [html.H2("Removed"), html.Ul(links)]


def clock_jumps(shop: ShopData, now: int, *, writer: bool) -> list[Component]:
    """The last jumps of the shop computer's clock, and a tap that confirms a doubted one."""
    events, beat = shop.clock_events(JUMPS_SHOWN), shop.service_state().beat
    jump = beat.clock if beat else None
    doubted = jump is not None and jump.state is JumpState.DOUBTED
    if not events and not doubted:
        return []
    tap = action_button(
        "Confirm that the clock is right",
        "confirm",
        about="clock",
        sure="Tap again if the time at the top is right",
        said="Clock confirmed. Readings kept aside will be taken in.",
        then="reload",
    )
    items = [
        html.Li(
            [
                html.Span(
                    formats.when(one.recorded_ms, now, shop.settings.zone), className="moment"
                ),
                html.Span(event_words(one)),
                html.Span(one.by, className="by-whom"),
            ]
        )
        for one in reversed(events)
    ]
    return [
        html.H2("Clock of the shop's computer"),
        *([html.P(f"{jump_words(jump)}. Nothing confirms it.")] if jump and doubted else []),
        *([tap_row(tap)] if doubted and writer else []),
        html.Ul(items, className="history"),
    ]


def wrong_times(shop: ShopData, now: int, *, writer: bool) -> list[Component]:
    """Messages kept aside and stored readings dated ahead, each with what can be done."""
    zone = shop.settings.zone
    items = [_kept_aside(one, now, zone, writer=writer) for one in shop.aside()]
    items += [_dated_ahead(one, now, zone, writer=writer) for one in shop.ahead()]
    return [html.H2("Readings with a wrong time"), html.Ul(items)] if items else []


def _kept_aside(one: AsideOfSensor, now: int, zone: ZoneInfo, *, writer: bool) -> Component:
    about = {"about": "aside", "sensor": one.sensor, "then": "reload"}
    dated, corrected = (
        formats.when(came_ms[0], now, zone) for came_ms in (one.received_ms, one.steady_ms)
    )
    taps = [
        action_button("Take in with corrected times", "take", said="Taken in.", **about),
        action_button(
            "The clock was right: take in as dated",
            "take",
            as_dated="yes",
            sure="Tap again if the clock was right",
            said="Taken in.",
            **about,
        ),
        action_button(
            "Dismiss", "dismiss", sure="Tap again to dismiss them", said="Dismissed.", **about
        ),
    ]
    why = "was wrong when Benchweather started" if one.at_start else "had jumped"
    without = "They came after" if one.at_start else "Without the jump they would be from"
    return html.Li(
        [
            html.Span(
                f"{one.sensor}: {formats.counted(one.readings, 'reading')} kept aside. The clock of "
                f"the shop's computer {why}. By this clock they are from {dated} on. "
                f"{without} {corrected}{'' if one.at_start else ' on'}."
            ),
            *([tap_row(taps)] if writer else []),
        ]
    )


def _dated_ahead(one: AheadReadings, now: int, zone: ZoneInfo, *, writer: bool) -> Component:
    tap = action_button(
        "Void them",
        "void-readings",
        about="sensor",
        sensor=one.topic,
        from_ms=str(one.first_ms),
        why="dated ahead of the clock",
        sure="Tap again to void these readings",
        said="Readings voided.",
        then="reload",
    )
    return html.Li(
        [
            html.Span(
                f"{one.topic}: stored readings dated ahead of the clock, {one.readings} in all. "
                f"The last is of {formats.when(one.last_ms, now, zone)}. No page shows them as the "
                "present."
            ),
            *([tap_row(tap)] if writer else []),
        ]
    )


def state_words(one: PlacedSensor, health: Health | None) -> list[Any]:
    """Score and faults of a sensor in words; `health` None means that it was moved."""
    if health is None:
        return ["It is away from its place."]
    if one.sensor == BY_HAND:
        return ["Read by hand."]
    faults = [sentence(finding) for finding in health.found]
    if not {Quantity.TEMPERATURE, Quantity.HUMIDITY} <= one.last.keys():
        faults.append("No dew point or EMC, which need temperature and RH from one sensor.")
    return [html.Strong(f"{health.score} of 100"), " ", " ".join(faults or ["No faults found."])]
