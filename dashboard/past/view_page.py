"""Frame of every view of Past: its fields, steps, plot, sentences, files, address and callback.

A view says what it asks for and answers a choice with a plot and sentences; all else is here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlencode

import dash
import numpy as np
from dash import ClientsideFunction, Input, Output, State, dcc, html

from dashboard.access.visitor import may_change
from dashboard.data import histories
from dashboard.past import picture, view_form
from dashboard.past.selection import (
    Choice,
    Done,
    choice_of,
    dates_of,
    redraw_due,
    shown,
    span_of,
    step,
)
from dashboard.ui import formats, missing, page_frame, plots
from dashboard.ui.themes import theme_of
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.air.place_means import Means
    from monitor.domain.places import Place

VIEWS = (
    ("/past", "History"),
    ("/past/compare", "Two places"),
    ("/past/calendar", "Calendar"),
    ("/past/psychrometric", "Psychrometric chart"),
    ("/past/emc", "EMC map"),
    ("/past/climate", "Climate record"),
)
"""Address and name of each view."""
FINE_MS = 3 * formats.DAY_MS
"""Spans up to this are drawn from 10-minute means, longer ones from hours. [ms]"""
PAIR = "dew_point"
"""A quantity that a place has if one of its sensors measures both temperature and RH."""
NEEDS_PAIR = "This view needs temperature and RH, and no sensor has sent both yet."


class Drawn(NamedTuple):
    """Answer of a view to a choice: its plot, what is below it, and its files."""

    figure: plots.Plot
    words: list[Component]
    files: Sequence[Component | str] = ()
    title: str = ""
    """Of the picture; without one there is nothing to save."""
    shown: str = ""
    """Span in words, where it is not the one chosen."""


class OfferedPlaces(NamedTuple):
    """Places that a view offers: the text over them, id and label of each, the first is the usual."""

    legend: str
    options: Sequence[tuple[str, str]]
    many: bool = False


class PastView(NamedTuple):
    """A view of Past. `asked` gives its places by what the store can show of each."""

    name: str
    path: str
    title: str
    spans: Sequence[str]
    asked: Callable[[Sequence[Place], Mapping[str, set[str]]], OfferedPlaces]
    answered: Callable[[Choice, Mapping[str, Any], int], Drawn]
    quantities: Sequence[str] = ()
    two: bool = False
    """Whether it compares two places."""
    zoom: bool = False
    dates: bool = True
    aside: str = ""
    missing: str = NEEDS_PAIR

    @property
    def callback(self) -> tuple[list[tuple[str, str]], list[str]]:
        """Inputs as (component, property) and stores of its callback."""
        found = [("places", "value")]
        if self.two:
            found.append(("beside", "value"))
        if self.quantities:
            found.append(("quantity", "value"))
        if len(self.spans) > 1:
            found.append(("span", "value"))
        found += [(name, "n_clicks") for name in ("earlier", "later", "now")]
        if self.dates:
            found.append(("dates", "n_clicks"))
        if self.zoom:
            found.append(("plot", "relayoutData"))
        return found, ["view", "seen"]


def with_pair(
    places: Sequence[Place], offered: Mapping[str, set[str]], *, indoors: bool = False
) -> list[tuple[str, str]]:
    """Places of which temperature and RH of one sensor are known."""
    return [
        (p.id, p.label)
        for p in places
        if PAIR in offered.get(p.id, ()) and not (indoors and p.kind == "outdoors")
    ]


def register(app: dash.Dash, shop: ShopData, view: PastView) -> None:
    """Hang a view, its callback and its pictures into the app."""
    name = view.name
    dash.register_page(
        "past" if name == "past" else f"past_{name}",
        path=view.path,
        name=view.title,
        title=view.title,
        layout=lambda **query: layout(shop, view, query),
    )
    app.clientside_callback(
        ClientsideFunction("board", "address"),
        Output(f"{name}-address", "data"),
        Input(f"{name}-view", "data"),
    )
    picture.register(app, shop, view)
    inputs, stores = view.callback
    fields = [field for field, _ in inputs]

    @app.callback(
        Output(f"{name}-plot", "figure"),
        Output(f"{name}-words", "children"),
        Output(f"{name}-files", "children"),
        Output(f"{name}-shown", "children"),
        Output(f"{name}-views", "children"),
        *([Output(f"{name}-dates-fault", "children")] if view.dates else []),
        Output(f"{name}-view", "data"),
        Output(f"{name}-seen", "data"),
        *(Input(f"{name}-{field}", prop) for field, prop in inputs),
        Input("screen", "data"),
        Input("token", "data"),
        *(State(f"{name}-{store}", "data") for store in stores),
        *(State(f"{name}-{end}", "value") for end in ("from", "to") if view.dates),
    )
    def draw(*given: Any) -> tuple[Any, ...]:
        # What the reader did is found by comparing with what is drawn: a newer request takes the
        # place of one that is under way.
        values = dict(
            zip([*fields, "screen", "token", *stores, "from", "to"], given, strict=False)
        )
        now, screen = now_ms(), values["screen"] or {}
        before, done = choice_of(values["view"] or {}, view.spans), Done(**(values["seen"] or {}))
        does = done._replace(
            earlier=values["earlier"],
            later=values["later"],
            back=values["now"],
            dates=values.get("dates", 0),
            relayout=values.get("plot"),
            screen=values["screen"],
        )
        wanted = dates_of(
            values.get("from") or "", values.get("to") or "", now, shop.settings.zone
        )
        pressed = does.dates != done.dates
        dates, fault = (
            (wanted, "") if isinstance(wanted, tuple) else (None, wanted if pressed else "")
        )
        after = step(before, _choice(before, values, view), done, does, now, shop, dates)
        same = after == before and does.screen == done.screen and not fault
        if done.drawn and same and not redraw_due(after, done.drawn, now, shop):
            raise dash.exceptions.PreventUpdate
        answer = view.answered(after, screen, now)
        return (
            plots.sent(answer.figure),
            answer.words,
            list(answer.files),
            answer.shown or _shown(after, now, shop),
            _links(view, after),
            *([fault] if view.dates else []),
            after.query(),
            does._replace(drawn=now)._asdict(),
        )


def _choice(before: Choice, values: Mapping[str, Any], view: PastView) -> Choice:
    """The choice before with the fields of the form as they are now."""
    picked = values["places"]
    picked = picked if isinstance(picked, list) else [picked or "", values.get("beside") or ""]
    quantity, span = str(values.get("quantity")), str(values.get("span"))
    return before._replace(
        places=tuple(p for p in picked if p),
        quantity=quantity if quantity in view.quantities else before.quantity,
        span=span if span in view.spans else before.span,
    )


def drawing(view_of: Callable[..., Drawn]) -> Callable[..., Drawn]:
    """Decorator of an answer to a choice: a store that cannot be read is named in the plot."""
    return page_frame.where_store_fails(
        lambda trouble, _choice, screen, *_, **__: Drawn(
            plots.empty_plot(trouble.sentence, theme_of(screen)), [html.P(trouble.remedy)]
        )
    )(view_of)


@page_frame.where_store_fails(
    lambda trouble, _shop, view, _query: page_frame.sheet(view.title)(trouble)
)
def layout(shop: ShopData, view: PastView, query: Mapping[str, Any]) -> Component:
    """A view's page; `query` holds the parameters of its address."""
    offered = histories.quantities(shop)
    with shop.reader() as reader:
        places = [p for p in shop.places(reader) if p.id in offered]
    asked = view.asked(places, offered)
    ids = [option for option, _ in asked.options]
    if not any(ids):
        return html.Main(
            [
                html.H1(view.title),
                missing.missing(
                    view.missing,
                    *([missing.TYPE_READING] if may_change().allowed else []),
                    missing.CONNECT_SENSOR,
                ),
            ],
            className="sheet bench",
        )
    choice = choice_of(query, view.spans)
    known = [one for one in choice.places if one in ids] or [one for one in ids[:1] if one]
    if view.two and len(known) < 2:
        known += [one for one in ids if one not in known][:1]
    if not asked.many:
        known = known[: 2 if view.two else 1]
    choice = choice._replace(places=tuple(known), zoom=choice.zoom if view.dates else None)
    return html.Main(
        [
            html.Div(_links(view, choice), id=f"{view.name}-views", className="views"),
            html.Form(view_form.places(view, asked, choice, shop, offered), className="asked"),
            html.Section(
                [
                    html.H1(view.title, className="unseen" if view.zoom else None),
                    html.Div(view_form.times(view, choice), className="spans"),
                    view_form.plot(view.name),
                    html.Div(id=f"{view.name}-words", className="summary"),
                    html.Div(
                        [
                            html.Div(id=f"{view.name}-files", className="download"),
                            *picture.parts(view.name),
                        ],
                        className="files",
                    ),
                ],
                className="drawn",
            ),
            dcc.Store(id=f"{view.name}-view", data=choice.query()),
            dcc.Store(id=f"{view.name}-seen"),
            dcc.Store(id=f"{view.name}-address"),
        ],
        className="past" if view.zoom else f"past climate {view.name}",
    )


