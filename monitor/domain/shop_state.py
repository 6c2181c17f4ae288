"""State of a shop in a few figures, for an overview of several shops."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import msgspec

from monitor.domain.alerts.alert import Alert

MATTERS_MAX = 10
"""Most alerts of a shop that are named; the others are counted."""


class Matter(msgspec.Struct, frozen=True, kw_only=True):
    """An open alert: urgency 1 to 3, what it is about, its name, value and unit, and when it began
    [ms since 1970-01-01 UTC]."""

    urgency: int
    label: str
    name: str
    value: float | None
    unit: str
    began_ms: int


class ShopState(msgspec.Struct, frozen=True, kw_only=True):
    """A shop after an evaluation round. Times in ms since 1970-01-01 UTC.

    `matters`: the gravest open alerts, gravest and then oldest first; `alerts`: number of open ones by
    urgency; `waits`, `ready`: open waits, and those of them that are ready; `places`, `without_air`:
    places, and those of them without a reading of the present; `newest_ms`: time of the newest
    reading, None without any.
    """

    name: str
    made_ms: int
    matters: tuple[Matter, ...] = ()
    alerts: dict[int, int] = {}
    waits: int = 0
    ready: int = 0
    places: int = 0
    without_air: int = 0
    newest_ms: int | None = None

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
