"""The calendar of a year as a plot: a row for each month, a cell for each day.

Dry days are ochre with a mark pointing down, damp days blue with one pointing up, stronger the further
out; the two hues are told apart in all common colour-vision deficiencies. A day without readings
is hatched.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.past.calendar_days import PART_H, STEPS_PCT, CalendarDay, level
from dashboard.ui import formats
from dashboard.ui.plot_labels import LEGEND
from dashboard.ui.plots import NARROW_PX, faint, figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.ui.themes import Theme

SHARES = (0.07, 0.3, 0.6, 1.0)
"""Strength of a cell's colour by its step."""
CELL = 0.92
"""Width and height of a cell, as a share of its room."""
UNKNOWN = 9
"""Step of a day without readings."""
ORDER = (-3, -2, -1, 0, 1, 2, 3, UNKNOWN)


def calendar_plot(
    days: Sequence[CalendarDay], band_pct: tuple[float, float], look: Theme, width_px: int = 1280
) -> go.Figure:
    """Plot with a row for each month and a cell for each of its days."""
    rows = list(dict.fromkeys((d.day.year, d.day.month) for d in days))
    row = {month: len(rows) - 1 - i for i, month in enumerate(rows)}
    narrow = width_px < NARROW_PX
    data = []
    for step in ORDER:
        own = [d for d in days if _step(d, band_pct) == step]
        data.append(_cells(step, own, [row[d.day.year, d.day.month] for d in own], look))
    named = [d for i, d in enumerate(days) if i == 0 or d.day.month == 1]
    years = {(d.day.year, d.day.month) for d in named}
    layout = {
        "xaxis": _axis(look)
        | {
            "range": [0.5, 31.5],
            "tickvals": [1, 5, 10, 15, 20, 25, 31] if narrow else list(range(1, 32)),
            "title": {"text": "Day of the month", "standoff": 8},
        },
        "yaxis": _axis(look)
        | {
            "range": [-0.6, len(rows) - 0.4],
            "tickvals": [row[month] for month in rows],
            "ticktext": [_month(month, with_year=month in years) for month in rows],
        },
        "annotations": _marks(days, row, band_pct, look, narrow=narrow),
        "barmode": "overlay",
        "bargap": 0,
        "showlegend": True,
        "legend": LEGEND | {"traceorder": "normal"},
        "dragmode": False,
        "margin": {"l": 84, "r": 16, "t": 16, "b": 64},
    }
    return figure(data, layout, look)


def _axis(look: Theme) -> dict[str, Any]:
    return {"showgrid": False, "zeroline": False, "linecolor": look.quiet, "fixedrange": True}


def _month(month: tuple[int, int], *, with_year: bool) -> str:
    name = formats.month_name(month[1])
    return f"{name} {month[0]}" if with_year else name


def _step(day: CalendarDay, band_pct: tuple[float, float]) -> int:
    return level(day.beyond(band_pct)) if day.hours else UNKNOWN


def step_words(step: int) -> str:
    """A step of the scale in words."""
    if step == UNKNOWN:
        return "no readings"
    if step == 0:
        return "in the band"
    low = STEPS_PCT[abs(step) - 1]
    high = STEPS_PCT[abs(step)] if abs(step) < len(STEPS_PCT) else None
    amount = f"over {low:.0f}" if high is None else f"up to {high:.0f}" if not low else ""
    amount = amount or f"{low:.0f} to {high:.0f}"
    return f"{'▼' if step < 0 else '▲'} {amount} points too {'dry' if step < 0 else 'damp'}"


def _cells(step: int, own: Sequence[CalendarDay], rows: Sequence[int], look: Theme) -> go.Bar:
    hue = look.dry if step < 0 else look.damp if step not in (0, UNKNOWN) else look.ink
    fill = "rgba(0,0,0,0)" if step == UNKNOWN else faint(hue, SHARES[abs(step)])
    marker: dict[str, Any] = {"color": fill, "line": {"width": 1, "color": faint(look.ink, 0.25)}}
    if step == UNKNOWN:
        marker["pattern"] = {
            "shape": "/",
            "fillmode": "overlay",
            "fgcolor": look.quiet,
            "size": 6,
            "solidity": 0.25,
        }
    return go.Bar(
        x=[d.day.day for d in own],
        y=[CELL] * len(own),
        base=[r - CELL / 2 for r in rows],
        width=CELL,
        marker=marker,
        name=step_words(step),
        text=[_hover(d) for d in own],
        textposition="none",
        hovertemplate="%{text}<extra></extra>",
    )


def _hover(day: CalendarDay) -> str:
    name = f"{formats.day(day.day)} {day.day.year}"
    if not day.hours:
        return f"{name}<br>no readings"
    text = f"{name}<br>{day.low:.0f} to {day.high:.0f} %, mean {day.mean:.0f} %"
    if day.dry_h:
        text += f"<br>too dry for {day.dry_h} h"
    if day.damp_h:
        text += f"<br>too damp for {day.damp_h} h"
    return text + (f"<br>readings for {day.hours} h only" if day.hours < PART_H else "")


def _marks(
    days: Sequence[CalendarDay],
    row: dict[tuple[int, int], int],
    band_pct: tuple[float, float],
    look: Theme,
    *,
    narrow: bool,
) -> list[dict[str, Any]]:
    """A mark in each cell outside the band, so that it does not rest on colour."""
    found = []
    for day in days:
        step = _step(day, band_pct)
        if step in (0, UNKNOWN):
            continue
        strong = abs(step) > 1
        found.append(
            {
                "x": day.day.day,
                "y": row[day.day.year, day.day.month],
                "text": "▼" if step < 0 else "▲",
                "showarrow": False,
                "font": {
                    "size": 7 if narrow else 12,
                    "color": look.ground if strong else look.ink,
                },
            }
        )
    return found
