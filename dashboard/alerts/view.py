"""The pieces that pages show alerts with: the mark of its urgency, a card, the taps, fields."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard.alerts import forms
from dashboard.alerts import text as alerts_text
from dashboard.alerts.rule_fields import LABELS
from dashboard.ui import controls, formats
from dashboard.ui.controls import action_button, fault_line, folded, labelled
from dashboard.ui.markup import attributes
from dashboard.ui.page_frame import MenuSection
from monitor.domain.alerts.rule import WATCHABLE, Of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.domain.alerts.alert import Alert
    from monitor.domain.alerts.rule import Rule

ALERTS = MenuSection(
    "Alerts",
    "bench alerts",
    (
        ("/alerts", "Open and ended"),
        ("/alerts/rules", "Rules"),
        ("/alerts/phones", "Notices on this phone"),
    ),
)

SNOOZES = {"30": "30 min", "180": "3 h"}
"""Lengths of time to put an alert off, in minutes."""


def urgency(level: int) -> Component:
    """Urgency of an alert, shown by word, weight and size."""
    return html.Span(
        alerts_text.URGENCY[level], className="urgency", **attributes(data_urgency=str(level))
    )


def card(
    alert: Alert, now_value: float | None, shop: ShopData, now: int, *, writer: bool
) -> Component:
    """An open alert: what, since when, what to do now; why folded away; the taps."""
    rests = "yes" if alert.rests(now) else "no"
    return html.Article(
        [
            html.P(urgency(alert.urgency), className="how-urgent"),
            html.H2(dcc.Link(alerts_text.title(alert), href=f"/alerts/{alert.id}")),
            facts(alert, now_value, shop, now),
            now_do(alert, shop) if alert.do else None,
            why(alert, shop),
            html.P(alerts_text.acknowledgement(alert, now, shop.settings.zone), className="rest"),
            taps(alert, shop, now, note=True) if writer else None,
        ],
        key=alert.id,
        className="alert",
        **attributes(data_urgency=str(alert.urgency), data_rests=rests, data_alert=alert.id),
    )


def facts(alert: Alert, now_value: float | None, shop: ShopData, now: int) -> Component:
    """Its figures and since when."""
    unit = formats.unit_of(shop.settings)
    text = alerts_text.facts(alert, now_value, now, shop.settings.zone, unit)
    return html.P(text, className="facts-line")


def now_do(alert: Alert, shop: ShopData) -> Component:
    """Advice of an alert."""
    words = formats.in_reader_unit(alert.do, formats.unit_of(shop.settings))
    return html.P([html.Strong("Now: "), words], className="do")


def reasons(of: Alert | Rule, shop: ShopData) -> list[Component | None]:
    """Reasons of an alert or a rule: why it matters, the source of that, and the caution."""
    unit = formats.unit_of(shop.settings)
    why, source = (formats.in_reader_unit(words, unit) for words in (of.why, of.source))
    return [
        html.P([html.Strong("Why: "), why]) if why else None,
        html.P(f"Source: {source}", className="aside") if source else None,
        caution(of.caution, unit) if of.caution else None,
    ]


def caution(words: str, unit: formats.Unit) -> Component:
    """A caution of an alert or a rule, or of several alerts."""
    return html.P([html.Strong("Caution: "), formats.in_reader_unit(words, unit)])


def why(alert: Alert, shop: ShopData, *, unfolded: bool = False) -> Component:
    """Reasons for an alert, folded away or not."""
    parts = reasons(alert, shop)
    if unfolded:
        return html.Div(parts, className="why")
    more = " and caution" if alert.caution else ""
    return folded(f"Why{more}", *parts, className="why", unfold=f"why-{alert.id}")


def taps(alert: Alert, shop: ShopData, now: int, *, note: bool) -> Component:
    """Acknowledge, put off, and the way to a note."""
    name = alerts_text.title(alert)
    found: list[Component] = []
    if not alert.acknowledged:
        found.append(
            action_button(
                "Acknowledge",
                "acknowledge",
                about="alert",
                alert=alert.id,
                said=f"Acknowledged: {name}.",
                name="tap main",
            )
        )
        choices = dict(SNOOZES)
        if (opens := forms.opens_ms(shop, now)) is not None:
            until = formats.ahead(opens, now, shop.settings.zone)
            choices[forms.UNTIL_OPENING] = f"until {until}"
        found += [
            action_button(
                f"Snooze {word}",
                "snooze",
                about="alert",
                alert=alert.id,
                minutes=minutes,
                said=f"Snoozed {word}: {name}.",
            )
            for minutes, word in choices.items()
        ]
    if note:
        found.append(
            dcc.Link(
                "Note", href=f"/alerts/{alert.id}", className="tap", title=f"Add a note to {name}"
            )
        )
    return html.Div(found, className="taps", role="group", **attributes(aria_label=name))


def about(alert: Alert) -> Component | None:
    """The way to what an alert is about."""
    watched = WATCHABLE.get(alert.quantity)
    of = watched.of if watched else None
    if of is Of.WAIT:
        return dcc.Link("See the wait", href=f"/bench/wait/{alert.subject}")
    if of is Of.INSTRUMENT:
        return dcc.Link("See the instrument", href=f"/wood/{alert.subject}")
    if of is Of.SENSOR:
        return dcc.Link("See the sensors", href="/sensors")
    if of is Of.PLACE:
        places = "" if alert.subject == "shop" else f"places={alert.subject}&"
        return dcc.Link("See the last week's air", href=f"/past?{places}span=week")
    return None


def field(name: str, id_: str, *, unit: str = "", hint: str = "", **more: Any) -> Component:
    """Labelled text field, with the place where its faults are shown."""
    text = f"{LABELS[name]}{f' [{unit}]' if unit else ''}"
    return labelled(
        text,
        id_,
        dcc.Input(id=id_, name=name, type="text", autoComplete="off", **more),
        html.P(hint, className="aside") if hint else None,
        fault_line(name),
    )


def long_field(name: str, id_: str, **more: Any) -> Component:
    """The same for several lines."""
    return html.Div(
        [
            html.Label(LABELS[name], htmlFor=id_),
            dcc.Textarea(id=id_, name=name, **more),
            fault_line(name),
        ],
        className="field long",
    )


def choice(name: str, id_: str, options: Mapping[str, str], chosen: str = "") -> Component:
    """A labelled list to choose from."""
    return controls.choice(LABELS[name], id_, name, options, chosen)
