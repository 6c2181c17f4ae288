"""The psychrometric chart of a span: its air as a path over temperature and water in the air."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import plotly.graph_objects as go

from dashboard.ui import formats
from dashboard.ui.plot_labels import LEGEND, RING, curve_labels
from dashboard.ui.plots import NARROW_PX, escaped, faint, figure
from monitor.science.air import humidity_ratio, relative_humidity_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dashboard.ui.plots import View
    from dashboard.ui.themes import Theme
    from monitor.air.place_means import Means

RH_CURVES = (10, 20, 30, 40, 50, 60, 70, 80, 100)
"""Relative humidities that are drawn as curves. [%]"""
LEAST_SPAN_K = 8.0
"""The chart spans at least this. [K]"""
GRAMS = 1000.0
"""Grams in a kilogram: the axis is in g/kg."""


class ChangedAir(NamedTuple):
    """Air after a change: the name of the change, temperature [°C] and RH [%]."""

    name: str
    temp_c: float
    rh_pct: float


def warmed(temp_c: float, rh_pct: float, by_k: float) -> ChangedAir:
    """Air warmed or cooled with its water kept. Below the dew point it stays saturated."""
    rh = min(float(relative_humidity_at(temp_c, rh_pct, temp_c + by_k)), 100.0)
    return ChangedAir("warmed" if by_k > 0 else "cooled", temp_c + by_k, rh)


def psychrometric_chart(
    air: Means,
    band_pct: tuple[float, float] | None,
    changes: Sequence[ChangedAir],
    view: View,
    look: Theme,
    pressure_pa: float,
) -> go.Figure:
    """Path of the air over curves of equal RH, the band as an area, changes as arrows from the end.

    The path is drawn as points joined by a thin line, the last as a large ring.
    """
    known = np.isfinite(air.temp_c) & (air.rh_pct > 0) & (air.rh_pct <= 100)
    temp, rh = air.temp_c[known], air.rh_pct[known]
    water = _water(temp, rh, pressure_pa)
    low, high = _span(temp, changes)
    grid = np.linspace(low, high, 60)
    bottom, top = _levels(water, grid, band_pct, changes, pressure_pa)
    narrow = view.width_px < NARROW_PX
    data = [_curve(grid, level, pressure_pa, view, look) for level in RH_CURVES]
    if band_pct is not None:
        data.insert(0, _band(grid, band_pct, pressure_pa, view, look))
    data.append(_path(temp, rh, water, air.ts_ms[known], view, look))
    x, y = _shown(temp[-1:], view), water[-1:]
    data.append(
        go.Scatter(
            x=x,
            y=y,
            mode="markers",
            marker=RING | {"color": look.ground, "line": {"width": 4, "color": look.ink}},
            hoverinfo="skip",
            name="end of the span",
        )
    )
    axis: dict[str, Any] = {
        "gridcolor": faint(look.ink, 0.08),
        "zeroline": False,
        "linecolor": look.quiet,
        "fixedrange": True,
        "nticks": 8,
    }
    unit = formats.degree(view.unit)
    left, right = _shown(np.array([low, high]), view).tolist()
    ends = (left, right)
    named = [
        (f"{level} %", _shown(grid, view), _water(grid, float(level), pressure_pa))
        for level in reversed(RH_CURVES)
    ]
    data += _tips(float(rh[-1]), changes, pressure_pa, view, look)
    layout = {
        "xaxis": axis | {"range": list(ends), "title": {"text": f"Temperature [{unit}]"}},
        "yaxis": axis
        | {"range": [bottom, top], "title": {"text": "Water in the air [g per kg of dry air]"}},
        "annotations": [
            *curve_labels(named, ends, (bottom, top), look, every=2 if narrow else 1),
            *_arrows(float(temp[-1]), float(rh[-1]), changes, pressure_pa, view, look),
        ],
        "showlegend": True,
        "legend": LEGEND | {"y": 1.07},
        "dragmode": False,
        "margin": {"l": 64, "r": 56 if narrow else 64, "t": 16, "b": 64},
    }
    return figure(data, layout, look)


def _water(temp_c: Any, rh_pct: Any, pressure_pa: float) -> NDArray[np.float64]:
    return np.atleast_1d(GRAMS * humidity_ratio(temp_c, rh_pct, pressure_pa))


def _shown(temp_c: NDArray[np.float64], view: View) -> NDArray[np.float64]:
    how = formats.scale("temperature", view.unit)
    return temp_c * how.factor + how.offset


def _span(temp_c: NDArray[np.float64], changes: Sequence[ChangedAir]) -> tuple[float, float]:
    all_c = [*temp_c, *(change.temp_c for change in changes)]
    low, high = min(all_c) - 1.0, max(all_c) + (2.5 if changes else 1.0)
    more = max(LEAST_SPAN_K - (high - low), 0.0) / 2
    return max(low - more, -45.0), min(high + more, 60.0)


def _levels(
    water: NDArray[np.float64],
    grid: NDArray[np.float64],
    band_pct: tuple[float, float] | None,
    changes: Sequence[ChangedAir],
    pressure_pa: float,
) -> tuple[float, float]:
    """Ends of the upright axis, around the path, the arrows and the band. [g/kg]"""
    shown = [water.min(), water.max()]
    shown += [_water(change.temp_c, change.rh_pct, pressure_pa)[0] for change in changes]
    if band_pct is not None:
        shown += [_water(grid.mean(), level, pressure_pa)[0] for level in band_pct]
    return 0.6 * float(min(shown)), 1.25 * float(max(shown))


def _curve(
    grid: NDArray[np.float64], level: float, pressure_pa: float, view: View, look: Theme
) -> go.Scatter:
    return go.Scatter(
        x=_shown(grid, view),
        y=_water(grid, float(level), pressure_pa),
        mode="lines",
        line={"color": look.quiet, "width": 2.5 if level == 100 else 1},
        hoverinfo="skip",
        name=f"{level} %",
        showlegend=False,
    )


def _band(
    grid: NDArray[np.float64],
    band_pct: tuple[float, float],
    pressure_pa: float,
    view: View,
    look: Theme,
) -> go.Scatter:
    low, high = (_water(grid, level, pressure_pa) for level in band_pct)
    x = _shown(grid, view)
    return go.Scatter(
        x=np.concatenate([x, x[::-1]]),
        y=np.concatenate([high, low[::-1]]),
        mode="lines",
        fill="toself",
        fillcolor=faint(look.ink, 0.1),
        line={"color": look.ink, "width": 1.5, "dash": "dash"},
        hoverinfo="skip",
        name="band",
        showlegend=False,
    )


def _path(
    temp: NDArray[np.float64],
    rh: NDArray[np.float64],
    water: NDArray[np.float64],
    at_ms: NDArray[np.int64],
    view: View,
    look: Theme,
) -> go.Scatter:
    unit = formats.degree(view.unit)
    return go.Scatter(
        x=_shown(temp, view),
        y=water,
        mode="lines+markers",
        line={"color": look.lines[0], "width": 1.2},
        marker={"size": 6, "color": look.lines[0]},
        text=formats.moments(at_ms, view.zone),
        customdata=rh,
        hovertemplate=f"%{{text}}<br>%{{x:.1f}} {unit}, %{{customdata:.0f}} %<br>"
        "%{y:.1f} g/kg<extra></extra>",
        name="air",
        showlegend=False,
    )


def _arrows(
    temp_c: float,
    rh_pct: float,
    changes: Sequence[ChangedAir],
    pressure_pa: float,
    view: View,
    look: Theme,
) -> list[dict[str, Any]]:
    tail = _point(temp_c, rh_pct, pressure_pa, view)
    found = []
    for change in changes:
        x, y = _point(change.temp_c, change.rh_pct, pressure_pa, view)
        found += [
            {
                "x": x,
                "y": y,
                "ax": tail[0],
                "ay": tail[1],
                "axref": "x",
                "ayref": "y",
                "showarrow": True,
                "arrowhead": 2,
                "arrowwidth": 2.5,
                "arrowcolor": look.ink,
                "text": "",
            }
        ]
    return found


def _tips(
    rh_pct: float, changes: Sequence[ChangedAir], pressure_pa: float, view: View, look: Theme
) -> list[go.Scatter]:
    """Marks at the tips of the arrows, which name them in the legend."""
    found = []
    for change in changes:
        x, y = _point(change.temp_c, change.rh_pct, pressure_pa, view)
        symbol = "triangle-up" if change.rh_pct > rh_pct else "triangle-down"
        if change.name in ("warmed", "cooled"):
            symbol = "square"
        found.append(
            go.Scatter(
                x=[x],
                y=[y],
                mode="markers",
                marker={"size": 12, "symbol": symbol, "color": look.ink},
                hoverinfo="skip",
                name=escaped(f"{change.name}: {change.rh_pct:.0f} %"),
            )
        )
    return found


def _point(temp_c: float, rh_pct: float, pressure_pa: float, view: View) -> tuple[float, float]:
    x = _shown(np.array([temp_c]), view)[0]
    return float(x), round(float(_water(temp_c, rh_pct, pressure_pa)[0]), 6)
