"""Kinds: what the shop waits for, on what basis, and by which law."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import dash
from dash import dcc, html

from dashboard.access.visitor import may_manage
from dashboard.bench import text as bench_text
from dashboard.bench import wait_type_page
from dashboard.bench.view import BENCH
from dashboard.bench.wait_type_page import in_hours, releases
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import action_button, draft_form, folded, tap_row, text_field
from dashboard.ui.tables import wide_table

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.domain.wait_types import WaitType


_page = partial(BENCH.page, classes="one")


def register(app: dash.Dash, shop: ShopData, book: WaitQueries) -> None:
    """Hang the pages into the app."""
    del app
    dash.register_page(
        "bench_kinds", path="/bench/kinds", title="Kinds", layout=lambda **_: layout(shop, book)
    )
    dash.register_page(
        "bench_kind",
        path_template="/bench/kind/<kind_id>",
        title="Kind",
        layout=lambda kind_id="", **_: wait_type_page.layout(shop, book, kind_id),
    )


@page_frame.where_store_fails(BENCH.failed("/bench/kinds", "Kinds", "one"))
def layout(shop: ShopData, book: WaitQueries) -> Component:
    """Every kind in use, and adding one."""
    may = may_manage()
    kinds = sorted(book.kinds(), key=lambda kind: kind.name)
    learned = {kind.id: book.learned(kind.id) for kind in kinds}
    retired = sorted(book.retired().values(), key=lambda kind: kind.name)
    rows = []
    for kind in kinds:
        taught = learned[kind.id]
        usual, text = formats.hours(kind.basis_s), "–"
        if taught is not None and taught.evidence:
            text = f"from {releases(len(taught.evidence))}; set: {usual}"
            usual = in_hours(taught.used_s)
        rows.append(
            [
                html.Th(dcc.Link(kind.name, href=f"/bench/kind/{kind.id}"), scope="row"),
                html.Td(usual, className="count"),
                html.Td(
                    formats.hours(kind.minimum_s) if kind.minimum_s else "none", className="count"
                ),
                html.Td(text),
                html.Td(bench_text.law_words(kind).split(":")[0].split(" that ")[0]),
                html.Td(kind.source),
            ]
        )
    return _page(
        "/bench/kinds",
        [
            html.H1("Kinds"),
            html.P(
                formats.in_reader_unit(
                    "The usual time is the wait you would give the work in reference air (20 °C "
                    "and 50 % RH). New waits use the time shown. You can change every usual time.",
                    formats.unit_of(shop.settings),
                )
            ),
            wide_table(
                ["Kind", "Usual time", "Safe minimum", "Learned", "Formula", "Usual time from"],
                rows,
                "Kinds",
            ),
            _add(kinds) if may.allowed else html.P(may.why),
            _off_the_list(retired) if may.allowed and retired else None,
        ],
    )


def _off_the_list(retired: list[WaitType]) -> Component:
    return folded(
        f"{len(retired)} off the list",
        html.P("Tap a kind to put it back on the list, as it last was."),
        tap_row(
            [
                action_button(
                    kind.name,
                    "restore",
                    kind=kind.id,
                    then="reload",
                    said=f"Back on the list: {kind.name}.",
                )
                for kind in retired
            ]
        ),
        id="kinds-off",
    )


def _add(kinds: list[WaitType]) -> Component:
    return folded(
        "Add a kind",
        draft_form(
            [
                text_field("Name", "add-name", "name", maxLength=40),
                text_field("Usual time, hours", "add-basis", "basis_h", inputMode="numeric"),
                text_field("Safe minimum, hours", "add-minimum", "minimum_h", inputMode="numeric"),
            ],
            "add-form",
            "add-kind",
        ),
        html.P("Copy the formula, spread and cautions from:"),
        tap_row(
            [
                action_button(
                    kind.name, "kind", form="add-form", like=kind.id, said="Added.", then="reload"
                )
                for kind in kinds
            ]
        ),
        id="kinds-add",
    )
