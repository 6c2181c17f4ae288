"""State of a shop in a few figures, for an overview of several shops."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Annotated

import msgspec

from monitor.domain.alerts.alert import Alert
from monitor.domain.notification import URGENCY_HIGH, URGENCY_LOW

MATTERS_MAX = 10
"""Most alerts of a shop that are named; the others are counted."""

Text = Annotated[str, msgspec.Meta(max_length=1_000)]
Number = Annotated[int, msgspec.Meta(ge=0, le=10**9)]
Urgency = Annotated[int, msgspec.Meta(ge=URGENCY_LOW, le=URGENCY_HIGH)]
Time = Annotated[int, msgspec.Meta(ge=0, le=32_503_680_000_000)]
"""What the state of another shop may hold: a page of all of them must not fail for one. Times end with
the year 2999."""


class Matter(msgspec.Struct, frozen=True, kw_only=True):
    """An open alert: urgency 1 to 3, what it is about, its name, value and unit, and when it began
    [ms since 1970-01-01 UTC]."""

    urgency: Urgency
    label: Text
    name: Text
    value: Annotated[float, msgspec.Meta(ge=-1e9, le=1e9)] | None
    unit: Text
    began_ms: Time


class ShopState(msgspec.Struct, frozen=True, kw_only=True):
    """A shop after an evaluation round. Times in ms since 1970-01-01 UTC.

    `matters`: the gravest open alerts, gravest and then oldest first; `alerts`: number of open ones by
    urgency; `waits`, `ready`: open waits, and those of them that are ready; `places`, `without_air`:
    places, and those of them without a reading of the present; `newest_ms`: time of the newest
    reading, None without any.
    """

    name: Text
    made_ms: Time
    matters: tuple[Matter, ...] = ()
    alerts: dict[Urgency, Number] = {}
    waits: Number = 0
    ready: Number = 0
    places: Number = 0
    without_air: Number = 0
    newest_ms: Time | None = None

    @property
    def urgency(self) -> int:
        """The highest urgency of an open alert; 0 without one."""
        return max(self.alerts, default=0)


def matters(alerts: Iterable[Alert]) -> tuple[tuple[Matter, ...], dict[int, int]]:
    """The gravest of the open alerts, and the number of open ones by urgency."""
    still_open: Sequence[Alert] = [one for one in alerts if one.open]
    first = sorted(still_open, key=lambda one: (-one.urgency, one.began_ms, one.id))[:MATTERS_MAX]
    named = tuple(
        Matter(
            urgency=one.urgency,
            label=one.label,
            name=one.name,
            value=one.value,
            unit=one.unit,
            began_ms=one.began_ms,
        )
        for one in first
    )
    return named, dict(Counter(one.urgency for one in still_open))
