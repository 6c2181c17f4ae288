"""Form on the page of clients, which shows only the fields needed at the time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
import flask
from dash import Input, Output, State, dcc, html

from dashboard.clients import files, forms
from dashboard.clients.forms import CHOICES, LEGENDS, FormField, client_id
from dashboard.ui import formats
from dashboard.ui.controls import folded, labelled, picks
from dashboard.ui.markup import attributes
from monitor.science.case.climates import CITIES
from monitor.science.case.outdoors import MONTHS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from monitor.clients.next_fields import NextFields
    from monitor.settings import Settings


def layout(unit: formats.Unit, month: int) -> list[Component]:
    """Fields about a client, their instrument and their home: taps first, details folded.

    `month`: the present one, 1 to 12, whose reading is asked for first.
    """
    lines = forms
    return [
        _taps("home", "Home", {key: home.words for key, home in forms.HOMES.items()}),
        _choice("case", unit),
        _choice("source", unit),
        html.Div(_cities(), id="client-city-box", hidden=True),
        html.Div(_months(unit, month), id="client-months"),
        html.Div(files.weather_layout(), id="client-weather-box", hidden=True),
        html.Div(files.log_layout(), id="client-log-box", hidden=True),
        html.Div(
            folded(
                "The weather outdoors, if known",
                html.P(
                    "With the weather outdoors, the months without a reading can be "
                    "estimated too.",
                    className="aside",
                ),
                _choice("climate", unit),
            ),
            id="client-climate-box",
        ),
        folded(
            "Who it is for, and the language",
            _fields(lines.WHO, unit),
            dcc.Checklist(
                id="client-keep",
                value=["keep"],
                options=[{"label": "Keep each sheet under the client's name", "value": "keep"}],
            ),
            _choice("language", unit),
        ),
        folded(
            "More about the home and the day",
            _choice("tightness", unit),
            _fields(lines.HOME, unit),
            _fields(lines.DAY, unit),
            _fields(lines.BAND, unit),
        ),
        folded(
            "What they already have",
            _choice("device", unit),
            html.Div(_fields(lines.OWN, unit), id="client-own-humidifier", hidden=True),
            html.Div(_fields(lines.OWN_BUFFER, unit), id="client-own-buffer", hidden=True),
        ),
    ]


def register(app: dash.Dash, settings: Settings) -> None:
    """Show only the fields that what was tapped asks for; fill in what a preset or a city has."""

    @app.callback(
        Output("client-months", "hidden"),
        Output("client-weather-box", "hidden"),
        Output("client-log-box", "hidden"),
        Output("client-climate-box", "hidden"),
        Output("client-own-humidifier", "hidden"),
        Output("client-own-buffer", "hidden"),
        Output("client-city-box", "hidden"),
        Input("client-source", "value"),
        Input("client-climate", "value"),
        Input("client-device", "value"),
    )
    def hidden(source: str, climate: str, device: str) -> tuple[bool, ...]:
        measured = source in ("readings", "log")
        normals = source == "normals" or (measured and climate == "normals")
        return (
            source != "readings" and not normals,
            "weather" not in (source, climate if measured else ""),
            source != "log",
            not measured,
            device != "humidifier",
            device != "buffer",
            not normals,
        )

    @app.callback(
        *(Output(client_id(name), "value", allow_duplicate=True) for name in forms.PRESET_FIELDS),
        Input("client-home", "value"),
        prevent_initial_call=True,
    )
    def preset(home: str | None) -> tuple[str, ...]:
        if home not in forms.HOMES:
            raise dash.exceptions.PreventUpdate
        return forms.preset_form(str(home), formats.unit_of(settings))

    def months(temp: str, rh: str) -> list[Output]:
        names = (f"{name}.{m}" for m in range(1, 13) for name in (temp, rh))
        return [Output(client_id(name), "value", allow_duplicate=True) for name in names]

    @app.callback(
        *months("temp", "rh"),
        *months("out", "out_rh"),
        Output("client-city-fault", "children"),
        Input("client-city", "value"),
        State("client-source", "value"),
        prevent_initial_call=True,
    )
    def city(name: str | None, source: str) -> tuple[Any, ...]:
        found = {city.casefold(): city for city in CITIES}.get((name or "").strip().casefold())
        if found is None:
            fault = f"{name!r:.40}: choose one of the list, or enter its months" if name else ""
            return (*(48 * (dash.no_update,)), fault)
        unit, kept = formats.unit_of(settings), 24 * (dash.no_update,)
        shown = forms.city_form(found, unit)
        return (*shown, *kept, "") if source == "normals" else (*kept, *shown, "")


ASKS = {
    "tightness": "How tight the home is",
    "people": "How many people live there",
    "volume_m3": "How large the rooms are",
    "set_point_c": "How warm it is heated",
}
"""What a field asks, by its name in a request."""
ASKED_MOST = 3


def next_taps(found: NextFields) -> list[Component]:
    """A month's RH at home, and taps to the fields that would narrow its range most."""
    month = MONTHS[found.month - 1]
    low, middle, high = (formats.figure(value, 0) for value in found.home_pct)
    air = f"At home in {month}: about {middle} % RH, and {low} to {high} % in 8 of 10 homes like this."
    if not found.known:
        air = f"The air of the home in {month} is not known: no reading covers that month."
    parts: list[Component] = [html.P(air)]
    if not found.fields:
        return parts
    taps = []
    for one in found.fields[:ASKED_MOST]:
        ask = ASKS.get(one.name, f"A reading there in {month}")
        taps.append(
            html.Li(
                html.Button(
                    [
                        html.Strong(ask),
                        html.Span(f" Range then about {formats.figure(one.width_pct, 0)} points."),
                    ],
                    type="button",
                    className="tap",
                    **attributes(data_client_ask=client_id(one.name)),
                )
            )
        )
    width = formats.figure(found.width_pct, 0)
    ask_for = (
        f"In homes like this, RH can differ by about {width} points. Before you hand out the sheet, "
        "ask the client for what narrows this range most:"
    )
    if not found.known:
        ask_for = "Ask the client for it when the month comes:"
    return [*parts, html.P(ask_for), html.Ul(taps, className="client-next")]


