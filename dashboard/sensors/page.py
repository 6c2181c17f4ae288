"""Sensors: each sensor with its last values, counts, and the messages that were rejected.

Topics, payloads and names come from anyone who can publish: they are shown as text only.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

import dash
from dash import dcc, html

from dashboard.access.visitor import may_change, may_manage
from dashboard.data import sensors as data_sensors
from dashboard.sensors import decisions
from dashboard.sensors.rejected import broker_refused, rejected
from dashboard.sensors.sensor_page import address
from dashboard.ui import formats, missing, page_frame, paging
from dashboard.ui.controls import action_results
from dashboard.ui.markup import attributes
from dashboard.ui.paging import Asked
from dashboard.ui.tables import stacked_table
from monitor.core.clock import now_ms
from monitor.core.measurements import BY_HAND, Quantity
from monitor.domain.hand_reading import fresh_ms
from monitor.sensor_care.health import sentence

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.records import PlacedSensor
    from dashboard.data.shop import ShopData
    from dashboard.ui.formats import Unit
    from monitor.sensor_care.health import Health

PATH = "/sensors"
MANY = 50
"""Most sensors that are shown at once; more are shown by pages, the gravest first.  Ours."""
COUNTED = {
    "messages": ("message received", "messages received"),
    "readings": ("reading stored", "readings stored"),
    "repeats": ("duplicate reading ignored", "duplicate readings ignored"),
    "refused": ("message rejected", "messages rejected"),
}


def register(app: dash.Dash, shop: ShopData, book: AlertQueries) -> None:
    """Hang the page and its refreshing into the app."""

    def live(asked: Asked) -> list[Component]:
        return content(shop, book, asked, writer=may_manage().allowed, typing=may_change().allowed)

    def framed(found: list[Component]) -> Component:
        return html.Main([*action_results(), html.Div(found, id="sensors")], className="sheet")

    paging.register_list(app, "sensors", PATH, "Sensors", live, framed)


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
    unit = formats.unit_of(shop.settings)
    sensors, counts = shop.sensors(), shop.counts()
    now = now_ms()
    return [
        html.H1("Sensors"),
        *(sensor_pages(sensors, book, asked, shop, now, unit) if sensors else [_none_yet()]),
        *([html.P(dcc.Link(*missing.TYPE_READING, className="tap"))] if typing else []),
        *decisions.waiting(shop, now, writer=writer),
        *jars(shop),
        *decisions.clock_jumps(shop, now, writer=writer),
        *decisions.wrong_times(shop, now, writer=writer),
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
        return [sensor_table(sensors, sensors, shop, now, unit)]
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
        *([sensor_table(page.rows, sensors, shop, now, unit)] if page.rows else []),
        *paging.links(page, PATH, asked.words, "sensors"),
    ]


def sensor_table(
    sensors: Sequence[PlacedSensor],
    every: Sequence[PlacedSensor],
    shop: ShopData,
    now: int,
    unit: Unit,
) -> Component:
    """A row per sensor. `every`: those that there are."""
    topics = functools.partial(_topic, data_sensors.topics(shop))
    healths = data_sensors.healths(shop, sensors, every)
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


def removed(shop: ShopData) -> list[Component]:
    """List the removed sensors; the page of each can undo it."""
    found = data_sensors.removed_sensors(shop)
    if not found:
        return []
    links = [html.Li(dcc.Link(one.id, href=address(one.id))) for one in found]
    return [html.H2("Removed"), html.Ul(links)]


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
