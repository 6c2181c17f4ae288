"""Strip on the wall: the open waits that are ready next, as bars."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard.bench import series, view
from dashboard.ui import formats
from dashboard.ui.markup import attributes
from monitor.science.waits.wait import WaitState
from monitor.waits import text as wait_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.waits.evaluation import WaitStatus

SHOWN = 4
"""Most cells on the wall; a narrow one shows fewer, the next ones first."""
NAMED = 2
"""Most things that the cell of what is ready names; the rest are counted."""


def open_waits(shop: ShopData, book: WaitQueries, now_ms: int) -> list[Component]:
    """The strip of the open waits, or that there are none."""
    found = book.statuses()
    if not found:
        return [html.P(dcc.Link("Nothing in clamps.", href="/bench"), className="no-clamps")]
    return [strip(found, now_ms, shop.settings.zone)]


def strip(statuses: Sequence[WaitStatus], now_ms: int, zone: ZoneInfo) -> Component:
    """Strip of what is ready, and the next few open waits by ready time; alike waits are one."""
    groups = series.alike(statuses, lambda status: status.wait)
    ready = [alike for alike in groups if _is_ready(alike[-1])]
    if len(ready) > 1:  # what is ready must not push what is next off the wall
        coming = [alike for alike in groups if alike not in ready][: SHOWN - 1]
        cells = [_ready(ready, now_ms, zone)]
    else:
        coming, cells = groups[:SHOWN], []
    of = view.axis([alike[-1] for alike in coming], now_ms)
    cells += [_one(alike, of, zone) for alike in coming]
    return html.Section(
        [
            html.H2(
                [
                    dcc.Link("In clamps", href="/bench"),
                    html.Span(_counts(statuses), className="count-open"),
                ]
            ),
            html.Ul(cells),
        ],
        className="clamps",
        **attributes(aria_label="In clamps"),
    )


def _is_ready(status: WaitStatus) -> bool:
    return (status.ready or status.loadable) and not status.wait.paused


def _counts(statuses: Sequence[WaitStatus]) -> str:
    held = sum(s.readiness is not None and s.readiness.state is WaitState.HOLD for s in statuses)
    setting = sum(s.wait.setting for s in statuses)
    counts = [f"{len(statuses)} open"]
    counts += [f"{setting} of them unclamped"] if setting else []
    counts += [f"{held} on hold"] if held else []
    return ", ".join(counts)


def _one(alike: Sequence[WaitStatus], of: view.Axis, zone: ZoneInfo) -> Component:
    """Cell for waits that are alike, in the state of the last of them to be ready."""
    status = alike[-1]
    words = wait_text.status_text(status, of.now_ms, zone)
    return _cell(
        alike[0].wait.id,
        words.state,
        [view.status_shape(status, words.state), html.Span(words.when)],
        series.title([one.wait for one in alike]),
        [view.bar(status, of, zone), html.P(words.sentence, className="said")],
    )


def _ready(ready: Sequence[Sequence[WaitStatus]], now_ms: int, zone: ZoneInfo) -> Component:
    """All that is ready in one cell, what was ready first in front."""
    waits = [one.wait for alike in ready for one in alike]
    names = "; ".join(series.title([one.wait for one in alike]) for alike in ready[:NAMED])
    if len(ready) > NAMED:
        names += f"; {len(ready) - NAMED} more"
    first = min(
        (
            s.readiness.ready_ms
            for a in ready
            for s in a
            if s.readiness is not None and s.readiness.ready_ms is not None
        ),
        default=now_ms,
    )
    since = formats.when(first, now_ms, zone)
    return _cell(
        "several",
        "ready",
        [view.status_shape(ready[0][0], "ready"), html.Span(f"{len(waits)} ready")],
        names,
        [html.P(f"The first since {since}.", className="said")],
    )


def _cell(
    key: str, state: str, when: list[Component], of: str, rest: list[Component]
) -> Component:
    return html.Li(
        [html.P(when, className="when"), html.P(of, className="of"), *rest],
        key=key,
        className="several" if key == "several" else "",
        **attributes(data_state=state),
    )
