"""The plot of a stay: each part's moisture, the rest, the air's balance, open spells and waits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import plotly.graph_objects as go

from dashboard.ui import formats
from dashboard.ui.plot_labels import LEGEND, end_labels, night_shapes, upright
from dashboard.ui.plots import DASHES, NARROW_PX, axes, escaped, faint, figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dashboard.ui.plots import View
    from dashboard.ui.themes import Theme
    from monitor.domain.wait import Wait
    from monitor.science.plates.history import MoistureHistory

POINTS_MAX = 700
"""Most points of a line; more are drawn as means of their neighbours."""
LEAST_SPAN_PCT = 3.0
"""The y axis spans at least this. [% MC]"""


def shown(found: MoistureHistory) -> dict[str, NDArray[Any]]:
    """A history as it is drawn: at most `POINTS_MAX` means; NaN where its air was not read.

    `at_ms` (n,), `mean` (parts, n), `air_pct` (n,).
    """
    n, lasted = len(found.at_ms), lengths_ms(found)
    starts = np.unique(np.linspace(0, n, min(n, POINTS_MAX) + 1).astype(int))[:-1]
    whole = np.add.reduceat(lasted, starts)

    def means(values: NDArray[Any]) -> NDArray[np.float64]:
        return np.asarray(np.add.reduceat(values * lasted, starts, axis=-1) / whole)

    unread = means(found.known) < 0.5
    air, mean = means(found.air_pct), means(found.mean)
    air[unread] = np.nan
    mean[:, unread] = np.nan
    return {"at_ms": found.at_ms[np.append(starts[1:], n) - 1], "mean": mean, "air_pct": air}


def lengths_ms(found: MoistureHistory) -> NDArray[np.float64]:
    """Duration of each step, the first as long as the next; a gap is one long step. [ms]"""
    lasted = np.diff(found.at_ms).astype(float)
    return np.append(lasted[:1] if len(lasted) else 1.0, lasted)


class PartsAhead(NamedTuple):
    """Outlook of the parts: ends of the steps [ms], and moisture by part, (steps,). [%]"""

    at_ms: NDArray[np.int64]
    mean: dict[str, NDArray[np.float64]]


def stay_plot(
    found: MoistureHistory,
    waits: Sequence[Wait],
    view: View,
    look: Theme,
    coming: PartsAhead | None = None,
) -> go.Figure:
    """A line for each part, the rest as a level, the air's balance faint behind them; what is
    foretold goes on thin and dotted, behind an upright line at now."""
    points = shown(found)
    at_ms, zone = points["at_ms"], view.zone
    inks = _inks(found, look)
    times = formats.moments(at_ms, zone)
    low, high = _y_range(points, found.home_moisture_pct, coming)
    data = [
        _line(
            "moisture in balance with the air",
            at_ms,
            points["air_pct"],
            times,
            look.quiet,
            "solid",
            1.2,
        )
    ]
    for i, part in enumerate(found.parts):
        data.append(
            _line(
                part.name, at_ms, points["mean"][i], times, inks[i], DASHES[i % len(DASHES)], 2.6
            )
        )
    if coming is not None:
        ahead = formats.moments(coming.at_ms, zone)
        data += [
            _line(
                f"{part.name}, outlook",
                coming.at_ms,
                coming.mean[part.name],
                ahead,
                ink,
                "dot",
                1.6,
            )
            for part, ink in zip(found.parts, inks, strict=True)
            if part.name in coming.mean
        ]
        for line in data[1 + len(found.parts) :]:
            line.showlegend = False  # on a phone the legend would leave no room for the plot
    foot = low + 0.03 * (high - low)
    past = view._replace(end_ms=int(found.at_ms[-1])) if coming else view
    data += _wait_marks(waits, foot, past, look)
    narrow = view.width_px < NARROW_PX
    ends = [(part.name, points["mean"][i], inks[i]) for i, part in enumerate(found.parts)]
    ends.append(("air", points["air_pct"], look.quiet))
    ends.append(("home", np.array([found.home_moisture_pct]), look.ink))
    layout = {
        **axes(view, look, (low, high), "Moisture [% of dry wood]"),
        "shapes": [
            *night_shapes(view, look),
            *_open_shapes(found, look),
            _rest(found, look),
            *([upright(int(found.at_ms[-1]), look)] if coming else []),
        ],
        "annotations": [
            *([] if narrow else end_labels(ends, (low, high))),
            *_open_labels(found, look),
        ],
        "showlegend": narrow,
        "legend": LEGEND,
        "margin": {"l": 64, "r": 24 if narrow else 130, "t": 16, "b": 76},
    }
    return figure(data, layout, look)


def summary(found: MoistureHistory, view: View) -> str:
    """The plot in a sentence, for those who cannot see it."""
    ends = ", ".join(
        f"{part.name} {formats.figure(float(found.mean[i, 0]), 1)} to "
        f"{formats.figure(float(found.mean[i, -1]), 1)} %"
        for i, part in enumerate(found.parts)
    )
    read = float(np.average(found.known, weights=lengths_ms(found)))
    gaps = "" if read > 0.995 else f" Its air is known for {100 * read:.0f} % of the time."
    last = formats.stamp(int(found.at_ms[-1]), view.zone)
    return (
        f"From {formats.stamp(view.start_ms, view.zone)} to {last}: "
        f"{ends}; home moisture "
        f"{formats.figure(found.home_moisture_pct, 1)} %.{gaps} Best estimate, without its range."
    )


def _line(
    name: str,
    at_ms: NDArray[Any],
    values: NDArray[Any],
    times: list[str],
    ink: str,
    dash: str,
    width: float,
) -> go.Scatter:
    return go.Scatter(
        mode="lines",
        name=name,
        x=at_ms.astype(np.float64),
        y=values,
        line={"color": ink, "width": width, "dash": dash},
        text=times,
        hovertemplate=f"{escaped(name)}<br>%{{text}}<br>%{{y:.1f}} %<extra></extra>",
    )


def _inks(found: MoistureHistory, look: Theme) -> list[str]:
    return [look.lines[i % len(look.lines)] for i in range(len(found.parts))]


def _y_range(
    points: dict[str, NDArray[Any]], home_moisture_pct: float, coming: PartsAhead | None
) -> tuple[float, float]:
    ahead = list(coming.mean.values()) if coming else []
    values = np.concatenate(
        [points["mean"].ravel(), points["air_pct"], [home_moisture_pct], *ahead]
    )
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    extra = max(LEAST_SPAN_PCT - (high - low), 0.0) / 2 + 0.06 * max(high - low, LEAST_SPAN_PCT)
    return low - extra - 0.04 * (high - low), high + extra


def _runs(found: MoistureHistory) -> list[tuple[int, int]]:
    """Spans in which the instrument was open. [ms]"""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], found.opened.astype(int), [0]])))
    begins = np.concatenate([[found.at_ms[0]], found.at_ms])  # a step ends where the next begins
    return [
        (int(begins[a]), int(found.at_ms[b - 1]))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def _open_shapes(found: MoistureHistory, look: Theme) -> list[dict[str, Any]]:
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": a,
            "x1": b,
            "y0": 0,
            "y1": 1,
            "fillcolor": faint(look.ink, 0.09),
            "line": {"color": look.quiet, "width": 1},
            "layer": "below",
        }
        for a, b in _runs(found)
    ]


def _open_labels(found: MoistureHistory, look: Theme) -> list[dict[str, Any]]:
    return [
        {
            "xref": "x",
            "yref": "paper",
            "x": a,
            "y": 1,
            "text": "open",
            "showarrow": False,
            "xanchor": "left",
            "yanchor": "top",
            "xshift": 4,
            "font": {"color": look.ink, "size": 15},
        }
        for a, _ in _runs(found)
    ]


def _rest(found: MoistureHistory, look: Theme) -> dict[str, Any]:
    return {
        "type": "line",
        "xref": "paper",
        "yref": "y",
        "x0": 0,
        "x1": 1,
        "y0": found.home_moisture_pct,
        "y1": found.home_moisture_pct,
        "line": {"color": look.ink, "width": 1.5, "dash": "6px,4px"},
        "layer": "below",
    }


def _wait_marks(waits: Sequence[Wait], foot: float, view: View, look: Theme) -> list[go.Scatter]:
    """Strokes along the foot, one for each wait, from its start to its release."""
    within = [
        w
        for w in waits
        if w.started_ms < view.end_ms and (w.released_ms or view.end_ms) > view.start_ms
    ]
    if not within:
        return []
    xs: list[float] = []
    texts: list[str] = []
    for wait in within:
        end = wait.released_ms or view.end_ms
        name = ", ".join(filter(None, (str(wait.kind["name"]), wait.what)))
        state = "" if wait.released_ms else ", still open"
        text = f"{escaped(name)}<br>from {formats.stamp(wait.started_ms, view.zone)}{state}"
        xs += [max(wait.started_ms, view.start_ms), end, np.nan]
        texts += [text, text, ""]
    return [
        go.Scatter(
            mode="lines+markers",
            name="waits",
            x=np.array(xs, float),
            y=np.full(len(xs), foot),
            text=texts,
            line={"color": look.ink, "width": 5},
            marker={
                "symbol": "line-ns-open",
                "size": 12,
                "color": look.ink,
                "line": {"width": 2, "color": look.ink},
            },
            hovertemplate="%{text}<extra></extra>",
        )
    ]
