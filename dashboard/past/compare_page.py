"""Two places: their curves side by side, the difference, and hours outside the band of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from dash import html

from dashboard.data import thinning
from dashboard.past import downloads, view_page
from dashboard.past.selection import span_of
from dashboard.past.view_page import Drawn, OfferedPlaces, PastView
from dashboard.ui import formats, history_plot, plots
from dashboard.ui.history_plot import Line
from dashboard.ui.plots import NARROW_PX, faint
from dashboard.ui.tables import wide_table
from dashboard.ui.themes import theme_of
from monitor.air.current import work_band
from monitor.science.registry import derive

if TYPE_CHECKING:
    import dash
    from dash.development.base_component import Component
    from numpy.typing import NDArray

    from dashboard.data.shop import ShopData
    from dashboard.past.selection import Choice
    from dashboard.ui.plots import View
    from dashboard.ui.themes import Theme
    from monitor.domain.places import Place

QUANTITIES = ("humidity", "temperature", "equilibrium_moisture_content", "dew_point")
POINTS_MAX = 800
"""Most points of a curve."""
FOOT = 0.3
"""Height of the plot of the difference, as a share."""
DIFFERENCES = {"humidity": "points of RH", "equilibrium_moisture_content": "points of moisture"}
"""Units of differences; those of temperatures are the reader's."""


class Side(NamedTuple):
    """Means of one of two places: times, RH, the quantity in kept units, and its band of RH. [%]"""

    place: Place
    ts_ms: NDArray[np.int64]
    rh_pct: NDArray[np.float64]
    values: NDArray[np.float64]
    band_pct: tuple[float, float] | None


def view_of(shop: ShopData) -> PastView:
    """The view as the frame takes it."""
    return PastView(
        name="compare",
        path="/past/compare",
        title="Two places",
        spans=("day", "night", "week", "month", "year", "winter", "spring", "summer", "autumn"),
        asked=lambda places, offered: OfferedPlaces("Place", view_page.with_pair(places, offered)),
        answered=partial(answered, shop=shop),
        quantities=QUANTITIES,
        two=True,
    )


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the view into the app."""
    view_page.register(app, shop, view_of(shop))


@view_page.drawing
def answered(choice: Choice, screen: Mapping[str, Any], now: int, shop: ShopData) -> Drawn:
    """Plot, sentences and hours; if two places cannot be compared, why."""
    look = theme_of(screen)
    start, end = span_of(choice, now, shop)
    with shop.reader() as reader:
        known = {p.id: p for p in shop.places(reader)}
    places = [known[one] for one in choice.places if one in known]
    if len(places) < 2 or places[0] == places[1]:
        return Drawn(plots.empty_plot("Choose two places.", look), [])
    quantity = choice.quantity if choice.quantity in QUANTITIES else QUANTITIES[0]
    sides = [_side(place, quantity, start, end, shop) for place in places]
    if not any(len(side.ts_ms) for side in sides):
        return Drawn(plots.empty_plot("No readings in this span.", look), [])
    unit = formats.unit_of(shop.settings)
    view = plots.View(start, end, shop.settings.zone, unit, plots.width_of(screen))
    lines = [_line(side, view, quantity) for side in sides]
    at_ms, difference = difference_of(sides[0], sides[1], formats.scale(quantity, unit).factor)
    plot = history_plot.history_plot(lines, quantity, view, look)
    names = tuple(place.label for place in places)
    plot = with_difference(plot, at_ms, difference, names, _unit(quantity, view), view, look)
    span = f"{formats.stamp(start, view.zone)} to {formats.stamp(end, view.zone)}"
    words: list[Component] = [
        html.P(history_plot.summary(line, quantity, span, view)) for line in lines
    ]
    words.append(html.P(difference_words(difference, names, _unit(quantity, view))))
    words.append(
        html.P(
            "Drawn from means of the same 10 minutes or hour at both places. "
            + history_plot.axis_words(lines, quantity, view),
            className="source",
        )
    )
    words.append(_hours(sides, 1000 * view_page.period_s(start, end)))
    rows = sum(len(side.ts_ms) for side in sides)
    title = f"{names[0]} and {names[1]}: {formats.scale(quantity, unit).words}"
    return Drawn(plot, words, downloads.links(places, quantity, start, end, rows, ""), title)


def _side(place: Place, quantity: str, start: int, end: int, shop: ShopData) -> Side:
    air = view_page.means(place, start, end, shop)
    values = {"humidity": air.rh_pct, "temperature": air.temp_c}.get(quantity)
    if values is None:
        values = derive(quantity, air.temp_c, air.rh_pct, shop.pressure_pa())
    band = None if place.kind == "outdoors" else work_band(place, shop.settings.limits)
    return Side(place, air.ts_ms, air.rh_pct, np.asarray(values), band)


def _line(side: Side, view: View, quantity: str) -> Line:
    table = thinning.points(side.ts_ms, side.values)
    longest = thinning.gap_ms(table["at_ms"])
    table, width = thinning.thinned(table, view.end_ms - view.start_ms, POINTS_MAX)
    table = thinning.with_breaks(table, max(longest, thinning.GAP_FACTOR * width))
    return Line(side.place.label, table, side.band_pct if quantity == "humidity" else None)


def difference_of(
    one: Side, other: Side, factor: float = 1.0
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The first place less the second at the times that both have, in the unit of `factor`. [ms]"""
    at_ms, i, j = np.intersect1d(one.ts_ms, other.ts_ms, True, True)
    found = factor * (one.values[i] - other.values[j])
    known = np.isfinite(found)
    return at_ms[known], found[known]


