"""Coming: five days of a place's air, what comes, good hours, and what would change it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import dash
from dash import ClientsideFunction, Input, Output, State, dcc, html

from dashboard.access.visitor import may_change
from dashboard.coming import closing, room_text, text
from dashboard.coming import view as coming_view
from dashboard.coming.figure import FANS, Beside, coming_plot, summary
from dashboard.coming.forms import FIELDS, change
from dashboard.ui import formats, missing, page_frame, plates_text, plots, sentences
from dashboard.ui.controls import action_results, tap_row
from dashboard.ui.markup import attributes
from dashboard.ui.themes import theme_of
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.outlook.summary import closing_hours
from monitor.outlook.weather.drop_folder import left_out
from monitor.outlook.weather.providers import credit_by_id
from monitor.science.outlook.what_if import USUAL_VOLUME_M3

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.outlook import OutlookQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.wood import WoodQueries
    from dashboard.ui.formats import Unit
    from monitor.domain.places import Place
    from monitor.outlook.summary import PlaceOutlook

NO_CHANGE = (
    "“What if” needs an outlook of this place, and there is none yet. See above what is missing."
)
FAULTS = tuple(name for name in FIELDS if name != "window")


def register(app: dash.Dash, shop: ShopData, book: OutlookQueries, woods: WoodQueries) -> None:
    """Hang the page and its callbacks into the app."""
    dash.register_page(
        "coming", path="/coming", title="Coming", layout=lambda **query: layout(shop, book, query)
    )

    app.clientside_callback(
        ClientsideFunction("board", "outlook"),
        Output("coming-address", "data"),
        Input("coming-place", "value"),
        Input("coming-quantity", "value"),
    )

    @app.callback(
        Output("coming-head", "children"),
        Output("coming-below", "children"),
        Output("coming-state", "data"),
        Input("coming-place", "value"),
        Input("token", "data"),
        State("coming-state", "data"),
    )
    def refresh(place_id: str, _token: str, state: str) -> tuple[Any, ...]:
        alone = set(dash.ctx.triggered_prop_ids.values()) == {"token"}
        now = now_ms()
        new = f"{place_id}|{book.stamp(place_id)}|{now // formats.HOUR_MS}"
        if alone and new == state:
            raise dash.exceptions.PreventUpdate
        writer = may_change().allowed
        head, below = head_and_details(place_id, shop, book, now, woods, writer=writer)
        return head, below, new

    @app.callback(
        Output("coming-plot", "figure"),
        Output("coming-words", "children"),
        Output("coming-answer", "children"),
        *(Output(f"if-{name}-fault", "children") for name in FAULTS),
        Input("coming-state", "data"),
        Input("coming-quantity", "value"),
        Input("screen", "data"),
        Input("coming-elsewhere", "value"),
        *(Input(f"if-{name}", "value") for name in FIELDS),
        State("coming-place", "value"),
    )
    def draw(
        _state: str, quantity: str, screen: dict[str, Any] | None, elsewhere: str, *typed: str
    ) -> tuple[Any, ...]:
        place_id = typed[-1]
        request = dict(zip(FIELDS, typed[:-1], strict=True)) | {"elsewhere": elsewhere}
        plot, words, answer, faults = answered(
            place_id, quantity, request, screen or {}, shop, book
        )
        return plots.sent(plot), words, answer, *(faults.get(name, "") for name in FAULTS)


def _unknown(trouble: sentences.Trouble) -> list[Component]:
    return coming_view.head(sentences.Headline("unknown", trouble.sentence, trouble.remedy))


@page_frame.where_store_fails(
    lambda trouble, *_: html.Main(_unknown(trouble), className="sheet coming")
)
def layout(shop: ShopData, book: OutlookQueries, query: Mapping[str, Any]) -> Component:
    """The page; `query` may name its place and quantity, as its address does."""
    places = book.places()
    foremost = book.foremost()
    unit = formats.unit_of(shop.settings)
    ids = [place.id for place in places]
    asked = str(query.get("place", ""))
    chosen = asked if asked in ids else foremost.place.id if foremost else next(iter(ids), "")
    quantity = str(query.get("quantity", ""))
    quantity = quantity if quantity in FANS else next(iter(FANS))
    return html.Main(
        [
            *action_results(),
            html.Div(id="coming-head", className="coming-head", **attributes(aria_live="polite")),
            coming_view.choices(places, chosen, list(FANS), quantity, unit),
            plots.frame("coming-plot", "Plot; described by the sentence below it"),
            html.P(id="coming-words", className="aside"),
            coming_view.what_if(places, unit),
            html.Div(id="coming-below"),
            dcc.Store(id="coming-state", data=""),
            dcc.Store(id="coming-address"),
        ],
        className="sheet coming",
    )


@page_frame.where_store_fails(lambda trouble, *_: (_unknown(trouble), []))
def head_and_details(
    place_id: str,
    shop: ShopData,
    book: OutlookQueries,
    now: int,
    woods: WoodQueries | None = None,
    *,
    writer: bool = False,
) -> tuple[list[Component], list[Component]]:
    """Headline and everything below the plot; `writer`: whether the visitor may answer questions."""
    zone = shop.settings.zone
    unit = formats.unit_of(shop.settings)
    place = _place(place_id, book)
    if place is None:
        nothing = sentences.Headline("unknown", missing.NO_PLACE, "")
        links = tap_row(missing.taps(missing.SET_UP_PLACE))
        return coming_view.head(nothing, links), []
    state = book.progress()
    learning = None
    if state is not None:
        label = next((p.label for p in book.places() if p.id == state.place), state.place)
        learning = coming_view.learning(state, label)
    one, fit = book.outlook_of(place), book.fit(place)
    unused = text.unused_forecast(shop.doubted(now), now, zone, unit)
    unread = text.unread_forecasts(left_out(shop.settings.forecast_folder, now))
    doubt = [html.P(line, className="caution") for line in [unused, *unread] if line]
    if one is None:
        why = text.no_outlook(book.looked_ms(place), now, zone)
        lacks = [] if shop.settings.forecasts else [missing.SET_UP_FORECAST]
        links = tap_row(missing.taps(missing.CONNECT_SENSOR, *lacks))
        return [*coming_view.head(why, learning), *doubt, links], []
    head = [*coming_view.head(text.headline(one, now, zone, unit), learning), *doubt]
    humidifier = book.humidifier(place)
    if humidifier.asked:
        asks = room_text.humidifier_why(one.look)
        head.append(coming_view.humidifier_question(place.id, asks, writer=writer))
    ahead = woods.ahead(one) if woods else []
    shut = book.shut_today(now)
    if shut.asked or shut.asked_again:
        head.append(closing.question(shut, writer=writer))
    elif shut.until is not None or shut.opened:
        head.append(closing.answer(shut, writer=writer))
    elif shut.chance >= closing.MAYBE:
        head.append(html.P(closing.maybe(shut.chance), className="detail"))
    plates = [plates_text.plate_and_closing_words(e, found, one, now, zone) for e, found in ahead]
    closings = [
        (each.reference, closing_hours(shop.settings, one, found.closable, shop.opening_hours()))
        for each, found in ahead
        if each.open_now and each.home is not None and each.home.rh_pct is not None
    ]
    credit = credit_by_id(one.look.source, shop.settings.forecasts)
    return head, coming_view.below(
        one,
        fit,
        book.settings(one),
        now,
        zone,
        unit,
        plates,
        credit,
        closings,
        humidifier,
        writer=writer,
    )


def _place(place_id: str, book: OutlookQueries) -> Place | None:
    return next((one for one in book.places() if one.id == place_id), None)


@page_frame.where_store_fails(
    lambda trouble, _place, _quantity, _wish, screen, *_: (
        plots.empty_plot(trouble.sentence, theme_of(screen)),
        "",
        [],
        {},
    )
)
def answered(
    place_id: str,
    quantity: str,
    request: Mapping[str, str],
    screen: Mapping[str, Any],
    shop: ShopData,
    book: OutlookQueries,
) -> tuple[plots.Plot, str, list[Component], dict[str, str]]:
    """Plot, its sentence, the answer to what if, and what is wrong with its fields."""
    look, zone = theme_of(screen), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    place = _place(place_id, book)
    one = book.outlook_of(place) if place else None
    if one is None:
        why: list[Component] = [html.P(NO_CHANGE)] if any(request.values()) else []
        return plots.empty_plot("There is no outlook to draw.", look), "", why, {}
    other, lines, faults = _other(one, request, book, zone, unit)
    edges = one.look.edges_ms
    view = plots.View(int(edges[0]), int(edges[-1]), zone, unit, plots.width_of(screen))
    quantity = quantity if quantity in FANS else "humidity"
    plot = coming_plot(one, quantity, view, look, other)
    return plot, summary(one, quantity, view), lines, faults


def _other(
    one: PlaceOutlook, request: Mapping[str, str], book: OutlookQueries, zone: ZoneInfo, unit: Unit
) -> tuple[Beside | None, list[Component], dict[str, str]]:
    """Curve and sentences to show beside the outlook, and the faults by field."""

    def compared(other: PlaceOutlook, *, moved: bool) -> list[str]:
        return text.comparison(one, other, zone, unit, moved=moved)

    elsewhere = request.get("elsewhere") or ""
    if elsewhere and elsewhere != one.place.id:
        place = _place(elsewhere, book)
        there = book.outlook_of(place) if place else None
        if place is None or there is None:
            return (
                None,
                coming_view.answer([f"No outlook of {place.label if place else elsewhere}."]),
                {},
            )
        return (
            Beside(place.label, there.fan),
            coming_view.answer(compared(there, moved=True)),
            {},
        )
    try:
        wanted = change(request, one.place.volume_m3 or USUAL_VOLUME_M3, unit)
    except Rejected as exc:
        faults = {fault.field: f"{fault.at_field()}." for fault in exc.faults}
        return None, coming_view.answer(["Look at the marked fields."]), faults
    if wanted is None:
        return None, [], {}
    other = book.changed(one, wanted)
    return (
        Beside("with the change", other.fan),
        coming_view.answer(
            compared(other, moved=False), wanted, unit, known=one.look.room.pinned is not None
        ),
        {},
    )
