"""Page of one wait: its state, everything that can be done to it, and its history."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.visitor import may_change
from dashboard.bench import text as bench_text
from dashboard.bench import view
from dashboard.bench.view import BENCH
from dashboard.bench.why_figure import rate_plot
from dashboard.ui import formats, page_frame, plots
from dashboard.ui.controls import action_button, draft_form, folded, tap_row, text_area, text_field
from dashboard.ui.event_list import event_list
from dashboard.ui.themes import theme_of
from monitor.core.clock import now_ms
from monitor.domain.instrument import id_of
from monitor.domain.wait import held_s
from monitor.science.waits.parameters import REFERENCE_TEMP_C
from monitor.science.waits.wait import WaitState as WaitState
from monitor.waits import text as wait_text
from monitor.waits import why as why_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.glue import GlueQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from dashboard.data.wood import WoodQueries
    from monitor.domain.wait import Wait
    from monitor.waits.evaluation import WaitStatus


_page = partial(BENCH.page, "/bench/wait", classes="one")


def register(
    app: dash.Dash, shop: ShopData, book: WaitQueries, woods: WoodQueries, glues: GlueQueries
) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "bench_wait",
        path_template="/bench/wait/<wait_id>",
        title="Wait",
        layout=lambda wait_id="", **_: layout(shop, book, woods, glues, wait_id),
    )

    @page_frame.drawn_again(app, "wait-now", "wait-history", of="wait-id")
    def refresh(wait_id: str) -> tuple[Any, ...] | None:
        wait = book.wait(wait_id)
        if wait is None:
            return None
        return current_state(wait, shop, book, may_change().allowed), history(wait, shop)

    @app.callback(
        Output("wait-why", "children"),
        Output("wait-rate", "figure"),
        Input("token", "data"),
        Input("bench-changed", "data"),
        Input("screen", "data"),
        State("wait-id", "data"),
    )
    @page_frame.where_store_fails(
        lambda trouble, _token, _changed, screen, *_: (
            page_frame.sentence_of(trouble),
            plots.empty_plot(trouble.sentence, theme_of(screen)),
        )
    )
    def why(
        _token: str, _changed: str, screen: Mapping[str, Any] | None, wait_id: str
    ) -> tuple[Any, ...]:
        wait = book.wait(wait_id)
        if wait is None:
            raise dash.exceptions.PreventUpdate
        return why_longer(wait, shop, book, screen or {})


@page_frame.where_store_fails(BENCH.failed("/bench/wait", "Wait", "one"))
def layout(
    shop: ShopData, book: WaitQueries, woods: WoodQueries, glues: GlueQueries, wait_id: str
) -> Component:
    """The page as this request may see it."""
    writer = may_change()
    wait = book.wait(wait_id)
    if wait is None:
        return _page(
            [html.H1("No such wait"), html.P(dcc.Link("Back to the bench", href="/bench"))]
        )
    now = current_state(wait, shop, book, writer.allowed)
    entries, instrument = history(wait, shop), woods.instrument(id_of(wait.instrument))
    places = shop.place_names(indoors=True)
    return _page(
        [
            dcc.Store(id="wait-id", data=wait.id),
            html.H1(wait_text.title(wait)),
            html.P(dcc.Link(f"The wood of {instrument.reference}", href=f"/wood/{instrument.id}"))
            if instrument
            else None,
            _glue_of(wait, glues),
            html.Div(now, id="wait-now"),
            _why(),
            move(wait, places) if writer.allowed and (wait.open or wait.setting) else None,
            fix(wait, shop) if writer.allowed else html.P(writer.why),
            html.H2("History"),
            html.Div(entries, id="wait-history"),
        ]
    )


def _why() -> Component:
    """Section on the air of a wait, which is filled in a moment later."""
    return html.Section(
        [
            html.H2("Why this long?"),
            html.Div(id="wait-why"),
            plots.frame("wait-rate", "Plot of the rate; described by the sentences above it"),
        ],
        id="why",
    )


def why_longer(
    wait: Wait, shop: ShopData, book: WaitQueries, screen: Mapping[str, Any]
) -> tuple[list[Component | None], Any]:
    """Cause of the time that a wait takes or took, its balance, and its plot."""
    now, zone = now_ms(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    found = book.account(wait)
    cause = why_text.cause_words(found, zone, unit)
    rows = why_text.balance(found)
    passed = why_text.length(60 * sum(minutes for _, minutes in rows))
    parts: list[Component | None] = [
        html.P(cause, className="lead") if cause else None,
        html.P(" ".join([why_text.spent_words(found), *why_text.outcome_words(found, now, zone)])),
        html.Dl(
            [
                *(
                    html.Div(
                        [
                            html.Dt(formats.first_upper(name)),
                            html.Dd(why_text.length(60 * minutes)),
                        ]
                    )
                    for name, minutes in rows
                ),
                html.Div([html.Dt("In all"), html.Dd(passed)]),
            ],
            className="facts",
        )
        if rows
        else None,
        html.P(
            f"{why_text.air_words(found, unit)} Compared with reference air "
            f"({formats.with_unit('temperature', REFERENCE_TEMP_C, unit)} and 50 % RH).",
            className="aside",
        ),
    ]
    plot = rate_plot(found, zone, unit, plots.width_of(screen), theme_of(screen))
    return parts, plot


def _glue_of(wait: Wait, glues: GlueQueries) -> Component | None:
    """The batch of glue of a wait."""
    found = glues.glue(wait.glue) if wait.glue else None
    if found is None:
        return None
    return html.P(["Glue: ", dcc.Link(found.label, href=f"/bench/glue/{found.id}")])


def current_state(wait: Wait, shop: ShopData, book: WaitQueries, writer: bool) -> list[Component]:
    """State of a wait, the facts, and the taps."""
    now, zone = now_ms(), shop.settings.zone
    name, places = wait_text.title(wait), shop.place_names()
    facts = [
        (str(wait.kind["name"]), f"usual time {formats.hours(float(wait.kind['basis_s']))}"),
        (places.get(wait.place, wait.place), "place"),
        (formats.when(wait.started_ms, now, zone), "start"),
    ]
    if wait.clamps:
        facts.append((str(wait.clamps), "clamps"))
    if wait.wanted_ms is not None:
        facts.append((formats.ahead(wait.wanted_ms, now, zone), "wanted by"))
    parts: list[Component] = []
    status = book.status(wait.id) if wait.open or wait.setting else None
    if status is not None:
        parts += _open(status, shop, now)
    if wait.released_ms is not None:
        parts.append(
            html.P(
                f"{wait_text.released_word(wait)} {formats.when(wait.released_ms, now, zone)}, after "
                f"{formats.hours(held_s(wait, now))}.",
                className="lead" if status is None else "",
            )
        )
        if wait.loaded_ms is not None:
            loaded = formats.when(wait.loaded_ms, now, zone)
            parts.append(html.P(f"Worked, loaded or strung since {loaded}."))
        parts.append(view.feel_question([wait], writer))
        if taught := bench_text.taught_words(wait, book.taught(wait)):
            parts.append(html.P(taught, className="aside"))
    if writer:
        taps = _taps(wait, status, name, shop.cautious_now_ms())
        parts.append(tap_row(taps))
    parts.append(
        html.Dl(
            [html.Div([html.Dt(what), html.Dd(value)]) for value, what in facts], className="facts"
        )
    )
    if wait.note:
        parts.append(html.P(wait.note, className="note"))
    return parts


def _open(status: WaitStatus, shop: ShopData, now: int) -> list[Component]:
    zone = shop.settings.zone
    words = wait_text.status_text(status, now, zone)
    of = view.axis([status], now)
    more = list(words.more)
    found = status.readiness
    if found is not None and found.state is not WaitState.READY and found.floor_ms > now:
        computed = found.computed_ms
        if computed is not None and computed < found.floor_ms - wait_text.ROUND_MS:
            more.append(
                "By the air alone: about "
                f"{formats.ahead(wait_text.about(computed), now, zone)}. The advice is never "
                "shorter than the usual time of the kind."
            )
    more += filter(None, [wait_text.range_causes(status), wait_text.usual_times(status.kind)])
    return [
        html.P(
            [view.status_shape(status, words.state), html.Span(words.sentence)], className="lead"
        ),
        *(html.P(text, className="aside") for text in more),
        html.Div([view.ruler(of, zone), view.bar(status, of, zone)], className="alone"),
    ]


def _taps(wait: Wait, status: WaitStatus | None, name: str, now: int) -> list[Component]:
    if wait.open:
        return view.steps_of([wait], now)
    load = [view.load_tap([wait], ready=status.loadable)] if status else []
    return [
        *load,
        action_button("Open again", "reopen", wait=wait.id, said=f"Open again: {name}."),
    ]


def move(wait: Wait, places: dict[str, str]) -> Component | None:
    """A tap for each other place."""
    others = {k: v for k, v in places.items() if k != wait.place}
    if not others:
        return None
    return html.Section(
        [
            html.H2("Move to"),
            tap_row(
                [
                    action_button(
                        label,
                        "move",
                        wait=wait.id,
                        place=id_,
                        said=f"Moved to {label}.",
                        then="reload",
                    )
                    for id_, label in others.items()
                ]
            ),
        ]
    )


def fix(wait: Wait, shop: ShopData) -> Component:
    """Form that corrects the entries of a wait."""
    zone = shop.settings.zone

    def line(label: str, name: str, value: object, **more: Any) -> Component:
        return text_field(label, f"fix-{name}", name, value=str(value or ""), **more)

    return folded(
        "Correct this wait",
        draft_form(
            [
                line("Instrument or job", "instrument", wait.instrument, maxLength=200),
                line("What", "what", wait.what, maxLength=200),
                line("Clamps", "clamps", wait.clamps, inputMode="numeric", maxLength=3),
                line("Started", "start", formats.to_input(wait.started_ms, zone)),
                line("Wanted by", "wanted", formats.to_input(wait.wanted_ms, zone)),
                text_area("Note", "fix-note", "note", value=wait.note, maxLength=2000),
            ],
            "fix-form",
            f"fix-{wait.id}",
        ),
        tap_row(
            [
                action_button(
                    "Save",
                    "correct",
                    wait=wait.id,
                    form="fix-form",
                    said="Corrected.",
                    name="tap main",
                    then="reload",
                )
            ]
        ),
        id="wait-fix",
    )


def history(wait: Wait, shop: ShopData) -> Component:
    """History of a wait, newest first: who did what and when."""
    now, zone, places = now_ms(), shop.settings.zone, shop.place_names()
    return event_list(
        wait.events,
        lambda event: bench_text.event_words(event, wait, places, now, zone),
        now,
        zone,
    )
