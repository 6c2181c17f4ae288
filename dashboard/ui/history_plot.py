"""History of places as a plot, and in sentences for those who cannot see it.

A table is anything with the columns `at_ms`, `low`, `mean`, `high` in the quantity's kept unit: a
DataFrame, or the structured array that `ShopData.history` gives (which spares importing pandas).
A row of NaN is a gap.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

import numpy as np

from dashboard.ui import formats
from dashboard.ui.plot_labels import (
    LEGEND,
    band_ends,
    band_shapes,
    bands_of,
    end_labels,
    night_shapes,
)
from dashboard.ui.plots import DASHES, LEAST_SPAN, NARROW_PX, axes, escaped, faint, template_dict

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashboard.ui.formats import DisplayScale
    from dashboard.ui.plots import View
    from dashboard.ui.themes import Theme

Table: TypeAlias = Any
AXES = {
    "humidity": (20.0, 80.0),
    "temperature": (10.0, 30.0),
    "dew_point": (0.0, 20.0),
    "equilibrium_moisture_content": (4.0, 16.0),
}
"""Usual axis of a quantity, so that one day looks like another. Ours. [%], [°C], [°C], [%]"""
YEAR_MS = 366 * formats.DAY_MS
STEP = 5.0
"""An axis that readings leave is widened by whole steps of this, in the reader's unit."""


class Line(NamedTuple):
    """A place's history to draw: its name, the points, and its RH band if that applies. [%]"""

    label: str
    table: Table
    band_pct: tuple[float, float] | None = None


def history_plot(lines: Sequence[Line], quantity: str, view: View, look: Theme) -> dict[str, Any]:
    """Mean lines over bands from low to high, nights shaded, labelled directly, hover in words.

    A dict in place of a `figure`, since Past draws it live: for a year of three places plotly's
    checks take 5 to 8 ms of processor time and 2 ms more to send, beside 35 ms for the whole
    answer. The tests check it with plotly.
    """
    how = formats.scale(quantity, view.unit)
    parts = [_Shown(line, how) for line in lines]
    low, high = _axis(parts, quantity, view)
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
                    "showlegend": False,
                    "name": f"{part.label}, range",
                }
            )
        data.append(
            {
                "type": "scatter",
                "x": part.at_ms.astype(np.float64),
                "y": part.mean,
                "mode": "lines",
                "name": escaped(part.label),
                "line": {"color": ink, "width": 2.2, "dash": dash},
                **_hover(part, how, view),
            }
        )
    ends = [
        (part.label, part.mean, look.lines[i % len(look.lines)]) for i, part in enumerate(parts)
    ]
    narrow = view.width_px < NARROW_PX
    bands = bands_of((p.label, p.band_pct) for p in parts) if quantity == "humidity" else []
    ends += band_ends(bands, look)
    layout = {
        "template": template_dict(look),
        **axes(view, look, (low, high), f"{how.words} [{how.unit}]"),
        "shapes": [*night_shapes(view, look), *band_shapes(bands, look)],
        "annotations": [] if narrow else end_labels(ends, (low, high)),
        "showlegend": narrow,
        "legend": LEGEND,
        "margin": {"l": 64, "r": 24 if narrow else 170, "t": 16, "b": 76},
    }
    return {"data": data, "layout": layout}


def usual_axis(quantity: str, view: View) -> tuple[float, float] | None:
    """Usual ends of the axis in the reader's unit; None where the quantity has none."""
    if quantity not in AXES:
        return None
    how = formats.scale(quantity, view.unit)
    low, high = (value * how.factor + how.offset for value in AXES[quantity])
    return low, high


def _axis(parts: Sequence[_Shown], quantity: str, view: View) -> tuple[float, float]:
    """Ends of the axis: the usual ones, widened where readings leave them."""
    low, high = _y_range(parts, formats.scale(quantity, view.unit))
    usual = usual_axis(quantity, view)
    if usual is None or not any(np.isfinite(part.low).any() for part in parts):
        return low, high
    least = min(float(np.nanmin(p.low)) for p in parts if np.isfinite(p.low).any())
    most = max(float(np.nanmax(p.high)) for p in parts if np.isfinite(p.high).any())
    return (
        min(usual[0], STEP * math.floor(least / STEP)),
        max(usual[1], STEP * math.ceil(most / STEP)),
    )


def axis_words(lines: Sequence[Line], quantity: str, view: View) -> str:
    """The axis in a sentence: whether it is the usual one."""
    usual = usual_axis(quantity, view)
    if usual is None:
        return "The axis is fitted to the readings."
    how = formats.scale(quantity, view.unit)
    low, high = _axis([_Shown(line, how) for line in lines], quantity, view)
    text = f"{usual[0]:.0f} to {usual[1]:.0f} {how.unit}"
    if (low, high) == usual:
        return f"The axis is the usual one, {text}."
    return (
        f"The axis is {low:.0f} to {high:.0f} {how.unit}, since readings leave the usual {text}."
    )


def summary(line: Line, quantity: str, span_words: str, view: View) -> str:
    """A line in sentences: "Front bench, last day: 41 to 52 %, mean 46 %, 47 % at the end. Lowest
    at …, highest at …."."""
    how = formats.scale(quantity, view.unit)
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
    ends = [part.at_ms[np.nanargmin(part.low)], part.at_ms[np.nanargmax(part.high)]]
    times = (
        [formats.stamp(int(ms), view.zone) for ms in ends]
        if view.end_ms - view.start_ms > YEAR_MS
        else formats.moments(np.array(ends), view.zone)
    )
    return f"{text}. Lowest at {times[0]}, highest at {times[1]}."


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
    label = f"{escaped(part.label)}<br>%{{text}}<br>%{{y:.{digits}f}} {how.unit}"
    found: dict[str, Any] = {"text": formats.moments(part.at_ms, view.zone)}
    if np.any(part.high > part.low):
        found["customdata"] = np.column_stack([part.low, part.high])
        label += f" (%{{customdata[0]:.{digits}f}} to %{{customdata[1]:.{digits}f}})"
    return found | {"hovertemplate": f"{label}<extra></extra>"}
