"""The EMC map: curves of equal wood moisture over temperature and RH, and the path of the air."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import plotly.graph_objects as go

from dashboard.ui import formats
from dashboard.ui.history_plot import usual_axis
from dashboard.ui.plot_labels import (
    LEGEND,
    RING,
    Band,
    band_ends,
    band_shapes,
    curve_labels,
    end_labels,
)
from dashboard.ui.plots import NARROW_PX, faint, figure
from monitor.science.wood import equilibrium_moisture_content, relative_humidity_for_moisture

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashboard.ui.plots import View
    from dashboard.ui.themes import Theme
    from monitor.air.place_means import Means

MOISTURES = (4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 16, 20, 24)
"""Moistures that are drawn as curves. [% of dry wood]"""
LOWEST_C = -20.0
"""Colder air is outside the range of the EMC formula. [°C]"""
STEP = 5.0
"""The axes are widened by whole steps of this. [°C], [°F], [% RH]"""


class Path(NamedTuple):
    """Points of a span, in order: time [ms], temperature [°C], RH [%], and how long each is."""

    ts_ms: NDArray[np.int64]
    temp_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]
    each: str


def path_of(air: Means, view: View, most: int) -> Path:
    """The means of a span; where there are more than `most`, means of local days."""
    known = air.temp_c >= LOWEST_C
    at, t, rh = air.ts_ms[known], air.temp_c[known], air.rh_pct[known]
    if len(at) <= most:
        return Path(at, t, rh, "a mean of the log")
    day = formats.local_ms(at, view.zone) // formats.DAY_MS
    first = np.flatnonzero(np.diff(day, prepend=day[0] - 1))
    count = np.diff(np.append(first, len(day)))
    temp, humidity = (np.add.reduceat(values, first) / count for values in (t, rh))
    return Path(at[first], temp, humidity, "the mean of a day")


def emc_map(
    path: Path, band_pct: tuple[float, float] | None, view: View, look: Theme
) -> go.Figure:
    """Temperature to the right, RH upward, the air as a path that ends in a ring."""
    how = formats.scale("temperature", view.unit)
    x = path.temp_c * how.factor + how.offset
    narrow = view.width_px < NARROW_PX
    left, right = _axis("temperature", x, view)
    low, high = _axis("humidity", path.rh_pct, view)
    low, high = max(low, 0.0), min(high, 100.0)
    grid = np.linspace(left, right, 60)
    curves = [
        (f"{level} %", grid, _humidity((grid - how.offset) / how.factor, float(level)))
        for level in MOISTURES
    ]
    bands = [Band(*band_pct)] if band_pct else []
    degree = formats.degree(view.unit)
    emc = equilibrium_moisture_content(path.temp_c, path.rh_pct)
    data = [
        go.Scatter(
            x=xs,
            y=ys,
            mode="lines",
            line={"color": look.quiet, "width": 1},
            hoverinfo="skip",
            showlegend=False,
            name=name,
        )
        for name, xs, ys in curves
    ]
    data.append(
        go.Scatter(
            x=x,
            y=path.rh_pct,
            mode="lines+markers",
            line={"color": faint(look.lines[0], 0.5), "width": 1},
            marker={"size": 5, "color": faint(look.lines[0], 0.6)},
            text=formats.moments(path.ts_ms, view.zone),
            customdata=emc,
            hovertemplate=f"%{{text}}<br>%{{x:.1f}} {degree}, %{{y:.0f}} % RH<br>"
            "wood settles at %{customdata:.1f} %<extra></extra>",
            name="air",
            showlegend=False,
        )
    )
    data.append(
        go.Scatter(
            x=x[-1:],
            y=path.rh_pct[-1:],
            mode="markers",
            marker=RING | {"color": look.ground, "line": {"width": 4, "color": look.ink}},
            hoverinfo="skip",
            name="end of the span",
        )
    )
    axis = {
        "gridcolor": faint(look.ink, 0.08),
        "zeroline": False,
        "linecolor": look.quiet,
        "fixedrange": True,
        "nticks": 8,
    }
    shapes = band_shapes(bands, look)
    if not narrow:  # their names stand beside the plot
        shapes = [shape | {"showlegend": False} for shape in shapes]
    layout = {
        "xaxis": axis | {"range": [left, right], "title": {"text": f"Temperature [{degree}]"}},
        "yaxis": axis | {"range": [low, high], "title": {"text": "Relative humidity [%]"}},
        "shapes": shapes,
        "annotations": [
            *curve_labels(curves, (left, right), (low, high), look, every=2 if narrow else 1),
            *([] if narrow else end_labels(band_ends(bands, look), (low, high), shift=56)),
        ],
        "showlegend": True,
        "legend": LEGEND | {"y": 1.07},
        "dragmode": False,
        "margin": {"l": 64, "r": 52 if narrow else 220, "t": 16, "b": 64},
    }
    return figure(data, layout, look)


def _axis(quantity: str, values: NDArray[np.float64], view: View) -> tuple[float, float]:
    """The usual axis, widened where the air leaves it."""
    low, high = usual_axis(quantity, view) or (0.0, 1.0)
    return (
        min(low, STEP * np.floor(values.min() / STEP)),
        max(high, STEP * np.ceil(values.max() / STEP)),
    )


def _humidity(temp_c: NDArray[np.float64], moisture_pct: float) -> NDArray[np.float64]:
    """RH at which wood settles at a moisture; NaN where no air does. [%]"""
    possible = equilibrium_moisture_content(np.maximum(temp_c, LOWEST_C), 100.0) >= moisture_pct
    found = np.full(len(temp_c), np.nan)
    known = possible & (temp_c >= LOWEST_C)
    found[known] = relative_humidity_for_moisture(temp_c[known], moisture_pct)
    return found
