"""Form on the page of clients, which shows only the fields needed at the time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import flask
from dash import Input, Output, dcc, html

from dashboard.clients import files, forms
from dashboard.clients.forms import CHOICES, LEGENDS, FormField, client_id
from dashboard.ui import formats
from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    import dash
    from dash.development.base_component import Component


def layout(unit: formats.Unit) -> list[Component]:
    """Fields about a client, their instrument and their home."""
    lines = forms
    return [
        _fields(lines.WHO, unit),
        dcc.Checklist(
            id="client-keep",
            value=["keep"],
            options=[{"label": "Keep each sheet under the client's name", "value": "keep"}],
        ),
        _choice("case", unit),
        _choice("source", unit),
        html.Div(
            [
                html.P(
                    "With the weather outdoors, the months without a reading can be estimated "
                    "too.",
                    className="aside",
                ),
                _choice("climate", unit),
            ],
            id="client-climate-box",
        ),
        html.Div(_months(unit), id="client-months"),
        html.Div(files.weather_layout(), id="client-weather-box", hidden=True),
        html.Div(files.log_layout(), id="client-log-box", hidden=True),
        _choice("tightness", unit),
        html.Details(
            [
                html.Summary("More about the home and the day"),
                _fields(lines.HOME, unit),
                _fields(lines.DAY, unit),
                _fields(lines.BAND, unit),
            ]
        ),
        html.Details(
            [
                html.Summary("What they already have"),
                _choice("device", unit),
                html.Div(_fields(lines.OWN, unit), id="client-own-humidifier", hidden=True),
                html.Div(_fields(lines.OWN_BUFFER, unit), id="client-own-buffer", hidden=True),
            ]
        ),
        _choice("language", unit),
    ]


def register(app: dash.Dash) -> None:
    """Show only the fields that what was tapped asks for."""

    @app.callback(
        Output("client-months", "hidden"),
        Output("client-weather-box", "hidden"),
        Output("client-log-box", "hidden"),
        Output("client-climate-box", "hidden"),
        Output("client-own-humidifier", "hidden"),
        Output("client-own-buffer", "hidden"),
        Input("client-source", "value"),
        Input("client-climate", "value"),
        Input("client-device", "value"),
    )
    def hidden(source: str, climate: str, device: str) -> tuple[bool, ...]:
        measured = source in ("readings", "log")
        return (
            source not in ("readings", "normals") and not (measured and climate == "normals"),
            "weather" not in (source, climate if measured else ""),
            source != "log",
            not measured,
            device != "humidifier",
            device != "buffer",
        )


def _months(unit: formats.Unit) -> list[Component]:
    """A row for each month."""
    shown = formats.scale("temperature", unit).unit
    rows: list[Any] = [
        html.Div(
            [
                html.Span(""),
                *(
                    html.Span(h, **attributes(aria_hidden="true"))
                    for h in (shown, "RH %", f"Outdoors {shown}", "Outdoors RH %")
                ),
            ],
            className="month heads",
        )
    ]
    for month in forms.MONTHS_BY_ROW:
        fields = [
            html.Span(
                [
                    html.Label(a.words, htmlFor=client_id(a.name), className="unseen"),
                    _input(a, unit),
                ]
            )
            for a in month
        ]
        faults = [html.P(id=f"{client_id(a.name)}-fault", className="fault") for a in month]
        name = html.Span(month[0].words.partition(",")[0], **attributes(aria_hidden="true"))
        rows.append(html.Div([name, *fields, html.Div(faults)], className="month field"))
    return [
        html.P(
            (
                "For readings at home, enter one month or more. For the weather outdoors, enter "
                "temperature and RH of all twelve months. An outdoor temperature alone only checks "
                "the reading of its month."
            ),
            className="aside",
        ),
        html.Div(rows, className="months"),
    ]


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
    shown = formats.scale("temperature", unit).unit if asked.unit == "C" else asked.unit
    id_ = client_id(asked.name)
    return html.Div(
        [
            html.Label(f"{asked.words}{f' [{shown}]' if shown else ''}", htmlFor=id_),
            _input(asked, unit),
            html.P(id=f"{id_}-fault", className="fault"),
        ],
        className="field",
    )


def _choice(name: str, unit: formats.Unit) -> Component:
    options: list[Any] = [{"label": w, "value": v} for v, w in CHOICES[name].items()]
    chosen = forms.DEFAULTS[name]
    if name == "language":
        german = flask.request.accept_languages.best_match(("en", "de"), "en") == "de"
        chosen = "en-US" if unit == "F" else "de-DE" if german else chosen
    return html.Fieldset(
        [
            html.Legend(LEGENDS[name]),
            dcc.RadioItems(id=client_id(name), options=options, value=chosen),
            html.P(id=f"{client_id(name)}-fault", className="fault"),
        ],
        className="picks",
    )
