"""Choice of a stretch of the past, and the changes that the reader's actions make to it."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from dashboard.data import histories
from dashboard.past import spans
from dashboard.past.spans import SPANS
from dashboard.ui import formats

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dashboard.data.shop import ShopData

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
MOST_NAMED = 3
"""Most places that the name of a file lists."""
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
    dates: int = 0
    relayout: dict[str, Any] | None = None
    screen: dict[str, Any] | None = None
    drawn: int = 0
    """Time at which it was drawn; 0: not yet. [ms]"""


def choice_of(query: Mapping[str, Any], offered: Collection[str] = tuple(SPANS)) -> Choice:
    """Choice that an address holds; a part missing or wrong is left at its default.

    `offered`: the spans of the page, its usual one first or "day".
    """
    span = str(query.get("span", ""))
    quantity = str(query.get("quantity", "humidity"))
    named = str(query.get("places", query.get("place", "")))
    places = tuple(p for p in named.split(",") if p)
    ends = str(query.get("zoom", "")).split("-")
    zoom = None
    if len(ends) == 2 and all(is_time(e) for e in ends) and int(ends[0]) < int(ends[1]):
        zoom = (int(ends[0]), int(ends[1]))
    end = str(query.get("end", ""))
    usual = "day" if "day" in offered else next(iter(offered))
    return Choice(
        places,
        quantity if quantity in QUANTITIES else "humidity",
        span if span in offered else usual,
        int(end) if is_time(end) else None,
        zoom,
    )


def is_time(text: str) -> bool:
    """True for milliseconds since 1970-01-01 UTC, as an address has them."""
    return text.isascii() and text.isdigit() and len(text) <= 14


def step(
    before: Choice,
    asked: Choice,
    done: Done,
    does: Done,
    now: int,
    shop: ShopData,
    dates: tuple[int, int] | None = None,
) -> Choice:
    """The choice after all that the reader did since the figure was drawn.

    `asked` is `before` with the fields of the form as they are now, `dates` the ends of the dates
    that were entered. [ms]
    """
    choice = asked
    if does.back != done.back or asked.span != before.span:
        choice = choice._replace(zoom=None, end_ms=None)
    for by, times in ((-1, does.earlier - done.earlier), (1, does.later - done.later)):
        for _ in range(min(times, formats.MOST_STEPS)):
            choice = moved(choice, by, now, shop)
    if does.dates != done.dates and dates:
        choice = choice._replace(zoom=dates)
    if does.relayout and does.relayout != done.relayout:
        choice = zoomed(choice, does.relayout)
    return choice


def dates_of(first: str, last: str, now: int, zone: ZoneInfo) -> tuple[int, int] | str:
    """Ends of a span of local days, the last one included, or what is wrong with it. [ms]

    An empty last day is today.
    """
    found = []
    for name, text in (("From", first), ("To", last or f"{formats.local(now, zone):%Y-%m-%d}")):
        try:
            found.append(date.fromisoformat(text))
        except ValueError:
            return f"{name} is not a date. Enter a day, for example 2026-02-14."
    begins, ends = found
    if ends < begins:
        return f"To is before From. Enter a day from {begins} on."
    if not begins.year > 1970 or ends.year > formats.local(now, zone).year:
        return "The dates must lie between 1971 and this year."
    return formats.midnight(begins, zone), formats.midnight(ends + timedelta(days=1), zone)


def moved(choice: Choice, by: int, now: int, shop: ShopData) -> Choice:
    """The span before (-1) or after (1), not past now."""
    if choice.zoom:
        width = choice.zoom[1] - choice.zoom[0]
        start = max(choice.zoom[0] + by * width, 0)
        return choice if start >= now else choice._replace(zoom=(start, start + width))
    if choice.span == "all":
        return choice
    end = spans.stepped(choice.span, choice.end_ms or now, by, shop.settings.zone)
    return choice._replace(end_ms=None if end >= now else max(end, formats.DAY_MS))


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
        extent = histories.extent(shop, list(choice.places))
        return (
            (extent[0], max(extent[1] + 1, extent[0] + SHORTEST_MS)) if extent else (now - 1, now)
        )
    south = (shop.settings.weather.latitude or 0.0) < 0
    start, end = spans.ends(choice.span, choice.end_ms or now, shop.settings.zone, south=south)
    return start, max(min(end, now), start + SHORTEST_MS)


def shown(choice: Choice, now: int, shop: ShopData) -> str:
    """Start and end of the span shown, in words."""
    start, end = span_of(choice, now, shop)
    zone = shop.settings.zone
    return f"{formats.stamp(start, zone)} to {formats.stamp(end, zone)}"


def redraw_due(choice: Choice, drawn: int, now: int, shop: ShopData) -> bool:
    """True if new readings would move a figure drawn at `drawn` by as much as a point."""
    if choice.zoom or choice.end_ms is not None:
        return False
    start, end = span_of(choice, now, shop)
    if end < now and choice.span != "all":  # a night, a season: over, until the calendar moves on
        return now - drawn >= formats.HOUR_MS
    return now - drawn >= max((end - start) / 2000, 800)


def file_name(choice: Choice, now: int, shop: ShopData, *, what: str = "") -> str:
    """Name of a file without its ending: places, quantity or `what`, first and last day shown."""
    start, end = span_of(choice, now, shop)
    return named_file(choice.places, what or choice.quantity, start, end, shop.settings.zone)


def named_file(
    places: Sequence[str], what: str, start_ms: int, end_ms: int, zone: ZoneInfo
) -> str:
    """Name of a file from places, what it holds, and its first and last day."""
    named = "+".join(places) if len(places) <= MOST_NAMED else f"{len(places)}-places"
    parts = [named or "shop", what.replace("_", "-")]
    parts += dict.fromkeys(
        f"{formats.local(ms, zone):%Y-%m-%d}" for ms in (start_ms, max(end_ms - 1, start_ms))
    )
    return re.sub(r"[^\w+.-]", "-", "_".join(parts), flags=re.ASCII)
