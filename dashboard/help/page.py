"""Help: the manual on the board, a page a subject, with a search."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import ClientsideFunction, Input, Output, State, dcc, html

from dashboard.help import manual, markdown
from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component


def register(app: dash.Dash) -> None:
    """Hang the pages, their search and the jump to a heading into the app."""
    dash.register_page(
        "help", path="/help", title="Help", layout=lambda **query: layout("start", query)
    )
    dash.register_page(
        "help_subject",
        path_template="/help/<subject>",
        title="Help",
        layout=lambda subject="", **query: layout(subject, query),
    )
    app.clientside_callback(
        ClientsideFunction("help", "jump"),
        Output("help-jumped", "data"),
        Input("help-article", "id"),
        Input("_pages_location", "hash"),
    )

    @app.callback(
        Output("help-found", "children"),
        Input("help-query", "value"),
        State("help-found", "id"),
        prevent_initial_call=True,
    )
    def find(query: str | None, _id: str) -> list[Component]:
        return found(query or "")


def layout(name: str, query: Mapping[str, Any]) -> Component:
    """A page of the manual; `?q=words` shows what a search finds."""
    subjects = manual.subjects()
    words = str(query.get("q", ""))
    article: list[Component | str]
    if words.strip():
        article, name = [], ""
    elif name in subjects:
        article = markdown.rendered(subjects[name].source)
    else:
        article = [
            html.H1("Help"),
            html.P("There is no help page at this address. Choose a subject or search."),
        ]
    return html.Main(
        [
            html.Div(
                [
                    html.Form(
                        [
                            html.Label("Search the help", htmlFor="help-query"),
                            dcc.Input(
                                id="help-query",
                                name="q",
                                type="search",
                                value=words,
                                debounce=0.2,
                                autoComplete="off",
                            ),
                        ],
                        action="/help",
                        method="GET",
                        role="search",
                    ),
                    html.P(html.A("Subjects", href="#help-subjects"), className="help-skip"),
                    html.Nav(
                        html.Ul(
                            [
                                html.Li(
                                    dcc.Link(
                                        one.title,
                                        href=f"/help/{one.name}",
                                        className="here" if one.name == name else "",
                                    )
                                )
                                for one in subjects.values()
                            ]
                        ),
                        id="help-subjects",
                        **attributes(aria_label="Subjects"),
                    ),
                ],
                className="help-side",
            ),
            html.Div(
                [
                    html.Div(found(words), id="help-found", **attributes(aria_live="polite")),
                    html.Article(article, id="help-article"),
                ],
                className="help-text",
            ),
            dcc.Store(id="help-jumped"),
        ],
        className="sheet help",
    )


def found(query: str) -> list[Component]:
    """Results of a search: a link to each section, with the text around the words."""
    if not query.strip():
        return []
    hits = manual.search(query)
    if not hits:
        return [
            html.H1("Nothing found"),
            html.P(f"No help page has all of these words: {query.strip()[:80]}"),
        ]
    return [
        html.H1("Found"),
        html.Ul(
            [
                html.Li(
                    [
                        dcc.Link(
                            _name(hit.section),
                            href=f"/help/{hit.section.subject.name}#{hit.section.anchor}",
                        ),
                        html.P(hit.snippet),
                    ]
                )
                for hit in hits
            ]
        ),
    ]


def _name(section: manual.ManualSection) -> str:
    title = section.subject.title
    return title if section.heading == title else f"{title}: {section.heading}"
