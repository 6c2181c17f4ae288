"""Make plots of tables of points, and a sentence for those who cannot see them.

A table is anything with the columns `at_ms`, `low`, `mean`, `high` in the quantity's kept unit: a
DataFrame, or the structured array that `queries.history` gives (which spares importing pandas).
A row of NaN is a gap.
"""

from __future__ import annotations

import functools
from base64 import b64encode
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

import numpy as np
import plotly.graph_objects as go
import plotly.io as pio

from dashboard.ui import formats

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from dashboard.ui.formats import DisplayScale, Unit
    from dashboard.ui.themes import Theme

Table: TypeAlias = Any
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


class Line(NamedTuple):
    """A place's history to draw: its name, the points, and its RH band if that applies. [%]"""

    label: str
    table: Table
    band_pct: tuple[float, float] | None = None


class View(NamedTuple):
    """Span of a plot, the reader's time zone and unit, and the width of the screen."""

    start_ms: int
    end_ms: int
    zone: ZoneInfo
    unit: Unit
    width_px: int = 1280


def history_plot(lines: Sequence[Line], quantity: str, view: View, look: Theme) -> dict[str, Any]:
    """Mean lines over bands from low to high, nights shaded, labelled directly, hover in words.

    A dict in place of a `figure`, since Past draws it live: for a year of three places plotly's
    checks take 5 to 8 ms of processor time and 2 ms more to send, beside 35 ms for the whole
    answer. The tests check it with plotly.
    """
    how = formats.scale(quantity, view.unit)
    parts = [_Shown(line, how) for line in lines]
    low, high = _y_range(parts, how)
    data: list[dict[str, Any]] = []
    for i, part in enumerate(parts):
        ink, dash = look.lines[i % len(look.lines)], DASHES[i % len(DASHES)]
        outline = _outline(part)
        if outline is not None:
            data.append(
                {
                    "type": "scatter",
                    "x": outline[0],
                    "y": outline[1],
                    "fill": "toself",
                    "fillcolor": faint(ink, 0.16),
                    "line": {"width": 0},
                    "mode": "lines",
                    "hoverinfo": "skip",
                    "name": f"{part.label}, range",
                }
            )
        data.append(
            {
                "type": "scatter",
                "x": part.at_ms.astype(np.float64),
                "y": part.mean,
                "mode": "lines",
                "name": part.label,
                "line": {"color": ink, "width": 2.2, "dash": dash},
                **_hover(part, how, view),
            }
        )
    ends = [
        (part.label, part.mean, look.lines[i % len(look.lines)]) for i, part in enumerate(parts)
    ]
    narrow, bands = view.width_px < NARROW_PX, _bands(parts, quantity)
    layout = {
        "template": _template_dict(look),
        **axes(view, look, (low, high), f"{how.words} [{how.unit}]"),
        "shapes": [*night_shapes(view, look), *band_shapes(bands, look)],
        "annotations": [*end_labels(ends, (low, high), narrow=narrow), *band_labels(bands, look)],
        "margin": {"l": 64, "r": 24 if narrow else 150, "t": 16, "b": 76},
    }
    return {"data": data, "layout": layout}


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
            "title": {"text": f"Local time, {view.zone.key.replace('_', ' ')}", "standoff": 8},
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
def _template_dict(look: Theme) -> dict[str, Any]:
    found: dict[str, Any] = pio.templates[template(look)].to_plotly_json()
    return found


def figure(traces: Sequence[Any], layout: Mapping[str, Any], look: Theme) -> go.Figure:
    """A plot in the template of a theme; plotly checks every property of it."""
    return go.Figure(list(traces), {**layout, "template": template(look)})


def summary(line: Line, quantity: str, span_words: str, unit: Unit) -> str:
    """A line in a sentence: "Front bench, last day: 41 to 52 %, mean 46 %, 47 % at the end."."""
    how = formats.scale(quantity, unit)
    part = _Shown(line, how)
    known = ~np.isnan(part.mean)
    if not known.any():
        return f"{line.label}, {span_words}: no readings."
    weight = part.count[known]
    mean = float(np.average(part.mean[known], weights=weight))

    def number(value: float) -> str:
        return formats.figure(value, how.decimals)

    text = (
        f"{line.label}, {span_words}: {number(np.nanmin(part.low))} to {number(np.nanmax(part.high))} "
        f"{how.unit}, mean {number(mean)} {how.unit}, {number(part.mean[known][-1])} {how.unit} "
        "at the end"
    )
    if line.band_pct and quantity == "humidity":
        low, high = line.band_pct
        values = part.mean[known]
        below = 100 * float(weight[values < low].sum() / weight.sum())
        above = 100 * float(weight[values > high].sum() / weight.sum())
        text += f"; below its band {below:.0f} % of the readings, above it {above:.0f} %"
    return f"{text}."


class _Shown:
    """A line in display units, as arrays."""

    def __init__(self, line: Line, how: DisplayScale) -> None:
        table = line.table
        self.label, self.band_pct = line.label, line.band_pct
        self.at_ms: NDArray[np.int64] = np.asarray(table["at_ms"], dtype=np.int64)
        self.low, self.mean, self.high = (
            np.asarray(table[name], dtype=np.float64) * how.factor + how.offset
            for name in ("low", "mean", "high")
        )
        try:
            self.count = np.asarray(table["n"], dtype=np.float64)
        except (KeyError, ValueError):
            self.count = np.ones(len(self.at_ms))


