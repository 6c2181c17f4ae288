"""In clamps: on the wall, the open waits that are ready next, as bars."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard import wait_parts, wait_words
from dashboard.markup import attributes

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from monitor.standings import Standing

SHOWN = 4
"""Most waits on the wall; a narrow one shows fewer, the next ones first."""
TIGHT_ROWS = 4
"""From so many places on each wait has one line only."""


def strip(standings: Sequence[Standing], now_ms: int, zone: ZoneInfo, rows: int) -> Component:
    """The next few open waits by ready time; `rows`: how many places share the wall."""
    shown = standings[:SHOWN]
    of = wait_parts.axis(shown, now_ms)
    cells = []
    for standing in shown:
        said = wait_words.said(standing, now_ms, zone)
        cells.append(
            html.Li(
                [
                    html.P(
                        [wait_parts.shape(standing, said.state), html.Span(said.when)],
                        className="when",
                    ),
                    html.P(wait_words.title(standing.wait), className="of"),
                    wait_parts.bar(standing, of, zone),
                    html.P(said.sentence, className="said"),
                ],
                key=standing.wait.id,
                **attributes(data_state=said.state),
            )
        )
    return html.Section(
        [
            html.H2(
                [dcc.Link("In clamps", href="/bench"),
                 html.Span(f"{len(standings)} open", className="count-open")]
            ),
            html.Ul(cells),
        ],
        className="clamps",
        **attributes(data_tight="yes" if rows >= TIGHT_ROWS else "no", aria_label="In clamps"),
    )  # fmt: skip
