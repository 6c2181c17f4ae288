"""Page of one sensor: its place, its values, calibration step by step, and history."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.page import read_only
from dashboard.access.visitor import may_change
from dashboard.data import sensors as data_sensors
from dashboard.sensors import text
from dashboard.sensors.by_hand import by_hand
from dashboard.sensors.calibrating import guide, shown_fit, taps
from dashboard.sensors.figure import calibration_plot
from dashboard.ui import formats, page_frame, plots
from dashboard.ui.controls import action_results
from dashboard.ui.event_list import event_list
from dashboard.ui.markup import attributes
from dashboard.ui.themes import theme_of
from monitor.core.clock import now_ms
from monitor.domain.sensor_requests import BOUNDS
from monitor.science.calibration.settling import SettlingStage

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.sensors import SensorDetails
    from dashboard.data.shop import ShopData


def address(sensor_id: str) -> str:
    """Address of the page of a sensor."""
    place, _, name = sensor_id.partition("/")
    return f"/sensors/{quote(place, safe='')}/{quote(name, safe='')}"


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "sensors_one",
        path_template="/sensors/<place>/<name>",
        title="Sensor",
        layout=lambda place="", name="", **_: layout(shop, f"{unquote(place)}/{unquote(name)}"),
    )

    @page_frame.drawn_again(app, "sensor-now", "sensor-taps", "sensor-history", of="sensor-id")
    def refresh(sensor_id: str) -> tuple[Any, ...] | None:
        one = data_sensors.sensor_details(shop, sensor_id)
        if one is None:
            return None
        own_taps = taps(one, writer=may_change().allowed)
        return current_state(one, shop), own_taps, history(one, shop)

    @app.callback(
        Output("sensor-plot", "figure"),
        Output("sensor-plot-words", "children"),
        Output("sensor-plotted", "hidden"),
        Input("screen", "data"),
        Input("bench-changed", "data"),
        State("sensor-id", "data"),
    )
    @page_frame.where_store_fails(
        lambda trouble, screen, *_: (
            plots.empty_plot("", theme_of(screen)),
            trouble.sentence,
            False,
        )
    )
    def draw(screen: Mapping[str, Any] | None, _: str, sensor_id: str) -> tuple[Any, str, bool]:
        look = theme_of(screen)
        one = data_sensors.sensor_details(shop, sensor_id)
        points, fit, sentence = shown_fit(one) if one else ([], None, "")
        if not points:
            return plots.empty_plot("", look), "", True
        return plots.sent(calibration_plot(points, fit, "%", look)), sentence, False


@page_frame.where_store_fails(
    lambda trouble, *_: _page([_back(), html.H1("Sensor"), *page_frame.sentence_of(trouble)])
)
def layout(shop: ShopData, sensor_id: str) -> Component:
    """The page as this request may see it."""
    may = may_change()
    back = _back()
    one = data_sensors.sensor_details(shop, sensor_id)
    if one is None:
        return _page([back, html.H1("No such sensor")])
    places = shop.place_names()
    parts = [
        dcc.Store(id="sensor-id", data=sensor_id),
        back,
        html.H1([one.history.name, " ", html.Span(sensor_id, className="sensor")]),
        html.Div(current_state(one, shop), id="sensor-now"),
        html.H2("Calibrate it"),
        guide() if may.allowed else read_only(may),
        html.Div(taps(one, writer=may.allowed), id="sensor-taps"),
        html.Div(
            [
                plots.frame("sensor-plot", "Plot; described by the sentence below it"),
                html.P(id="sensor-plot-words", className="aside"),
            ],
            id="sensor-plotted",
            hidden=True,
        ),
        *(by_hand(one, places, shop) if may.allowed else []),
        html.H2("History"),
        html.Div(history(one, shop), id="sensor-history"),
    ]
    return _page(parts)


def _back() -> Component:
    return html.Nav(
        dcc.Link("All sensors", href="/sensors"),
        className="steps-nav",
        **attributes(aria_label="Sensors"),
    )


def _page(parts: list[Any]) -> Component:
    return html.Main([*action_results(), *parts], className="sheet bench wood one sensor-page")


def current_state(one: SensorDetails, shop: ShopData) -> list[Component]:
    """State of a sensor: its place, its values, its state in a jar, and its corrections."""
    now, zone = now_ms(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    parts: list[Component] = [html.P(text.lead(one, shop.place_names()), className="lead")]
    if one.jar is not None:
        word, sentence = text.jar(one, now, zone, unit)
        state = "right" if one.jar.rest is SettlingStage.STEADY else "unknown"
        parts.append(
            html.Div(
                [html.P(html.Strong(word), className="answer"), html.P(sentence, className="why")],
                className="closing",
                **attributes(data_rest=str(one.jar.rest), data_state=state),
            )
        )
    rows = []
    for quantity, (ts_ms, value) in one.latest.items():
        correction = one.history.correction_at(quantity, ts_ms)
        shown = formats.with_unit(str(quantity), value, unit)
        if correction is not None:
            right = float(correction.fit.corrected(value))
            shown = f"{formats.with_unit(str(quantity), right, unit)} (uncorrected {shown})"
        rows.append((formats.scale(str(quantity), unit).words, shown))
    heard = max(ts_ms for ts_ms, _ in one.latest.values())
    rows.append(("last reading", formats.when(heard, now, zone)))
    parts.append(
        html.Dl(
            [html.Div([html.Dt(what), html.Dd(value)]) for what, value in rows], className="facts"
        )
    )
    held = [c for q in BOUNDS for c in one.history.in_force(q)[-1:]]
    parts += [html.P(text.correction(c, now, zone, unit), className="corrects") for c in held]
    if not held:
        accuracy = shop.settings.sensor
        temp = formats.in_reader_unit(f"±{accuracy.temp_accuracy_c:g} K", unit)
        parts.append(
            html.P(
                (
                    f"Never calibrated; assumed accurate to ±{accuracy.rh_accuracy_pct:g} % RH "
                    f"and {temp} (from the settings)."
                ),
                className="corrects",
            )
        )
    return parts


def history(one: SensorDetails, shop: ShopData) -> Component:
    """History of a sensor, newest first: who did what and when."""
    now, zone, places = now_ms(), shop.settings.zone, shop.place_names()
    return event_list(
        one.history.events, lambda event: text.event_words(event, places, now, zone), now, zone
    )
