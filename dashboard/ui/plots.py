"""Parts that plots share: the template of each theme, axes, colours, and the form that is sent."""

from __future__ import annotations

import functools
from base64 import b64encode
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

import numpy as np
import plotly.graph_objects as go
import plotly.io as pio
from dash import dcc, html

from dashboard.ui import formats
from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.ui.formats import Unit
    from dashboard.ui.themes import Theme

Plot: TypeAlias = "go.Figure | dict[str, Any]"
PLOT_CONFIG: Any = {
    "displayModeBar": False,
    "doubleClick": "autosize",
    "responsive": True,
    "scrollZoom": False,
    "showTips": False,
}
"""Every plot without the tool bar; a double click resets the zoom."""
NO_PLOT: dict[str, Any] = {
    "data": [],
    "layout": {
        "xaxis": {"visible": False},
        "yaxis": {"visible": False},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
    },
}
"""Until the first plot is drawn."""
NARROW_PX = 600
"""Below this a plot has no room for names beside it."""
FONT = "Atkinson Hyperlegible Next, system-ui, sans-serif"
DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
LEAST_SPAN = {"%": 6.0, "°C": 2.0, "°F": 3.6}
"""The y axis spans at least this, so that a sensor's noise does not look like weather."""
LABEL_SPACE = 0.055
"""Least distance between two direct labels, as a share of the plot's height."""


class View(NamedTuple):
    """Span of a plot, the reader's time zone and unit, and the width of the screen."""

    start_ms: int
    end_ms: int
    zone: ZoneInfo
    unit: Unit
    width_px: int = 1280


def frame(id_: str, label: str) -> Component:
    """Empty plot, drawn later; `label` describes it to a screen reader."""
    graph = dcc.Graph(id=id_, config=PLOT_CONFIG, responsive=True, figure=NO_PLOT)
    return html.Div(graph, className="plot", role="img", **attributes(aria_label=label))


def axes(
    view: View, look: Theme, span: tuple[float, float], title: str, most: int | None = None
) -> dict[str, Any]:
    """Local time across with at most so many marks, a quantity up, both with their titles."""
    most = most or min(max(view.width_px // 120, 3), 12)
    marks = formats.ticks(view.start_ms, view.end_ms, view.zone, most=most)
    axis: dict[str, Any] = {
        "gridcolor": faint(look.ink, 0.14),
        "zeroline": False,
        "linecolor": look.quiet,
        "tickcolor": look.quiet,
    }
    return {
        "xaxis": axis
        | {
            "range": [view.start_ms, view.end_ms],
            "type": "linear",
            "tickvals": [t.at_ms for t in marks],
            "ticktext": [t.text for t in marks],
            # plotly hides labels past the edge; with none left it can't place the title
            "ticklabeloverflow": "hide past div" if len(marks) > 1 else "allow",
            "title": {"text": f"Local time, {view.zone.key.replace('_', ' ')}"}
            # a distance is counted from the labels, and a narrow plot may show none of them
            | ({} if view.width_px < NARROW_PX else {"standoff": 8}),
        },
        "yaxis": axis
        | {
            "range": list(span),
            "fixedrange": True,
            "nticks": 7,
            "title": {"text": title, "standoff": 8},
        },
    }


def empty_plot(sentence: str, look: Theme) -> go.Figure:
    """No axes, only why there is nothing to draw."""
    hidden = {"visible": False, "fixedrange": True}
    note = {"text": escaped(sentence), "showarrow": False, "font": {"size": 20}}
    return figure([], {"xaxis": hidden, "yaxis": hidden, "annotations": [note]}, look)


def sent(plot: Plot) -> Plot:
    """A plot as it travels: arrays as typed arrays in base64, which the browser takes as is.

    A Figure does so by itself.
    """
    if isinstance(plot, dict):
        return plot | {"data": [{k: _typed(v) for k, v in t.items()} for t in plot["data"]]}
    return plot


def _typed(value: Any) -> Any:
    if not isinstance(value, np.ndarray):
        return value
    spec = {"dtype": "f8", "bdata": b64encode(value.astype("<f8").tobytes()).decode("ascii")}
    return spec if value.ndim == 1 else spec | {"shape": ", ".join(map(str, value.shape))}


@functools.cache
def template(look: Theme) -> str:
    """Name of the one look of every plot in a theme, registered with plotly."""
    words = {"family": FONT, "size": 16, "color": look.ink}
    name = f"board on {look.ground}"
    pio.templates[name] = go.layout.Template(
        layout={
            "font": words,
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "showlegend": False,
            "hovermode": "closest",
            "hoverdistance": 60,
            "dragmode": "zoom",
            "hoverlabel": {
                "bgcolor": look.ground,
                "bordercolor": look.ink,
                "align": "left",
                "font": words,
            },
        }
    )
    return name


@functools.cache
def template_dict(look: Theme) -> dict[str, Any]:
    """The template of a theme as plain data."""
    found: dict[str, Any] = pio.templates[template(look)].to_plotly_json()
    return found


def figure(traces: Sequence[Any], layout: Mapping[str, Any], look: Theme) -> go.Figure:
    """A plot in the template of a theme; plotly checks every property of it."""
    return go.Figure(list(traces), {**layout, "template": template(look)})


def faint(colour: str, share: float) -> str:
    """A colour of the theme with so much of it let through."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{share})"


def escaped(text: str) -> str:
    """Names come from topics: in a plot's text, tags and templates in them must stay text."""
    text = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return text.replace("%{", "% {")


def width_of(screen: Mapping[str, Any]) -> int:
    """Width of a browser's screen, from what it reported; a desk's where it did not. [px]"""
    width = screen.get("width")
    return width if isinstance(width, int) else 1280
