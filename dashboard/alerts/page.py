"""Alerts: what is open, the gravest first, what is lately over, notices on their way, tanks."""

from __future__ import annotations

import contextlib
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.visitor import may_change
from dashboard.alerts import text, view
from dashboard.alerts.view import ALERTS
from dashboard.data.records import Notices, Outcome
from dashboard.ui import formats, missing, page_frame, paging
from dashboard.ui.controls import action_button
from dashboard.ui.markup import attributes
from dashboard.ui.paging import Asked
from monitor.air.current import air_now
from monitor.alerting.notifications import phones
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault
from monitor.domain.cautions import HUMIDIFIER
from monitor.people.homes import home_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.records import OutboxEntry
    from dashboard.data.shop import ShopData
    from monitor.settings import Settings
    from monitor.settings.shop_groups import Reservoir

MANY = 50
"""Most open alerts, and most ended ones, on one page."""
OVER_MS = 14 * formats.DAY_MS
"""Time for which an ended alert stays on the page. [ms]"""
PATH = "/alerts"
NOTICES_READ = 200
NOTICES_SHOWN = 8
"""Most notices listed of those that wait, and of those given up."""

AMOUNT = (
    "Tap Filled only after you have filled the tank: it cannot be undone. "
    "If you measure the water, enter the amount (mL, L, fl oz, qt, gal, g, kg or lb) every "
    "time, and fill to the same mark. From five such fills, the outlook calculates how much "
    "water keeps the air in its band. Otherwise leave this empty."
)


def register(app: dash.Dash, shop: ShopData, book: AlertQueries) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "alerts",
        path=PATH,
        name="Alerts",
        title="Alerts",
        layout=lambda q="", page="", ended="", **_: layout(
            shop, book, Asked(str(q), str(page), str(ended))
        ),
    )

    parts = ("alerts-now", "alerts-over", "alerts-notices", "alerts-tanks")

    @page_frame.drawn_again(app, *parts, of=State("_pages_location", "search"))
    def refresh(search: str | None) -> tuple[Any, ...]:
        return live(shop, book, paging.asked_in(search), writer=may_change().allowed)

    @app.callback(Output("alerts-open", "children"), Input("token", "data"))
    def count(_token: str) -> str:
        return open_count(book)


@page_frame.where_store_fails(lambda *_: "")
def open_count(book: AlertQueries) -> str:
    """Number of open alerts, for the menu; empty if none or not known."""
    return str(len(book.open()) or "")


@page_frame.where_store_fails(ALERTS.failed(PATH, "Alerts"))
def layout(shop: ShopData, book: AlertQueries, asked: Asked = paging.FIRST) -> Component:
    """The page as this request may see it."""
    may = may_change()
    now, over, notices, tanks = live(shop, book, asked, writer=may.allowed)
    return ALERTS.page(
        PATH,
        [
            html.Div(now, id="alerts-now"),
            None if may.allowed else html.P(may.why),
            html.Div(
                [
                    html.Section(over, id="alerts-over"),
                    html.Div(
                        [
                            html.Section(notices, id="alerts-notices"),
                            html.Section(tanks, id="alerts-tanks"),
                        ]
                    ),
                ],
                className="alerts-two",
            ),
        ],
    )


def live(
    shop: ShopData, book: AlertQueries, asked: Asked, *, writer: bool
) -> tuple[list[Component], ...]:
    """Parts of the page that change by themselves: open alerts, ended ones, notices, tanks."""
    now = now_ms()
    return (
        open_now(shop, book, now, asked, writer=writer),
        recently_ended(shop, book, now, asked),
        undelivered_notices(shop.notices(NOTICES_READ), shop.settings, now),
        tanks(shop, book, now, writer=writer),
    )


