"""Status of every open wait, from its stored air and the expected air."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from monitor.core.errors import OutOfRange
from monitor.domain.wait import Wait
from monitor.domain.wait_type_registry import from_mapping
from monitor.domain.wait_types import WaitType
from monitor.outlook.place_air import PlaceAirs
from monitor.science.waits import wait as arithmetic
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import BEFORE_MS, AirLog
from monitor.science.waits.latest_start import LatestStart, latest_starts
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.wait import WaitState
from monitor.store import Reader

if TYPE_CHECKING:
    from monitor.settings import Settings

NO_SENSOR = (
    "No sensor at this place has sent temperature and humidity. The ready time is not known."
)
TOO_OLD = "It was opened too long ago to calculate its ready time."


@dataclass(frozen=True)
class Standing:
    """A wait and its status; `readiness` is None where it is not known, `why_not` has the reason.

    `foretold`: the air to come is the outlook's, else that of the last weeks.
    """

    wait: Wait
    kind: WaitType
    readiness: arithmetic.Readiness | None
    why_not: str = ""
    foretold: bool = False

    @property
    def late(self) -> bool:
        """True if the wait is expected to miss the time it is wanted."""
        wanted, found = self.wait.wanted_ms, self.readiness
        if wanted is None or found is None:
            return False
        return found.ready_ms is None or found.ready_ms > wanted


def standings(
    reader: Reader, settings: Settings, waits: Iterable[Wait], now_ms: int
) -> list[Standing]:
    """Status of each wait at a moment, in the same order.

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
    airs = PlaceAirs(reader, now_ms, since, settings=settings)
    found: list[Standing] = []
    asked: list[tuple[int, arithmetic.WaitInputs]] = []
    for wait in given:
        kind = from_mapping(wait.kind)
        try:
            found.append(Standing(wait, kind, None))
            asked.append((len(found) - 1, _asked(wait, kind, airs, settings)))
            found[-1] = replace(found[-1], foretold=airs.foretold(wait.place))
        except _NothingToSay as exc:
            found[-1] = replace(found[-1], why_not=str(exc))
    for (i, _), readiness in zip(asked, ready_times([w for _, w in asked], now_ms), strict=True):
        found[i] = replace(found[i], readiness=readiness)
    return found


def equivalent_s(reader: Reader, settings: Settings, wait: Wait, at_ms: int) -> float | None:
    """Equivalent time in reference air that a wait had had by a moment; None if not known. [s]"""
    (standing,) = standings(reader, settings, [replace(wait, released_ms=None)], at_ms)
    if standing.readiness is None:
        return None
    progress = standing.readiness.progress.median
    return float(progress * standing.kind.basis_s * standing.kind.law.basis_factor) or None


def foreseen_ms(
    reader: Reader, settings: Settings, wait: Wait, now_ms: int
) -> tuple[int, int, int] | None:
    """Expected ready time of a wait: 10 %, median, 90 %; None if not known. [ms]"""
    (standing,) = standings(reader, settings, [wait], now_ms)
    found = standing.readiness
    if found is None or found.ready_ms is None:
        return None
    if found.state is WaitState.READY and (found.ready_high_ms or now_ms) <= now_ms:
        return (found.ready_ms, found.ready_ms, found.ready_ms)  # opened later: it has no range
    low, high = found.ready_low_ms, found.ready_high_ms
    return (low or found.ready_ms, found.ready_ms, high or found.horizon_ms)


def ready_by(
    reader: Reader,
    settings: Settings,
    kinds: Sequence[WaitType],
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
    airs = PlaceAirs(reader, now_ms, {}, settings=settings)
    coming = airs.coming(place)
    if coming is None or wanted_ms <= now_ms:
        return [None] * len(kinds)
    if warmer_k or drier_pct:
        coming = coming.shifted(warmer_k, -drier_pct)
    log = airs.log(place)
    error = airs.sensor_error(place, settings)
    asked = [_arithmetic(kind, now_ms, log, coming, error) for kind in kinds]
    return list(latest_starts(asked, now_ms, wanted_ms))


class _NothingToSay(Exception):
    """Reason why the status of a wait is not known."""


def _asked(
    wait: Wait, kind: WaitType, airs: PlaceAirs, settings: Settings
) -> arithmetic.WaitInputs:
    now_ms = airs.now_ms
    if wait.started_ms <= now_ms - BEFORE_MS:
        raise _NothingToSay(TOO_OLD)
    log = airs.along(wait.places, wait.pauses)
    coming = airs.coming(wait.place)
    if log.last_ms is None and coming is None:
        raise _NothingToSay(NO_SENSOR)
    try:
        error = airs.sensor_error(wait.place, settings)
        return _arithmetic(kind, wait.started_ms, log, coming, error)
    except OutOfRange as exc:
        raise _NothingToSay(f"The ready time cannot be calculated: {exc}.") from exc


def _arithmetic(
    kind: WaitType,
    start_ms: int,
    log: AirLog,
    coming: AirEnsemble | None,
    sensor: SensorUncertainty,
) -> arithmetic.WaitInputs:
    return arithmetic.WaitInputs(
        law=kind.law,
        basis_s=kind.basis_s,
        start_ms=start_ms,
        air=log,
        outlook=coming,
        spread=kind.spread,
        never_shorter=kind.never_shorter,
        minimum_s=kind.minimum_s,
        sensor=sensor,
    )
