"""EMC map: where a place's air lies among temperature, RH and the moisture that wood settles at."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

from dash import html

from dashboard.past import downloads, view_page
from dashboard.past.emc_map_figure import emc_map, path_of
from dashboard.past.view_page import Drawn, OfferedPlaces, PastView
from dashboard.ui import plots
from dashboard.ui.themes import theme_of
from monitor.air.current import work_band
from monitor.science.humidity_causes import moisture_spread
from monitor.science.wood import equilibrium_moisture_content

if TYPE_CHECKING:
    import dash
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.past.emc_map_figure import Path
    from dashboard.past.selection import Choice
    from monitor.domain.places import Place

POINTS_MAX = 800
"""Most points of a path; with more of them days are drawn."""


def view_of(shop: ShopData) -> PastView:
    """The view as the frame takes it."""
    return PastView(
        name="emc",
        path="/past/emc",
        title="EMC map",
        spans=("day", "night", "week", "month", "year", "winter", "spring", "summer", "autumn"),
        asked=lambda places, offered: OfferedPlaces("Place", view_page.with_pair(places, offered)),
        answered=partial(answered, shop=shop),
    )


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the view into the app."""
    view_page.register(app, shop, view_of(shop))


@view_page.drawing
def answered(choice: Choice, screen: Mapping[str, Any], now: int, shop: ShopData) -> Drawn:
    """Map and sentences; if it cannot be shown, why."""
    look = theme_of(screen)
    found = view_page.air_of_place(choice, screen, now, shop)
    if isinstance(found, str):
        return Drawn(plots.empty_plot(found, look), [])
    place, air, view = found
    path = path_of(air, view, POINTS_MAX)
    if not len(path.ts_ms):
        return Drawn(plots.empty_plot("All of this span is too cold for the formula.", look), [])
    band = None if place.kind == "outdoors" else work_band(place, shop.settings.limits)
    title = f"{place.label}: moisture that wood settles at (EMC)"
    quantity = "equilibrium_moisture_content"
    files = downloads.links([place], quantity, view.start_ms, view.end_ms, len(air.ts_ms), "")
    return Drawn(emc_map(path, band, view, look), words(place, path, band), files, title)


def words(place: Place, path: Path, band_pct: tuple[float, float] | None) -> list[Component]:
    """The map in sentences: range of EMC, what moved it, and what the band means for wood."""
    emc = equilibrium_moisture_content(path.temp_c, path.rh_pct)
    spread = moisture_spread(path.temp_c, path.rh_pct)
    parts: list[Component] = [
        html.P(
            f"{place.label}: wood would settle at {emc.min():.1f} to {emc.max():.1f} % moisture, "
            f"mean {emc.mean():.1f} %; at the end of the span {emc[-1]:.1f} %."
        ),
        html.P(
            "For 80 % of the time this lay within a range of "
            f"{spread.whole:.1f} points. RH alone would have moved it by {spread.by_humidity:.1f} "
            f"points, temperature alone by {spread.by_temperature:.1f}."
        ),
    ]
    if band_pct is not None:
        mean_c = float(path.temp_c.mean())
        low, high = (float(equilibrium_moisture_content(mean_c, level)) for level in band_pct)
        parts.append(
            html.P(
                f"The band, {band_pct[0]:.0f} to {band_pct[1]:.0f} % RH, keeps wood between "
                f"{low:.1f} and {high:.1f} % at the mean temperature of this span."
            )
        )
    parts.append(
        html.P(
            f"Each point is {path.each}, each thin curve one moisture of wood. Thin wood follows the "
            "air within days, thick wood in weeks. Wood shows where an instrument is.",
            className="source",
        )
    )
    return parts