def open_now(
    shop: ShopData, book: AlertQueries, now: int, asked: Asked = paging.FIRST, *, writer: bool
) -> list[Component]:
    """The headline and a card for each; of many those of one page, and a field to search."""
    found, values = book.open(), book.values()
    calling = sum(not alert.rests(now) for alert in found)
    if not found:
        return [
            html.H1("No open alerts."),
            html.P("Problems found by the rules appear here, with what to do."),
            *places_without_alert(shop, book, now),
        ]
    head = f"{formats.counted(len(found), 'alert is', 'alerts are')} open"
    if calling:
        head += f", {calling} of them not acknowledged" if calling < len(found) else ""
    else:
        head += ", all acknowledged or snoozed"
    search, ways = [], []
    if len(found) > MANY:
        found = paging.with_words(found, asked.words, text.title)
        page = paging.page_of(found, asked.page, MANY)
        found = list(page.rows)
        search = [
            paging.search_form(
                "Search by place, sensor or alert", "alerts-query", PATH, asked.words
            ),
            html.P(paging.found_words(page, asked.words)),
        ]
        ways = paging.links(page, PATH, asked.words, "alerts")
    counts = Counter(alert.caution for alert in found if alert.caution)
    shared = [caution for caution, count in counts.items() if count > 1]  # each is shown once
    unit = formats.unit_of(shop.settings)
    return [
        html.H1(f"{head}."),
        *search,
        html.Div(
            [
                view.card(
                    replace(alert, caution="") if alert.caution in shared else alert,
                    values.get((alert.rule, alert.subject)),
                    shop,
                    now,
                    writer=writer,
                )
                for alert in found
            ],
            className="alerts-open",
        ),
        *(html.Div(view.caution(words, unit), className="may-cautions") for words in shared),
        *ways,
    ]


def places_without_alert(shop: ShopData, book: AlertQueries, now: int) -> list[Component]:
    """List places whose air is not right on Air, and why there is no alert about them."""
    unit = formats.unit_of(shop.settings)
    airs = [
        air
        for air in air_now(shop.recent(), shop.settings, now, book.drying(), unit)
        if not air.old and air.place.kind != "outdoors" and air.assessment.weight > 0
    ]
    if not airs:
        return []
    lines = [html.Li(text.air_line(air, unit)) for air in airs]
    return [
        html.H2("On Air, without an alert"),
        html.Ul(lines, className="over-list"),
        html.P(text.NO_ALERT, className="aside"),
    ]


def recently_ended(
    shop: ShopData, book: AlertQueries, now: int, asked: Asked = paging.FIRST
) -> list[Component]:
    """A page of the alerts that ended lately, the newest first."""
    zone = shop.settings.zone
    unit = formats.unit_of(shop.settings)
    found = book.over(now - OVER_MS)
    if not found:
        return [html.H2("Ended recently"), html.P("None in the last 14 days.")]
    page = paging.page_of(found, asked.ended, MANY)
    return [
        html.H2("Ended recently"),
        html.Ul(
            [
                html.Li(
                    [
                        html.Div(
                            [
                                view.urgency(alert.gravest[0]),
                                dcc.Link(
                                    f"{alert.label}: {alert.gravest[1]}",
                                    href=f"/alerts/{alert.id}",
                                ),
                            ],
                            className="what-was",
                        ),
                        html.P(text.ended_words(alert, now, zone, unit)),
                    ],
                    key=alert.id,
                )
                for alert in page.rows
            ],
            className="over-list",
        ),
        *paging.links(page, PATH, asked.words, "ended alerts", "ended"),
    ]


def undelivered_notices(notices: Notices, settings: Settings, now: int) -> list[Component]:
    """Notices that wait, that fail and why, that were given up."""
    head = html.H2("Notices")
    names = _phone_names(settings)
    notices = with_phones_named(notices, names)
    if not settings.channels and not names and not notices.newest:
        return [
            head,
            missing.missing(
                "No channel is set. Alerts appear only here and over MQTT.", missing.SET_UP_CHANNEL
            ),
        ]
    given_up = [
        e
        for e in notices.newest
        if e.outcome is Outcome.GIVEN_UP and (e.ended_ms or 0) > now - OVER_MS
    ]
    waiting = [e for e in notices.newest if e.outcome is None]
    parts: list[Component] = [head]
    for channel, tally in notices.waiting.items():
        failing = f", {tally.failing} of them failing" if tally.failing else ""
        oldest = formats.when(tally.oldest_ms, now, settings.zone)
        wait = f"{formats.counted(tally.waiting, 'notice is', 'notices are')} waiting"
        parts.append(html.P(html.Strong(f"{channel}: {wait}{failing}, oldest from {oldest}.")))
    if not waiting:
        last = next((e for e in notices.newest if e.outcome is Outcome.DELIVERED), None)
        parts.append(
            html.P(
                "No notices are waiting."
                + (
                    f" Last notice: {last.channel}, {text.way(last, now, settings.zone)}."
                    if last
                    else ""
                )
            )
        )
    if waiting:
        parts.append(_listed(waiting, settings, now))
    if given_up:
        parts += [html.H3("Failed"), _listed(given_up, settings, now)]
    return parts


