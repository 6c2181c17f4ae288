"""May I glue now: the answer large, its reasons, and the same in short on the Bench page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, dcc, html

from dashboard.bench.view import BENCH
from dashboard.ui import formats, missing, page_frame
from dashboard.ui.controls import folded, picks, text_field
from dashboard.ui.form_input import Form, beside_field
from dashboard.ui.markup import attributes, shape
from monitor.core.clock import now_ms
from monitor.core.errors import Fault, Rejected
from monitor.domain.glue import GlueState
from monitor.waits import glue_text
from monitor.waits.glue_answer import Answer
from monitor.waits.glue_now import GlueQuestion
from monitor.waits.glue_now_text import words

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.glue import GlueQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.wood import WoodQueries
    from monitor.domain.places import Place
    from monitor.waits.glue_now import GlueNow

PATH = "/bench/glue-now"
SHORT_MOST = 4
"""Most places that the Bench page answers for."""
SHAPES = {Answer.YES: "right", Answer.CARE: "waiting", Answer.NO: "no", Answer.UNKNOWN: "unknown"}


def register(app: dash.Dash, shop: ShopData, book: GlueQueries, woods: WoodQueries) -> None:
    """Hang the page, its answer and the strip of the Bench page into the app."""
    dash.register_page(
        "bench_glue_now",
        path=PATH,
        title="May I glue?",
        layout=lambda place="", **_: layout(shop, book, woods, place),
    )

    @app.callback(
        Output("may", "children"),
        Input("token", "data"),
        Input("bench-changed", "data"),
        *(Input(f"may-{name}", "value") for name in _ASKED),
    )
    @page_frame.where_store_fails(page_frame.sentence_of)
    def answer(_token: str, _changed: str, *given: str | None) -> list[Component | None]:
        asked = dict(zip(_ASKED, (text or "" for text in given), strict=True))
        return answer_to(asked, shop, book)

    @app.callback(
        Output("bench-glue", "children"), Input("token", "data"), Input("bench-changed", "data")
    )
    @page_frame.where_store_fails(page_frame.sentence_of)
    def strip(_token: str, _changed: str) -> list[Component]:
        return short(shop, book)


_ASKED = ("place", "kind", "glue", "instrument", "parts", "need")
"""Names of the fields."""


def indoors(shop: ShopData) -> list[Place]:
    """The places where a joint can be made, benches first."""
    with shop.reader() as reader:
        found = [place for place in shop.places(reader) if place.kind != "outdoors"]
    return sorted(found, key=lambda place: place.kind != "bench")


@page_frame.where_store_fails(BENCH.failed(PATH, "May I glue now?"))
def layout(shop: ShopData, book: GlueQueries, woods: WoodQueries, chosen: str = "") -> Component:
    """The page: place, answer, and the rest of the question."""
    places = indoors(shop)
    if not places:
        return BENCH.page(
            PATH,
            [html.H1("May I glue now?"), missing.missing(missing.NO_PLACE, missing.SET_UP_PLACE)],
        )
    named = {place.id: place.label for place in places}
    kinds = {kind.id: kind.name for kind in book.joints()}
    now = now_ms()
    glues = {"": "Not named"} | {one.id: _glue_option(one, now) for one in book.here()}
    here = {"": "None"} | {one.id: one.reference for one in woods.here()}
    degree = formats.degree(formats.unit_of(shop.settings))
    return BENCH.page(
        PATH,
        [
            html.H1("May I glue now?"),
            _picks("Place", "place", named, chosen if chosen in named else places[0].id),
            html.Div(id="may", className="may", **attributes(aria_live="polite")),
            folded(
                "The joint: kind, glue, instrument, parts, time",
                _picks("Kind of joint", "kind", kinds, next(iter(kinds), "")),
                _picks("Glue", "glue", glues, ""),
                _picks("Instrument", "instrument", here, ""),
                html.Div(
                    [
                        text_field(
                            f"Temperature of the parts, {degree} (empty: the room's)",
                            "may-parts",
                            "parts",
                            inputMode="decimal",
                            debounce=True,
                        ),
                        text_field(
                            "Seconds from spreading the glue to the closed joint",
                            "may-need",
                            "need",
                            inputMode="numeric",
                            debounce=True,
                        ),
                    ],
                    className="fields",
                ),
                id="may-more",
                open=True,
            ),
        ],
    )


def _glue_option(one: Any, now: int) -> str:
    state = one.state(now)
    return one.label if state is GlueState.GOOD else f"{one.label} ({state})"


def _picks(legend: str, name: str, options: dict[str, str], chosen: str) -> Component:
    return picks(legend, f"may-{name}", options, chosen)


def answer_to(asked: dict[str, str], shop: ShopData, book: GlueQueries) -> list[Component | None]:
    """The answer to the fields as they are, or what is wrong with them."""
    form = Form({name: text.strip() for name, text in asked.items()}, shop.settings)
    try:
        parts, need = form.temp_c("parts"), form.number("need")
        form.check()
        question = GlueQuestion(
            form.text("place"), form.text("kind"), form.text("glue"), parts, need
        )
        found = book.may_glue(question, form.text("instrument"))
    except Rejected as exc:
        return [html.P(_fault_words(one, form), role="alert") for one in exc.faults]
    return large(found, shop)


_FIELDS = {"parts_temp_c": "parts", "need_s": "need"}
_LABELS = {
    "parts": "Temperature of the parts",
    "need": "Seconds",
    "place": "Place",
    "kind": "Kind of joint",
    "glue": "Glue",
}


def _fault_words(fault: Fault, form: Form) -> str:
    """A fault with the label of its field and the value as it was typed."""
    name = _FIELDS.get(fault.field, fault.field)
    text = beside_field(fault, form.text(name), form.unit)
    return f"{_LABELS[name]}: {text}." if name in _LABELS else f"{text}."


def large(found: GlueNow, shop: ShopData) -> list[Component | None]:
    """The answer in full."""
    unit = formats.unit_of(shop.settings)
    text = words(found, now_ms(), shop.settings.zone, unit)
    return [
        html.P([shape(SHAPES[found.answer]), html.Strong(text.word)], className="word"),
        html.P(text.sentence, className="lead"),
        html.Ul([html.Li(reason) for reason in text.reasons], className="reasons")
        if text.reasons
        else None,
        html.Dl(
            [html.Div([html.Dt(name), html.Dd(value)]) for name, value in text.facts],
            className="may-facts",
        ),
        html.Ul([html.Li(caution) for caution in text.cautions], className="plain may-cautions"),
    ]


def short(shop: ShopData, book: GlueQueries) -> list[Component]:
    """The strip of the Bench page: an answer a bench, pots that are on, and old batches."""
    now, zone = now_ms(), shop.settings.zone
    all_benches = [place for place in indoors(shop) if place.kind == "bench"]
    benches = all_benches[:SHORT_MOST]
    rows: list[Component] = []
    unit = formats.unit_of(shop.settings)
    for place in benches:
        found = book.may_glue(GlueQuestion(place.id))
        text = words(found, now, zone, unit)
        rows.append(
            html.Li(
                [
                    dcc.Link(
                        [shape(SHAPES[found.answer]), html.Strong(f"{place.label}: {text.word}")],
                        href=f"{PATH}?place={place.id}",
                        className="word",
                    ),
                    html.Span(text.sentence, className="aside"),
                ],
                key=place.id,
            )
        )
    if more := len(all_benches) - len(benches):
        word = f"Ask for {formats.counted(more, 'more place')}"
        rows.append(html.Li(dcc.Link(word, href=PATH), key="more"))
    for one in book.here():
        brief = glue_text.brief(one, now, zone)
        if not brief:
            continue
        rows.append(
            html.Li(
                [
                    dcc.Link(html.Strong(one.label), href=f"/bench/glue/{one.id}"),
                    html.Span(brief, className="aside"),
                ],
                key=f"glue-{one.id}",
                className="batch",
            )
        )
    return [html.H2("May I glue now?"), html.Ul(rows, className="may-short")] if rows else []
