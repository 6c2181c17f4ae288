"""Form fields for the format of a logger's CSV file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard.ui.controls import labelled

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

PICKS = {
    "unit": ("Temperature in", {"Cel": "°C", "F": "°F"}),
    "delimiter": ("Columns are separated by", {",": "comma", ";": "semicolon", "tab": "tab"}),
    "decimal": ("Decimal sign", {".": "point", ",": "comma"}),
}


def logger_fields(prefix: str, texts: Mapping[str, tuple[str, str]]) -> list[Component]:
    """A field for each of `texts`, name to its words and what it holds at first, and each choice.

    Ids are `prefix-name`.
    """
    typed: list[Component] = [
        dcc.Input(
            id=f"{prefix}-{name}",
            name=name,
            value=left,
            type="text",
            autoComplete="off",
            maxLength=60,
        )
        for name, (_, left) in texts.items()
    ]
    picked = [
        html.Select(
            [html.Option(w, value=v) for v, w in options.items()], id=f"{prefix}-{name}", name=name
        )
        for name, (_, options) in PICKS.items()
    ]
    words = {name: text for name, (text, _) in (*texts.items(), *PICKS.items())}
    return [
        labelled(text, f"{prefix}-{name}", field)
        for (name, text), field in zip(words.items(), [*typed, *picked], strict=True)
    ]
