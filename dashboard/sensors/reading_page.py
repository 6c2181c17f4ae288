"""Readings by hand: a hygrometer is read and typed in, and a mistyped reading is withdrawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import dcc, html

from dashboard.access.page import read_only
from dashboard.access.visitor import may_change
from dashboard.sensors.sensor_page import address
from dashboard.ui import formats, page_frame, reading_form
from dashboard.ui.controls import action_button, action_results, tap_row
from dashboard.ui.form_input import id_of
from monitor.core.clock import now_ms
from monitor.core.measurements import BY_HAND, Quantity
from monitor.core.validation import SURE
from monitor.domain.hand_reading import HELD_MS, HandReadingAction

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.records import PlacedSensor
    from dashboard.data.shop import ShopData
    from dashboard.ui.form_input import Form

TITLE = "Type a reading"
NAMES = {"temp_c": "temp", "rh_pct": "rh"}
"""The form's name of each field of a request."""


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the page into the app."""
    del app
    dash.register_page(
        "sensors_read",
        path=reading_form.ADDRESS,
        title=TITLE,
        layout=lambda place="", **_: layout(shop, str(place)),
    )


@page_frame.where_store_fails(page_frame.sheet(TITLE))
def layout(shop: ShopData, place: str = "") -> Component:
    """The form, with `place` chosen, and the last reading by hand of each place."""
    permission = may_change()
    if not permission.allowed:
        return html.Main([html.H1(TITLE), read_only(permission)], className="sheet bench")
    unit = formats.unit_of(shop.settings)
    form = reading_form.reading_form(shop.place_names(), unit, place, "/")
    held = HELD_MS // formats.HOUR_MS
    return html.Main(
        [
            *action_results(),
            html.H1(TITLE),
            html.P(
                "Put any hygrometer at the place and wait until its figures are steady. Then type "
                "them here."
            ),
            form,
            html.P(
                f"A reading counts as the air of its place for {held} hours. After that the air is "
                "not known until you type a new one. If a sensor sends from the place, its readings are "
                "used instead.",
                className="aside",
            ),
            *_last(shop, unit),
        ],
        className="sheet bench one",
    )


def _last(shop: ShopData, unit: formats.Unit) -> list[Component]:
    """The last reading by hand of each place, and a tap that withdraws it."""
    found = [one for one in shop.sensors() if one.sensor == BY_HAND]
    if not found:
        return []
    return [html.H2("Last readings by hand"), *[_item(one, shop, unit) for one in found]]


def _item(one: PlacedSensor, shop: ShopData, unit: formats.Unit) -> Component:
    values = [
        formats.with_unit(str(q), one.last[q][1], unit)
        for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
        if q in one.last
    ]
    when = formats.when(one.heard_ms, now_ms(), shop.settings.zone)
    withdraw = action_button(
        "Withdraw",
        HandReadingAction.WITHDRAW,
        about="reading",
        place=one.place.id,
        sure="Tap again to withdraw it",
        said="Withdrawn.",
        then="reload",
    )
    link = dcc.Link(one.place.label, href=address(f"{one.place.id}/{one.sensor}"))
    return html.Div([html.Span([link, f": {', '.join(values)}, {when}"]), tap_row(withdraw)])


def values_of(tap: Mapping[str, Any], form: Form, *, shop: ShopData) -> dict[str, Any]:
    """The fields of the request that a tap means: of READ from its form, of WITHDRAW its `place`."""
    if tap.get("do") != HandReadingAction.READ:
        return {"place": tap.get("place", "")}
    place = form.text("place")
    values: dict[str, Any] = {
        "place": place if place in shop.place_names() else id_of(place),
        "temp_c": form.temp_c("temp"),
        "rh_pct": form.number("rh"),
    }
    if tap.get(SURE) == "yes":
        values[SURE] = True
    at_ms = form.moment("at")
    if at_ms is None and isinstance(
        tap.get("at_ms"), int
    ):  # also of a tap that waited for the board
        at_ms = tap["at_ms"]
    return {
        name: value for name, value in (values | {"at_ms": at_ms}).items() if value is not None
    }
