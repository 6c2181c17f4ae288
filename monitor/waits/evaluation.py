"""Status of every open wait, from its stored air and the expected air."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.core.steady_clock import cautious_ms, doubted_ahead
from monitor.domain.glue import takes_glue
from monitor.domain.wait import Expectation, ExpectedAir, Wait
from monitor.domain.wait_type_registry import from_mapping
from monitor.domain.wait_types import LOAD_SPREAD, WaitType
from monitor.outlook.place_air import AirSource, PlaceAirs
from monitor.science.waits import wait as arithmetic
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import BEFORE_MS, AirLog
from monitor.science.waits.latest_start import LatestStart, latest_starts
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.wait import WaitState
from monitor.store import HOUR_S, Reader

if TYPE_CHECKING:
    from monitor.core.steady_clock import ClockJump
    from monitor.science.ranges import Floats
    from monitor.settings import Settings

NO_READING = (
    "There is no reading of temperature and humidity at this place. The ready time is not known."
)
CLOCK_DOUBTED = (
    "The clock of the shop's computer is in doubt, so the ready time is not known. Set the clock or "
    "confirm it."
)
TOO_OLD = "It was opened too long ago to calculate its ready time."


STEPS_MAX = 48
"""Most steps of the expected air that are kept with a wait. [-]"""
AIR_AFTER_MS = 12 * 3_600_000
"""It is kept so long past the latest expected ready time: a wait may take longer. [ms]  Ours."""
AIR_KEPT_MS = 2 * 86_400_000
"""It is kept so long where no ready time is known. [ms]  Ours."""
SETTING_MS = 30 * 86_400_000
"""Age of a release after which a joint counts no more. [ms]"""
LOADABLE_MS = 86_400_000
"""Time for which a joint that may be loaded is still shown and told. [ms]"""


@dataclass(frozen=True)
class WaitStatus:
    """A wait and its status; `readiness` is None where it is not known, `why_not` has the reason.

    `readiness` is for the release, and for the load once a joint is setting. `load` is the
    readiness to be worked, loaded or strung; None where that is the release, or not known.
    `soft_beside`: other joints of its instrument, among the waits that were asked about, that may
    not be loaded yet.
    """

    wait: Wait
    kind: WaitType
    readiness: arithmetic.Readiness | None
    why_not: str = ""
    load: arithmetic.Readiness | None = None
    air_from: AirSource = AirSource.NONE
    soft_beside: tuple[str, ...] = ()

    @property
    def late(self) -> bool:
        """True if the wait is expected to miss the time it is wanted, ready for all that follows."""
        wanted, found = self.wait.wanted_ms, self.load or self.readiness
        if wanted is None or found is None:
            return False
        return found.ready_ms is None or found.ready_ms > wanted

    @property
    def label(self) -> str:
        """The work that waits, without its instrument."""
        return self.wait.what or self.kind.name

    @property
    def ready(self) -> bool:
        """True if the clamps may come off, the coat is set, the rest is over."""
        return self.wait.open and self._done

    @property
    def loadable(self) -> bool:
        """True if the clamps are off and it may be worked, loaded or strung."""
        return self.wait.setting and self._done

    @property
    def soft(self) -> bool:
        """True if it may not be worked, loaded or strung yet, or nobody knows that it may."""
        return not (self.loadable or (self.ready and not self.kind.load_s))

    @property
    def _done(self) -> bool:
        return self.readiness is not None and self.readiness.state is WaitState.READY


def counting(
    reader: Reader, settings: Settings, waits: Iterable[Wait], now_ms: int
) -> list[WaitStatus]:
    """Status of the waits that count at a moment: the open ones, and the joints that are setting.

    A joint that could have been loaded for longer than `LOADABLE_MS` is left out.
    """
    given = [
        wait
        for wait in waits
        if wait.open or (wait.setting and (wait.released_ms or 0) > now_ms - SETTING_MS)
    ]
    return [
        one
        for one in statuses(reader, settings, given, now_ms)
        if not one.loadable
        or (one.readiness and (one.readiness.ready_ms or now_ms) > now_ms - LOADABLE_MS)
    ]


def counting_in_doubt(
    reader: Reader, settings: Settings, waits: Iterable[Wait], wall_ms: int, jump: ClockJump | None
) -> list[WaitStatus]:
    """Status of the waits that count, by the machine's clock and a jump of it.

    While the clock is in doubt, only what was ready without its jump has a ready time.
    """
    found = counting(reader, settings, waits, cautious_ms(wall_ms, jump))
    if doubted_ahead(jump) is None:
        return found
    return [
        s
        if s.ready or s.loadable
        else replace(s, readiness=None, load=None, why_not=s.why_not or CLOCK_DOUBTED)
        for s in found
    ]


def statuses(
    reader: Reader,
    settings: Settings,
    waits: Iterable[Wait],
    now_ms: int,
    airs: PlaceAirs | None = None,
) -> list[WaitStatus]:
    """Status of each wait at a moment, in the same order.

    Parameters
    ----------
    waits : iterable of Wait
        Open, or setting.
    now_ms : int
        [ms since 1970-01-01 UTC]
    airs : PlaceAirs, optional
        Air up to the same moment, if it was read before.
    """
    given = list(waits)
    airs = airs or _airs(reader, settings, given, now_ms)
    found: list[WaitStatus] = []
    asked: list[tuple[int, bool, arithmetic.WaitInputs]] = []
    for i, wait in enumerate(given):
        kind = from_mapping(wait.kind)
        found.append(WaitStatus(wait, kind, None))
        try:
            inputs = _asked(wait, kind, airs, settings)
        except _NothingToSay as exc:
            found[i] = replace(found[i], why_not=str(exc))
            continue
        found[i] = replace(found[i], air_from=airs.source(wait.place))
        if not wait.setting:
            asked.append((i, False, inputs))
        if kind.load_s:
            asked.append((i, True, for_load(inputs, kind)))
    ready = ready_times([inputs for _, _, inputs in asked], now_ms)
    for (i, load, _), readiness in zip(asked, ready, strict=True):
        if load:
            first = found[i].readiness
            readiness = readiness if first is None else _not_before(readiness, first)
            found[i] = replace(found[i], load=readiness)
        if not load or found[i].wait.setting:
            found[i] = replace(found[i], readiness=readiness)
    return _beside(found)


def _beside(found: list[WaitStatus]) -> list[WaitStatus]:
    """Statuses, each with the other joints of its instrument that may not be loaded yet."""
    soft: dict[str, list[WaitStatus]] = {}
    for one in found:
        if one.wait.instrument and takes_glue(one.kind) and one.soft:
            soft.setdefault(one.wait.instrument.casefold(), []).append(one)
    return [
        replace(one, soft_beside=tuple(dict.fromkeys(s.label for s in others)))
        if one.loadable and (others := soft.get(one.wait.instrument.casefold()))
        else one
        for one in found
    ]


def _airs(reader: Reader, settings: Settings, waits: Iterable[Wait], now_ms: int) -> PlaceAirs:
    """Air of all places that waits were at, each from the first of them on."""
    since: dict[str, int] = {}
    for wait in waits:
        for from_ms, place in wait.places:
            since[place] = min(since.get(place, now_ms), from_ms)
    return PlaceAirs(reader, now_ms, since, settings=settings)


def _not_before(load: arithmetic.Readiness, first: arithmetic.Readiness) -> arithmetic.Readiness:
    """Readiness to be loaded, at no quantile before the clamps come off."""

    def later(a: int | None, b: int | None) -> int | None:
        return None if a is None or b is None else max(a, b)

    return load._replace(
        ready_low_ms=later(load.ready_low_ms, first.ready_low_ms),
        ready_ms=later(load.ready_ms, first.ready_ms),
        ready_high_ms=later(load.ready_high_ms, first.ready_high_ms),
    )


def for_load(inputs: arithmetic.WaitInputs, kind: WaitType) -> arithmetic.WaitInputs:
    """The same wait until it may be loaded."""
    return replace(
        inputs,
        basis_s=max(kind.load_s, kind.basis_s),
        spread=max(kind.spread, LOAD_SPREAD),
        never_shorter=True,
    )


def equivalent_s(reader: Reader, settings: Settings, wait: Wait, at_ms: int) -> float | None:
    """Equivalent time in reference air that a wait had had by a moment; None if not known. [s]"""
    (status,) = statuses(reader, settings, [replace(wait, released_ms=None)], at_ms)
    if status.readiness is None:
        return None
    progress = status.readiness.progress.median
    return float(progress * status.kind.basis_s * status.kind.law.basis_factor) or None


def expectation(reader: Reader, settings: Settings, wait: Wait, now_ms: int) -> Expectation:
    """Expectation of a wait at a moment: its ready time, and the air it may have until then."""
    airs = _airs(reader, settings, [wait], now_ms)
    (status,) = statuses(reader, settings, [wait], now_ms, airs)
    ready, coming = _ready_ms(status, now_ms), airs.coming(wait.place)
    if coming is None or (ready is not None and ready[2] <= now_ms):
        return Expectation(ready, None)
    until_ms = now_ms + AIR_KEPT_MS if ready is None else ready[2] + AIR_AFTER_MS
    return Expectation(ready, _steps_of(coming, now_ms, until_ms))


def _steps_of(air: AirEnsemble, now_ms: int, until_ms: int) -> ExpectedAir:
    """The hours of an ensemble from now until a moment, in few enough steps to be kept."""
    hourly = round(HOUR_S / air.step_s) or 1
    first = (now_ms - air.start_ms) // round(1000 * air.step_s)
    wanted = math.ceil((until_ms - now_ms) / (1000 * HOUR_S))
    step = hourly * math.ceil(wanted / STEPS_MAX)
    count = min(math.ceil(wanted * hourly / step), (air.temp_c.shape[1] - first) // step)
    begin = slice(first, first + count * step)

    def quantiles(values: Floats, digits: int) -> tuple[tuple[float, ...], ...]:
        means = values[:, begin].reshape(len(values), count, step).mean(axis=2)
        found = np.quantile(means, (0.1, 0.5, 0.9), axis=0).round(digits)
        return tuple(map(tuple, found.tolist()))

    return ExpectedAir(
        air.start_ms + round(1000 * first * air.step_s),
        round(step * air.step_s),
        quantiles(air.temp_c, 1),
        quantiles(air.rh_pct, 0),
    )


def _ready_ms(status: WaitStatus, now_ms: int) -> tuple[int, int, int] | None:
    """Expected ready time: 10 %, median, 90 %; None if not known. [ms]"""
    found = status.readiness
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
    asked = [wait_inputs(kind, now_ms, log, coming, error) for kind in kinds]
    return list(latest_starts(asked, now_ms, wanted_ms))


class _NothingToSay(Exception):
    """Reason why the status of a wait is not known."""


def _asked(
    wait: Wait, kind: WaitType, airs: PlaceAirs, settings: Settings
) -> arithmetic.WaitInputs:
    now_ms = airs.now_ms
    if wait.started_ms <= now_ms - BEFORE_MS:
        raise _NothingToSay(TOO_OLD)
    log = airs.along(wait.places, [(a, b or wait.released_ms) for a, b in wait.pauses])
    coming = airs.coming(wait.place)
    if log.last_ms is None and coming is None:
        raise _NothingToSay(NO_READING)
    try:
        error = airs.sensor_error(wait.place, settings)
        return wait_inputs(kind, wait.started_ms, log, coming, error)
    except OutOfRange as exc:
        raise _NothingToSay(f"The ready time cannot be calculated: {exc}.") from exc


def wait_inputs(
    kind: WaitType,
    start_ms: int,
    log: AirLog,
    coming: AirEnsemble | None,
    sensor: SensorUncertainty,
) -> arithmetic.WaitInputs:
    """Inputs of a wait of a kind that starts at a time [ms]."""
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
