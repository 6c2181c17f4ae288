"""The frame of a page: its subpages' links, its body, and the answer where the store fails."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar, cast

import dash
from dash import Input, Output, State, dcc, html

from dashboard.ui.controls import action_results
from dashboard.ui.markup import attributes
from dashboard.ui.sentences import Trouble, store_trouble
from monitor.core.errors import StoreFault

if TYPE_CHECKING:
    from collections.abc import Callable

    from dash.development.base_component import Component

Read = TypeVar("Read", bound="Callable[..., Any]")


def where_store_fails(instead: Callable[..., Any]) -> Callable[[Read], Read]:
    """Decorator of what reads the store: answers with `instead` where it cannot be read.

    `instead` gets the trouble, then the arguments of the call; it answers in kind.
    """

    def decorated(read: Read) -> Read:
        @functools.wraps(read)
        def answered(*args: Any, **kwargs: Any) -> Any:
            try:
                return read(*args, **kwargs)
            except StoreFault as exc:
                return instead(store_trouble(exc), *args, **kwargs)

        return cast("Read", answered)

    return decorated


def sentence_of(trouble: Trouble, *_: object, **__: object) -> list[Component]:
    """A trouble as the only content of a part of a page."""
    return [html.P(trouble.sentence)]


def drawn_again(
    app: dash.Dash, *parts: str, of: str | State = "", instead: Callable[..., Any] | None = None
) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Decorator of a function that draws parts of a page again: after changes of the store and taps.

    It gets what the store `of` holds, and returns the content of the parts, or None to keep it.
    `instead`: content where the store fails, by its trouble; else a sentence in the first.
    """
    kept = (len(parts) - 1) * [dash.no_update]

    def failed(trouble: Trouble, *_: object) -> Any:
        return (sentence_of(trouble), *kept) if kept else sentence_of(trouble)

    def decorated(draw: Callable[..., Any]) -> Callable[..., Any]:
        @app.callback(
            *(Output(part, "children") for part in parts),
            Input("token", "data"),
            Input("bench-changed", "data"),
            *([State(of, "data") if isinstance(of, str) else of] if of else []),
            prevent_initial_call=True,
        )
        @where_store_fails(instead or failed)
        def refresh(_token: str, _changed: str, *subject: str) -> Any:
            if (found := draw(*subject)) is None:
                raise dash.exceptions.PreventUpdate
            return found

        return draw

    return decorated


def _failed(title: str, trouble: Trouble) -> list[Component]:
    """A page without its parts; `board.js` opens it again when there is more to show."""
    return [html.H1(title), html.P(trouble.sentence, **attributes(data_failed="yes"))]


def sheet(title: str, classes: str = "sheet") -> Callable[..., Component]:
    """Page maker for `where_store_fails`: this title with the trouble's sentence."""
    return lambda trouble, *_, **__: html.Main(_failed(title, trouble), className=classes)


class MenuSection(NamedTuple):
    """A page of the menu and its subpages, as (address, word)."""

    label: str
    classes: str
    subpages: tuple[tuple[str, str], ...]

    def links(self, here: str) -> Component:
        """The subpages; `here` is the address of the page that is open."""
        return html.Nav(
            [
                dcc.Link(word, href=path, className="here" if path == here else "")
                for path, word in self.subpages
            ],
            className="steps-nav",
            **attributes(aria_label=self.label),
        )

    def page(self, here: str, parts: list[Any], classes: str = "") -> Component:
        """A subpage: links, the results of actions, its parts."""
        return html.Main(
            [self.links(here), *action_results(), *parts],
            className=f"sheet {self.classes} {classes}".strip(),
        )

    def failed(self, here: str, title: str, classes: str = "") -> Callable[..., Component]:
        """Subpage maker for `where_store_fails`: this title with the trouble's sentence."""
        return lambda trouble, *_, **__: self.page(here, _failed(title, trouble), classes)
