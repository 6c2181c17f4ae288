"""Colours of the three themes, for plots. `assets/tokens.css` has the same for the browser."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping


class Theme(NamedTuple):
    """Ground and ink of a theme, its rules, the two accents, and inks for lines to compare."""

    ground: str
    ink: str
    quiet: str
    rule: str
    dry: str
    damp: str
    lines: tuple[str, ...]


THEMES: dict[str, Theme] = {
    "day": Theme(
        "#f5f0e4",
        "#1f1a14",
        "#5a5144",
        "#cdc2ad",
        "#8a5600",
        "#35557d",
        ("#1f1a14", "#1d6b5c", "#7c3566", "#6d5f49", "#a1372b"),
    ),
    "night": Theme(
        "#15130f",
        "#ebe3d3",
        "#aea291",
        "#3f392f",
        "#e3a83b",
        "#93b6e6",
        ("#ebe3d3", "#6cc2ae", "#d592c0", "#b7a688", "#f08c7d"),
    ),
    "contrast": Theme(
        "#000000",
        "#ffffff",
        "#ffffff",
        "#ffffff",
        "#ffd23f",
        "#9fd0ff",
        ("#ffffff", "#6df0d0", "#ffb0e6", "#ffe9b0", "#ff9a8c"),
    ),
}
"""Themes by name, as in the page's `data-theme`."""


def theme(name: str | None) -> Theme:
    """The theme of that name; day for anything else."""
    return THEMES.get(name or "", THEMES["day"])


def theme_of(screen: Mapping[str, Any] | None) -> Theme:
    """Theme of a browser, from the screen that it reported."""
    return theme(str((screen or {}).get("theme", "")))
