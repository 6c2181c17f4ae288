"""Guide: each step with what is done and what is missing; the next one is open."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.page import read_only
from dashboard.access.visitor import may_manage
from dashboard.data.guide import GuideState, guide_state
from dashboard.guide import steps
from dashboard.guide.forms import SAVE
from dashboard.ui import page_frame
from dashboard.ui.controls import action_button, action_results, tap_row
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.domain.guide import GuideStep

if TYPE_CHECKING:
    from collections.abc import Callable

    from dash.development.base_component import Component

    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import ShopData

TITLE = "Set up your shop"
DONE, SKIPPED, TO_DO = "done", "skipped", "to do"


def register(app: dash.Dash, shop: ShopData, kept: CachedJournal) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "guide",
        path="/guide",
        name="Guide",
        title=TITLE,
        layout=lambda step="", **_: layout(shop, kept, str(step)),
    )

    @app.callback(
        Output("guide-steps", "children"),
        Output("guide-state", "data"),
        Input("token", "data"),
        Input("bench-changed", "data"),
        State("guide-state", "data"),
        State("guide-asked", "data"),
        prevent_initial_call=True,
    )
    @page_frame.where_store_fails(lambda *_: (dash.no_update, dash.no_update))
    def refresh(_token: str, _changed: str, before: str, asked: str) -> tuple[Any, ...]:
        state = guide_state(shop, kept)
        now = stamp(state, shop)
        if now == before:  # what is being typed is left alone
            raise dash.exceptions.PreventUpdate
        return content(shop, state, asked), now


def stamp(state: GuideState, shop: ShopData) -> str:
    """Text that changes when the steps have something new to show."""
    test = state.test
    sent = f"{test.attempts} {test.outcome}" if test else ""
    heard = shop.heard_topics()
    topics = [one.topic for one in heard.topics]
    listens = heard.until_ms > now_ms()
    known = f"{sorted(state.done)} {sorted(state.skipped)} {sent} {listens} {topics}"
    return hashlib.sha256(known.encode()).hexdigest()


@page_frame.where_store_fails(page_frame.sheet(TITLE))
def layout(shop: ShopData, kept: CachedJournal, asked: str = "") -> Component:
    """The page as this request may see it; `asked` is a step to unfold."""
    permission = may_manage()
    if not permission.allowed:
        return html.Main([html.H1(TITLE), read_only(permission)], className="sheet bench")
    state = guide_state(shop, kept)
    return html.Main(
        [
            *action_results(),
            html.Div(content(shop, state, asked), id="guide-steps"),
            dcc.Store(id="guide-state", data=stamp(state, shop)),
            dcc.Store(id="guide-asked", data=asked),
        ],
        className="sheet bench one guide",
    )


def content(shop: ShopData, state: GuideState, asked: str = "") -> list[Component]:
    """Heading, and each step; the one that is asked for is the first, it or the next is unfolded."""
    done, left = len(state.done), state.next
    lead = f"{done} of {len(GuideStep)} steps are done. "
    if left is None:
        lead += "Your shop is set up. Change anything under Settings."
    elif not done:
        lead += "Each step takes a minute. Skip what you do not need. A skipped step stays here."
    else:
        lead += "Skip what you do not need. A skipped step stays here."
    return [
        html.H1(TITLE),
        html.P(lead, className="lead"),
        *map(_step(shop, state, asked), sorted(GuideStep, key=lambda step: step != asked)),
    ]


def _step(shop: ShopData, state: GuideState, asked: str) -> Callable[[GuideStep], Component]:
    unfolded = asked if asked in set(GuideStep) else state.next

    def shown(step: GuideStep) -> Component:
        status = TO_DO
        if step in state.done:
            status = DONE
        elif step in state.skipped:
            status = SKIPPED
        heading = html.H2(
            [
                html.Span(
                    className="step-mark", **attributes(data_state=status, aria_hidden="true")
                ),
                html.Span(steps.TITLES[step]),
                html.Span(status, className="standing"),
            ]
        )
        parts = [*steps.BODIES[step](shop, state), *_around(step, status)]
        return html.Details(
            [html.Summary(heading), html.Div(parts, className="step-body")],
            open=step == unfolded,
            id=f"step-{step}",
            className="step",
            **attributes(data_state=status, data_unfold=f"guide-{step}-{status}"),
        )

    return shown


def _around(step: GuideStep, status: str) -> list[Component]:
    """Taps that save, skip or resume a step."""
    taps = []
    if step in steps.FORMS:
        taps.append(
            action_button(
                "Save",
                SAVE,
                about="guide",
                step=str(step),
                form=f"guide-{step}",
                said="Saved. Benchweather restarts; this takes a few seconds.",
                name="tap main",
            )
        )
    if status == TO_DO:
        taps.append(action_button("Skip", "skip", about="guide", step=str(step), said="Skipped."))
    elif status == SKIPPED:
        taps.append(
            action_button(
                "Do not skip", "resume", about="guide", step=str(step), said="To do again."
            )
        )
    return [tap_row(taps)] if taps else []
