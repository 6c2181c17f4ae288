"""Order of many places by what matters most, from their newest values alone.

The full look at a place reads its last day; this one does not, and serves to choose the places that
are looked at in full.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.current import HEATED_TO_C
from monitor.air.latest_air import RH, T, pairs_of
from monitor.air.place_means import places_of
from monitor.domain.air_assessment import weights
from monitor.domain.hand_reading import fresh_ms
from monitor.domain.places import band
from monitor.science.registry import derive

if TYPE_CHECKING:
    from monitor.air.last_day import LastDay
    from monitor.domain.places import Place
    from monitor.settings import Settings

OLD, UNKNOWN, RIGHT, NEVER = 3.5, 2.5, 0.0, -1.0
"""Ranks of places whose air is not judged, among twice the weights of those whose air is."""
MAYBE = 0.1
"""What it adds to a rank, for each weight, that the air may be graver than its newest values say."""
FARTHER = 0.09
"""What it adds to a rank at most that a value is far beyond its limit; less than `MAYBE`."""


class Gravity(NamedTuple):
    """Places, the gravest first and then the farthest beyond their limit, then by name; how many
    indoors are old; and the mean temperature of those that are not. [-], [°C]"""

    places: list[Place]
    old: int
    shop_c: float


def by_gravity(day: LastDay, settings: Settings) -> Gravity:
    """All places, in the order of what their newest values mean for the work."""
    stale_s = settings.board.stale_after_s
    newest = day.newest
    known = places_of(day.ids, settings)
    rank: dict[str, float] = {}
    alike: dict[tuple[str, tuple[float, float]], list[tuple[Place, float, float]]] = {}
    temps = []
    for place in known:
        sensors = newest.get(place.id, {})
        fresh, _ = pairs_of(sensors, day.now_ms, stale_s)
        ages = [
            day.now_ms - one[q][0] - fresh_ms(name, stale_s)
            for name, one in sensors.items()
            for q in (T, RH)
            if q in one
        ]
        if fresh:
            temp, rh = (sensors[fresh[0]][q][1] for q in (T, RH))
            alike.setdefault((place.kind, band(place, settings.limits)), []).append(
                (place, temp, rh)
            )
            temps += [temp] if place.kind != "outdoors" else []
        else:
            rank[place.id] = NEVER if not ages else OLD if min(ages) > 0 else UNKNOWN
    for many in alike.values():
        t, h = (np.array(column, float) for column in list(zip(*many, strict=True))[1:])
        least, most, far = weights(many[0][0], settings.limits, t, h, derive("dew_point", t, h))
        ranks = 2.0 * least + MAYBE * (most - least) + FARTHER * far / (1.0 + far)
        rank |= {one[0].id: value for one, value in zip(many, ranks.tolist(), strict=True)}
    indoors = [place.id for place in known if place.kind != "outdoors"]
    return Gravity(
        sorted(known, key=lambda place: (-rank[place.id], place.label.casefold(), place.id)),
        sum(rank[one] == OLD for one in indoors),
        float(np.mean(temps)) if temps else HEATED_TO_C,
    )
