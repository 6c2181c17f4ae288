"""Marks on Past: clamp-ups, coats and alerts of the places shown, in rows of their own below the
curves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from dash import dcc, html

from dashboard.ui import formats, plots
from dashboard.ui.controls import folded
from monitor.domain.wait_type_registry import from_mapping
from monitor.science.waits.film import FilmLaw
from monitor.waits.text import title

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.waits import WaitQueries
    from dashboard.ui.plots import View
    from dashboard.ui.themes import Theme
    from monitor.domain.alerts.alert import Alert
    from monitor.domain.wait import Wait

MOST = 200
"""Most marks that are drawn, the latest."""
LISTED = 30
"""Most marks that are listed in words."""
ROW = 0.07
"""Height of the first row of a kind, as a share of the plot."""
MORE = 0.04
"""Height of a further row, for what overlaps."""
FOOT_MOST = 0.45
"""Most height of all rows together; with more rows each is lower."""
LANES_MOST = 8
"""Most rows of a kind; what would need more shares the last."""
ROOM = 0.012
"""Least width of a mark beside the next, as a share of the span: its symbol needs it."""
ROWS = ("clamps", "coats", "rests", "alerts")
STYLES = {
    "clamps": ("square", "solid", 9),
    "coats": ("circle", "dot", 5),
    "rests": ("diamond-open", "dash", 2),
    "alerts": ("triangle-down", "dashdot", 3),
}
"""Mark at the start, dash and width of the line of each row: told apart without colour."""


class Mark(NamedTuple):
    """Something that began and ended, or is still there. [ms since 1970-01-01 UTC]"""

    row: str
    text: str
    begin_ms: int
    end_ms: int | None
    href: str


def marks(
    places: Collection[str], start_ms: int, end_ms: int, waits: WaitQueries, alerts: AlertQueries
) -> list[Mark]:
    """The marks of some places that touch a span, the latest first."""
    shown = set(places)
    here = {w.id: w for w in waits.every() if shown & {place for _, place in w.places}}
    found = [_of_wait(wait) for wait in here.values()]
    found += [
        Mark("alerts", alert.name, alert.began_ms, alert.cleared_ms, f"/alerts/{alert.id}")
        for alert in alerts.every()
        if _concerns(alert, places, here)
    ]
    inside = [m for m in found if m.begin_ms < end_ms and (m.end_ms or end_ms) > start_ms]
    return sorted(inside, key=lambda mark: -mark.begin_ms)[:MOST]


def _of_wait(wait: Wait) -> Mark:
    kind = from_mapping(wait.kind)
    row = "clamps" if kind.load_s else "coats" if isinstance(kind.law, FilmLaw) else "rests"
    name = title(wait)
    text = name if name == kind.name else f"{name} ({kind.name})"
    return Mark(row, text, wait.started_ms, wait.released_ms, f"/bench/wait/{wait.id}")


def _concerns(alert: Alert, places: Collection[str], waits: Collection[str]) -> bool:
    return alert.subject in places or alert.subject in waits or alert.subject == "shop"


def with_marks(
    figure: dict[str, Any], found: Sequence[Mark], view: View, look: Theme
) -> dict[str, Any]:
    """The plot of a history with the rows of marks below it; the curves keep their own space.

    Marks of a kind that overlap in time have rows of their own.
    """
    rows = [row for row in ROWS if any(mark.row == row for mark in found)]
    if not rows:
        return figure
    placed = {row: _lanes([m for m in found if m.row == row], view) for row in rows}
    counts = [1 + max(lane for _, lane in placed[row]) for row in rows]
    total = sum(counts)
    foot = min(ROW * len(rows) + MORE * (total - len(rows)), FOOT_MOST)
    # The first row of a kind lies on top and bears its name.
    first = [total - 1 - sum(counts[:i]) for i in range(len(rows))]
    layout = dict(figure["layout"])
    layout["yaxis"] = layout["yaxis"] | {"domain": [foot + 0.03, 1.0]}
    layout["xaxis"] = layout["xaxis"] | {"anchor": "y2"}
    layout["yaxis2"] = {
        "domain": [0.0, foot],
        "range": [-0.5, total - 0.5],
        "fixedrange": True,
        "tickvals": first[::-1],
        "ticktext": rows[::-1],
        "showgrid": False,
        "zeroline": False,
        "linecolor": look.quiet,
        "tickfont": {"size": 13},
    }
    layout["annotations"] = [
        note | {"y": foot + 0.03 + (0.97 - foot) * note["y"]}
        if note.get("yref") == "paper"
        else note
        for note in layout["annotations"]
    ]
    traces = [
        _row(row, top, placed[row], view, look) for row, top in zip(rows, first, strict=True)
    ]
    return figure | {"data": [*figure["data"], *traces], "layout": layout}


def _shown(mark: Mark, view: View) -> tuple[int, int]:
    """Part of a mark within the view. [ms]"""
    return max(mark.begin_ms, view.start_ms), min(mark.end_ms or view.end_ms, view.end_ms)


def _lanes(found: Iterable[Mark], view: View) -> list[tuple[Mark, int]]:
    """Marks with a row for each: the first in which nothing else is at its time; the last is shared."""
    room = ROOM * (view.end_ms - view.start_ms)
    ends: list[float] = []
    placed = []
    for mark in sorted(found, key=lambda m: m.begin_ms):
        begin, end = _shown(mark, view)
        lane = next((i for i, taken in enumerate(ends) if taken <= begin), len(ends))
        lane = min(lane, LANES_MOST - 1)
        ends[lane : lane + 1] = [max(end, begin + room)]
        placed.append((mark, lane))
    return placed


def _row(
    row: str, top: int, found: Iterable[tuple[Mark, int]], view: View, look: Theme
) -> dict[str, Any]:
    """The marks of a kind as one line with gaps; each has a mark at its start."""
    symbol, dash, width = STYLES[row]
    xs: list[float | None] = []
    ys: list[int | None] = []
    texts: list[str] = []
    for mark, lane in found:
        xs += [*_shown(mark, view), None]
        ys += [top - lane, top - lane, None]
        texts += [plots.escaped(f"{mark.text}: {span_words(mark, view)}")] * 2 + [""]
    size = [12, 0, 0] * (len(xs) // 3)
    return {
        "type": "scatter",
        "x": xs,
        "y": ys,
        "yaxis": "y2",
        "mode": "lines+markers",
        "name": row,
        "showlegend": False,
        "line": {"color": look.ink, "width": width, "dash": dash},
        "marker": {"color": look.ink, "symbol": symbol, "size": size},
        "text": texts,
        "hovertemplate": "%{text}<extra></extra>",
    }


def span_words(mark: Mark, view: View) -> str:
    """Begin and end of a mark in words."""
    begin = formats.stamp(mark.begin_ms, view.zone)
    if mark.end_ms is None:
        return f"since {begin}"
    return f"{begin} to {formats.stamp(mark.end_ms, view.zone)}"


def listed(found: Sequence[Mark], view: View) -> list[Component]:
    """The marks in words, folded away."""
    if not found:
        return []
    counts = [(row, sum(mark.row == row for mark in found)) for row in ROWS]
    rows = ", ".join(f"{row} ({n})" for row, n in counts if n)
    more = f" The latest {LISTED} are listed." if len(found) > LISTED else ""
    return [
        folded(
            f"Marks below the curves: {rows}.{more}",
            html.Ul(
                [
                    html.Li([dcc.Link(mark.text, href=mark.href), f", {span_words(mark, view)}"])
                    for mark in found[:LISTED]
                ]
            ),
            id="past-marks",
            unfold="past-marks",
        )
    ]