def _links(view: PastView, choice: Choice) -> Component:
    """The views of Past, each at the place and time of this one."""
    query = urlencode({k: v for k, v in choice.query().items() if v})
    links = ((f"{path}?{query}" if path != view.path else path, word) for path, word in VIEWS)
    here = view.path
    return page_frame.MenuSection("Views of the past", "", tuple(links)).links(here)


def _shown(choice: Choice, now: int, shop: ShopData) -> str:
    try:
        return shown(choice, now, shop)
    except StoreFault:
        return ""


def air_of_place(
    choice: Choice, screen: Mapping[str, Any], now: int, shop: ShopData
) -> tuple[Place, Means, plots.View] | str:
    """Place of a choice, its means over the span, and the view to draw them in; or why not."""
    start, end = span_of(choice, now, shop)
    with shop.reader() as reader:
        place = next((p for p in shop.places(reader) if p.id in choice.places[:1]), None)
    if place is None:
        return "Choose a place."
    air = means(place, start, end, shop)
    if not len(air.ts_ms):
        return "No readings in this span."
    unit = formats.unit_of(shop.settings)
    return place, air, plots.View(start, end, shop.settings.zone, unit, plots.width_of(screen))


def means(place: Place, start_ms: int, end_ms: int, shop: ShopData) -> Means:
    """Means of a place over a span that the formulas take, of 10 minutes or of hours.

    RH is above 0, and above 100 counts as 100.
    """
    air = shop.air_means(place, start_ms, end_ms, period_s(start_ms, end_ms))
    rh = np.minimum(air.rh_pct, 100.0)
    known = np.isfinite(air.temp_c) & (rh > 0) & (air.temp_c >= -45) & (air.temp_c <= 60)
    return air._replace(ts_ms=air.ts_ms[known], temp_c=air.temp_c[known], rh_pct=rh[known])


def period_s(start_ms: int, end_ms: int) -> int:
    """Width of the means of a span. [s]"""
    return 600 if end_ms - start_ms <= FINE_MS else 3600
