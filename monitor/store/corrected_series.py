"""Series as they are read: the values of each topic, corrected, at the place of its sensor then.

Nothing stored is touched. A corrected series is a list of pieces, each a stretch of one stored series
under one correction. A sensor without a history is read as it is stored, and costs nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from monitor.core.clock import EVER_MS
from monitor.core.measurements import MEASURES, Quantity, Series

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from monitor.domain.sensor import Correction, SensorHistory


class Piece(NamedTuple):
    """A stretch [`from_ms`, `until_ms`) of a stored series, and its correction."""

    series_id: int
    from_ms: int
    until_ms: int
    correction: Correction | None


def corrected_pieces(
    stored: Mapping[Series, int], histories: Mapping[str, SensorHistory]
) -> dict[Series, list[Piece]]:
    """The pieces of each series that differs from its stored one, by time; a list may be empty."""
    found: dict[Series, list[Piece]] = {}
    touched = [
        (series, series_id, histories[f"{series.place}/{series.sensor}"])
        for series, series_id in stored.items()
        if f"{series.place}/{series.sensor}" in histories
    ]
    for series, series_id, history in touched:
        found.setdefault(series, [])
        for place, from_ms, until_ms in _stays(history):
            if place is not None:
                view = found.setdefault(Series(place, history.name, series.quantity), [])
                for low, high in kept_spans(history, from_ms, until_ms):
                    view += _corrected(series_id, history, series.quantity, low, high)
    own = {series for series, _, _ in touched}
    for series in found.keys() - own:
        if series in stored:  # another sensor of that name is there, or the same on a new topic
            found[series].append(Piece(stored[series], -EVER_MS, EVER_MS, None))
    for pieces in found.values():
        pieces.sort(key=lambda piece: (piece.from_ms, piece.series_id))
    return {
        series: pieces
        for series, pieces in found.items()
        if pieces != [Piece(stored.get(series, 0), -EVER_MS, EVER_MS, None)]
    }


def _stays(history: SensorHistory) -> Iterator[tuple[str | None, int, int]]:
    """The sensor's places, each from when until when."""
    stays = [(-EVER_MS, history.first_place), *history.stays]
    for i, (at_ms, place) in enumerate(stays):
        yield place, at_ms, stays[i + 1][0] if i + 1 < len(stays) else EVER_MS


def kept_spans(history: SensorHistory, from_ms: int, until_ms: int) -> list[tuple[int, int]]:
    """The parts of [from, until) in which a sensor's readings are not voided, by time. [ms]"""
    kept = [(from_ms, until_ms)]
    for void in history.voids:
        if not void.undone:
            kept = [
                part
                for low, high in kept
                for part in ((low, min(high, void.from_ms)), (max(low, void.until_ms), high))
                if part[0] < part[1]
            ]
    return kept


def _corrected(
    series_id: int, history: SensorHistory, quantity: Quantity, from_ms: int, until_ms: int
) -> Iterator[Piece]:
    held = history.in_force(quantity)
    marks: list[tuple[int, Correction | None]] = [
        (-EVER_MS, None),
        *((c.from_ms, c) for c in held),
    ]
    for i, (at_ms, correction) in enumerate(marks):
        end_ms = marks[i + 1][0] if i + 1 < len(marks) else EVER_MS
        low, high = max(at_ms, from_ms), min(end_ms, until_ms)
        if low < high:
            yield Piece(series_id, low, high, correction)


def correct(
    correction: Correction | None, columns: Sequence[NDArray[np.float64]]
) -> list[NDArray[np.float64]]:
    """Columns of values, corrected and clipped to the quantity's range."""
    import numpy as np  # only readers need it

    if correction is None:
        return list(columns)
    measure = MEASURES[correction.quantity]
    return [
        np.clip(correction.fit.corrected(column), measure.low, measure.high) for column in columns
    ]
