"""The places of a shop with their newest values: all of a few, and of many those that are shown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from monitor.air.gravity import by_gravity
from monitor.air.last_day import LastDay
from monitor.air.latest_air import recent
from monitor.air.place_means import places_of
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from dashboard.data.shop import ShopData
    from monitor.air.gravity import Gravity
    from monitor.air.latest_air import LatestAir
    from monitor.domain.places import Place


class PlacesLook(NamedTuple):
    """All places, a few in the order of the settings, many the gravest first; and what was read."""

    places: list[Place]
    gravity: Gravity | None
    """None of a few places."""
    day: LastDay


def look(shop: ShopData, few: int) -> PlacesLook:
    """Look at all places. Up to `few` are a few."""
    with shop.reader() as reader:
        day = LastDay(reader, now_ms())
        known = places_of(day.ids, shop.settings)
        if len(known) <= few:
            return PlacesLook(known, None, day)
        gravity = by_gravity(day, shop.settings)
        return PlacesLook(gravity.places, gravity, day)


def latest_air(shop: ShopData, seen: PlacesLook, wanted: Sequence[Place]) -> list[LatestAir]:
    """Newest values of some places of a look, in the order of `wanted`."""
    with shop.reader() as reader:
        only = [place.id for place in wanted]
        found = recent(reader, shop.settings, seen.day.now_ms, seen.day, only)
        by_id = {one.place.id: one for one in found}
        return [by_id[one] for one in only]
