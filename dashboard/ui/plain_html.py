"""Components of the board as plain HTML, for a page without script libraries."""

from __future__ import annotations

import re
from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dash.development.base_component import Component

VOID = frozenset({"br", "hr", "img", "input"})
CONTROLS = frozenset({"details", "button", "input", "form"})
"""Elements that a page without controls leaves out."""
_NAMES = {"className": "class", "htmlFor": "for"}


def to_html(part: Component | str | float | Iterable[Any] | None) -> str:
    """A component and its children as HTML. A link is its words; a control is its
    `data-instead`, or nothing."""
    if part is None:
        return ""
    if isinstance(part, str | int | float):
        return escape(str(part))
    kind = getattr(part, "_type", None)
    if kind is None:
        return "".join(map(to_html, part))
    properties: dict[str, Any] = part.to_plotly_json()["props"]  # type: ignore[union-attr] # a component
    inside = to_html(properties.pop("children", None))
    tag = kind.lower()
    if tag in CONTROLS:
        instead = properties.get("data-instead")
        return (
            f'<p class="{escape(properties["className"])}">{escape(instead)}</p>'
            if instead
            else ""
        )
    if tag in ("link", "a"):
        return f"<span>{inside}</span>"
    shown = "".join(_attribute(name, value) for name, value in properties.items())
    return f"<{tag}{shown}>" if tag in VOID else f"<{tag}{shown}>{inside}</{tag}>"


def text_of(part: Component | str | float | Iterable[Any] | None) -> str:
    """The words of a component and its children."""
    if part is None:
        return ""
    if isinstance(part, str | int | float):
        return str(part)
    if getattr(part, "_type", None) is None:
        return "".join(map(text_of, part))
    return text_of(getattr(part, "children", None))


def _attribute(name: str, value: Any) -> str:
    if value is None or name == "key":
        return ""
    if name == "style":
        name = "data-style"  # the page's policy lets only a script set it
        value = ";".join(f"{_kebab(k)}:{v}" for k, v in value.items())
    return f' {_NAMES.get(name, name)}="{escape(str(value))}"'


def _kebab(name: str) -> str:
    """A CSS property as the style sheet has it: `WebkitMaskImage` is `-webkit-mask-image`."""
    return re.sub(r"([A-Z])", lambda found: f"-{found[1].lower()}", name)
