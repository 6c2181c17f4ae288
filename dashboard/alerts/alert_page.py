"""Page of one alert: its state, what can be done about it, and its whole history."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import dash
from dash import dcc, html

from dashboard.access.visitor import may_change
from dashboard.alerts import text, view
from dashboard.alerts.view import ALERTS
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import action_button, draft_form
from dashboard.ui.event_list import event_list
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.shop import ShopData
    from monitor.domain.alerts.alert import Alert


_page = partial(ALERTS.page, "/alerts/one", classes="one")


def register(app: dash.Dash, shop: ShopData, book: AlertQueries) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "alerts_one",
        path_template="/alerts/<alert_id>",
        title="Alert",
        layout=lambda alert_id="", **_: layout(shop, book, alert_id),
    )

    @page_frame.drawn_again(app, "alert-now", "alert-history", of="alert-id")
    def refresh(alert_id: str) -> tuple[Any, ...] | None:
        alert = book.alert(alert_id)
        if alert is None:
            return None
        state = current_state(alert, shop, book, writer=may_change().allowed)
        return state, history(alert, shop)


@page_frame.where_store_fails(ALERTS.failed("/alerts/one", "Alert", "one"))
def layout(shop: ShopData, book: AlertQueries, alert_id: str) -> Component:
    """The page as this request may see it."""
    may = may_change()
    alert = book.alert(alert_id)
    if alert is None:
        return _page([html.H1("No such alert"), html.P(dcc.Link("All alerts", href="/alerts"))])
    now = current_state(alert, shop, book, writer=may.allowed)
    return _page(
        [
            dcc.Store(id="alert-id", data=alert.id),
            html.Div(now, id="alert-now"),
            note(alert) if may.allowed else html.P(may.why),
            html.H2("History"),
            html.Div(history(alert, shop), id="alert-history"),
        ]
    )


def current_state(
    alert: Alert, shop: ShopData, book: AlertQueries, *, writer: bool
) -> list[Component]:
    """State of an alert, with the taps."""
    now, zone = now_ms(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    parts: list[Component] = [
        html.P(view.urgency(alert.urgency if alert.open else alert.gravest[0])),
        html.H1(text.title(alert)),
    ]
    if alert.open:
        value = book.values().get((alert.rule, alert.subject))
        parts += [
            view.facts(alert, value, shop, now),
            view.now_do(alert, shop),
            html.P(text.acknowledgement(alert, now, zone), className="rest"),
        ]
        if writer:
            parts.append(view.taps(alert, shop, now, note=False))
    else:
        parts.append(
            html.P(f"Ended: {text.ended_words(alert, now, zone, unit)}", className="facts-line")
        )
    parts += [view.why(alert, shop, unfolded=True), _links(alert, book)]
    return parts


def _links(alert: Alert, book: AlertQueries) -> Component:
    """The ways to what it is about and to its rule."""
    rule = book.rules().get(alert.rule)
    return html.P(
        [
            view.about(alert),
            dcc.Link(f"Rule: {rule.name}", href=f"/alerts/rule/{rule.id}")
            if rule
            else html.Span("Its rule has been deleted."),
        ],
        className="ways",
    )


def note(alert: Alert) -> Component:
    """A note to be added to its journal."""
    return html.Div(
        [
            draft_form(
                view.long_field("note", "alert-note", maxLength=500, rows=2),
                "note-form",
                f"note-{alert.id}",
            ),
            html.Div(
                action_button(
                    "Add this note",
                    "note",
                    about="alert",
                    alert=alert.id,
                    form="note-form",
                    said="Noted.",
                    then="reload",
                ),
                className="taps",
            ),
        ],
        className="note-form",
    )


def history(alert: Alert, shop: ShopData) -> Component:
    """History of an alert, newest first: who did what and when."""
    now, zone = now_ms(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    return event_list(
        alert.events, lambda event: text.event_words(event, now, zone, unit), now, zone
    )