def _unit(quantity: str, view: View) -> str:
    return DIFFERENCES.get(quantity) or formats.degree_difference(view.unit)


def with_difference(
    figure: dict[str, Any],
    at_ms: NDArray[np.int64],
    difference: NDArray[np.float64],
    names: tuple[str, ...],
    unit: str,
    view: View,
    look: Theme,
) -> dict[str, Any]:
    """The plot of both with the difference below it, around a line of no difference."""
    table = thinning.points(at_ms, difference)
    longest = thinning.gap_ms(table["at_ms"])
    table, width = thinning.thinned(table, view.end_ms - view.start_ms, POINTS_MAX)
    table = thinning.with_breaks(table, max(longest, thinning.GAP_FACTOR * width))
    most = max(1.1 * float(np.nanmax(np.abs(table["mean"]), initial=0.0)), 1.0)
    layout = dict(figure["layout"])
    top = FOOT + 0.06
    layout["yaxis"] = layout["yaxis"] | {"domain": [top, 1.0]}
    layout["xaxis"] = layout["xaxis"] | {"anchor": "y2", "fixedrange": True}
    layout["yaxis2"] = layout["yaxis"] | {
        "domain": [0.0, FOOT],
        "range": [-most, most],
        "nticks": 5,
        "zeroline": True,
        "zerolinecolor": look.ink,
        "zerolinewidth": 1.5,
        "title": {"text": f"Difference [{unit.split()[0]}]", "standoff": 8, "font": {"size": 15}},
    }
    layout["annotations"] = [
        note | {"y": top + (1 - top) * note["y"]} for note in layout["annotations"]
    ]
    layout["dragmode"] = False
    if view.width_px < NARROW_PX:  # the two titles would touch
        layout["yaxis"] = layout["yaxis"] | {"title": {"text": ""}}
    line = {
        "type": "scatter",
        "x": table["at_ms"].astype(np.float64),
        "y": table["mean"],
        "yaxis": "y2",
        "mode": "lines",
        "fill": "tozeroy",
        "fillcolor": faint(look.ink, 0.14),
        "line": {"color": look.ink, "width": 1.6},
        "name": "difference",
        "showlegend": False,
        "text": formats.moments(table["at_ms"], view.zone),
        "hovertemplate": f"{plots.escaped(names[0])} minus {plots.escaped(names[1])}"
        f"<br>%{{text}}<br>%{{y:+.1f}} {unit}<extra></extra>",
    }
    return figure | {"data": [*figure["data"], line], "layout": layout}


def difference_words(difference: NDArray[np.float64], names: tuple[str, ...], unit: str) -> str:
    """The difference in sentences: which place is higher, by how much, and how often."""
    if not len(difference):
        return f"{names[0]} and {names[1]} have no readings at the same time."
    low, high = (formats.figure(float(v), 1) for v in (difference.min(), difference.max()))
    mean = float(difference.mean())
    side = (
        "the same on average"
        if round(mean, 1) == 0
        else (f"{abs(mean):.1f} {unit} {'higher' if mean > 0 else 'lower'} on average")
    )
    share = 100 * float((difference > 0).mean())
    return (
        f"{names[0]} is {side} than {names[1]}; the difference is {low} to {high} {unit}. "
        f"{names[0]} is the higher of the two for {share:.0f} % of the time."
    ).replace("the same on average than", "the same on average as")


def _hours(sides: Sequence[Side], width_ms: int) -> Component:
    """Hours outside the band of each place, in a table."""
    rows = [_row(side, width_ms / formats.HOUR_MS) for side in sides]
    heads = ("Place", "Band [% RH]", "Too dry", "Too damp", "Outside", "Of")
    return wide_table(heads, rows, "Hours outside the band")


def _row(side: Side, each_h: float) -> list[Component]:
    def hours(mask: NDArray[np.bool_]) -> str:
        return f"{each_h * int(mask.sum()):,.0f} h".replace(",", " ")

    total, name = hours(np.ones(len(side.ts_ms), bool)), html.Th(side.place.label, scope="row")
    if side.band_pct is None:
        return [name, *(html.Td(text) for text in ("no band", "–", "–", "–", total))]
    low, high = side.band_pct
    dry, damp = side.rh_pct < low, side.rh_pct > high
    share = f" ({100 * float((dry | damp).mean()):.0f} %)" if len(side.ts_ms) else ""
    cells = (f"{low:.0f} to {high:.0f}", hours(dry), hours(damp), hours(dry | damp) + share, total)
    return [name, *map(html.Td, cells)]
