"""Plots of experiments: what was measured, and the fit or the range found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from dashboard.ui import formats
from dashboard.ui.plots import faint, figure
from monitor.domain.own_proof import Proof
from monitor.domain.own_proof_kinds import ProofKind

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dashboard.ui.themes import Theme
    from monitor.science.quantiles import QuantileRange
    from monitor.waits.proof_evaluation import ProofResult

AXES = {
    ProofKind.COUPON: ("", "moisture [% MC]"),
    ProofKind.LAPS: ("part of the usual time", ""),
    ProofKind.SOFTENING: ("RH of the box [%]", ""),
    ProofKind.CASE_LEAK: ("RH of the case above the room's [%]", "water lost [g a day]"),
}
LINE = {
    ProofKind.COUPON: "The line is the fit.",
    ProofKind.CASE_LEAK: "The line is the leak found.",
    ProofKind.LAPS: "The band is the range found.",
    ProofKind.SOFTENING: "The band is the range found.",
}


def proof_plot(proof: Proof, found: ProofResult, zone: ZoneInfo, look: Theme) -> go.Figure:
    """Plot of the measurements of an experiment with their fit or range."""
    x, y = _columns(found.points)
    line_x, line_y = _columns(found.line)
    label_x, label_y = AXES[proof.kind]
    axis = {"fixedrange": True, "gridcolor": look.rule, "zerolinecolor": look.quiet}
    axis_x: dict[str, Any] = axis | {"title": {"text": label_x}}
    axis_y: dict[str, Any] = axis | {"title": {"text": label_y}}
    hover = "%{x:.2f}: %{y:.2f}<extra></extra>"
    if proof.kind is ProofKind.COUPON:
        x, line_x = (formats.iso_local(one.astype(np.int64), zone) for one in (x, line_x))
        axis_x["type"] = "date"
        hover = "%{x|%a %H:%M}: %{y:.2f} % MC<extra></extra>"
    joints = proof.kind in (ProofKind.LAPS, ProofKind.SOFTENING)
    if joints:
        axis_y |= {"tickvals": [0, 1], "ticktext": ["soft", "held"], "range": [-0.4, 1.4]}
        hover = "%{x:.2f}: %{text}<extra></extra>"
    data = [
        go.Scatter(
            mode="lines",
            x=line_x,
            y=line_y,
            line={"color": look.quiet, "width": 3},
            hoverinfo="skip",
        ),
        go.Scatter(
            mode="markers",
            x=x,
            y=y,
            text=["held" if one else "soft" for one in np.asarray(y)] if joints else None,
            marker={"color": look.ink, "size": 12, "opacity": 0.7},
            hovertemplate=hover,
        ),
    ]
    limit = found.ranges.get("share") or found.ranges.get("rh_pct")
    layout: dict[str, Any] = {"xaxis": axis_x, "yaxis": axis_y, "showlegend": False}
    layout["margin"] = {"t": 16, "r": 16}
    if limit is not None:
        layout["shapes"] = [_band(limit, look)]
    return figure(data, layout, look)


def _columns(points: tuple[tuple[float, float], ...]) -> tuple[Any, Any]:
    both = np.array(points, dtype=np.float64).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def _band(limit: QuantileRange, look: Theme) -> dict[str, Any]:
    return {
        "type": "rect",
        "x0": limit.low,
        "x1": limit.high,
        "y0": 0,
        "y1": 1,
        "yref": "paper",
        "line": {"width": 0},
        "fillcolor": faint(look.ink, 0.15),
        "layer": "below",
    }
