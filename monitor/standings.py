"""How every open wait stands: the air it has had from the store, the air that is coming from the
shop's own last weeks, and what the science makes of both.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.errors import OutOfRange
from monitor.kind_book import from_mapping
from monitor.kinds import Kind
from monitor.records import Quantity, Series
from monitor.science.waits import wait as arithmetic
from monitor.science.waits.air_log import BEFORE_MS, AirLog, Stay, air_log, stitched
from monitor.science.waits.coming import ComingAir
from monitor.science.waits.draws import SensorError
from monitor.science.waits.pattern import HISTORY_DAYS, daily_pattern_ensemble, persistent_ensemble
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.ready_by import LatestStart, latest_starts
from monitor.store import TEN_MINUTES_S, Reader
from monitor.waits import Wait

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.settings import Settings

DAY_MS = 86_400_000
HORIZON_S = 5 * 86_400.0
"""How far the coming air is looked at. [s]"""
MEMBERS = 200
SEED = 20_261_125
WOOD_MS = 6 * DAY_MS
"""How far before a start the air is read, for the memory of the wood. [ms]"""

FRESH_MS = 6 * 3_600_000
"""An older reading says nothing of the present. [ms]"""

NO_SENSOR = "No sensor at this place has told temperature and humidity: nothing can be said."
TOO_OLD = "It was opened too long ago for its ready time to be worked out."


@dataclass(frozen=True)
class Standing:
    """A wait and how it stands; `readiness` is None where nothing can be said, `why_not` says why."""

    wait: Wait
    kind: Kind
    readiness: arithmetic.Readiness | None
    why_not: str = ""


class _Means(NamedTuple):
    """10-minute means: start of each [ms], temperature [°C], RH [%]; three arrays of shape (n,)."""

    ts_ms: NDArray[np.int64]
    temp_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]


class Airs:
    """The air of places up to one moment: each read once, shared by all that stand in it.

    Parameters
    ----------
    reader : Reader
    now_ms : int
        [ms since 1970-01-01 UTC]
    since : mapping of place to ms
        From when each place's air is wanted.
    """

    def __init__(self, reader: Reader, now_ms: int, since: dict[str, int]) -> None:
        self.now_ms = now_ms
        self._reader = reader
        self._since = since
        self._means: dict[str, _Means] = {}
        self._logs: dict[str, AirLog] = {}
        self._coming: dict[str, ComingAir | None] = {}

    def log(self, place: str) -> AirLog:
        """The air a place has had, as 10-minute means."""
        if place not in self._logs:
            ts, temp, rh = self._read(place)
            self._logs[place] = air_log(ts, temp, rh, self.now_ms, float(TEN_MINUTES_S))
        return self._logs[place]

    def coming(self, place: str) -> ComingAir | None:
        """The air a place can expect, from its own last weeks; None where they do not tell."""
        if place not in self._coming:
            ts, temp, rh = self._read(place)
            try:
                coming: ComingAir | None = daily_pattern_ensemble(
                    ts, temp, rh, self.now_ms, HORIZON_S, MEMBERS, SEED
                )
            except OutOfRange:
                # Too few days for a pattern: as it is now, ever less surely; if now is known.
                fresh = len(ts) > 0 and self.now_ms - int(ts[-1]) < FRESH_MS
                coming = (
                    persistent_ensemble(
                        float(temp[-1]), float(rh[-1]), self.now_ms, HORIZON_S, MEMBERS, SEED
                    )
                    if fresh
                    else None
                )
            self._coming[place] = coming
        return self._coming[place]

    def _read(self, place: str) -> _Means:
        if place not in self._means:
            earliest = self.now_ms - HISTORY_DAYS * DAY_MS
            start = min(self._since.get(place, earliest), earliest) - WOOD_MS
            self._means[place] = _means(self._reader, place, start, self.now_ms)
        return self._means[place]


def standings(
    reader: Reader, settings: Settings, waits: Iterable[Wait], now_ms: int
) -> list[Standing]:
    """How each wait stands at a moment, in the same order.

    Parameters
    ----------
    waits : iterable of Wait
        Released ones are told as they stood when they were released.
    now_ms : int
        [ms since 1970-01-01 UTC]
    """
    given = list(waits)
    since: dict[str, int] = {}
    for wait in given:
        for from_ms, place in wait.places:
            since[place] = min(since.get(place, now_ms), from_ms)
    airs = Airs(reader, now_ms, since)
    found: list[Standing] = []
    asked: list[tuple[int, arithmetic.Wait]] = []
    for wait in given:
        kind = from_mapping(wait.kind)
        try:
            found.append(Standing(wait, kind, None))
            asked.append((len(found) - 1, _asked(wait, kind, airs, settings)))
        except _NothingToSay as exc:
            found[-1] = replace(found[-1], why_not=str(exc))
    for (i, _), readiness in zip(asked, ready_times([w for _, w in asked], now_ms), strict=True):
        found[i] = replace(found[i], readiness=readiness)
    return found


def equivalent_s(reader: Reader, settings: Settings, wait: Wait, at_ms: int) -> float | None:
    """Time in reference air that a wait had had by a moment; None if it cannot be told. [s]"""
    (standing,) = standings(reader, settings, [replace(wait, released_ms=None)], at_ms)
    if standing.readiness is None:
        return None
    progress = standing.readiness.progress.median
    return float(progress * standing.kind.basis_s * standing.kind.law.basis_factor) or None


def foreseen_ms(
    reader: Reader, settings: Settings, wait: Wait, now_ms: int
) -> tuple[int, int, int] | None:
    """When a wait will be ready as it looks now: 10 %, median, 90 %; None if it cannot be told. [ms]"""
    (standing,) = standings(reader, settings, [wait], now_ms)
    found = standing.readiness
    if found is None or found.ready_ms is None:
        return None
    low, high = found.ready_low_ms, found.ready_high_ms
    return (low or found.ready_ms, found.ready_ms, high or found.horizon_ms)


def ready_by(
    reader: Reader,
    settings: Settings,
    kinds: Sequence[Kind],
    place: str,
    now_ms: int,
    wanted_ms: int,
    *,
    warmer_k: float = 0.0,
    drier_pct: float = 0.0,
) -> list[LatestStart | None]:
    """The latest start of each kind at a place that is ready by a wanted time.

    None for each where the coming air is not known. `warmer_k` [K] and `drier_pct` [% RH] say what
    if the air were so.
    """
    airs = Airs(reader, now_ms, {})
    coming = airs.coming(place)
    if coming is None or wanted_ms <= now_ms:
        return [None] * len(kinds)
    if warmer_k or drier_pct:
        coming = coming.shifted(warmer_k, -drier_pct)
    log = airs.log(place)
    asked = [_arithmetic(kind, now_ms, log, coming, settings) for kind in kinds]
    return list(latest_starts(asked, now_ms, wanted_ms))


class _NothingToSay(Exception):
    """Why nothing can be said of a wait."""


def _asked(wait: Wait, kind: Kind, airs: Airs, settings: Settings) -> arithmetic.Wait:
    now_ms = airs.now_ms
    if wait.started_ms <= now_ms - BEFORE_MS:
        raise _NothingToSay(TOO_OLD)
    log = _air_of(wait, airs)
    coming = airs.coming(wait.place)
    if log.last_ms is None and coming is None:
        raise _NothingToSay(NO_SENSOR)
    try:
        return _arithmetic(kind, wait.started_ms, log, coming, settings)
    except OutOfRange as exc:
        raise _NothingToSay(f"It cannot be worked out: {exc}.") from exc


def _arithmetic(
    kind: Kind, start_ms: int, log: AirLog, coming: ComingAir | None, settings: Settings
) -> arithmetic.Wait:
    accuracy = settings.sensor
    return arithmetic.Wait(
        law=kind.law,
        basis_s=kind.basis_s,
        start_ms=start_ms,
        air=log,
        coming=coming,
        spread=kind.spread,
        never_shorter=kind.never_shorter,
        minimum_s=kind.minimum_s,
        sensor=SensorError(accuracy.temp_accuracy_c, accuracy.rh_accuracy_pct),
    )


def _air_of(wait: Wait, airs: Airs) -> AirLog:
    """The air of a wait: of the places it was at, nothing while its clock stood."""
    now_ms = airs.now_ms
    if len(wait.places) == 1 and not wait.pauses:
        return airs.log(wait.place)
    cuts = {now_ms, wait.started_ms}
    cuts |= {at for at, _ in wait.places if wait.started_ms < at < now_ms}
    for began, ended in wait.pauses:
        cuts |= {at for at in (began, ended) if at is not None and wait.started_ms < at < now_ms}
    edges = sorted(cuts)
    first = airs.log(wait.places[0][1])
    stays = [Stay(first, max(int(first.begin_ms[0]), wait.started_ms - WOOD_MS), wait.started_ms)]
    for begin, end in pairwise(edges):
        paused = any(a <= begin and (b is None or end <= b) for a, b in wait.pauses)
        place = [name for at, name in wait.places if at <= begin][-1]
        stays.append(Stay(None if paused else airs.log(place), begin, end))
    return stitched(stays)


def _means(reader: Reader, place: str, start_ms: int, end_ms: int) -> _Means:
    """10-minute means of T and RH at a place, of the sensor that is first by name and has both;
    where it has a gap, of the next. [ms], [°C], [%]"""
    known = reader.series()
    sensors = sorted({s.sensor for s in known if s.place == place})
    found: dict[int, tuple[float, float]] = {}
    for sensor in sensors:
        ids = [
            known.get(Series(place, sensor, q)) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
        ]
        if None in ids:
            continue
        columns = [
            {int(r["ts_ms"]): float(r["mean"]) for r in rows}
            for rows in (
                reader.rollups(i, TEN_MINUTES_S, start_ms, end_ms) for i in ids if i is not None
            )
        ]
        for ts in columns[0].keys() & columns[1].keys():
            found.setdefault(ts, (columns[0][ts], columns[1][ts]))
    ts_ms = np.array(sorted(found), dtype=np.int64)
    both = np.array([found[int(ts)] for ts in ts_ms], dtype=float).reshape(-1, 2)
    return _Means(ts_ms, both[:, 0], both[:, 1])
