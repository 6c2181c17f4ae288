"""Status of each instrument's wood, from the stored air of its places."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.air.current import PlaceAir, air_now
from monitor.air.latest_air import recent
from monitor.core.errors import OutOfRange
from monitor.domain.air_assessment import FORBIDS_WEIGHT, AirState
from monitor.domain.events import ONE_MOMENT_MS
from monitor.domain.instrument import Instrument
from monitor.outlook.place_air import PlaceAirs
from monitor.science.case.travel import shut_hours, slowest_case
from monitor.science.plates.assessment import OLD_AIR_MS, Close, Reason, WoodStatus, assess
from monitor.science.plates.history import MoistureHistory, history
from monitor.science.plates.projection import PlatesProjection, project
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import BEFORE_MS, AirCoverage, AirLog
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from monitor.settings import Settings

DAY_MS = 86_400_000
FINE_MS = 40 * DAY_MS
"""Length of a stay beyond which the air is taken as hourly means. [ms]"""
LONGEST_MS = BEFORE_MS - DAY_MS
"""Longest stay read in full; of a longer one only the end counts, from home moisture. [ms]"""
WATCH_WARM_UP_MS = DAY_MS
"""Time after its arrival for which a cold instrument is watched. [ms]"""

DRY_MARGIN_K = 3.0
"""A surface at least so far above the dew point stays dry. [K]  Common reading of ISO 8502-4."""

AHEAD_MEMBERS = 40
"""Number of members of the outlook that are run through the wood. [-]  Ours."""

NO_AIR = (
    "No sensor at its place has sent temperature and humidity. Its wood moisture is not known."
)
JUST_CAME = "It has only just arrived. Its wood moisture is not known yet."


@dataclass(frozen=True)
class InstrumentStatus:
    """An instrument and the status of its wood; `answer` is None where it is not known.

    `against`: what else is against closing it now, as sentences.
    """

    instrument: Instrument
    answer: WoodStatus | None
    why_not: str = ""
    against: tuple[str, ...] = ()


def instrument_statuses(
    reader: Reader, settings: Settings, instruments: Iterable[Instrument], now_ms: int
) -> list[InstrumentStatus]:
    """Status of each instrument at a moment, in the same order. [ms since 1970-01-01 UTC]"""
    given = list(instruments)
    airs = _Airs(reader, now_ms, given)
    found = [_status(one, airs, settings) for one in given]
    if not any(one.answer and one.answer.closing.close is Close.YES for one in found):
        return found
    present = air_now(recent(reader, settings, now_ms), settings, now_ms)
    by_place = {a.place.id: a for a in present if now_ms - (a.heard_ms or 0) <= OLD_AIR_MS}
    return [_agreed(one, by_place.get(one.instrument.place), now_ms) for one in found]


def _agreed(status: InstrumentStatus, air: PlaceAir | None, now_ms: int) -> InstrumentStatus:
    """The status, not safe to close where the air of its place forbids to close anything."""
    answer = status.answer
    if answer is None or air is None or answer.closing.close is not Close.YES:
        return status
    margin = warm_up_margins_k(status.instrument, air.temp_c, air.dew_point_c, now_ms)
    if margin < DRY_MARGIN_K:
        reason = Reason.COLD
    elif air.assessment.weight < FORBIDS_WEIGHT:
        return status
    elif air.assessment.state is AirState.DRY:
        reason = Reason.AIR_VERY_DRY
    else:
        reason = Reason.AIR_VERY_DAMP
    closing = replace(
        answer.closing,
        close=Close.NOT_YET,
        reason=reason,
        ready_in_s=None,
        from_in_s=math.inf,
        until_in_s=0.0,
    )
    return replace(status, answer=replace(answer, closing=closing))


def wood_history(reader: Reader, instrument: Instrument, now_ms: int) -> MoistureHistory | None:
    """The moisture of its parts since it came, up to now or its leaving; None if no air is known."""
    until = min(now_ms, instrument.left_ms or now_ms)
    airs = _Airs(reader, until, [instrument])
    log, arrived = airs.of(instrument)
    if log.last_ms is None or arrived >= until:
        return None
    try:
        return history(
            instrument.parts, log, arrived, home=instrument.home, opened=instrument.opened
        )
    except OutOfRange:  # none of its air was read
        return None


def wood_ahead(
    reader: Reader, instrument: Instrument, coming: AirEnsemble, now_ms: int
) -> PlatesProjection | None:
    """Effect of the outlook on an instrument's parts if it stays where and as it is.

    None if none of its air is known. Steps are those of `coming` that are not over.
    """
    past = wood_history(reader, instrument, now_ms)
    if past is None:
        return None
    first, edges_s = coming.edges_s(now_ms)
    few = slice(None, None, max(len(coming.temp_c) // AHEAD_MEMBERS, 1))
    return project(
        past.parts,
        past.state,
        past.home_moisture_pct,
        np.diff(edges_s),
        coming.temp_c[few, first:],
        coming.rh_pct[few, first:],
        opened=instrument.open_now,
    )


def warm_up_margins_k(
    instrument: Instrument, temp_c: ArrayLike, dew_point_c: ArrayLike, at_ms: ArrayLike
) -> NDArray[np.float64]:
    """Least margin of an instrument that came in cold above the dew point of its place. [K]

    NaN where it did not, or long ago.

    Notes
    -----
    T(t) = T_room − (T_room − T0) exp(−t/τ), a lump of one temperature, with τ at its slow end. By a
    clock that was set back, or another's, it may have come a moment ahead.
    """
    since_ms = np.asarray(at_ms) - instrument.arrived_ms
    room, cold = np.asarray(temp_c, float), instrument.arrived_temp_c
    if cold is None:
        return np.full(np.broadcast(since_ms, room).shape, np.nan)
    case = slowest_case(instrument.kind)
    left = np.exp(-np.maximum(since_ms, 0) / 60_000 / (case.warms_min * case.warms_times))
    margin = room - (room - cold) * left - np.asarray(dew_point_c, float)
    return np.where((since_ms > -ONE_MOMENT_MS) & (since_ms < WATCH_WARM_UP_MS), margin, np.nan)


def case_shut_hours(instrument: Instrument, temp_c: float, rh_pct: float) -> int | None:
    """Hours from its arrival for which the case of an instrument that came in cold is left shut at a
    place of this air; None: overnight. [°C], [%]"""
    cold = instrument.arrived_temp_c
    if cold is None or not math.isfinite(temp_c + rh_pct):
        return None
    return shut_hours(slowest_case(instrument.kind), cold, temp_c, max(rh_pct, 1.0))


def is_colder_than_dew_point(
    reader: Reader, settings: Settings, instrument: Instrument, now_ms: int
) -> bool:
    """True if water may condense on an instrument that came in cold, so that its case stays shut."""
    present = air_now(recent(reader, settings, now_ms), settings, now_ms)
    air = next((one for one in present if one.place.id == instrument.place), None)
    if air is None or air.old or instrument.arrived_temp_c is None:
        return False
    margin_k = warm_up_margins_k(instrument, air.temp_c, air.dew_point_c, now_ms)
    return bool(margin_k < DRY_MARGIN_K)


def instrument_temp_c(
    reader: Reader, settings: Settings, instrument: Instrument, now_ms: int
) -> float:
    """Least temperature of an instrument that came in cold; NaN where it did not, or long ago. [°C]"""
    present = air_now(recent(reader, settings, now_ms), settings, now_ms)
    air = next((one for one in present if one.place.id == instrument.place), None)
    if air is None or air.old or instrument.arrived_temp_c is None:
        return float("nan")
    return air.dew_point_c + float(
        warm_up_margins_k(instrument, air.temp_c, air.dew_point_c, now_ms)
    )


class _Airs:
    """Air along each instrument's stays, by ten minutes or hours, each place read once."""

    def __init__(self, reader: Reader, now_ms: int, instruments: list[Instrument]) -> None:
        self.now_ms = now_ms
        self._airs: dict[int, PlaceAirs] = {}
        for period_s in (TEN_MINUTES_S, HOUR_S):
            since: dict[str, int] = {}
            for one in instruments:
                if self._period_s(one) == period_s:
                    for _, place in one.places:
                        since[place] = min(since.get(place, now_ms), self._arrived_ms(one))
            self._airs[period_s] = PlaceAirs(reader, now_ms, since, period_s)

    def of(self, instrument: Instrument) -> tuple[AirLog, int]:
        """Air of an instrument, and the time from which it counts. [ms since 1970-01-01 UTC]"""
        arrived = self._arrived_ms(instrument)
        first = [place for at, place in instrument.places if at <= arrived][-1]
        places = [(arrived, first), *((at, p) for at, p in instrument.places if at > arrived)]
        log = self._airs[self._period_s(instrument)].along(places)
        read = log.begin_ms[log.known == AirCoverage.AIR]  # where it was before may still be heard
        return replace(log, last_ms=int(read[-1]) if len(read) else None), arrived

    def sensor_error(self, instrument: Instrument, settings: Settings) -> SensorUncertainty:
        """Uncertainty of the sensor at its place."""
        return self._airs[self._period_s(instrument)].sensor_error(instrument.place, settings)

    def _arrived_ms(self, instrument: Instrument) -> int:
        return max(instrument.arrived_ms, self.now_ms - LONGEST_MS)

    def _period_s(self, instrument: Instrument) -> int:
        return TEN_MINUTES_S if self.now_ms - instrument.arrived_ms < FINE_MS else HOUR_S


def _status(instrument: Instrument, airs: _Airs, settings: Settings) -> InstrumentStatus:
    log, arrived = airs.of(instrument)
    if log.last_ms is None:
        return InstrumentStatus(instrument, None, NO_AIR)
    if arrived >= airs.now_ms:
        return InstrumentStatus(instrument, None, JUST_CAME)
    sensor = airs.sensor_error(instrument, settings)
    try:
        found = assess(
            instrument.parts,
            log,
            arrived,
            home=instrument.home,
            opened=instrument.opened,
            sensor=sensor,
        )
    except OutOfRange as exc:
        return InstrumentStatus(
            instrument, None, f"Its wood moisture cannot be calculated: {exc}."
        )
    return InstrumentStatus(instrument, found)
