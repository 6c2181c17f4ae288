"""Labels and regions of plots: names beside the curves or above them, bands, nights, moments.

No label lies within a plot, where it would cover a curve: on a wide screen names stand at the right,
each beside the end of its line, on a narrow one in a legend above.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from dashboard.ui import formats
from dashboard.ui.plots import LABEL_SPACE, escaped, faint

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from dashboard.ui.plots import View
    from dashboard.ui.themes import Theme

LEGEND: dict[str, Any] = {
    "orientation": "h",
    "x": 0,
    "xanchor": "left",
    "y": 1.02,
    "yanchor": "bottom",
    "itemclick": False,
    "itemdoubleclick": False,
    "font": {"size": 13},
}
"""Names of the curves above a narrow plot."""


RING: dict[str, Any] = {"size": 14, "symbol": "circle"}
"""Mark at the end of a path, in the ink around the ground."""


class Band(NamedTuple):
    """A band of RH [%], and whose it is; "" where all that is drawn has the same."""

    low: float
    high: float
    whose: str = ""


def bands_of(bands: Iterable[tuple[str, tuple[float, float] | None]]) -> list[Band]:
    """Bands of some places, by label; one band if they all have the same."""
    found = [(label, band) for label, band in bands if band]
    if len({band for _, band in found}) == 1:
        return [Band(*found[0][1])]
    return [Band(*band, label) for label, band in found]


def _levels(bands: Sequence[Band], look: Theme) -> list[tuple[str, float, str]]:
    """Name, level and ink of each end of the bands; one that all share is named once."""
    found = []
    for side, (sign, word, ink) in enumerate(
        (("▼", "dry below", look.dry), ("▲", "damp above", look.damp))
    ):
        levels = [band[:2][side] for band in bands]
        if len(set(levels)) == 1:
            found.append((f"{sign} {word} {levels[0]:g} %", levels[0], ink))
        else:
            found += [
                (f"{sign} {b.whose} {v:g} %", v, ink) for b, v in zip(bands, levels, strict=True)
            ]
    return found


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


def band_shapes(bands: Sequence[Band], look: Theme) -> list[dict[str, Any]]:
    """The ends of RH bands, as lines across; they bear their names in a legend."""
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
            "name": escaped(name),
            "showlegend": True,
        }
        for name, level, colour in _levels(bands, look)
    ]


def band_ends(bands: Sequence[Band], look: Theme) -> list[tuple[str, NDArray[np.float64], str]]:
    """The ends of bands as `end_labels` takes them."""
    return [(name, np.array([level]), ink) for name, level, ink in _levels(bands, look)]


def end_labels(
    ends: Iterable[tuple[str, NDArray[np.float64], str]],
    span: tuple[float, float],
    *,
    apart: float = LABEL_SPACE,
    shift: int = 8,
) -> list[dict[str, Any]]:
    """Names of lines at their right ends, moved apart where they would touch.

    `ends`: name, values and ink of each line; `shift`: distance from the plot. [px]
    """
    low, high = span
    places = []
    for i, (name, values, ink) in enumerate(ends):
        known = values[~np.isnan(values)]
        if len(known):
            places.append(((float(known[-1]) - low) / (high - low), i, name, ink))
    found, floor = [], -1.0
    places.sort()
    for i, (place, _, name, ink) in enumerate(places):
        most = max(0.98 - (len(places) - 1 - i) * apart, 0.02)  # room for those above it
        floor = max(min(max(place, 0.02), most), floor + apart)
        found.append(
            {
                "xref": "paper",
                "yref": "paper",
                "x": 1,
                "y": floor,
                "text": escaped(name),
                "showarrow": False,
                "xanchor": "left",
                "yanchor": "middle",
                "xshift": shift,
                "font": {"color": ink, "size": 16},
            }
        )
    return found


def curve_labels(
    curves: Sequence[tuple[str, NDArray[np.float64], NDArray[np.float64]]],
    across: tuple[float, float],
    up: tuple[float, float],
    look: Theme,
    *,
    every: int = 1,
) -> list[dict[str, Any]]:
    """Names of rising curves outside the plot, where each leaves it: at the right or above.

    `curves`: name, x and y of each; `every`: of so many one is named.
    """
    found = []
    (left, right), (low, high) = across, up
    taken: list[float] = []
    for name, x, y in curves[::every]:
        inside = np.flatnonzero((y >= low) & (y <= high))
        if not len(inside):
            continue
        last = int(inside[-1])
        note = {"text": name, "showarrow": False, "font": {"size": 14, "color": look.quiet}}
        if last == len(y) - 1 or np.isnan(y[last + 1]):
            if any(abs(float(y[last]) - other) < 0.035 * (high - low) for other in taken):
                continue
            taken.append(float(y[last]))
            note |= {"xref": "paper", "x": 1, "y": float(y[last])}
            note |= {"xanchor": "left", "yanchor": "middle", "xshift": 4}
        else:
            share = (high - y[last]) / (y[last + 1] - y[last])
            at = float(x[last] + share * (x[last + 1] - x[last]))
            if at > right - 0.01 * (right - left):
                continue
            note |= {"yref": "paper", "x": at, "y": 1, "xanchor": "center", "yanchor": "bottom"}
        found.append(note)
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
