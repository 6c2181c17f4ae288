"""Past: any quantity of one or more places, from an hour to all years."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlencode

import dash
from dash import ClientsideFunction, Input, Output, State, dcc, html

from dashboard.past import downloads, marks
from dashboard.past.selection import (
    QUANTITIES,
    SPANS,
    Choice,
    Done,
    choice_of,
    redraw_due,
    span_of,
    step,
)
from dashboard.ui import formats, missing, page_frame, plots
from dashboard.ui.markup import attributes
from dashboard.ui.plots import Line
from dashboard.ui.themes import theme_of
from monitor.air.current import work_band
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.records import QuantityHistory
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.domain.places import Place


class PageUpdate(NamedTuple):
    """Content sent to the page after a change."""

    figure: plots.Plot
    summary: list[Component]
    download: list[Component | str]
    shown: str


def register(app: dash.Dash, shop: ShopData, waits: WaitQueries, alerts: AlertQueries) -> None:
    """Hang the page, its one callback and its download into the app."""
    dash.register_page(
        "past", path="/past", name="Past", title="Past", layout=lambda **query: layout(shop, query)
    )
    downloads.register(app, shop)
    app.clientside_callback(
        ClientsideFunction("board", "address"),
        Output("past-address", "data"),
        Input("past-view", "data"),
    )

    @app.callback(
        Output("past-plot", "figure"),
        Output("past-summary", "children"),
        Output("past-download", "children"),
        Output("past-shown", "children"),
        Output("past-view", "data"),
        Output("past-seen", "data"),
        Input("past-places", "value"),
        Input("past-quantity", "value"),
        Input("past-span", "value"),
        Input("past-earlier", "n_clicks"),
        Input("past-later", "n_clicks"),
        Input("past-now", "n_clicks"),
        Input("past-plot", "relayoutData"),
        Input("screen", "data"),
        Input("token", "data"),
        State("past-view", "data"),
        State("past-seen", "data"),
    )
    def draw(
        place_ids: list[str] | None,
        quantity: str,
        span: str,
        earlier: int,
        later: int,
        back: int,
        relayout: dict[str, Any] | None,
        screen: dict[str, Any] | None,
        _token: str,
        view: dict[str, Any] | None,
        seen: dict[str, Any] | None,
    ) -> tuple[Any, ...]:
        now = now_ms()
        before, done = choice_of(view or {}), Done(**(seen or {}))
        does = done._replace(
            earlier=earlier, later=later, back=back, relayout=relayout, screen=screen
        )
        asked = before._replace(
            places=tuple(place_ids or ()),
            quantity=quantity if quantity in QUANTITIES else before.quantity,
            span=span if span in SPANS else before.span,
        )
        after = step(before, asked, done, does, now, shop)
        same = after == before and screen == done.screen
        if done.drawn and same and not redraw_due(after, done.drawn, now, shop):
            raise dash.exceptions.PreventUpdate
        answer = answered(
            after, screen or {}, now, shop, partial(marks.marks, waits=waits, alerts=alerts)
        )
        seen = does._replace(drawn=now)._asdict()
        return (plots.sent(answer.figure), *answer[1:], after.query(), seen)


@page_frame.where_store_fails(page_frame.sheet("Past"))
def layout(shop: ShopData, query: Mapping[str, Any]) -> Component:
    """Page layout; `query` holds the parameters of its address."""
    offered = shop.quantities()
    with shop.reader() as reader:
        places = [p for p in shop.places(reader) if p.id in offered]
    if not places:
        return html.Main(
            [
                html.H1("Past"),
                missing.missing(missing.NO_READING, missing.TYPE_READING, missing.CONNECT_SENSOR),
            ],
            className="sheet bench",
        )
    choice = choice_of(query)
    if not choice.places:
        choice = choice._replace(places=(places[0].id,))
    known = [q for q in QUANTITIES if any(q in offered[p.id] for p in places)]
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
    return html.Main(
        [
            html.H1("Past", className="unseen"),
            html.Form(
                [
                    _asked(
                        "Places",
                        dcc.Checklist(
                            id="past-places",
                            value=list(choice.places),
                            options=[{"label": p.label, "value": p.id} for p in places],
                        ),
                    ),
                    _asked(
                        "Quantity",
                        dcc.RadioItems(
                            id="past-quantity",
                            value=choice.quantity,
                            options=[
                                {"label": formats.scale(q, unit).words, "value": q} for q in known
                            ],
                        ),
                    ),
                    html.P(dcc.Link("Psychrometric chart", href="/past/psychrometric")),
                    html.P(dcc.Link("Climate record", href="/past/climate")),
                ],
                className="asked",
            ),
            html.Section(
                [
                    html.Div(
                        [
                            _asked(
                                "Span",
                                dcc.RadioItems(
                                    id="past-span",
                                    value=choice.span,
                                    inline=True,
                                    options=[{"label": w, "value": s} for s, w in SPANS.items()],
                                ),
                            ),
                            html.Div(
                                [
                                    html.Button("Earlier", id="past-earlier", n_clicks=0),
                                    html.Button("Later", id="past-later", n_clicks=0),
                                    html.Button("Now", id="past-now", n_clicks=0),
                                ],
                                className="steps",
                            ),
                            html.P(
                                id="past-shown",
                                className="shown",
                                **attributes(aria_live="polite"),
                            ),
                        ],
                        className="spans",
                    ),
                    html.Div(
                        dcc.Graph(
                            id="past-plot",
                            config=plots.PLOT_CONFIG,
                            responsive=True,
                            figure={
                                "data": [],
                                "layout": {
                                    "xaxis": {"visible": False},
                                    "yaxis": {"visible": False},
                                    "paper_bgcolor": "rgba(0,0,0,0)",
                                    "plot_bgcolor": "rgba(0,0,0,0)",
                                },
                            },
                        ),
                        className="plot",
                        role="img",
                        **attributes(aria_label="Plot; described by the sentences below it"),
                    ),
                    html.Div(id="past-summary", className="summary"),
                    html.P(id="past-download", className="download"),
                ],
                className="drawn",
            ),
            dcc.Store(id="past-view", data=choice.query()),
            dcc.Store(id="past-seen"),
            dcc.Store(id="past-address"),
        ],
        className="past",
    )


def _asked(legend: str, field: Component) -> Component:
    return html.Fieldset([html.Legend(legend), field])


@page_frame.where_store_fails(
    lambda trouble, _choice, screen, *_: PageUpdate(
        plots.empty_plot(trouble.sentence, theme_of(screen)), [html.P(trouble.remedy)], [], ""
    )
)
def answered(
    choice: Choice,
    screen: Mapping[str, Any],
    now: int,
    shop: ShopData,
    marks_of: Callable[[Collection[str], int, int], Sequence[marks.Mark]] = lambda *_: (),
) -> PageUpdate:
    """Figure, sentences and download of a choice; if it cannot be shown, why.

    `marks_of` gives the marks of places between two moments. [ms]
    """
    look = theme_of(screen)
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
    zone = shop.settings.zone
    start, end = span_of(choice, now, shop)
    with shop.reader() as reader:
        chosen = [p for p in shop.places(reader) if p.id in choice.places]
    if not chosen:
        return PageUpdate(plots.empty_plot("Choose a place.", look), [], [], "")
    histories = [
        shop.history(place, choice.quantity, start, end, share=len(chosen)) for place in chosen
    ]
    lines = [_line(history, shop) for history in histories]
    width = screen.get("width")
    view = plots.View(start, end, zone, unit, width if isinstance(width, int) else 1280)
    figure: plots.Plot
    found: Sequence[marks.Mark] = ()
    if not any(len(line.table) for line in lines):
        figure = plots.empty_plot("No readings in this span.", look)
    else:
        found = marks_of(choice.places, start, end)
        plot = plots.history_plot(lines, choice.quantity, view, look)
        figure = marks.with_marks(plot, found, view, look)
    span = span_words(choice, start, end, zone)
    paragraphs: list[Component] = [
        html.P(plots.summary(line, choice.quantity, span, unit)) for line in lines
    ]
    paragraphs.append(html.P(source_words(histories, choice.quantity), className="source"))
    paragraphs += marks.listed(found, view)
    shown = f"{formats.stamp(start, zone)} to {formats.stamp(end, zone)}"
    return PageUpdate(figure, paragraphs, _download(choice, chosen, start, end, histories), shown)


def _line(history: QuantityHistory, shop: ShopData) -> Line:
    place = history.place
    judged = history.quantity == "humidity" and place.kind != "outdoors"
    return Line(
        place.label, history.points, work_band(place, shop.settings.limits) if judged else None
    )


def span_words(choice: Choice, start: int, end: int, zone: Any) -> str:
    if choice.zoom or choice.end_ms is not None:
        return f"{formats.stamp(start, zone)} to {formats.stamp(end, zone)}"
    return "all years" if choice.span == "all" else f"last {choice.span}"


def source_words(histories: Sequence[QuantityHistory], quantity: str) -> str:
    """Meaning of a point of the plot, and its source, in a sentence."""
    parts = []
    for source in dict.fromkeys(h.source for h in histories):
        width = max(h.width_ms for h in histories if h.source == source)
        each = f", {formats.duration(width)} a point" if width else ""
        parts.append(f"{source}{each}")
    text = f"Drawn from {' and '.join(parts)}"
    if quantity in downloads.DERIVED:
        text += "; calculated from temperature and RH" + (
            " of these means; the range is the range of the means"
            if any(h.source != "readings" for h in histories)
            else ""
        )
    return f"{text}."


def _download(
    choice: Choice,
    chosen: Sequence[Place],
    start: int,
    end: int,
    histories: Sequence[QuantityHistory],
) -> list[Component | str]:
    rows = sum(h.readings for h in histories)
    if not rows:
        return []
    query = urlencode(
        {
            "places": ",".join(p.id for p in chosen),
            "quantity": choice.quantity,
            "start": start,
            "end": end,
        }
    )
    return [html.A("Download as CSV", href=f"/past.csv?{query}"), downloads.words(rows)]
