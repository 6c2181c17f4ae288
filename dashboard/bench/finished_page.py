"""Page of finished waits: advice and outcome; the answer on how it was can still be changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, dcc, html

from dashboard.access.visitor import may_change
from dashboard.bench import series, view
from dashboard.bench.view import BENCH
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import action_results, folded
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.domain.wait import held_s
from monitor.science.waits.parameters import PROGRESS_MOST
from monitor.waits import text as wait_text
from monitor.waits import why

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.domain.wait import Wait

SHOWN = 60
CAUSES = 20
"""Most groups of finished waits whose cause is shown in the list; each takes about 80 ms to work
out the first time."""


def register(app: dash.Dash, shop: ShopData, book: WaitQueries) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "bench_finished",
        path="/bench/finished",
        title="Finished",
        layout=lambda **_: layout(shop, book),
    )

    @app.callback(Output("finished", "children"), Input("bench-changed", "data"))
    def refresh(_changed: str) -> Any:
        return content(shop, book, causes=CAUSES)


def layout(shop: ShopData, book: WaitQueries) -> Component:
    return html.Main(
        [
            BENCH.links("/bench/finished"),
            *action_results(),
            html.H1("Finished"),
            html.Div(content(shop, book), id="finished"),
        ],
        className="sheet bench",
    )


@page_frame.where_store_fails(page_frame.sentence_of)
def content(shop: ShopData, book: WaitQueries, causes: int = 0) -> list[Component | None]:
    """The waits released last, newest first; the first `causes` of them with their cause."""
    writer = may_change().allowed
    found, places = book.finished(SHOWN), shop.place_names()
    if not found:
        return [html.P("Nothing has been released yet.")]
    now, zone = now_ms(), shop.settings.zone
    today = formats.local(now, zone).date()
    fresh: list[Component] = []
    older: list[Component] = []
    for i, alike in enumerate(series.alike(found, lambda wait: wait)):
        day = formats.local(alike[0].released_ms or now, zone).date()
        cause = cause_of(alike[0], shop, book) if i < causes else ""
        (fresh if day == today else older).append(one(alike, shop, places, writer, cause))
    return [
        html.P(
            formats.in_reader_unit(
                "The usual time is what the work takes in reference air (20 °C and 50 % RH). “In "
                "reference air” is the time in which the work would have dried as much in "
                "reference air. Your answers on how it was adjust the usual time of its kind.",
                formats.unit_of(shop.settings),
            ),
            className="aside",
        ),
        html.Ol(fresh, className="done-list") if fresh else html.P("Nothing was released today."),
        folded(
            f"{len(older)} released before today",
            html.Ol(older, className="done-list"),
            open=not fresh,
            unfold="finished-older",
        )
        if older
        else None,
    ]


def cause_of(wait: Wait, shop: ShopData, book: WaitQueries) -> str:
    """The sentence of cause that the page of a wait has."""
    unit = formats.unit_of(shop.settings)
    return why.cause_words(book.account(wait), shop.settings.zone, unit)


def one(
    alike: Sequence[Wait], shop: ShopData, places: dict[str, str], writer: bool, cause: str = ""
) -> Component:
    """Finished waits that were alike: usual time, time given, what that was worth, how they were."""
    now, zone = now_ms(), shop.settings.zone
    wait, name = alike[0], series.title(alike)
    basis_s = float(wait.kind["basis_s"])
    if wait.equivalent_s is None:
        worth = "not known (no readings)"
    elif wait.equivalent_s >= PROGRESS_MOST * basis_s:  # counted no further
        worth = (
            f"more than {formats.hours(PROGRESS_MOST * basis_s)}, over {PROGRESS_MOST:.0f} times the "
            "usual time"
        )
    else:
        worth = (
            f"{formats.hours(wait.equivalent_s)}, "
            f"{wait_text.percent(wait.equivalent_s / basis_s)} of the usual time"
        )
    facts = (
        ("Expected", wait_text.foreseen(wait, now, zone)),
        ("Usual time", formats.hours(basis_s)),
        ("Time given", formats.hours(held_s(wait, now))),
        ("In reference air", worth),
    )
    kind = str(wait.kind["name"])
    at = ", ".join([*([kind] if kind != name else []), places.get(wait.place, wait.place)])
    return html.Li(
        [
            html.Div(
                [
                    html.H2(
                        dcc.Link(name, href=f"/bench/wait/{wait.id}") if len(alike) == 1 else name
                    ),
                    html.P(
                        f"{at}. {wait_text.released_word(wait)} "
                        f"{formats.when(wait.released_ms or now, now, zone)}.",
                        className="at",
                    ),
                    html.P(cause, className="cause") if cause else None,
                    html.P(wait.note, className="aside") if wait.note else None,
                    html.P(
                        html.A(
                            "Why this long?", href=f"/bench/wait/{wait.id}#why", className="tap"
                        )
                    ),
                ]
            ),
            html.Dl([html.Div([html.Dt(k), html.Dd(v)]) for k, v in facts], className="facts"),
            view.feel_question(alike, writer),
            view.each_of(alike, writer=False, now_ms=now) if len(alike) > 1 else None,
        ],
        key=wait.id,
        className="done",
        **attributes(data_wait=series.ids(alike)),
    )
