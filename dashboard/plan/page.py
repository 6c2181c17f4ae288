"""Plan: what to do now, next and before leaving, the repairs over the days, and taking one in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, dcc, html

from dashboard.access.visitor import may_change
from dashboard.plan import agenda as agendas
from dashboard.plan import figure, text, view
from dashboard.plan.view import PLAN
from dashboard.ui import formats, page_frame, plots
from dashboard.ui.controls import (
    action_button,
    action_results,
    choice,
    draft_form,
    folded,
    tap_row,
    text_field,
)
from dashboard.ui.markup import attributes
from dashboard.ui.themes import theme_of
from monitor.core.clock import now_ms
from monitor.planning.last_start import StartVerdict
from monitor.planning.words import BY_RULES, Names, unknown_air

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from dash.development.base_component import Component

    from dashboard.data.plan import PlanQueries
    from dashboard.data.shop import ShopData
    from dashboard.plan.agenda import Agenda, AgendaStep
    from monitor.commands import Journal
    from monitor.planning.present import PresentPlan

PATH = "/plan"
SHAPES = (
    "Solid: work. Hatched: waiting. Line with a diamond: ready, in 8 of 10 cases. Star: promised. "
    "Arrow: promised for later. Shaded: nights and closed days. Each bar is as long as the "
    "step usually takes. The range of the ready time includes delays."
)
DRAG = (
    "To move the start of a step, drag its solid bar. Dashed frames show where it may start. The page "
    "of each repair has buttons for the same."
)


def register(app: dash.Dash, shop: ShopData, book: PlanQueries) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "plan", path=PATH, name="Plan", title="Plan", layout=lambda **_: layout(shop, book)
    )

    @page_frame.drawn_again(
        app,
        "repairs-now",
        "repairs-list",
        instead=lambda trouble, *_: (page_frame.sentence_of(trouble), []),
    )
    def refresh() -> tuple[Any, ...]:
        return live(shop, book, writer=may_change().allowed)

    @app.callback(
        Output("repairs-plot", "figure"),
        Output("repairs-drawn", "style"),
        Output("repairs-plotted", "hidden"),
        Input("token", "data"),
        Input("bench-changed", "data"),
        Input("screen", "data"),
    )
    @page_frame.where_store_fails(
        lambda trouble, _t, _c, screen: (
            plots.empty_plot(trouble.sentence, theme_of(screen)),
            {},
            False,
        )
    )
    def draw(_token: str, _changed: str, screen: Mapping[str, Any] | None) -> tuple[Any, ...]:
        return drawn(shop, book, screen or {}, writer=may_change().allowed)


@page_frame.where_store_fails(page_frame.sheet("Plan", "sheet bench plan"))
def layout(shop: ShopData, book: PlanQueries) -> Component:
    """The page as this request may see it."""
    may = may_change()
    head, listed = live(shop, book, writer=may.allowed)
    count = len(agendas.open_repairs(book.journal()))
    return html.Main(
        [
            PLAN.links(PATH),
            *action_results(),
            html.Section(head, id="repairs-now"),
            html.Div(
                [
                    html.Div(
                        [
                            dcc.Graph(
                                id="repairs-plot",
                                config=plots.PLOT_CONFIG,
                                responsive=True,
                                figure=plots.NO_PLOT,
                            ),
                            html.Div(id="repairs-drag", **attributes(aria_hidden="true")),
                        ],
                        id="repairs-drawn",
                        style={"height": f"{figure.height_px(count)}px"},
                        className="plot",
                        role="img",
                        **attributes(aria_label="Repairs over the days; listed below"),
                    ),
                    html.P(id="repairs-drag-said", className="caution", role="status"),
                    html.P(f"{SHAPES} {DRAG}" if may.allowed else SHAPES, className="aside"),
                ],
                id="repairs-plotted",
                hidden=not count,
            ),
            html.Section(listed, id="repairs-list"),
            taking_in(book) if may.allowed else read_only(may.why, sign_in=may.sign_in),
        ],
        className="sheet bench plan",
    )


def read_only(why: str, *, sign_in: bool) -> Component:
    """Notice instead of the taps for somebody who may only look."""
    link = dcc.Link("Sign in", href="/sign-in", className="tap main") if sign_in else None
    return html.Section([html.H2("Read only"), html.P(why), html.P(link) if link else None])


def live(shop: ShopData, book: PlanQueries, *, writer: bool) -> tuple[list[Component], ...]:
    """Parts that change by themselves: now and next, and the list of repairs."""
    now, journal, present = now_ms(), book.journal(), book.plan()
    if not agendas.open_repairs(journal):
        kept = text.kept_words(*book.kept_promises())
        return [html.H1("No open repairs"), html.P(text.BEGIN)], [html.P(kept)] if kept else []
    hours = book.hours()
    good = text.usable(present, now)
    found = agendas.agenda(journal, good, now, agendas.closing(hours, now))
    return (
        head(found, journal, present, hours, shop, now, writer=writer),
        listed(journal, good, shop, book, now),
    )


def head(
    found: Agenda,
    journal: Journal,
    present: PresentPlan | None,
    hours: tuple[tuple[int, int], ...],
    shop: ShopData,
    now: int,
    *,
    writer: bool,
) -> list[Component]:
    """The headline, and what to do now, next and before leaving."""
    zone, names = shop.settings.zone, Names(journal)
    unit = formats.unit_of(shop.settings)
    trouble = text.state(journal, present, now)
    opens = text.opens_next(hours, now)
    good = [one for one in found.verdicts if one.good]
    wrong = [one for one in found.verdicts if one.verdict is StartVerdict.AIR]
    not_now = [one for one in found.verdicts if not one.good and one not in wrong]
    more = (journal, names, now, zone, unit)

    def to_dos(items: Iterable[AgendaStep], *, timed: bool) -> list[Component]:
        return [
            view.item(one, *more, writer=writer, timed=timed, warning=text.warning(present, one))
            for one in items
        ]

    now_list = to_dos(found.now, timed=False)
    now_list += [view.last_start(one, *more, writer=False) for one in wrong]
    next_list, leave = to_dos(found.next, timed=True), to_dos(found.leave, timed=True)
    leave += [view.last_start(one, *more, writer=writer) for one in good]
    stop = [view.last_start(one, *more, writer=False) for one in not_now]
    planned = text.usable(present, now) is not None
    unknown = unknown_air(_named(shop, present.unknown)) if present and planned else ""
    first = text.headline(found, names, opens, now, zone) if planned else trouble
    nothing = "" if planned else "Not known without a plan."
    closes = agendas.closing(hours, now)
    night = agendas.uses_night(found, present, closes)
    empty = text.no_last_start(closes, now, zone, night=night)
    return [
        html.H1(first),
        *([html.P(unknown, className="caution")] if unknown else []),
        *([html.P(trouble, className="caution", role="status")] if trouble and planned else []),
        html.Div(
            [
                _card("Now", now_list, nothing or "Nothing to start now."),
                _card("Next", next_list, nothing or "Nothing else is planned."),
                _card("Before you leave", leave, nothing or empty, stop),
            ],
            className="plan-cards",
        ),
    ]


def _named(shop: ShopData, places: Iterable[str]) -> list[str]:
    labels = shop.place_names()
    return [labels.get(one, one) for one in places]


def _card(
    title: str, items: list[Component], empty: str, more: list[Component] | None = None
) -> Component:
    """A card of things to do; what not to start is folded."""
    return html.Section(
        [
            html.H2(title),
            html.Ul(items, className="to-dos") if items else html.P(empty, className="aside"),
            folded(
                f"Do not start now: {len(more)}",
                html.Ul(more, className="to-dos"),
                unfold="plan-not-now",
            )
            if more
            else None,
        ]
    )


def listed(
    journal: Journal, present: PresentPlan | None, shop: ShopData, book: PlanQueries, now: int
) -> list[Component]:
    """Every open repair with its ready time and promise."""
    zone, names = shop.settings.zone, Names(journal)
    items = []
    for repair in agendas.open_repairs(journal):
        done = sum(one.finished for one in repair.steps)
        lines = [
            text.ready(repair, present, now, zone),
            text.promise(repair, present, now, zone),
            text.sensitive(repair, present, names, shop.place_names(), now, zone),
            *text.notes(repair, present, names, formats.unit_of(shop.settings)),
        ]
        items.append(
            html.Li(
                [
                    html.H3(view.link_to(repair, names.repair(repair.id))),
                    html.P(f"{done} of {formats.counted(len(repair.steps), 'step')} finished."),
                    *(html.P(line) for line in filter(None, lines)),
                ],
                key=repair.id,
                className="repair",
            )
        )
    kept = text.kept_words(*book.kept_promises())
    apart = text.waits_apart(journal)
    return [
        html.H2(formats.counted(len(items), "open repair")),
        *([html.P(apart, className="aside")] if apart else []),
        html.Ul(items, className="repairs"),
        *([html.P(kept, className="aside")] if kept else []),
        *([html.P(BY_RULES, className="aside")] if present and present.by_rules else []),
    ]


def drawn(
    shop: ShopData, book: PlanQueries, screen: Mapping[str, Any], *, writer: bool
) -> tuple[Any, ...]:
    """Plot, its height, and whether it is hidden. A writer may drag its steps."""
    look, now, zone = theme_of(screen), now_ms(), shop.settings.zone
    journal, present = book.journal(), book.plan()
    rows = view.rows(journal, present, now, zone)
    if not any(row.bars or row.promised_ms for row in rows):
        return plots.empty_plot("", look), {}, True
    of = plots.View(now, now, zone, "C", plots.width_of(screen))
    shown = figure.view_of(rows, now, of)
    plot = figure.plan_plot(rows, book.hours(), now, shown, look)
    good = text.usable(present, now)
    if writer and good is not None:
        moves = view.moves(journal, good, now, zone)
        plot.layout.meta = figure.moves_meta(moves, book.hours(), now, good.made_ms, zone.key)
    return plots.sent(plot), {"height": f"{figure.height_px(len(rows))}px"}, False


def taking_in(book: PlanQueries) -> Component:
    """The form that takes a repair in."""
    refs, journal = book.instrument_refs(), book.journal()
    if not refs:
        words = "No instrument is in the shop without an open repair. Take an instrument in first."
        link = dcc.Link("Take an instrument in", href="/wood/new", className="tap")
        return html.Section([html.H2("Take in a repair"), html.P(words), html.P(link)])
    templates = {one.id: one.name for one in journal.templates.values()} | {"": "No steps yet"}
    return html.Section(
        [
            html.H2("Take in a repair"),
            draft_form(
                [
                    choice(
                        "Instrument", "take-instrument", "instrument", {one: one for one in refs}
                    ),
                    choice("Usual repair", "take-template", "template", templates),
                    text_field("Name, if another", "take-name", "name", faults=True, maxLength=80),
                    text_field("Promised for", "take-promised", "promised", faults=True),
                ],
                "take-form",
                "repair-take-in",
            ),
            html.P(
                [
                    "Which date can you promise? ",
                    dcc.Link("Ask under What if", href="/plan/what-if"),
                    " before you take it in.",
                ],
                className="aside",
            ),
            tap_row(
                action_button(
                    "Take it in",
                    "take in",
                    name="tap main",
                    about="repair",
                    form="take-form",
                    said="Taken in.",
                    then="reload",
                )
            ),
        ],
        id="repairs-take-in",
    )