def _cities() -> list[Component]:
    """Choice of a city, whose monthly means are filled in."""
    return [
        labelled(
            "City, or one with such a climate",
            "client-city",
            dcc.Input(
                id="client-city",
                type="text",
                autoComplete="off",
                list="client-cities",
                debounce=0.4,
                maxLength=60,
            ),
            html.Datalist([html.Option(value=name) for name in CITIES], id="client-cities"),
            html.P(id="client-city-fault", className="fault"),
        ),
        html.P(
            "Monthly means in round figures. You can correct them, or enter those of another place, "
            "under “More months”.",
            className="aside",
        ),
    ]


def _taps(name: str, legend: str, words: Mapping[str, str]) -> Component:
    """A choice without a first answer."""
    return picks(legend, f"client-{name}", words)


def _months(unit: formats.Unit, month: int) -> list[Component]:
    """The row of the present month; the others are folded."""
    rows = [_month(one, unit) for one in forms.MONTHS_BY_ROW]
    now = rows.pop(month - 1)
    return [
        html.Div([_heads(unit), now], className="months"),
        folded(
            "More months, if known",
            html.P(
                (
                    "For readings at home, enter one month or more. For the weather outdoors, "
                    "enter temperature and RH of all twelve months. An outdoor temperature alone "
                    "only checks the reading of its month."
                ),
                className="aside",
            ),
            html.Div([_heads(unit), *rows], className="months"),
        ),
    ]


def _heads(unit: formats.Unit) -> Component:
    shown = formats.scale("temperature", unit).unit
    return html.Div(
        [
            html.Span(""),
            *(
                html.Span(h, **attributes(aria_hidden="true"))
                for h in (shown, "RH %", f"Outdoors {shown}", "Outdoors RH %")
            ),
        ],
        className="month heads",
    )


def _month(month: tuple[FormField, ...], unit: formats.Unit) -> Component:
    """A row for a month."""
    fields = [
        html.Span(
            [html.Label(a.words, htmlFor=client_id(a.name), className="unseen"), _input(a, unit)]
        )
        for a in month
    ]
    faults = [html.P(id=f"{client_id(a.name)}-fault", className="fault") for a in month]
    name = html.Span(month[0].words.partition(",")[0], **attributes(aria_hidden="true"))
    return html.Div([name, *fields, html.Div(faults)], className="month field")


def _input(asked: FormField, unit: formats.Unit) -> Component:
    return dcc.Input(
        id=client_id(asked.name),
        type="text",
        autoComplete="off",
        debounce=0.6,
        maxLength=60,
        value=forms.form_of({}, unit)[asked.name],
    )


def _fields(fields: tuple[FormField, ...], unit: formats.Unit) -> Component:
    return html.Div([_field(one, unit) for one in fields], className="fields")


def _field(asked: FormField, unit: formats.Unit) -> Component:
    shown = asked.unit_in(unit)
    id_ = client_id(asked.name)
    return labelled(
        f"{asked.words}{f' [{shown}]' if shown else ''}",
        id_,
        _input(asked, unit),
        html.P(id=f"{id_}-fault", className="fault"),
    )


def _choice(name: str, unit: formats.Unit) -> Component:
    chosen = forms.DEFAULTS[name]
    if name == "language":
        german = flask.request.accept_languages.best_match(("en", "de"), "en") == "de"
        chosen = "en-US" if unit == "F" else "de-DE" if german else chosen
    fault = html.P(id=f"{client_id(name)}-fault", className="fault")
    return picks(LEGENDS[name], client_id(name), CHOICES[name], chosen, fault)
