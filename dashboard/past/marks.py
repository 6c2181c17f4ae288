"""Marks on Past: clamp-ups, coats and alerts of the places shown, in rows of their own below the
curves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from dash import dcc, html

from dashboard.ui import formats, plots
from dashboard.ui.markup import attributes
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
"""Height of a row, as a share of the plot."""
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
    """The plot of a history with the rows of marks below it; the curves keep their own space."""
    rows = [row for row in ROWS if any(mark.row == row for mark in found)]
    if not rows:
        return figure
    foot = ROW * len(rows)
    layout = dict(figure["layout"])
    layout["yaxis"] = layout["yaxis"] | {"domain": [foot + 0.03, 1.0]}
    layout["xaxis"] = layout["xaxis"] | {"anchor": "y2"}
    layout["yaxis2"] = {
        "domain": [0.0, foot],
        "range": [-0.5, len(rows) - 0.5],
        "fixedrange": True,
        "tickvals": list(range(len(rows))),
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
    level = {row: len(rows) - 1 - i for i, row in enumerate(rows)}
    traces = [
        _row(row, level[row], [m for m in found if m.row == row], view, look) for row in rows
    ]
    return figure | {"data": [*figure["data"], *traces], "layout": layout}


def _row(row: str, level: int, found: Iterable[Mark], view: View, look: Theme) -> dict[str, Any]:
    """The marks of a row as one line with gaps; each has a mark at its start."""
    symbol, dash, width = STYLES[row]
    xs: list[float | None] = []
    texts: list[str] = []
    for mark in found:
        begin = max(mark.begin_ms, view.start_ms)
        end = min(mark.end_ms or view.end_ms, view.end_ms)
        xs += [begin, end, None]
        texts += [plots.escaped(f"{mark.text}: {span_words(mark, view)}")] * 2 + [""]
    size = [12, 0, 0] * (len(xs) // 3)
    return {
        "type": "scatter",
        "x": xs,
        "y": [level if x is not None else None for x in xs],
        "yaxis": "y2",
        "mode": "lines+markers",
        "name": row,
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
    told = ", ".join(f"{row} ({n})" for row, n in counts if n)
    more = f" The latest {LISTED} are listed." if len(found) > LISTED else ""
    return [
        html.Details(
            [
                html.Summary(f"Marks below the curves: {told}.{more}"),
                html.Ul(
                    [
                        html.Li(
                            [dcc.Link(mark.text, href=mark.href), f", {span_words(mark, view)}"]
                        )
                        for mark in found[:LISTED]
                    ]
                ),
            ],
            id="past-marks",
            **attributes(data_unfold="past-marks"),
        )
    ]
