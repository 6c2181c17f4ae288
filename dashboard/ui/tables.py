"""Tables: rows under heads on a wide screen, one below the other on a phone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import html

from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dash.development.base_component import Component


def stacked_table(
    heads: Sequence[str], rows: Iterable[Sequence[Any]], label: str, *, counts: Iterable[int] = ()
) -> Component:
    """A table whose first cell names its row; on a phone each cell has its head above it.

    The roles are those of a table in any layout, which some browsers forget. `counts`: columns of
    figures, aligned at the right.
    """
    right = set(counts)

    def cell(i: int, content: Any) -> Component:
        classes = "count" if i in right else ""
        if i == 0:
            return html.Th(content, scope="row", role="rowheader", className=classes)
        inner = html.Div(content, className="cell")
        return html.Td(inner, role="cell", className=classes, **attributes(data_head=heads[i]))

    return html.Table(
        [
            html.Thead(
                html.Tr(
                    [
                        html.Th(
                            head,
                            scope="col",
                            role="columnheader",
                            className="count" if i in right else "",
                        )
                        for i, head in enumerate(heads)
                    ],
                    role="row",
                ),
                role="rowgroup",
            ),
            html.Tbody(
                [html.Tr([cell(i, c) for i, c in enumerate(row)], role="row") for row in rows],
                role="rowgroup",
            ),
        ],
        className="stacked",
        role="table",
        **attributes(aria_label=label),
    )


def wide_table(
    heads: Iterable[str], rows: Iterable[Sequence[Any]], label: str, classes: str = ""
) -> Component:
    """A table that scrolls by itself where it is wider than the page; `rows` are cells."""
    head = html.Thead(html.Tr([html.Th(one, scope="col") for one in heads]))
    body = html.Tbody([html.Tr(row) for row in rows])
    return html.Div(
        html.Table([head, body], className=classes),
        className="scroll",
        tabIndex=0,
        role="region",
        **attributes(aria_label=label),
    )
