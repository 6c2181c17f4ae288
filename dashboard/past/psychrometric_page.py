"""Psychrometric chart: a place's air as temperature and water, and what would change it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

from dash import html

from dashboard.past import view_page
from dashboard.past.psychrometric_chart import ChangedAir, psychrometric_chart, warmed
from dashboard.past.view_page import Drawn, OfferedPlaces, PastView
from dashboard.ui import formats, plots
from dashboard.ui.themes import theme_of
from monitor.air.current import work_band
from monitor.core.errors import OutOfRange
from monitor.science.air import absolute_humidity
from monitor.science.humidity_causes import humidity_spread

if TYPE_CHECKING:
    import dash
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.past.selection import Choice
    from monitor.air.place_means import Means
    from monitor.domain.places import Place

WARMED_K = 3.0
"""Warming that the chart shows. [K]"""
LAST_MS = 3 * 3_600_000
"""Age at the end of the span from which the last mean is not the air at its end. [ms]"""


def view_of(shop: ShopData) -> PastView:
    """The view as the frame takes it."""
    return PastView(
        name="psychrometric",
        path="/past/psychrometric",
        title="Psychrometric chart",
        spans=("day", "night", "week", "month"),
        asked=lambda places, offered: OfferedPlaces("Place", view_page.with_pair(places, offered)),
        answered=partial(answered, shop=shop),
    )


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the view into the app."""
    view_page.register(app, shop, view_of(shop))


@view_page.drawing
def answered(choice: Choice, screen: Mapping[str, Any], now: int, shop: ShopData) -> Drawn:
    """Chart and sentences; if it cannot be shown, why."""
    look = theme_of(screen)
    found = view_page.air_of_place(choice, screen, now, shop)
    if isinstance(found, str):
        return Drawn(plots.empty_plot(found, look), [])
    place, air, view = found
    band = None if place.kind == "outdoors" else work_band(place, shop.settings.limits)
    temp, rh = float(air.temp_c[-1]), float(air.rh_pct[-1])
    changes = changes_of(temp, rh, band)
    plot = psychrometric_chart(air, band, changes, view, look, shop.pressure_pa())
    title = f"{place.label}: temperature and water in the air"
    return Drawn(plot, words(place, air, band, changes, view), (), title)


def changes_of(
    temp_c: float, rh_pct: float, band_pct: tuple[float, float] | None
) -> list[ChangedAir]:
    """Changes that the chart shows: warmed, and into the band by water alone where it is outside."""
    if band_pct is None or temp_c + WARMED_K > 60:
        return []
    found = [warmed(temp_c, rh_pct, WARMED_K)]
    low, high = band_pct
    if rh_pct < low:
        found.append(ChangedAir("with more water", temp_c, low))
    elif rh_pct > high:
        found.append(ChangedAir("with less water", temp_c, high))
    return found


def words(
    place: Place,
    air: Means,
    band_pct: tuple[float, float] | None,
    changes: list[ChangedAir],
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
                f"The area with a dashed edge is the band, {band_pct[0]:.0f} to {band_pct[1]:.0f} %. "
                "Each thin curve is one RH; the thick one is saturation, 100 %.",
                className="source",
            )
        )
    return parts


def _change_words(change: ChangedAir, temp_c: float, rh_pct: float, view: plots.View) -> str:
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
