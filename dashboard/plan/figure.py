"""Plot of the plan: a row per repair over the days of the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import plotly.graph_objects as go

from dashboard.ui import formats
from dashboard.ui.plot_labels import LEGEND, night_shapes
from dashboard.ui.plots import NARROW_PX, View, axes, escaped, faint, figure
from monitor.core.formats import local
from monitor.waits.text import about

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.ui.themes import Theme
    from monitor.planning.problem import TimeRange

    Span = tuple[int, int]

BACK_MS, LEAST_MS, MOST_MS = (
    3 * formats.HOUR_MS,
    3 * formats.DAY_MS,
    formats.NIGHTS_SHOWN_MS - formats.DAY_MS,
)
"""Time shown before now, and least and most after it. [ms]"""
NARROW_MS = 5 * formats.DAY_MS
"""Most time shown after now on a narrow screen. [ms]"""
ROW_PX, AROUND_PX = 62, 150
"""Height of a row, and of what is above and below the rows. [px]"""
NAME_SIGNS = (22, 12)
"""Longest name of a row on a wide and on a narrow screen. [characters]"""


Mark = tuple[float, float, str]
"""Place of a mark, and its words."""


class Bar(NamedTuple):
    """A step in a row: its work, when its wait ends, and its words. [ms]"""

    from_ms: int
    to_ms: int
    off_ms: int
    words: str


class Move(NamedTuple):
    """A step that may be dragged, as the browser has it.

    `row`: number of its repair in the plot. `may`: spans of starts that are allowed. `first_ms`,
    `first`: time before which a step before it is not ready, and why, as a sentence. [ms]
    """

    repair: str
    step: str
    label: str
    row: int
    from_ms: int
    to_ms: int
    may: Sequence[Span]
    first_ms: int
    first: str


REST = "The work does not fit before closing, or its wait would be left alone for too long."
"""Reason against a start in opening hours at which the plan allows none."""
GRID_MS = 30 * formats.MINUTE_MS
"""A dragged step starts at a multiple of this. [ms]"""


def moves_meta(
    moves: Sequence[Move], hours: Sequence[Span], now_ms: int, made_ms: int, zone: str
) -> dict[str, Any]:
    """Everything that the browser needs to drag steps, as a plot carries it."""
    return {
        "moves": [one._asdict() for one in moves],
        "hours": list(hours),
        "now_ms": now_ms,
        "made_ms": made_ms,
        "zone": zone,
        "rest": REST,
        "grid_ms": GRID_MS,
    }


class Row(NamedTuple):
    """A repair in the plot. `ready` is None where it is not known."""

    name: str
    bars: Sequence[Bar]
    ready: TimeRange | None
    promised_ms: int | None


def height_px(rows: int) -> int:
    """Height of a plot with so many rows. [px]"""
    return AROUND_PX + ROW_PX * max(rows, 1)


def view_of(rows: Sequence[Row], now_ms: int, of: View) -> View:
    """The span that holds the work; `of` has zone, unit and width. A promise may lie beyond it."""
    ends = [one.ready.high_ms for one in rows if one.ready]
    ends += [bar.off_ms for one in rows for bar in one.bars]
    last = max(ends, default=now_ms) + formats.DAY_MS
    most = NARROW_MS if of.width_px < NARROW_PX else MOST_MS
    end = now_ms + min(max(last - now_ms, LEAST_MS), most)
    return of._replace(start_ms=now_ms - BACK_MS, end_ms=end)


def closed_days(hours: Sequence[Span], view: View) -> list[Span]:
    """The local days within a view, after its first, on which the shop does not open. [ms]"""
    opened = {local(begin, view.zone).date() for begin, _ in hours}
    found: list[Span] = []
    begin = view.start_ms
    while begin < view.end_ms:
        day = local(begin, view.zone).date()
        end = formats.moved(formats.midnight(day, view.zone), "day", 1, view.zone)
        if day not in opened and begin > view.start_ms:
            found.append((begin, min(end, view.end_ms)))
        begin = end
    return found


def plan_plot(
    rows: Sequence[Row], hours: Sequence[Span], now_ms: int, view: View, look: Theme
) -> go.Figure:
    """Rows from above; solid bars are work, hatched bars are waits, a line with ends is the range of
    the ready time, a star the promise."""
    narrow = view.width_px < NARROW_PX
    most = NAME_SIGNS[1 if narrow else 0]
    levels = list(range(len(rows)))
    data = [_waits(rows, look), _work(rows, view, look), *_ready(rows, look, view)]
    names = [n if len(n) <= most else f"{n[: most - 1]}…" for n in (row.name for row in rows)]
    layout = axes(view, look, (len(rows) - 0.4, -0.6), "")
    layout["yaxis"] |= {
        "tickvals": levels,
        "ticktext": [escaped(name) for name in names],
        "title": {"text": ""},
        "gridcolor": faint(look.ink, 0.1),
        "tickfont": {"size": 13 if narrow else 16},
    }
    layout["xaxis"]["fixedrange"] = True
    shut = [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": begin,
            "x1": end,
            "y0": 0,
            "y1": 1,
            "fillcolor": faint(look.ink, 0.09),
            "line": {"width": 0},
            "layer": "below",
        }
        for begin, end in closed_days(hours, view)
    ]
    now = {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": now_ms,
        "x1": now_ms,
        "y0": 0,
        "y1": 1,
        "line": {"color": look.quiet, "width": 2},
    }
    return figure(
        data,
        layout
        | {
            "shapes": [*night_shapes(view, look), *shut, now],
            "barmode": "overlay",
            "bargap": 0.2,
            "dragmode": False,
            "showlegend": not narrow,
            "legend": LEGEND,
            "margin": {"l": 110 if narrow else 190, "r": 16, "t": 16 if narrow else 40, "b": 76},
        },
        look,
    )


def _bars(rows: Sequence[Row]) -> list[tuple[int, Bar]]:
    return [(level, bar) for level, row in enumerate(rows) for bar in row.bars]


def _waits(rows: Sequence[Row], look: Theme) -> go.Bar:
    found = [(level, bar) for level, bar in _bars(rows) if bar.off_ms > bar.to_ms]
    return go.Bar(
        orientation="h",
        name="waiting",
        y=[level for level, _ in found],
        base=[bar.to_ms for _, bar in found],
        x=[bar.off_ms - bar.to_ms for _, bar in found],
        width=0.3,
        marker={
            "color": look.ground,
            "line": {"color": look.ink, "width": 1.5},
            "pattern": {"shape": "/", "fgcolor": look.ink, "bgcolor": look.ground, "size": 7},
        },
        hovertext=[escaped(bar.words) for _, bar in found],
        hoverinfo="text",
    )


def _work(rows: Sequence[Row], view: View, look: Theme) -> go.Bar:
    found = _bars(rows)
    least = (view.end_ms - view.start_ms) / max(view.width_px, 300) * 3  # three pixels
    return go.Bar(
        orientation="h",
        name="work",
        y=[level for level, _ in found],
        base=[bar.from_ms for _, bar in found],
        x=[max(bar.to_ms - bar.from_ms, least) for _, bar in found],
        width=0.62,
        marker={"color": look.ink, "line": {"color": look.ground, "width": 1}},
        hovertext=[escaped(bar.words) for _, bar in found],
        hoverinfo="text",
    )


def _ready(rows: Sequence[Row], look: Theme, view: View) -> list[Any]:
    """Ranges of the ready times, their middles and the promises."""
    ranges_x: list[float | None] = []
    ranges_y: list[float | None] = []
    middles: list[Mark] = []
    promises: list[Mark] = []
    beyond: list[Mark] = []
    for level, row in enumerate(rows):
        if row.ready is not None:
            ranges_x += [row.ready.low_ms, row.ready.high_ms, None]
            ranges_y += [level + 0.38, level + 0.38, None]
            at = formats.moments(np.array([about(row.ready.usual_ms)], np.int64), view.zone)[0]
            middles.append((row.ready.usual_ms, level + 0.38, f"{row.name}: ready about {at}"))
        if row.promised_ms is not None:
            at = formats.moments(np.array([row.promised_ms], np.int64), view.zone)[0]
            inside = row.promised_ms < view.end_ms
            x = row.promised_ms if inside else view.end_ms - (view.end_ms - view.start_ms) // 60
            words = f"{row.name}: promised for {at}"
            (promises if inside else beyond).append((x, level, words))
    found = [
        go.Scatter(
            x=ranges_x,
            y=ranges_y,
            mode="lines+markers",
            name="ready, 10 to 90 %",
            line={"color": look.lines[1], "width": 3},
            marker={"symbol": "line-ns", "size": 14, "line": {"width": 3, "color": look.lines[1]}},
            hoverinfo="skip",
        ),
        _marks(middles, "diamond", "ready", look.lines[1]),
        _marks(promises, "star", "promised", look.lines[2]),
        _marks(beyond, "arrow-right", "promised for later", look.lines[2]),
    ]
    return [one for one in found if len(one.x)]


def _marks(found: Sequence[Mark], symbol: str, name: str, ink: str) -> Any:
    return go.Scatter(
        x=[x for x, _, _ in found],
        y=[y for _, y, _ in found],
        mode="markers",
        name=name,
        marker={"symbol": symbol, "size": 15, "color": ink},
        hovertext=[escaped(words) for _, _, words in found],
        hoverinfo="text",
    )
