"""Buttons that send an action to the service, fields to type into, and where results appear."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component


def action_button(text: Any, do: str, *, name: str = "tap", **values: str) -> Component:
    """A button that does something; `assets/bench.js` sends it. `values` become `data-…`."""
    more = {f"data_{key}": value for key, value in values.items() if value}
    return html.Button(text, type="button", className=name, **attributes(data_do=do, **more))


def tap_row(taps: Any) -> Component:
    """Row of buttons and links, one below the other on a phone."""
    return html.Div(taps, className="taps wide")


def action_results() -> list[Component]:
    """Lines for the result of a tap, and a store that reports a change to the page."""
    return [
        html.Div(id="bench-said", role="status", **attributes(aria_live="polite")),
        html.Div(id="bench-refused", role="alert"),
        dcc.Store(id="bench-changed", data=""),
    ]


def labelled(label: str, id_: str, *parts: Component | None) -> Component:
    """Field under its label, then other parts; `id_` is the field's."""
    return html.Div([html.Label(label, htmlFor=id_), *parts], className="field")


def draft_form(fields: Any, id_: str, draft: str) -> Component:
    """Fields whose values a button sends; `draft` names what is typed and not sent yet."""
    return html.Div(fields, id=id_, className="fields", **attributes(data_draft=draft))


def folded(summary: Any, *parts: Any, unfold: str = "", **more: Any) -> Component:
    """Parts folded away under a summary; those with `unfold` stay as the reader left them."""
    own = attributes(data_unfold=unfold) if unfold else {}
    return html.Details([html.Summary(summary), *parts], **more, **own)


def fieldset(legend: Any, *parts: Any, **more: Any) -> Component:
    """Fields that belong together, under their legend."""
    return html.Fieldset([html.Legend(legend), *parts], **more)


def picks(
    legend: str,
    id_: str,
    options: Mapping[str, str],
    chosen: str | None = None,
    *more: Any,
    classes: str = "picks",
    inline: bool = False,
) -> Component:
    """Taps of which one is chosen, as value and words, under their legend; then `more`."""
    found: list[Any] = [{"label": words, "value": value} for value, words in options.items()]
    radio = dcc.RadioItems(id=id_, options=found, value=chosen, inline=inline)
    return fieldset(legend, radio, *more, className=classes)


def text_field(label: str, id_: str, name: str, *, faults: bool = False, **more: Any) -> Component:
    """A labelled line to type into; `name` is what is sent, `faults` adds a line for its faults."""
    line = dcc.Input(id=id_, name=name, **{"type": "text", "autoComplete": "off", **more})
    return labelled(label, id_, line, *([fault_line(name)] if faults else []))


def text_area(label: str, id_: str, name: str, **more: Any) -> Component:
    """A labelled field for a longer text, and a line for its faults."""
    return labelled(label, id_, dcc.Textarea(id=id_, name=name, **more), fault_line(name))


def choice(
    label: str, id_: str, name: str, options: Mapping[str, str], chosen: str | None = None
) -> Component:
    """A labelled list to choose from, as value and words, and a line for its faults."""
    found = [
        html.Option(words, value=value, selected=value == chosen)
        for value, words in options.items()
    ]
    return labelled(label, id_, html.Select(found, id=id_, name=name), fault_line(name))


def fault_line(name: str) -> Component:
    """Line for the fault of a field."""
    return html.P(className="fault", role="alert", **attributes(data_fault=name))
