"""The plot of a calibration: by how much a sensor is off, point by point, and the fitted line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go

from dashboard.ui.plots import faint, figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.ui.themes import Theme
    from monitor.science.calibration.fit import CalibrationFit, Point

STEPS = 60


def calibration_plot(
    points: Sequence[Point], fit: CalibrationFit | None, unit: str, look: Theme
) -> go.Figure:
    """Plot of the correction of each reading, with its uncertainty (k = 2), over the reading."""
    x = np.array([point.reading for point in points])
    off = np.array([point.reference - point.reading for point in points])
    u = 2 * np.hypot([p.u_reading for p in points], [p.u_reference for p in points])
    data: list[go.Scatter] = []
    if fit is not None:
        room = max(5.0 if unit == "%" else 1.0, 0.2 * (fit.high - fit.low))
        along = np.linspace(fit.low - room, fit.high + room, STEPS)
        added, good = fit.corrected(along) - along, fit.uncertainty(along)
        data += [
            go.Scatter(
                mode="lines",
                fill="toself",
                hoverinfo="skip",
                x=np.r_[along, along[::-1]],
                y=np.r_[added + good, (added - good)[::-1]],
                line={"width": 0},
                fillcolor=faint(look.ink, 0.15),
            ),
            go.Scatter(
                mode="lines",
                x=along,
                y=added,
                line={"color": look.ink, "width": 3},
                hovertemplate=f"read %{{x:.1f}} {unit}: add %{{y:+.2f}} {unit}<extra></extra>",
            ),
        ]
    data.append(
        go.Scatter(
            mode="markers+text",
            x=x,
            y=off,
            text=[point.name for point in points],
            textposition="top center",
            marker={"color": look.ink, "size": 12},
            error_y={"type": "data", "array": u, "color": look.ink, "thickness": 2},
            hovertemplate=f"%{{text}}: read %{{x:.1f}} {unit}, off by %{{y:+.2f}}<extra></extra>",
        )
    )
    axis = {"fixedrange": True, "gridcolor": look.rule, "zerolinecolor": look.quiet}
    layout = {
        "xaxis": axis | {"title": {"text": f"reading [{unit}]"}},
        "yaxis": axis | {"title": {"text": f"to be added [{unit}]"}},
    }
    return figure(data, layout, look)
