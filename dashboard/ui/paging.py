"""Pages of a long list: what the address asks for, a search field, and links to the other pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Generic, NamedTuple, TypeVar
from urllib.parse import parse_qs, urlencode

import dash
from dash import Input, Output, State, dcc, html

from dashboard.ui import formats
from dashboard.ui.controls import text_field
from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dash.development.base_component import Component

WORDS_MAX = 60
"""Longest part of a search that the page shows again. [characters]"""
_One = TypeVar("_One")


class Asked(NamedTuple):
    """Words to search for, and number of a page, as the address has them; not to be trusted.

    `ended`: number of a page of what has ended, where a page lists both.
    """

    words: str = ""
    page: str = ""
    ended: str = ""


FIRST = Asked()
"""The first page of all."""


def register_list(
    app: dash.Dash,
    name: str,
    path: str,
    title: str,
    live: Callable[[Asked], list[Component]],
    framed: Callable[[list[Component]], Component],
) -> None:
    """Register a page with a long list. `live` draws the list, again with each new token.

    `framed` puts the list into the page, as the children of the component whose id is `name`.
    """
    dash.register_page(
        name,
        path=path,
        name=title,
        title=title,
        layout=lambda q="", page="", **_: framed(live(Asked(str(q), str(page)))),
    )

    @app.callback(
        Output(name, "children"),
        Input("token", "data"),
        State("_pages_location", "search"),
        prevent_initial_call=True,
    )
    def refresh(_token: str, search: str | None) -> list[Component]:
        return live(asked_in(search))


def asked_in(search: str | None) -> Asked:
    """Words and pages that the query of an address asks for."""
    query = parse_qs((search or "").removeprefix("?"))
    return Asked(*(query.get(name, [""])[0] for name in ("q", "page", "ended")))


class Page(NamedTuple, Generic[_One]):
    """Rows of a page, its number from 1, how many pages there are, and how many rows were found."""

    rows: Sequence[_One]
    number: int
    pages: int
    found: int


def page_of(found: Sequence[_One], number: str, most: int) -> Page[_One]:
    """A page of at most `most` rows; the first if `number` is not one, the last if it is too large."""
    pages = max(1, -(-len(found) // most))
    shown = min(max(int(number), 1), pages) if number.isdecimal() and len(number) < 7 else 1
    return Page(found[most * (shown - 1) : most * shown], shown, pages, len(found))


def with_words(every: Sequence[_One], words: str, text: Callable[[_One], str]) -> list[_One]:
    """Rows whose text has all these words, in any case."""
    wanted = words.casefold().split()
    return [one for one in every if all(word in text(one).casefold() for word in wanted)]


def search_form(label: str, id_: str, path: str, words: str) -> Component:
    """A form with a field to search. A redraw waits while somebody types into it (`board.js`)."""
    return html.Form(
        text_field(label, id_, "q", value=words, debounce=0.3),
        action=path,
        method="GET",
        role="search",
        className="fields",
    )


def count_words(page: Page[_One], total: int, what: str, words: str) -> str:
    """Sentence on how many there are, or how many a search found."""
    count = formats.counted(total, what)
    return (
        f"{count}.{found_words(page, words)}" if words.strip() else f"{count}, the gravest first."
    )


def found_words(page: Page[_One], words: str) -> str:
    """Sentence on how many rows a search found, with a space before it; empty without a search."""
    matches = formats.counted(page.found, "matches", "match")
    return f" {matches} “{words.strip()[:WORDS_MAX]}”." if words.strip() else ""


def links(
    page: Page[_One], path: str, words: str, what: str, name: str = "page"
) -> list[Component]:
    """Links to the pages before and after, numbered by a name; none if all is on one page."""
    if page.pages == 1:
        return []

    def link(word: str, to: int) -> Component | None:
        query = urlencode({"q": words, name: to})
        there = 1 <= to <= page.pages
        return dcc.Link(word, href=f"{path}?{query}", className="tap") if there else None

    return [
        html.Nav(
            [
                link(f"Previous {what}", page.number - 1),
                html.Span(f"Page {page.number} of {page.pages}"),
                link(f"Next {what}", page.number + 1),
            ],
            className="taps",
            **attributes(aria_label=f"Pages of {what}"),
        )
    ]
