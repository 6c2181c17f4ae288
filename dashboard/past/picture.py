"""Pictures of a view as files: PNG made by the browser, PDF set here from the browser's drawing.

Both are in the day's ink on white and of one size, whatever the screen and its theme.
"""

from __future__ import annotations

import copy
import re
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import dash
import flask
from dash import ClientsideFunction, Input, Output, State, dcc, html

from dashboard.past.selection import choice_of, file_name, shown
from dashboard.ui import plain_html, plots
from dashboard.ui.markup import attributes
from monitor.clients import typst_pdf
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.past.view_page import PastView

PAPER = {"theme": "day", "width": 1400}
"""Screen for which a picture is drawn."""
TAGS = frozenset(
    ("svg", "g", "path", "rect", "text", "tspan", "defs", "clipPath", "circle", "line", "pattern")
)
"""Elements of a plot's drawing; anything else is not ours."""
TEXTS_MAX = 20
"""Most sentences below a picture."""
_OUTSIDE = re.compile(r"url\(\s*(?!['\"]?#)|@import", re.IGNORECASE)


MARKS = ("▲", "▼")
_FONT_SIZE = re.compile(r"font-size:\s*([\d.]+)px")


class NotOurs(ValueError):
    """A drawing that no view has made."""


def parts(name: str) -> list[Component]:
    """Buttons that save the picture, and the store by which the browser gets it."""
    return [
        html.Button("Save picture (PNG)", id=f"{name}-png", n_clicks=0, type="button"),
        html.Button("Save page (PDF)", id=f"{name}-pdf", n_clicks=0, type="button"),
        html.P(id=f"{name}-saved", className="saved", **attributes(aria_live="polite")),
        dcc.Store(id=f"{name}-picture"),
    ]


def register(app: dash.Dash, shop: ShopData, view: PastView) -> None:
    """Hang the pictures of a view into the app."""
    name = view.name
    app.clientside_callback(
        ClientsideFunction("picture", "save"),
        Output(f"{name}-saved", "children"),
        Input(f"{name}-picture", "data"),
        prevent_initial_call=True,
    )
    if "past_picture" not in app.server.view_functions:
        app.server.add_url_rule(
            "/past/picture.pdf", "past_picture", lambda: answer_pdf(shop), methods=["POST"]
        )

    @app.callback(
        Output(f"{name}-picture", "data"),
        Input(f"{name}-png", "n_clicks"),
        Input(f"{name}-pdf", "n_clicks"),
        State(f"{name}-view", "data"),
        prevent_initial_call=True,
    )
    def picture(png: int | None, pdf: int | None, held: dict[str, Any] | None) -> dict[str, Any]:
        if not (png or pdf):
            raise dash.exceptions.PreventUpdate
        kind = "pdf" if f"{name}-pdf.n_clicks" in dash.ctx.triggered_prop_ids else "png"
        choice, now = choice_of(held or {}, view.spans), now_ms()
        answer = view.answered(choice, PAPER, now)
        what = "" if view.quantities else name
        return {
            "kind": kind,
            "figure": plots.sent(answer.figure) if answer.title else None,
            "name": file_name(choice, now, shop, what=what),
            "title": answer.title,
            "shown": answer.shown or (shown(choice, now, shop) if answer.title else ""),
            "words": [plain_html.text_of(one) for one in _paragraphs(answer.words)][:TEXTS_MAX],
        }


def _paragraphs(part: Any) -> Iterator[Component]:
    """The sentences of what is below a plot, without its tables and folds."""
    if isinstance(part, html.P):
        yield part
    elif isinstance(part, list | tuple):
        for one in part:
            yield from _paragraphs(one)
    elif isinstance(part, html.Div | html.Section):
        yield from _paragraphs(getattr(part, "children", None))


def answer_pdf(shop: ShopData) -> flask.Response:
    """A page of paper with the picture that a view has drawn, or what is wrong with it."""
    body = flask.request.get_json(silent=True)
    try:
        if not isinstance(body, dict):
            raise NotOurs("There is no drawing in this request.")
        content = {
            "svg": marks_apart(sound_svg(body.get("svg"))),
            "shop": shop.settings.shop.name,
            "title": _text(body.get("title")),
            "shown": _text(body.get("shown")),
            "words": [_text(one) for one in list(body.get("words") or ())[:TEXTS_MAX]],
        }
        template = (files("dashboard.past") / "picture.typ").read_bytes()
        made = typst_pdf.pdf_apart(template, content)
    except (NotOurs, RecursionError, TypeError) as exc:
        return flask.Response(f"{exc}\n", 400, mimetype="text/plain")
    except typst_pdf.TypesetterBusy:
        return flask.Response(
            "Another page is being set. Try again.\n", 503, mimetype="text/plain"
        )
    except typst_pdf.TypesetFault:
        return flask.Response("The page could not be set.\n", 400, mimetype="text/plain")
    return flask.Response(made, mimetype="application/pdf")


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > 2000:
        raise NotOurs("A text of the picture is missing or too long.")
    return value


def sound_svg(text: object) -> str:
    """The drawing of a plot as it came: known elements only, and nothing fetched from elsewhere.

    Raises
    ------
    NotOurs
    """
    if not isinstance(text, str) or "<!" in text or _OUTSIDE.search(text):
        raise NotOurs("This is not a drawing of a plot.")
    try:
        root = ET.fromstring(text)  # noqa: S314 - without a DTD ("<!") there are no entities
    except (ET.ParseError, ValueError) as exc:
        raise NotOurs(f"This is not a drawing of a plot: {exc}") from exc
    for element in root.iter():
        tag = str(element.tag).rpartition("}")[2]
        if tag not in TAGS or any(name.rpartition("}")[2] == "href" for name in element.attrib):
            raise NotOurs(f"<{tag}> is not part of the drawing of a plot.")
    return text


def marks_apart(svg: str) -> str:
    """A drawing with each ▲ and ▼ before words as a text of its own.

    Our font does not have them, and the typesetter sets a whole text in the font that has.
    """
    ET.register_namespace("", "http://www.w3.org/2000/svg")
    root = ET.fromstring(svg)  # noqa: S314 - checked by `sound_svg`
    for parent in list(root.iter()):
        for i, element in reversed(list(enumerate(parent))):
            mark, _, words = (element.text or "").strip().partition(" ")
            if mark not in MARKS or not words or not element.tag.endswith("text"):
                continue
            size = _FONT_SIZE.search(element.get("style", ""))
            beside = copy.deepcopy(element)
            element.text, beside.text = mark, words
            beside.set("dx", f"{float(size[1]) if size else 12:g}")
            parent.insert(i + 1, beside)
    return ET.tostring(root, encoding="unicode")
