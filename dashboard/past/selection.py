"""Choice of a stretch of the past, and the changes that the reader's actions make to it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from dashboard.ui import formats

if TYPE_CHECKING:
    from dashboard.data.shop import ShopData

SPANS = {
    "hour": "Hour",
    "day": "Day",
    "week": "Week",
    "month": "Month",
    "year": "Year",
    "all": "All",
}
QUANTITIES = (
    "humidity",
    "temperature",
    "equilibrium_moisture_content",
    "dew_point",
    "frost_point",
    "wet_bulb",
    "absolute_humidity",
    "humidity_ratio",
    "vapour_pressure",
    "vapour_pressure_deficit",
    "surface_temperature",
    "pressure",
    "battery",
)
"""Quantities in the order of the page; offered are those that the store can give."""
SHORTEST_MS = 60_000
"""Zooming ends here. [ms]"""
LONGEST_MS = 200 * 366 * formats.DAY_MS


class Choice(NamedTuple):
    """Choice of the reader. `end_ms` None: up to now; `zoom`: a span within, or None."""

    places: tuple[str, ...]
    quantity: str
    span: str
    end_ms: int | None
    zoom: tuple[int, int] | None

    def query(self) -> dict[str, str]:
        """Parameters of the page's address for this choice."""
        found = {"places": ",".join(self.places), "quantity": self.quantity, "span": self.span}
        if self.end_ms is not None:
            found["end"] = str(self.end_ms)
        if self.zoom:
            found["zoom"] = f"{self.zoom[0]}-{self.zoom[1]}"
        return found


class Done(NamedTuple):
    """Actions that the figure on the page already answers.

    A newer request takes the place of one that is under way, whose answer is thrown away; so what
    the reader did is found by comparing with this, not by what set off the request.
    """

    earlier: int = 0
    later: int = 0
    back: int = 0
    relayout: dict[str, Any] | None = None
    screen: dict[str, Any] | None = None
    drawn: int = 0
    """Time at which it was drawn; 0: not yet. [ms]"""


def choice_of(query: Mapping[str, Any]) -> Choice:
    """Choice that an address holds; a part missing or wrong is left at its default."""
    span = str(query.get("span", "day"))
    quantity = str(query.get("quantity", "humidity"))
    places = tuple(p for p in str(query.get("places", "")).split(",") if p)
    ends = str(query.get("zoom", "")).split("-")
    zoom = None
    if len(ends) == 2 and all(_is_time(e) for e in ends) and int(ends[0]) < int(ends[1]):
        zoom = (int(ends[0]), int(ends[1]))
    end = str(query.get("end", ""))
    return Choice(
        places,
        quantity if quantity in QUANTITIES else "humidity",
        span if span in SPANS else "day",
        int(end) if _is_time(end) else None,
        zoom,
    )


def _is_time(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 14


def step(
    before: Choice, asked: Choice, done: Done, does: Done, now: int, shop: ShopData
) -> Choice:
    """The choice after all that the reader did since the figure was drawn.

    `asked` is `before` with the fields of the form as they are now.
    """
    choice = asked
    if does.back != done.back or asked.span != before.span:
        choice = choice._replace(zoom=None, end_ms=None)
    for by, times in ((-1, does.earlier - done.earlier), (1, does.later - done.later)):
        for _ in range(min(times, formats.MOST_STEPS)):
            choice = moved(choice, by, now, shop)
    if does.relayout and does.relayout != done.relayout:
        choice = zoomed(choice, does.relayout)
    return choice


def moved(choice: Choice, by: int, now: int, shop: ShopData) -> Choice:
    """The span before (-1) or after (1), not past now."""
    if choice.zoom:
        width = choice.zoom[1] - choice.zoom[0]
        return choice._replace(zoom=(choice.zoom[0] + by * width, choice.zoom[1] + by * width))
    if choice.span == "all":
        return choice
    end = formats.moved(choice.end_ms or now, choice.span, by, shop.settings.zone)
    return choice._replace(end_ms=None if end >= now else max(end, 0))


def zoomed(choice: Choice, relayout: Mapping[str, Any]) -> Choice:
    """The choice after the reader drew a span on the plot, or asked for the whole again."""
    if "xaxis.autorange" in relayout:
        return choice._replace(zoom=None)
    low, high = (relayout.get(f"xaxis.range[{i}]") for i in (0, 1))
    if isinstance(low, int | float) and isinstance(high, int | float):
        if not (math.isfinite(low) and math.isfinite(high)) or high - low < SHORTEST_MS:
            return choice
        return choice._replace(zoom=(max(int(low), 0), min(int(high), LONGEST_MS)))
    return choice


def span_of(choice: Choice, now: int, shop: ShopData) -> tuple[int, int]:
    """Start and end of the span shown. [ms]"""
    if choice.zoom:
        return choice.zoom
    if choice.span == "all":
        extent = shop.extent(list(choice.places))
        return (
            (extent[0], max(extent[1] + 1, extent[0] + SHORTEST_MS)) if extent else (now - 1, now)
        )
    end = choice.end_ms or now
    return formats.moved(end, choice.span, -1, shop.settings.zone), end


def redraw_due(choice: Choice, drawn: int, now: int, shop: ShopData) -> bool:
    """True if new readings would move a figure drawn at `drawn` by as much as a point."""
    if choice.zoom or choice.end_ms is not None:
        return False
    start, end = span_of(choice, now, shop)
    return now - drawn >= max((end - start) / 2000, 800)
