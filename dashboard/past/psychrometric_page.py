"""Psychrometric chart: a place's air as temperature and water, and what would change it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import dash
import numpy as np
from dash import Input, Output, State, dcc, html

from dashboard.past.psychrometric_chart import Change, psychrometric_chart, warmed
from dashboard.ui import formats, missing, page_frame, plots
from dashboard.ui.markup import attributes
from dashboard.ui.themes import theme_of
from monitor.air.current import work_band
from monitor.core.clock import now_ms
from monitor.core.errors import OutOfRange
from monitor.science.air import absolute_humidity
from monitor.science.humidity_causes import humidity_spread

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.air.place_means import Means
    from monitor.domain.places import Place

SPANS = {"day": "Day", "week": "Week", "month": "Month"}
PERIODS_S = {"day": 600, "week": 3600, "month": 3600}
"""Period of the means that are drawn, by span. [s]"""
WARMED_K = 3.0
"""Warming that the chart shows. [K]"""
LAST_MS = 3 * 3_600_000
"""Age at the end of the span from which the last mean is not the air at its end. [ms]"""
REDRAW_MS = 10 * formats.MINUTE_MS


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the page and its callback into the app."""
    dash.register_page(
        "past_psychrometric",
        path="/past/psychrometric",
        title="Psychrometric chart",
        layout=lambda **query: layout(shop, query),
    )

    @app.callback(
        Output("psychrometric-plot", "figure"),
        Output("psychrometric-shown", "children"),
        Output("psychrometric-words", "children"),
        Output("psychrometric-view", "data"),
        Input("psychrometric-place", "value"),
        Input("psychrometric-span", "value"),
        Input("psychrometric-earlier", "n_clicks"),
        Input("psychrometric-later", "n_clicks"),
        Input("psychrometric-now", "n_clicks"),
        Input("screen", "data"),
        Input("token", "data"),
        State("psychrometric-view", "data"),
    )
    def draw(
        place: str,
        span: str,
        earlier: int,
        later: int,
        back: int,
        screen: dict[str, Any] | None,
        _token: str,
        view: dict[str, Any] | None,
    ) -> tuple[Any, ...]:
        # As on the climate record: what the reader did is found by comparing with what is drawn.
        now, held = now_ms(), view or {}
        span = span if span in SPANS else "day"
        does = {
            "place": place,
            "span": span,
            "turns": later - earlier,
            "back": back,
            "screen": screen,
        }
        drawn, end = held.get("drawn"), held.get("end")
        if back != held.get("back", 0) or span != held.get("span", span):
            end = None
        end = stepped(end, span, does["turns"] - held.get("turns", 0), now, shop)
        same = does == {name: held.get(name) for name in does}
        if drawn and same and (end or now - drawn < REDRAW_MS):
            raise dash.exceptions.PreventUpdate
        plot, shown, words = answered(str(place or ""), span, end, screen or {}, now, shop)
        return plots.sent(plot), shown, words, does | {"end": end, "drawn": now}


@page_frame.where_store_fails(page_frame.sheet("Psychrometric chart"))
def layout(shop: ShopData, query: Mapping[str, Any]) -> Component:
    """The page; `query` may name the place: `/past/psychrometric?place=front-bench`."""
    offered = shop.quantities()
    with shop.reader() as reader:
        places = [p for p in shop.places(reader) if "dew_point" in offered.get(p.id, ())]
    if not places:
        return html.Main(
            [
                html.H1("Psychrometric chart"),
                missing.missing(
                    "It needs temperature and RH, and no sensor has sent both.",
                    missing.TYPE_READING,
                    missing.CONNECT_SENSOR,
                ),
            ],
            className="sheet",
        )
    asked = str(query.get("place", ""))
    ids = [p.id for p in places]
    return html.Main(
        [
            html.Form(
                [
                    html.Fieldset(
                        [
                            html.Legend("Place"),
                            dcc.RadioItems(
                                id="psychrometric-place",
                                options=[{"label": p.label, "value": p.id} for p in places],
                                value=asked if asked in ids else ids[0],
                            ),
                        ]
                    ),
                    html.P(dcc.Link("Back to Past", href="/past")),
                ],
                className="asked",
            ),
            html.Section(
                [
                    html.H1("Psychrometric chart"),
                    html.Div(
                        [
                            html.Fieldset(
                                [
                                    html.Legend("Span"),
                                    dcc.RadioItems(
                                        id="psychrometric-span",
                                        value="day",
                                        inline=True,
                                        options=[
                                            {"label": word, "value": span}
                                            for span, word in SPANS.items()
                                        ],
                                    ),
                                ]
                            ),
                            html.Div(
                                [
                                    html.Button(word, id=f"psychrometric-{name}", n_clicks=0)
                                    for name, word in (
                                        ("earlier", "Earlier"),
                                        ("later", "Later"),
                                        ("now", "Now"),
                                    )
                                ],
                                className="steps",
                            ),
                            html.P(
                                id="psychrometric-shown",
                                className="shown",
                                **attributes(aria_live="polite"),
                            ),
                        ],
                        className="spans",
                    ),
                    html.Div(
                        dcc.Graph(
                            id="psychrometric-plot",
                            config=plots.PLOT_CONFIG,
                            responsive=True,
                            figure=plots.NO_PLOT,
                        ),
                        className="plot",
                        role="img",
                        **attributes(aria_label="Plot; described by the sentences below it"),
                    ),
                    html.Div(id="psychrometric-words", className="summary"),
                ],
                className="drawn",
            ),
            dcc.Store(id="psychrometric-view", data={}),
        ],
        className="past climate",
    )


