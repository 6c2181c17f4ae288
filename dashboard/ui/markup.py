"""Attributes that Python cannot spell: `data-…` and `aria-…`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import html

if TYPE_CHECKING:
    from dash.development.base_component import Component


def attributes(**values: str) -> dict[str, Any]:
    """`aria_label="Pages"` as `{"aria-label": "Pages"}`, for the components of `dash.html`."""
    return {name.replace("_", "-"): value for name, value in values.items()}


def shape(state: str) -> Component:
    """Mark of a state, shown beside its word."""
    return html.Span(className="shape", **attributes(data_state=state, aria_hidden="true"))