def _phone_names(settings: Settings) -> dict[str, str]:
    """Names of the phones by their channels; none while they cannot be read."""
    with contextlib.suppress(StoreFault):
        return {one.channel: one.name for one in phones.read(home_of(settings).files).phones}
    return {}


def with_phones_named(notices: Notices, names: Mapping[str, str]) -> Notices:
    """Notices with the names of phones in place of their channels' ids."""

    def name(channel: str) -> str:
        removed = channel.startswith(f"{phones.ABOUT}-")
        return names.get(channel, "a removed phone" if removed else channel)

    newest = [entry._replace(channel=name(entry.channel)) for entry in notices.newest]
    return Notices(newest, {name(one): tally for one, tally in notices.waiting.items()})


def _listed(entries: list[OutboxEntry], settings: Settings, now: int) -> Component:
    items = [
        html.Li(
            [
                html.P(html.Strong(entry.notice.title)),
                html.P(
                    f"{entry.channel}: {text.way(entry, now, settings.zone)}.", className="aside"
                ),
            ],
            key=str(entry.entry_id),
        )
        for entry in entries[:NOTICES_SHOWN]
    ]
    if len(entries) > NOTICES_SHOWN:
        items.append(html.Li(f"and {len(entries) - NOTICES_SHOWN} more"))
    return html.Ul(items, className="over-list")


def tanks(shop: ShopData, book: AlertQueries, now: int, *, writer: bool) -> list[Component]:
    """List the humidifiers' tanks: when filled, when due, and a tap to record a fill."""
    settings, filled = shop.settings, book.filled_ms()
    if not settings.reservoirs:
        return []
    items = []
    for tank in settings.reservoirs:
        words, due = tank_words(filled.get(tank.id), tank.lasts_h, now, shop)
        place = f" at {_place(tank.place, settings)}" if tank.place else ""
        items.append(
            html.Li(
                [
                    html.Div([html.Strong(f"{tank.label}{place}"), html.P(words)]),
                    filling(tank) if writer else None,
                ],
                key=tank.id,
                **attributes(data_due=due),
            )
        )
    return [
        html.H2("Humidifiers"),
        html.Ul(items, className="tanks"),
        html.P(AMOUNT, className="aside"),
        html.P(HUMIDIFIER, className="aside"),
    ]


def filling(tank: Reservoir) -> Component:
    """Tap that records the fill of a tank, with a field for the amount."""
    form = f"fill-{tank.id}"
    return html.Div(
        [
            view.field("amount", f"{form}-amount", size="6", maxLength=20, placeholder="1.5 L"),
            action_button(
                "Filled",
                "filled",
                about="reservoir",
                reservoir=tank.id,
                form=form,
                said=f"Filled: {tank.label}.",
            ),
        ],
        id=form,
        className="filling",
        **attributes(data_draft=form),
    )


def tank_words(filled_ms: int | None, lasts_h: float, now: int, shop: ShopData) -> tuple[str, str]:
    """Times of a tank's last and next fill in words, and `yes` if it is due now, else `no`."""
    zone = shop.settings.zone
    if filled_ms is None:
        return "No fill has been recorded yet. The tank is not watched until then.", "no"
    due = filled_ms + round(lasts_h * formats.HOUR_MS)
    filled = f"Filled {formats.when(filled_ms, now, zone)}"
    if due <= now:
        return f"{filled}; due since {formats.when(due, now, zone)}.", "yes"
    return f"{filled}; due {formats.ahead(due, now, zone)}.", "no"


def _place(place_id: str, settings: Settings) -> str:
    return next((p.label for p in settings.places if p.id == place_id), place_id)
