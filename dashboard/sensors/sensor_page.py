"""Page of one sensor: its place, calibration step by step, corrections, and history."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.page import read_only
from dashboard.access.visitor import may_change, may_manage
from dashboard.data import sensors as data_sensors
from dashboard.sensors import text
from dashboard.sensors.figure import calibration_plot
from dashboard.sensors.forms import LABELS
from dashboard.ui import formats, page_frame, plots
from dashboard.ui.controls import action_button, action_results, text_field
from dashboard.ui.event_list import event_list
from dashboard.ui.markup import attributes
from dashboard.ui.themes import theme_of
from monitor.core.clock import now_ms
from monitor.core.measurements import MEASURES, Quantity
from monitor.domain.sensor_requests import BOUNDS, NOTE_MAX
from monitor.science.calibration.fit import BadFit, CalibrationFit, Point, fitted
from monitor.science.calibration.salts import SALTS
from monitor.science.calibration.settling import SettlingStage
from monitor.sensor_care.calibration import expects

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.sensors import SensorDetails
    from dashboard.data.shop import ShopData

ADVISED = [name for name, salt in SALTS.items() if salt.advised]


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

    @app.callback(
        Output("sensor-now", "children"),
        Output("sensor-taps", "children"),
        Output("sensor-history", "children"),
        Input("token", "data"),
        Input("bench-changed", "data"),
        State("sensor-id", "data"),
        prevent_initial_call=True,
    )
    @page_frame.where_store_fails(
        lambda trouble, *_: (page_frame.sentence_of(trouble), *2 * [dash.no_update])
    )
    def refresh(_token: str, _changed: str, sensor_id: str) -> tuple[Any, ...]:
        writer = may_change().allowed
        one = data_sensors.sensor_details(shop, sensor_id)
        if one is None:
            raise dash.exceptions.PreventUpdate
        return current_state(one, shop), taps(one, writer=writer), history(one, shop)

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
                html.Div(
                    dcc.Graph(
                        id="sensor-plot",
                        config=plots.PLOT_CONFIG,
                        responsive=True,
                        figure=plots.NO_PLOT,
                    ),
                    className="plot",
                    role="img",
                    **attributes(aria_label="Plot; described by the sentence below it"),
                ),
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
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
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
        parts.append(
            html.P(
                (
                    f"Never calibrated; assumed accurate to ±{accuracy.rh_accuracy_pct:g} % RH "
                    f"and ±{accuracy.temp_accuracy_c:g} K (from the settings)."
                ),
                className="corrects",
            )
        )
    return parts


def guide() -> Component:
    """Steps of a calibration, and the cautions."""
    return html.Details(
        [
            html.Summary("How to calibrate, and cautions"),
            html.Ol([html.Li(step) for step in text.STEPS], className="how"),
            html.Ul([html.Li(c) for c in text.CAUTIONS], className="wood-cautions"),
            html.P(text.DEFERS, className="aside"),
        ],
        open=True,
    )


def taps(one: SensorDetails, *, writer: bool) -> list[Component]:
    """The points so far, and what can be done next."""
    history = one.history
    parts: list[Component] = []
    if history.taken:
        parts.append(html.H3("Points"))
        parts.append(
            html.Ul(
                [
                    html.Li(
                        f"{t.point.name}: it read {t.point.reading:.1f}, should be "
                        f"{t.point.reference:.1f} ± {2 * t.point.u_reference:.1f} "
                        f"{MEASURES[t.quantity].unit}"
                    )
                    for t in history.taken
                ],
                className="sensor-points",
            )
        )
    if not writer:
        return parts
    about = {"about": "sensor", "sensor": history.id}
    first: list[Component] = []
    if one.jar is not None and one.jar.rest is SettlingStage.STEADY:
        first.append(
            action_button("Take the point", "take", said="Point taken.", name="tap main", **about)
        )
    for quantity in BOUNDS:
        if history.points(quantity):
            first += _fits(quantity, history.points(quantity), about)
    if history.in_jar:
        first.append(
            action_button("Put the sensor back at its place", "back", said="Put back.", **about)
        )
    if history.taken or history.in_jar:
        first.append(
            action_button(
                "Stop calibrating",
                "abandon",
                sure="Tap again to discard the points",
                said="Calibration stopped.",
                **about,
            )
        )
    temp = one.latest.get(Quantity.TEMPERATURE, (0, 20.0))[1]
    others = [name for name in SALTS if name not in ADVISED]
    parts.append(html.Div(first, className="taps wide"))
    parts.append(html.H3("Seal it now over"))
    parts.append(html.Div([_salt(n, temp, about) for n in ADVISED], className="taps wide"))
    parts.append(
        html.Details(
            [
                html.Summary("Another salt"),
                html.Div([_salt(n, temp, about) for n in others], className="taps wide"),
            ],
            **attributes(data_unfold="other-salts"),
        )
    )
    return parts


def _fits(quantity: Quantity, points: list[Point], about: dict[str, str]) -> list[Component]:
    try:
        word = (
            "slope and offset"
            if fitted(points, BOUNDS[quantity]).var_slope and _spans(quantity, points)
            else "offset alone"
        )
    except BadFit as exc:
        return [
            html.P(f"No correction of the {quantity} yet: {exc}.", className="fault", role="alert")
        ]
    return [
        action_button(
            f"Correct the {quantity}: {word}",
            "fit",
            quantity=str(quantity),
            form="fit-form",
            said="Corrected from now on.",
            name="tap main",
            **about,
        )
    ]


def _spans(quantity: Quantity, points: list[Point]) -> bool:
    reads = [point.reading for point in points]
    return len(points) > 1 and max(reads) - min(reads) >= BOUNDS[quantity].span


def _salt(name: str, temp_c: float, about: dict[str, str]) -> Component:
    salt, rh = SALTS[name], expects(name, temp_c)
    label = f"{salt.name.capitalize()}, {formats.figure(rh, 0)} %"
    return action_button(label, "seal", salt=name, said=f"In the jar over {salt.name}.", **about)


def shown_fit(one: SensorDetails) -> tuple[list[Point], CalibrationFit | None, str]:
    """The points under way and what they would make; else those of the correction that holds."""
    points = one.history.points(Quantity.HUMIDITY)
    if points:
        try:
            fit = fitted(points, BOUNDS[Quantity.HUMIDITY])
        except BadFit as exc:
            return points, None, f"These points do not give a correction: {exc}."
    else:
        held = one.history.in_force(Quantity.HUMIDITY)
        if not held:
            return [], None, ""
        points, fit = list(held[-1].points), held[-1].fit
    offsets = "; ".join(f"{p.name} off by {p.reference - p.reading:+.1f} %" for p in points)
    u = float(fit.uncertainty(50.0))
    return (
        points,
        fit,
        f"Humidity: {offsets}. At 50 % the correction is good to ±{u:.1f} % (k = 2).",
    )


def by_hand(one: SensorDetails, places: Mapping[str, str], shop: ShopData) -> list[Component]:
    """A reference read by hand, moving it, taking over, voiding, a note."""
    history, about = one.history, {"about": "sensor", "sensor": one.history.id}
    owner = may_manage().allowed
    voids = [
        action_button(
            f"Void correction {c.number} of the {c.quantity}",
            "void",
            number=str(c.number),
            sure="Tap again to void this correction",
            said="Correction voided.",
            then="reload",
            **about,
        )
        for c in history.corrections
        if not c.void
    ]
    heirs = [
        action_button(
            f"This is the same sensor as {other}: use its corrections",
            "inherit",
            of=other,
            said="Corrections copied.",
            then="reload",
            **about,
        )
        for other in data_sensors.alike(shop, history)
    ]
    return [
        html.Details(
            [
                html.Summary("Compare with a reference instrument"),
                html.P(
                    "Leave both side by side for an hour. Then read the reference, enter "
                    "it and tap."
                ),
                html.Div(
                    [_line("value"), _line("u"), _line("with")],
                    id="beside-form",
                    className="fields",
                    **attributes(data_draft=f"beside-{history.id}"),
                ),
                html.Div(
                    [
                        action_button(
                            f"Use as the reference's {quantity}",
                            "compare",
                            quantity=str(quantity),
                            form="beside-form",
                            said="Point taken.",
                            **about,
                        )
                        for quantity in BOUNDS
                    ],
                    className="taps wide",
                ),
                html.Div(_line("since"), id="fit-form", className="fields"),
            ]
        ),
        html.Details(
            [
                html.Summary("Move the sensor"),
                html.Div(
                    [
                        action_button(
                            label,
                            "move",
                            place=place,
                            said=f"Moved to {label}.",
                            then="reload",
                            **about,
                        )
                        for place, label in places.items()
                        if place != history.home
                    ],
                    className="taps wide",
                ),
                html.Div(_line("place"), id="move-form", className="fields"),
                html.Div(
                    action_button(
                        "Move to the place entered",
                        "move",
                        form="move-form",
                        said="Moved.",
                        then="reload",
                        **about,
                    ),
                    className="taps wide",
                ),
            ]
        ),
        *([rename(one), void_readings(one, shop)] if owner else []),
        html.Details(
            [
                html.Summary("Note, and void a correction" if owner else "Note"),
                html.Div(_line("text", maxLength=NOTE_MAX), id="note-form", className="fields"),
                html.Div(
                    [
                        action_button(
                            "Save the note", "note", form="note-form", said="Saved.", **about
                        ),
                        *(voids + heirs if owner else []),
                    ],
                    className="taps wide",
                ),
            ]
        ),
    ]


def rename(one: SensorDetails) -> Component:
    """Form that gives a sensor another place and name, and a tap that undoes it."""
    about = {"about": "sensor", "sensor": one.history.id, "then": "reload"}
    return html.Details(
        [
            html.Summary("Rename it"),
            html.P(
                "Use this if the place or name was mistyped. All readings of the sensor, past and "
                "future, get the new place and name. Its topic stays the same. You can undo this at "
                "any time."
            ),
            html.Div([_line("to")], id="rename-form", className="fields"),
            html.Div(
                [
                    action_button(
                        "Rename this sensor",
                        "rename",
                        form="rename-form",
                        said="Renamed.",
                        **about,
                    ),
                    *(
                        [
                            action_button(
                                f"Undo the new name {one.history.shown}",
                                "undo-rename",
                                said="The new name is undone.",
                                **about,
                            )
                        ]
                        if one.history.before_renames
                        else []
                    ),
                ],
                className="taps wide",
            ),
        ]
    )


def void_readings(one: SensorDetails, shop: ShopData) -> Component:
    """Form that voids readings of a span, and the voided spans, each with a tap that undoes it."""
    about = {"about": "sensor", "sensor": one.history.id}
    now, zone = now_ms(), shop.settings.zone
    return html.Details(
        [
            html.Summary("Void wrong readings"),
            html.P(
                "Voided readings are kept, but no figure, plot or alert uses them. You can undo "
                "this at any time."
            ),
            html.Div(
                [_line("from"), _line("until"), _line("why", maxLength=NOTE_MAX)],
                id="void-form",
                className="fields",
            ),
            html.Div(
                [
                    action_button(
                        "Void these readings",
                        "void-readings",
                        form="void-form",
                        sure="Tap again to void these readings",
                        said="Readings voided.",
                        then="reload",
                        **about,
                    ),
                    action_button(
                        "Remove this sensor: void all its readings, past and future",
                        "void-readings",
                        all="yes",
                        form="void-form",
                        sure="Tap again to remove this sensor",
                        said="Sensor removed. Sensors lists it under Removed.",
                        then="reload",
                        **about,
                    ),
                    *(
                        action_button(
                            f"Undo void {void.number}: {text.voided_span(void, now, zone)}",
                            "restore-readings",
                            number=str(void.number),
                            said="The readings count again.",
                            then="reload",
                            **about,
                        )
                        for void in one.history.voids
                        if not void.undone
                    ),
                ],
                className="taps wide",
            ),
        ]
    )


def _line(name: str, **more: Any) -> Component:
    return text_field(LABELS[name], f"sensor-{name}", name, faults=True, **more)


def history(one: SensorDetails, shop: ShopData) -> Component:
    """History of a sensor, newest first: who did what and when."""
    now, zone, places = now_ms(), shop.settings.zone, shop.place_names()
    return event_list(
        one.history.events, lambda event: text.event_words(event, places, now, zone), now, zone
    )