def stepped(end: int | None, span: str, by: int, now: int, shop: ShopData) -> int | None:
    """Move the end of the span by so many spans; None means now. [ms since 1970-01-01 UTC]"""
    for _ in range(min(abs(by), formats.MOST_STEPS)):
        moved = formats.moved(end or now, span, 1 if by > 0 else -1, shop.settings.zone)
        end = None if moved >= now else max(moved, formats.DAY_MS)
    return end


@page_frame.where_store_fails(
    lambda trouble, _place, _span, _end, screen, *_: (
        plots.empty_plot(trouble.sentence, theme_of(screen)),
        "",
        [html.P(trouble.remedy)],
    )
)
def answered(
    place_id: str, span: str, end: int | None, screen: Mapping[str, Any], now: int, shop: ShopData
) -> tuple[plots.Plot, str, list[Component]]:
    """Chart, span and sentences; if it cannot be shown, why."""
    look, zone = theme_of(screen), shop.settings.zone
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
    until = end or now
    start = formats.moved(until, span, -1, zone)
    with shop.reader() as reader:
        place = next((p for p in shop.places(reader) if p.id == place_id), None)
    shown = f"{formats.stamp(start, zone)} to {formats.stamp(until, zone)}"
    if place is None:
        return plots.empty_plot("Choose a place.", look), "", []
    air = usable(shop.air_means(place, start, until, PERIODS_S[span]))
    if not len(air.ts_ms):
        return plots.empty_plot("No readings in this span.", look), shown, []
    width = screen.get("width")
    view = plots.View(start, until, zone, unit, width if isinstance(width, int) else 1280)
    band = None if place.kind == "outdoors" else work_band(place, shop.settings.limits)
    temp, rh = float(air.temp_c[-1]), float(air.rh_pct[-1])
    changes = changes_of(temp, rh, band)
    plot = psychrometric_chart(air, band, changes, view, look, shop.pressure_pa())
    return plot, shown, words(place, air, band, changes, view)


def usable(air: Means) -> Means:
    """The means that the formulas take: RH above 0, and above 100 counted as 100."""
    rh = np.minimum(air.rh_pct, 100.0)
    known = np.isfinite(air.temp_c) & (rh > 0) & (air.temp_c >= -45) & (air.temp_c <= 60)
    return air._replace(ts_ms=air.ts_ms[known], temp_c=air.temp_c[known], rh_pct=rh[known])


def changes_of(temp_c: float, rh_pct: float, band_pct: tuple[float, float] | None) -> list[Change]:
    """Changes that the chart shows: warmed, and into the band by water alone where it is outside."""
    if band_pct is None or temp_c + WARMED_K > 60:
        return []
    found = [warmed(temp_c, rh_pct, WARMED_K)]
    low, high = band_pct
    if rh_pct < low:
        found.append(Change("with more water", temp_c, low))
    elif rh_pct > high:
        found.append(Change("with less water", temp_c, high))
    return found


def words(
    place: Place,
    air: Means,
    band_pct: tuple[float, float] | None,
    changes: list[Change],
    view: plots.View,
) -> list[Component]:
    """The chart in sentences: what it spans, what moved RH, and what the arrows mean."""
    unit = formats.degree(view.unit)

    def temp(value: float) -> str:
        return formats.figure(formats.in_unit(value, view.unit), 1)

    t, rh, last = float(air.temp_c[-1]), float(air.rh_pct[-1]), int(air.ts_ms[-1])
    of = "the air at the end of the span"
    if view.end_ms - last > LAST_MS:
        of = f"the last reading in the span, of {formats.stamp(last, view.zone)}"
    parts: list[Component] = [
        html.P(
            f"{place.label}: {temp(air.temp_c.min())} to {temp(air.temp_c.max())} {unit}, RH "
            f"{air.rh_pct.min():.0f} to {air.rh_pct.max():.0f} %. The ring is {of}: "
            f"{temp(t)} {unit}, {rh:.0f} %."
        )
    ]
    try:
        spread = humidity_spread(air.temp_c, air.rh_pct)
    except OutOfRange:
        spread = None
    if spread is not None:
        parts.append(
            html.P(
                f"For 80 % of the time RH stayed within a range of {spread.whole:.0f} points of RH. "
                "Temperature alone, with the same water in the air, would have moved it by "
                f"{spread.by_temperature:.0f} points; water alone, at the same temperature, by "
                f"{spread.by_water:.0f} points."
            )
        )
    parts += [html.P(_change_words(change, t, rh, view)) for change in changes]
    if changes:
        parts.append(
            html.P(
                "The arrows show what the air at the ring would become. They are not advice: a room "
                "leaks, and walls and wood take up and give off water. Coming shows how much water "
                "a room needs, and where it would condense.",
                className="source",
            )
        )
    if band_pct is not None:
        parts.append(
            html.P(
                f"The dashed area is the band, {band_pct[0]:.0f} to {band_pct[1]:.0f} %. Each thin "
                "curve is one RH; the thick one is saturation, 100 %.",
                className="source",
            )
        )
    return parts


def _change_words(change: Change, temp_c: float, rh_pct: float, view: plots.View) -> str:
    if change.temp_c != temp_c:
        by = formats.figure(formats.difference_in_unit(change.temp_c - temp_c, view.unit), 0)
        sign = formats.degree_difference(view.unit)
        return f"Warmed by {by} {sign} with no water added, it would be at {change.rh_pct:.0f} %."
    grams = float(absolute_humidity(temp_c, change.rh_pct) - absolute_humidity(temp_c, rh_pct))
    more = "more" if grams > 0 else "less"
    edge = "lower" if grams > 0 else "upper"
    return (
        f"With {abs(grams):.1f} g {more} water in each m³ of air, at the same temperature, it would "
        f"be at the {edge} end of the band, {change.rh_pct:.0f} %."
    )
