"""Plot of the air of a wait: its rate over time, its holds, what was expected and what came."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from dashboard.ui import formats, plot_labels, plots
from monitor.science.waits.air_log import Times
from monitor.science.waits.parameters import Hold

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dashboard.ui.themes import Theme
    from monitor.science.waits.lost_time import LostTime
    from monitor.waits.why import WaitAccount

TOP = 1.6
"""Least height of the axis. [-]"""
EXPECTED, CAME = 0.95, 0.8
"""Height of the marks for what was expected and what came, as shares of the plot."""


def rate_plot(
    of: WaitAccount, zone: ZoneInfo, unit: formats.Unit, width_px: int, look: Theme
) -> go.Figure:
    """Rate relative to reference air from the start on, with holds, expected and real ready time."""
    lost = of.lost
    if lost is None:
        return plots.empty_plot("The air of this wait is not known.", look)
    start, end = of.wait.started_ms, of.end_ms
    ahead = of.wait.foreseen_ms
    last = max(end, ahead[2] if ahead else end)
    margin = max((last - start) // 40, formats.MINUTE_MS)
    view = plots.View(start - margin, last + 2 * margin, zone, unit, width_px)
    rate = lost.rate
    both = rate if of.expected is None else np.concatenate([rate, of.expected.rate])
    high = max(float(np.nanmax(both, initial=TOP)) * 1.15, TOP) / CAME
    low = min(float(np.nanmin(both, initial=0.0)) * 1.1, -0.12)
    at = np.repeat(lost.edges_ms, 2)[1:-1].astype(np.float64)
    words = [
        f"{formats.with_unit('temperature', t, unit)}, {formats.figure(rh, 0)} % RH"
        for t, rh in zip(lost.temp_c, lost.rh_pct, strict=True)
    ]
    data: list[Any] = [
        go.Scatter(
            x=at,
            y=np.repeat(rate, 2),
            mode="lines",
            line={"color": look.ink, "width": 3},
            text=[
                f"{m}<br>{w}"
                for m, w in zip(
                    formats.moments(at.astype(np.int64), zone), np.repeat(words, 2), strict=True
                )
            ],
            hovertemplate="%{text}<br>%{y:.2f} of the rate in reference air<extra></extra>",
        )
    ]
    notes = [_note(start, 1.0, "reference air", look, yref="y", anchor="bottom")]
    if of.expected is not None:
        data.append(_expected_rate(of.expected, last, look))
        notes.append(_expected_note(data[-1], look))
    shapes = [*plot_labels.night_shapes(view, look), _level(1.0, look)]
    for begin, until in _runs(lost.edges_ms, lost.hold != Hold.NONE):
        shapes.append(_hold(begin, until, low, look))
    if (lost.hold != Hold.NONE).any():
        first = int(lost.edges_ms[:-1][lost.hold != Hold.NONE][0])
        notes.append(_note(first, low / 2, "on hold", look, yref="y", anchor="middle", back=True))
    if ahead is not None:
        data.append(_mark(ahead, low + EXPECTED * (high - low), "diamond", look))
        notes.append(_note(ahead[1], EXPECTED, "expected at the start", look))
    if of.came_ms is not None:
        came = (of.came_ms,) * 3
        data.append(_mark(came, low + CAME * (high - low), "circle", look))
        shapes.append(plot_labels.upright(of.came_ms, look))
        notes.append(_note(of.came_ms, CAME, "ready", look))
    layout = {
        **plots.axes(view, look, (low, high), "Rate, reference air = 1"),
        "shapes": shapes,
        "annotations": notes,
        "margin": {"l": 64, "r": 16, "t": 8, "b": 76},
    }
    return plots.figure(data, layout, look)


def _expected_rate(expected: LostTime, last_ms: int, look: Theme) -> go.Scatter:
    """Rate in the air that was expected at the start, dashed."""
    at = np.repeat(expected.edges_ms, 2)[1:-1].astype(np.float64)
    shown = at <= last_ms
    return go.Scatter(
        x=at[shown],
        y=np.repeat(expected.rate, 2)[shown],
        mode="lines",
        line={"color": look.ink, "width": 2, "dash": "2px,5px"},
        hovertemplate="%{y:.2f} in the air that was expected<extra></extra>",
    )


def _expected_note(line: go.Scatter, look: Theme) -> dict[str, Any]:
    """Label at the end of the line of the expected air."""
    return _note(line.x[-1], float(line.y[-1]), "expected air", look, yref="y") | {
        "xanchor": "right",
        "xshift": -6,
    }


def _runs(edges: Times, on: np.ndarray) -> list[tuple[int, int]]:
    """Stretches of steps that are on: begin, end. [ms]"""
    padded = np.concatenate([[False], on, [False]])
    turns = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(edges[a]), int(edges[b])) for a, b in turns.reshape(-1, 2)]


def _mark(when: tuple[int, int, int], level: float, symbol: str, look: Theme) -> go.Scatter:
    low, middle, high = when
    return go.Scatter(
        x=[middle],
        y=[level],
        mode="markers",
        marker={"color": look.ink, "size": 14, "symbol": symbol},
        error_x={
            "type": "data",
            "symmetric": False,
            "array": [high - middle],
            "arrayminus": [middle - low],
            "color": look.ink,
            "thickness": 2,
            "width": 8,
        },
        hoverinfo="skip",
    )


def _note(
    at_ms: int,
    level: float,
    text: str,
    look: Theme,
    *,
    yref: str = "paper",
    anchor: str = "bottom",
    back: bool = False,
) -> dict[str, Any]:
    """Label: right of a moment on the curve, or below a mark above it."""
    return {
        "x": at_ms,
        "y": level,
        "yref": yref,
        "text": text,
        "showarrow": False,
        "xanchor": "left" if yref == "y" else "right",
        "xshift": 6 if yref == "y" else 0,
        "yanchor": anchor if yref == "y" else "top",
        "yshift": 0 if yref == "y" else -9,
        "bgcolor": look.ground if back else "rgba(0,0,0,0)",
        "font": {"color": look.ink, "size": 15},
    }


def _level(rate: float, look: Theme) -> dict[str, Any]:
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": rate,
        "y1": rate,
        "line": {"color": look.quiet, "width": 1, "dash": "6px,4px"},
        "layer": "below",
    }


def _hold(begin_ms: int, end_ms: int, low: float, look: Theme) -> dict[str, Any]:
    """A stretch on hold, as a bar under the line of no progress."""
    return {
        "type": "rect",
        "x0": begin_ms,
        "x1": end_ms,
        "y0": low,
        "y1": 0,
        "fillcolor": plots.faint(look.ink, 0.35),
        "line": {"color": look.ink, "width": 1},
        "layer": "below",
    }
