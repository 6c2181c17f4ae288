"""Bench: what is in clamps or drying, when it is ready, and putting something in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import dcc, html

from dashboard.access.visitor import Permission, may_change
from dashboard.bench import calendar_feed, opening, series, view
from dashboard.bench import text as bench_text
from dashboard.bench.view import BENCH
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import action_button, action_results, folded
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.domain.wait import Action
from monitor.waits.text import released_word

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dash.development.base_component import Component

    from dashboard.data.glue import GlueQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from dashboard.data.wood import WoodQueries
    from monitor.domain.wait import Wait
    from monitor.waits.evaluation import WaitStatus

JUST_MS = 20 * formats.MINUTE_MS
"""Time after its release for which the page asks how a wait was. [ms]"""
JUST_MOST = 60
JUST_CARDS = 3
"""Most cards of released waits that are not folded away."""
ANSWERED_MS = 2 * formats.MINUTE_MS
"""Time for which the answer stays to be changed. [ms]"""


def register(
    app: dash.Dash, shop: ShopData, book: WaitQueries, woods: WoodQueries, glues: GlueQueries
) -> None:
    """Hang the page and its refreshing into the app."""
    opening.register(app, shop, book, glues)
    dash.register_page(
        "bench",
        path="/bench",
        name="Bench",
        title="Bench",
        layout=lambda **_: layout(shop, book, woods, glues),
    )

    @page_frame.drawn_again(
        app,
        "bench-next",
        "bench-just",
        "bench-waits",
        instead=lambda trouble, *_: ([], [], page_frame.sentence_of(trouble)),
    )
    def refresh() -> tuple[Any, ...]:
        return live(shop, book, glues, may_change().allowed)


@page_frame.where_store_fails(page_frame.sheet("Bench", "sheet bench"))
def layout(shop: ShopData, book: WaitQueries, woods: WoodQueries, glues: GlueQueries) -> Component:
    """The page as this request may see it."""
    may = may_change()
    head, just, waits = live(shop, book, glues, may.allowed)
    return html.Main(
        [
            BENCH.links("/bench"),
            html.Div(head, id="bench-next"),
            *action_results(),
            html.Section(just, id="bench-just", className="just"),
            html.Section(id="bench-glue"),
            html.Div(
                [
                    opening.section(shop, book, woods, glues) if may.allowed else refused(may),
                    html.Section(waits, id="bench-waits"),
                ],
                className="bench-two",
            ),
            calendar(shop) if may.allowed else None,
        ],
        className="sheet bench",
    )


def refused(may: Permission) -> Component:
    """Notice shown instead of the taps where nothing may be changed."""
    return html.Section(
        [
            html.H2("Read only"),
            html.P(may.why),
            html.P(dcc.Link("Sign in", href="/sign-in", className="tap main"))
            if may.sign_in
            else None,
        ],
        className="opening",
    )


def live(
    shop: ShopData, book: WaitQueries, glues: GlueQueries, writer: bool
) -> tuple[list[Component], ...]:
    """Parts that change by themselves: headline, released, open waits."""
    now, zone = now_ms(), shop.settings.zone
    recent = shop.recent()
    names = {one.place.id: one.place.label for one in recent}
    found, labels = book.statuses(), glues.labels()
    of = view.axis(found, now, shop.cautious_now_ms())
    if found:
        waits = [
            html.Div([html.H2(_count(found)), view.ruler(of, zone)], className="waits-head"),
            html.Ol(
                [
                    view.row(alike, of, zone, names, writer, labels)
                    for alike in series.alike(found, lambda status: status.wait)
                ],
                className="waits",
            ),
        ]
    else:
        waits = [html.P("Work in clamps or left to dry appears here with its ready time.")]
    head, after = bench_text.next_up(found, now, zone)
    top: list[Component] = [html.H1(head), html.P(after)]
    if writer:
        top.append(html.A("Go on to put in clamps", href="#bench-opening", className="skip"))
    if found:
        top.append(html.A(_see(len(found)), href="#bench-waits", className="to-waits"))
    return (top, just_released(book, writer, now), waits)


def _count(found: Sequence[WaitStatus]) -> str:
    setting = sum(one.wait.setting for one in found)
    open_ones = f"{formats.counted(len(found), 'wait')} open"
    return f"{open_ones}, {setting} of them unclamped" if setting else open_ones


def _see(n: int) -> str:
    return f"See the {n} waits" if n > 1 else "See the wait"


def just_released(book: WaitQueries, writer: bool, now: int) -> list[Component]:
    """Waits released a moment ago, with a question on how they were, which may be skipped."""
    fresh = [w for w in book.finished(JUST_MOST) if _is_fresh(w, now) and not w.mistaken]
    cards = [_just(waits, book, writer) for waits in series.alike(fresh, lambda wait: wait)]
    if len(cards) <= JUST_CARDS:
        return cards
    older = folded(
        f"{len(cards) - JUST_CARDS} more released", *cards[JUST_CARDS:], unfold="just-older"
    )
    return [*cards[:JUST_CARDS], older]


def _is_fresh(wait: Wait, now: int) -> bool:
    if wait.feel:
        return now - wait.events[-1].recorded_ms < ANSWERED_MS
    return now - max(e.recorded_ms for e in wait.events if e.action == Action.RELEASE) < JUST_MS


def _just(waits: Sequence[Wait], book: WaitQueries, writer: bool) -> Component:
    name, ids = series.title(waits), series.ids(waits)
    taps = [
        action_button("Open again", "reopen", wait=ids, said=f"Open again: {name}."),
        html.Button("Not now", type="button", className="tap", **attributes(data_skip=ids)),
    ]
    return html.Article(
        [
            html.H2(f"{released_word(waits[0])}: {name}"),
            view.feel_question(waits, writer),
            html.Div(taps, className="taps") if writer else None,
            *learned(waits[0], book),
        ],
        key=waits[0].id,
        className="released",
        **attributes(data_wait=ids),
    )


def learned(wait: Wait, book: WaitQueries) -> list[Component]:
    """Effect of the answer on a wait, and the question that may follow from it."""
    if wait.feel is None:
        return []
    words: list[Component] = []
    if text := bench_text.taught_words(wait, book.taught(wait)):
        words.append(html.P(text))
    kind = book.kind(wait.kind["id"])
    question = bench_text.shorter_words(kind, book.learned(kind.id)) if kind else ""
    if not question:
        return words
    evidence = dcc.Link("See the evidence", href=f"/bench/kind/{wait.kind['id']}")
    return [*words, html.P([f"{question} ", evidence])]


def calendar(shop: ShopData) -> Component | None:
    """The links to the calendars."""
    path = calendar_feed.link(shop)
    if not path:
        return None
    return html.P(
        [
            "Calendars for the phone: ",
            html.A("ready times", href=path),
            " and ",
            html.A("planned work", href=calendar_feed.plan_link(shop)),
            ". Anyone with these links can see your work. Do not share them outside the shop.",
        ],
        className="aside calendar-link",
    )
