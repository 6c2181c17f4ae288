"""Pages of glue: the batches with their pot, and one batch."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import dash
from dash import dcc, html

from dashboard.access.visitor import may_change
from dashboard.bench.glue_forms import LABELS, shown_of
from dashboard.bench.view import BENCH
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import (
    action_button,
    fault_line,
    folded,
    picks,
    tap_row,
    text_area,
    text_field,
)
from dashboard.ui.event_list import event_list
from dashboard.ui.markup import attributes, shape
from monitor.core.clock import now_ms
from monitor.domain.cautions import DEFERS, WORDS
from monitor.domain.glue import GlueState
from monitor.domain.glue_kinds import KINDS
from monitor.waits import glue_text

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.glue import GlueQueries
    from dashboard.data.shop import ShopData
    from monitor.domain.glue import Glue

DISCARDED_SHOWN = 20
SHAPES = {
    GlueState.GOOD: "right",
    GlueState.NEAR: "waiting",
    GlueState.PAST: "no",
    GlueState.UNKNOWN: "unknown",
    GlueState.DISCARDED: "paused",
}
_page = partial(BENCH.page, classes="one")


def register(app: dash.Dash, shop: ShopData, book: GlueQueries) -> None:
    """Hang the pages and their refreshing into the app."""
    dash.register_page(
        "bench_glues", path="/bench/glue", title="Glue", layout=lambda **_: layout(shop, book)
    )
    dash.register_page(
        "bench_glue",
        path_template="/bench/glue/<glue_id>",
        title="Glue",
        layout=lambda glue_id="", **_: one(shop, book, glue_id),
    )

    @page_frame.drawn_again(app, "glues")
    def refresh() -> Any:
        return batches(shop, book, may_change().allowed)

    @page_frame.drawn_again(app, "glue-now", of="glue-id")
    def refresh_one(glue_id: str) -> Any:
        found = book.glue(glue_id)
        return state_of(found, shop, may_change().allowed) if found is not None else None


@page_frame.where_store_fails(BENCH.failed("/bench/glue", "Glue", "one"))
def layout(shop: ShopData, book: GlueQueries) -> Component:
    """The batches, and a form for a new one."""
    may = may_change()
    return _page(
        "/bench/glue",
        [
            html.H1("Glue"),
            html.Div(batches(shop, book, may.allowed), id="glues"),
            mixing() if may.allowed else html.P(may.why),
        ],
    )


def batches(shop: ShopData, book: GlueQueries, writer: bool) -> list[Component]:
    """Every batch with its condition, and the discarded ones."""
    found, gone = book.here(), book.discarded(DISCARDED_SHOWN)
    parts: list[Component] = []
    if not found:
        parts.append(html.P("No glue is recorded. Record a batch to count its hours in the pot."))
    else:
        parts.append(html.Ul([_batch(one, shop, writer) for one in found], className="glues"))
    if gone:
        parts.append(
            folded(
                f"{len(gone)} discarded",
                html.Ul(
                    [html.Li(dcc.Link(g.label, href=f"/bench/glue/{g.id}")) for g in gone],
                    className="plain",
                ),
                unfold="glues-gone",
            )
        )
    return parts


def _batch(one: Glue, shop: ShopData, writer: bool) -> Component:
    return html.Li(
        [
            html.H2(dcc.Link(one.label, href=f"/bench/glue/{one.id}")),
            *_condition(one, shop),
            html.Div(taps(one), className="taps") if writer else None,
        ],
        key=one.id,
        className="glue",
        **attributes(data_glue=one.id, data_state=str(one.state(now_ms()))),
    )


def _condition(one: Glue, shop: ShopData) -> list[Component | None]:
    now, zone = now_ms(), shop.settings.zone
    pot, missing = glue_text.pot(one, now, zone), glue_text.gaps(one)
    mark = shape(SHAPES[one.state(now)])
    where = f" Kept: {one.kept}." if one.kept else ""
    word = "Mixed" if one.kind.air_sets else "Mixed or opened"
    return [
        html.P(html.Strong(pot), className="pot") if pot else None,
        html.P([mark, html.Span(glue_text.condition(one, now, zone))], className="state"),
        html.P(missing, className="aside") if missing else None,
        html.P(f"{word} {formats.when(one.mixed_ms, now, zone)}.{where}", className="at"),
    ]


def taps(one: Glue) -> list[Component]:
    """Taps for a batch: its pot, and discarding it."""
    own = {"about": "glue", "glue": one.id}
    if not one.here:
        return [action_button("Undo discard", "restore", said="Discard undone.", **own)]
    if one.pot_on_ms is not None:
        return [
            action_button("Pot off", "pot off", name="tap main", said="Pot off. Unplug it.", **own)
        ]
    found = [
        action_button("Discard", "discard", sure="Discard it? Tap again", said="Discarded.", **own)
    ]
    if one.kind.heated:
        found.insert(
            0,
            action_button(
                "Pot on",
                "pot on",
                name="tap main",
                said="Pot on. Do not leave it alone, and keep its water topped up.",
                **own,
            ),
        )
    return found


def mixing() -> Component:
    """Form for a new batch."""
    kinds = {kind.id: kind.name for kind in KINDS.values()}
    return html.Section(
        [
            html.H2("Record a batch"),
            html.Div(
                [
                    picks("Kind", "mix-kind", kinds, "hide", fault_line("kind")),
                    html.Div(
                        [
                            _field("name", "mix", maxLength=80),
                            _field("strength", "mix", maxLength=80, placeholder="192 g, 1:2"),
                            _field("kept", "mix", maxLength=80),
                            _field("at", "mix"),
                            _field("hot_h", "mix", inputMode="decimal"),
                        ],
                        className="fields",
                    ),
                    html.P("From the maker's sheet, if it has them:", className="aside"),
                    html.Div(_sheet_fields("mix"), className="fields"),
                    _note("mix", ""),
                ],
                id="mix-form",
                **attributes(data_draft="mix-glue"),
            ),
            tap_row(
                [
                    action_button(
                        "Record it",
                        "mix",
                        about="glue",
                        form="mix-form",
                        said="Recorded.",
                        name="tap main",
                        then="reload",
                    )
                ]
            ),
        ]
    )


def _field(name: str, form: str, **more: Any) -> Component:
    return text_field(LABELS[name], f"{form}-{name}", name, faults=True, **more)


def _sheet_fields(form: str, shown: dict[str, str] | None = None) -> list[Component]:
    return [
        _field(name, form, inputMode="decimal", value=(shown or {}).get(name, ""))
        for name in ("hot_limit_h", "keeps_h", "clamp_h", "load_h")
    ]


def _note(form: str, value: str) -> Component:
    return text_area("Note", f"{form}-note", "note", value=value, maxLength=2000)


@page_frame.where_store_fails(BENCH.failed("/bench/glue", "Glue", "one"))
def one(shop: ShopData, book: GlueQueries, glue_id: str) -> Component:
    """A batch: condition, cautions, correcting it, history."""
    may, found = may_change(), book.glue(glue_id)
    if found is None:
        return _page(
            "/bench/glue/one",
            [html.H1("No such glue"), html.P(dcc.Link("All glue", href="/bench/glue"))],
        )
    unit = formats.unit_of(shop.settings)
    warned = [formats.in_reader_unit(WORDS[c], unit) for c in found.kind.cautions]
    return _page(
        "/bench/glue/one",
        [
            dcc.Store(id="glue-id", data=found.id),
            html.H1(found.label),
            html.Div(state_of(found, shop, may.allowed), id="glue-now"),
            html.Ul([html.Li(text) for text in warned], className="plain"),
            html.P(DEFERS, className="aside"),
            correcting(found, shop) if may.allowed and found.here else html.P(may.why),
        ],
    )


def state_of(found: Glue, shop: ShopData, writer: bool) -> list[Component | None]:
    """Condition of a batch, its times from the sheet, the taps, and its history."""
    now, zone = now_ms(), shop.settings.zone
    facts = [
        (word, glue_text.span(value))
        for word, value in (
            ("hours hot", found.hot_h(now) if found.kind.heated else None),
            ("clamp time, by the sheet", found.clamp_h),
            ("may be loaded after, by the sheet", found.load_h),
        )
        if value is not None
    ]
    return [
        *_condition(found, shop),
        tap_row(taps(found)) if writer else None,
        html.Dl(
            [html.Div([html.Dt(word), html.Dd(value)]) for word, value in facts], className="facts"
        ),
        html.P(found.note, className="note") if found.note else None,
        html.H2("History"),
        event_list(found.events, lambda event: glue_text.action(event, now, zone), now, zone),
    ]


def correcting(found: Glue, shop: ShopData) -> Component:
    """Form that corrects a batch."""
    shown = shown_of(found)
    mixed = formats.to_input(found.mixed_ms, shop.settings.zone)
    return folded(
        "Correct this glue",
        html.Div(
            [
                html.Div(
                    [
                        *(
                            _field(name, "fix", value=shown[name], maxLength=80)
                            for name in ("name", "strength", "kept")
                        ),
                        _field("at", "fix", value=mixed),
                        _field("hot_h", "fix", inputMode="decimal"),
                        *_sheet_fields("fix", shown),
                    ],
                    className="fields",
                ),
                _note("fix", found.note),
            ],
            id="fix-glue",
            **attributes(data_draft=f"fix-glue-{found.id}"),
        ),
        tap_row(
            [
                action_button(
                    "Save",
                    "correct",
                    about="glue",
                    glue=found.id,
                    form="fix-glue",
                    said="Corrected.",
                    name="tap main",
                    then="reload",
                )
            ]
        ),
        id="glue-fix",
    )