def faint(colour: str, share: float) -> str:
    """A colour of the theme with so much of it let through."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{share})"


def _y_range(parts: Sequence[_Shown], how: DisplayScale) -> tuple[float, float]:
    lows = [np.nanmin(p.low) for p in parts if np.isfinite(p.low).any()]
    highs = [np.nanmax(p.high) for p in parts if np.isfinite(p.high).any()]
    if not lows:
        return 0.0, 1.0
    low, high = float(min(lows)), float(max(highs))
    span = max(high - low, LEAST_SPAN.get(how.unit, 0.0)) or 1.0
    middle = (low + high) / 2
    return middle - 0.56 * span, middle + 0.56 * span


def _outline(part: _Shown) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """The band as closed outlines with a NaN between them; None where low and high are one."""
    if not np.any(part.high > part.low):
        return None
    known = np.flatnonzero(~np.isnan(part.mean))
    xs: list[Any] = []
    ys: list[Any] = []
    for run in np.split(known, np.flatnonzero(np.diff(known) > 1) + 1):
        if len(run) < 2:
            continue
        xs += [part.at_ms[run], part.at_ms[run[::-1]], [np.nan]]
        ys += [part.high[run], part.low[run[::-1]], [np.nan]]
    return (np.concatenate(xs[:-1]), np.concatenate(ys[:-1])) if xs else None


def _hover(part: _Shown, how: DisplayScale, view: View) -> dict[str, Any]:
    """Hover text of a point: its local time, its value, and its range where it has one."""
    digits = max(how.decimals, 1) if how.unit == "%" else how.decimals
    label = f"<b>{escaped(part.label)}</b><br>%{{text}}<br>%{{y:.{digits}f}} {how.unit}"
    found: dict[str, Any] = {"text": formats.moments(part.at_ms, view.zone)}
    if np.any(part.high > part.low):
        found["customdata"] = np.column_stack([part.low, part.high])
        label += f" (%{{customdata[0]:.{digits}f}} to %{{customdata[1]:.{digits}f}})"
    return found | {"hovertemplate": f"{label}<extra></extra>"}


def escaped(text: str) -> str:
    """Names come from topics: in a plot's text, tags and templates in them must stay text."""
    text = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return text.replace("%{", "% {")


def night_shapes(view: View, look: Theme) -> list[dict[str, Any]]:
    """The nights of a view, shaded."""
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": start,
            "x1": end,
            "y0": 0,
            "y1": 1,
            "fillcolor": faint(look.ink, 0.05),
            "line": {"width": 0},
            "layer": "below",
        }
        for start, end in formats.nights(view.start_ms, view.end_ms, view.zone)
    ]


def _bands(parts: Sequence[_Shown], quantity: str) -> list[tuple[float, float]]:
    """The RH bands to draw: of the places shown, if they all have the same."""
    found = {part.band_pct for part in parts if part.band_pct}
    return [b for b in found if b] if quantity == "humidity" and len(found) == 1 else []


def band_shapes(bands: Sequence[tuple[float, float]], look: Theme) -> list[dict[str, Any]]:
    """The ends of RH bands, as lines across. [%]"""
    return [
        {
            "type": "line",
            "xref": "paper",
            "yref": "y",
            "x0": 0,
            "x1": 1,
            "y0": level,
            "y1": level,
            "line": {"color": colour, "width": 2, "dash": "6px,4px"},
            "layer": "below",
        }
        for low, high in bands
        for level, colour in ((low, look.dry), (high, look.damp))
    ]


def band_labels(bands: Sequence[tuple[float, float]], look: Theme) -> list[dict[str, Any]]:
    """Labels of the regions beyond the band's lines."""
    return [
        {
            "xref": "paper",
            "yref": "y",
            "x": 0.005,
            "y": level,
            "text": text,
            "showarrow": False,
            "xanchor": "left",
            "yanchor": anchor,
            "bgcolor": look.ground,
            "borderpad": 1,
            "font": {"color": colour, "size": 15},
        }
        for low, high in bands
        for level, text, anchor, colour in (
            (low, f"▼ dry below {low:g} %", "top", look.dry),
            (high, f"▲ damp above {high:g} %", "bottom", look.damp),
        )
    ]


def end_labels(
    ends: Iterable[tuple[str, NDArray[np.float64], str]],
    span: tuple[float, float],
    *,
    apart: float = LABEL_SPACE,
    narrow: bool = False,
) -> list[dict[str, Any]]:
    """Names of lines at their right ends, moved apart where they would touch.

    `ends`: name, values and ink of each line. `narrow`: inside the plot, above the line's end.
    """
    low, high = span
    places = []
    for i, (name, values, ink) in enumerate(ends):
        known = values[~np.isnan(values)]
        if len(known):
            places.append(((float(known[-1]) - low) / (high - low), i, name, ink))
    found, floor = [], -1.0
    for place, _, name, ink in sorted(places):
        floor = max(min(max(place, 0.02), 0.98), floor + apart)
        found.append(
            {
                "xref": "paper",
                "yref": "paper",
                "x": 1,
                "y": floor,
                "text": escaped(name),
                "showarrow": False,
                "xanchor": "right" if narrow else "left",
                "yanchor": "bottom" if narrow else "middle",
                "xshift": 0 if narrow else 8,
                "font": {"color": ink, "size": 16},
            }
        )
    return found


def upright(at_ms: float, look: Theme) -> dict[str, Any]:
    """A line at a moment over the whole height, for `layout.shapes`."""
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": at_ms,
        "x1": at_ms,
        "y0": 0,
        "y1": 1,
        "line": {"color": look.quiet, "width": 2, "dash": "dashdot"},
    }
