"""Form fields for settings, made from their schema: kind, unit, choices, help.

The name of a field is the path of its setting with slashes: "shop/name", "places/bench/rh_low_pct".
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard.ui import formats
from dashboard.ui.controls import fault_line
from dashboard.ui.markup import attributes
from monitor.settings.schema import ValueKind, is_given, text_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dash.development.base_component import Component

    from dashboard.ui.form_input import Form
    from dashboard.ui.formats import Unit
    from monitor.settings.schema import Member

YES, NO = "yes", "no"
TEXT_MAX = 2_000
"""Longest text of a field. [characters]"""


def shown(value: Any, of: Member, unit: Unit) -> str:
    """A value as its field shows it; a secret is never shown."""
    if unit == "F" and isinstance(value, float):
        if of.unit == "°C":
            value = formats.in_unit(value, unit)
        elif of.unit == "K":
            value = formats.difference_in_unit(value, unit)
    return text_of(value)


def typed(form: Form, name: str, of: Member) -> Any:
    """The value that a field means; None for an empty figure. A fault goes to the form."""
    text = form.text(name)
    if len(text) > TEXT_MAX:
        form.add_fault(name, f"has {len(text)} characters: must have at most {TEXT_MAX}")
        return None
    match of.kind:
        case ValueKind.YES_NO:
            return text == YES
        case ValueKind.WHOLE:
            return form.whole(name)
        case ValueKind.NUMBER if of.unit in ("°C", "K"):
            return form.temp_c(name, difference=of.unit == "K")
        case ValueKind.NUMBER:
            return form.number(name)
        case ValueKind.LINES:
            lines = text.replace(",", "\n").split("\n")
            return [line.strip() for line in lines if line.strip()]
    return text


def unsaved(draft: str) -> Component:
    """Notice above fields that this device filled with a draft; `assets/bench.js` shows it."""
    forget = html.Button(
        "Discard it", type="button", className="tap", **attributes(data_forget=draft)
    )
    return html.Div(
        [html.P("You typed this on this device. It is not in the settings yet."), forget],
        className="unsaved",
        hidden=True,
        **attributes(data_unsaved="yes"),
    )


def setting_field(
    name: str,
    label: str,
    value: Any,
    of: Member,
    unit: Unit,
    *,
    help_text: str = "",
    words: Mapping[str, str] | None = None,
    options: Sequence[str] = (),
) -> Component:
    """A labelled field for a setting, with its help and a line for its fault.

    `help_text` stands instead of the setting's own; `words` are the choices in words, by their
    value; `options` are proposals for a text.
    """
    id_, text = f"set-{name.replace('/', '-')}", shown(value, of, unit)
    shown_unit = {"°C": f"°{unit}", "K": f"°{unit}"}.get(of.unit, of.unit)
    choices = {YES: "Yes", NO: "No"} if of.kind is ValueKind.YES_NO else {c: c for c in of.choices}
    choices = dict(words or choices)
    about = help_text or of.help
    hint = {"aria_describedby": f"{id_}-help"} if about else {}
    if choices:
        field: Component = html.Select(
            [html.Option(w, value=v, selected=v == text) for v, w in choices.items()],
            id=id_,
            name=name,
            **attributes(**hint),
        )
    elif of.kind is ValueKind.LINES:
        field = dcc.Textarea(id=id_, name=name, value=text, maxLength=TEXT_MAX)
    else:
        secret = of.kind is ValueKind.SECRET
        more: dict[str, Any] = {"list": f"{id_}-options"} if options else {}
        if secret and is_given(value):
            more["placeholder"] = "Set. Leave empty to keep it"
        field = dcc.Input(
            id=id_,
            name=name,
            type="text",
            value=text,
            maxLength=TEXT_MAX,
            autoComplete="off",
            inputMode="numeric" if of.kind in (ValueKind.NUMBER, ValueKind.WHOLE) else "verbatim",
            **more,
        )
    return html.Div(
        [
            html.Label(f"{label} ({shown_unit})" if shown_unit else label, htmlFor=id_),
            field,
            html.Datalist([html.Option(value=one) for one in options], id=f"{id_}-options")
            if options
            else None,
            html.P(about, className="aside", id=f"{id_}-help") if about else None,
            fault_line(name),
        ],
        className="field secret" if of.kind is ValueKind.SECRET else "field",
    )
