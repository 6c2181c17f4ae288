"""Time whose readings an export of raw values or a replay leaves out: deleted, or voided."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from monitor.core import formats
from monitor.store import Reader

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

LINES_MAX = 30
"""Most times that are listed; the rest are counted."""


class LeftOut(NamedTuple):
    """Time of a topic without readings, from and before [ms since 1970-01-01 UTC], and why."""

    place: str
    sensor: str
    from_ms: int
    until_ms: int
    why: str

    def words(self, zone: ZoneInfo, now_ms: int) -> str:
        low = "the first reading" if self.from_ms <= 0 else formats.numeric(self.from_ms, zone)
        high = "now" if self.until_ms >= now_ms else formats.numeric(self.until_ms, zone)
        return f"{self.place}/{self.sensor}, {low} to {high}: {self.why}"


def deleted(reader: Reader, start_ms: int, end_ms: int) -> Iterator[LeftOut]:
    """Time in [start, end) of which only means are kept. [ms since 1970-01-01 UTC]"""
    found: dict[tuple[str, str, int, int], list[str]] = {}
    for series, span in reader.deleted_spans(start_ms, end_ms).items():
        name = str(series.quantity).replace("_", " ")
        found.setdefault((series.place, series.sensor, *span), []).append(name)
    for of, names in found.items():
        yield LeftOut(*of, f"readings of {' and '.join(names)} deleted (keep.readings_years)")


def voided(reader: Reader, start_ms: int, end_ms: int) -> Iterator[LeftOut]:
    """Time in [start, end) whose readings were voided. [ms since 1970-01-01 UTC]"""
    for topic, history in sorted(reader.histories().items()):
        for void in history.voids:
            low, high = max(void.from_ms, start_ms), min(void.until_ms, end_ms)
            if not void.undone and low < high:
                place, sensor = topic.split("/", 1)
                yield LeftOut(place, sensor, low, high, f"voided ({void.why})")


def lines(head: str, found: Iterable[LeftOut], zone: ZoneInfo, now_ms: int) -> list[str]:
    """A head and a line for each; none if nothing was left out."""
    every = [one.words(zone, now_ms) for one in found]
    more = [f"and {len(every) - LINES_MAX} more"] if len(every) > LINES_MAX else []
    return [head, *every[:LINES_MAX], *more] if every else []
