"""Words about several shops: what is gravest in each, and how many things wait."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.data.shops import UNKNOWN
from dashboard.ui import formats, paging
from monitor.alerting.messages import value_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from zoneinfo import ZoneInfo

    from dashboard.data.shops import ShopLine
    from dashboard.ui.formats import Unit
    from monitor.domain.shop_state import Matter

AWAY = (
    "Its database cannot be read. Check that the server runs and that the url of {id} under [[shops]] "
    "is right. The log has the reason."
)
NOT_KNOWN = "not known"
GRAVITY = {0: "No alerts", 1: "Take note", 2: "Act", 3: "Act now", UNKNOWN: "Not known"}


def summary(lines: Sequence[ShopLine], now: int) -> str:
    """Number of shops by gravity: `12 shops: 1 not known, 2 act now, 9 without alerts.` [ms]"""
    words = GRAVITY | {0: "without alerts"}
    counts = [(word, sum(one.gravity(now) == g for one in lines)) for g, word in words.items()]
    parts = [f"{formats.grouped(n)} {word.lower()}" for word, n in reversed(counts) if n]
    return f"{formats.counted(len(lines), 'shop', 'shops')}: {', '.join(parts)}."


def matter(one: Matter, now: int, zone: ZoneInfo, unit: Unit) -> str:
    """An open alert: `Front bench: Very dry, 27 %, since 13:10`. [ms]"""
    value = value_text(one.value, one.unit, fahrenheit=unit == "F")
    since = formats.when(one.began_ms, now, zone)
    return f"{one.label}: {one.name}{f', {value}' if value else ''}, since {since}"


def gravest(line: ShopLine, now: int, zone: ZoneInfo, unit: Unit) -> str:
    """The first thing to know about a shop, in a sentence. [ms]"""
    state = line.state
    if line.away:
        return AWAY.format(id=line.shop.id)
    if state is None:
        return "Nothing is known yet. Its service has not run with this version."
    if line.late(now):
        return (
            f"No news since {formats.when(state.made_ms, now, zone)}. Check that its service runs."
        )
    if not state.places and not state.alerts:
        return "No sensor has sent a reading yet."
    if not state.matters:
        newest = state.newest_ms
        return f"Last reading {formats.when(newest, now, zone)}." if newest else ""
    more = sum(state.alerts.values()) - 1
    rest = f" And {formats.counted(more, 'more alert', 'more alerts')}." if more else ""
    return f"{matter(state.matters[0], now, zone, unit)}.{rest}"


def waits(line: ShopLine) -> str:
    """Open waits, and those that are ready: `12, 3 ready`; `not known`."""
    if line.state is None or line.away:
        return NOT_KNOWN
    ready = f", {line.state.ready} ready" if line.state.ready else ""
    return f"{formats.grouped(line.state.waits)}{ready}"


def places(line: ShopLine) -> str:
    """Places, and those without a reading of the present: `40, 2 without a reading`; `not known`."""
    if line.state is None or line.away:
        return NOT_KNOWN
    without = line.state.without_air
    missing = f", {formats.grouped(without)} without a reading" if without else ""
    return f"{formats.grouped(line.state.places)}{missing}"


def found(lines: Iterable[ShopLine], words: str) -> list[ShopLine]:
    """Shops with all these words in their name, id or named alerts."""
    return paging.with_words(list(lines), words, _all_words)


def _all_words(line: ShopLine) -> str:
    named = line.state.matters if line.state else ()
    return " ".join([line.name, line.shop.id, *(f"{one.label} {one.name}" for one in named)])
