"""Attributes that Python cannot spell: `data-…` and `aria-…`."""

from __future__ import annotations

from typing import Any


def attributes(**values: str) -> dict[str, Any]:
    """`aria_label="Pages"` as `{"aria-label": "Pages"}`, for the components of `dash.html`."""
    return {name.replace("_", "-"): value for name, value in values.items()}
