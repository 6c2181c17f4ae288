"""Buttons that send an action to the service, fields to type into, and where results appear."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from dash.development.base_component import Component


def action_button(text: Any, do: str, *, name: str = "tap", **values: str) -> Component:
    """A button that does something; `assets/bench.js` sends it. `values` become `data-…`."""
    more = {f"data_{key}": value for key, value in values.items() if value}
    return html.Button(text, type="button", className=name, **attributes(data_do=do, **more))


def action_results() -> list[Component]:
    """Lines for the result of a tap, and a store that reports a change to the page."""
    return [
        html.Div(id="bench-said", role="status", **attributes(aria_live="polite")),
        html.Div(id="bench-refused", role="alert"),
        dcc.Store(id="bench-changed", data=""),
    ]


def text_field(label: str, id_: str, name: str, *, faults: bool = False, **more: Any) -> Component:
    """A labelled line to type into; `name` is what is sent, `faults` adds a line for its faults."""
    return html.Div(
        [
            html.Label(label, htmlFor=id_),
            dcc.Input(id=id_, name=name, type="text", autoComplete="off", **more),
            *([fault_line(name)] if faults else []),
        ],
        className="field",
    )


def fault_line(name: str) -> Component:
    """Line for the fault of a field."""
    return html.P(className="fault", role="alert", **attributes(data_fault=name))
