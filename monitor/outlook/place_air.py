"""Past and expected air of places, for the waits and the wood."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING

from monitor.air.place_means import Means, by_hand, calibrated, held, means
from monitor.core.errors import OutOfRange
from monitor.domain.hand_reading import HELD_MS, widened
from monitor.outlook import files
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import AirLog, Stay, air_log, stitched
from monitor.science.waits.daily_pattern import (
    HISTORY_DAYS,
    daily_pattern_ensemble,
    persistent_ensemble,
)
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.store import TEN_MINUTES_S, Reader

if TYPE_CHECKING:
    from monitor.settings import Settings

DAY_MS = 86_400_000
HORIZON_S = 5 * 86_400.0
"""Length of the expected air. [s]"""
MEMBERS = 200
SEED = 20_261_125
WOOD_MS = 6 * DAY_MS
"""Span of air read before a start, for the memory of the wood. [ms]"""

FRESH_MS = 6 * 3_600_000
"""Age beyond which a reading shows nothing of the present. [ms]"""


class AirSource(StrEnum):
    """Source of the air that a place can expect."""

    OUTLOOK = "outlook"
    PATTERN = "pattern"
    """The daily pattern of its last weeks."""
    PRESENT = "present"
    """The present air, ever less surely: there are too few days of readings for a pattern."""
    NONE = "none"


class PlaceAirs:
    """Air of places up to one moment, each read once and shared by all its waits.

    Parameters
    ----------
    reader : Reader
    now_ms : int
        [ms since 1970-01-01 UTC]
    since : mapping of place to ms
        From when each place's air is wanted.
    period_s : int
        Of the means: `TEN_MINUTES_S` or `HOUR_S`. [s]
    settings : Settings, optional
        Where the outlook is kept; without it, what is coming is taken from the log alone.
    """

    def __init__(
        self,
        reader: Reader,
        now_ms: int,
        since: dict[str, int],
        period_s: int = TEN_MINUTES_S,
        settings: Settings | None = None,
    ) -> None:
        self.now_ms = now_ms
        self._period_s = period_s
        self._reader = reader
        self._since = since
        self._settings = settings
        self._means: dict[str, Means] = {}
        self._logs: dict[str, AirLog] = {}
        self._coming: dict[str, AirEnsemble | None] = {}
        self._source: dict[str, AirSource] = {}

    def log(self, place: str) -> AirLog:
        """The air a place has had."""
        if place not in self._logs:
            read = self._read(place)
            mask = by_hand(self._reader, place, read, self._period_s)
            ts, temp, rh = held(read, mask, self.now_ms, self._period_s)
            self._logs[place] = air_log(ts, temp, rh, self.now_ms, float(self._period_s))
        return self._logs[place]

    def coming(self, place: str) -> AirEnsemble | None:
        """The air a place can expect: its outlook's, else that of its own last weeks; None where
        neither tells."""
        if place not in self._coming:
            self._coming[place], self._source[place] = self._expected(place)
        return self._coming[place]

    def coming_long(self, place: str, horizon_s: float) -> AirEnsemble | None:
        """The air a place can expect, beyond its outlook by the pattern of its last weeks. [s]"""
        coming = self.coming(place)
        if coming is None or coming.end_ms >= self.now_ms + 1000 * horizon_s:
            return coming
        ts, temp, rh = self._read(place)
        step_s = int(coming.step_s)
        try:
            far = daily_pattern_ensemble(
                ts, temp, rh, self.now_ms, horizon_s, MEMBERS, SEED, step_s=step_s
            )
        except OutOfRange:
            first = (self.now_ms - coming.start_ms) // (1000 * step_s)
            now = float(coming.temp_c[:, first].mean()), float(coming.rh_pct[:, first].mean())
            far = persistent_ensemble(*now, self.now_ms, horizon_s, MEMBERS, SEED, step_s=step_s)
        return coming.followed_by(far)

    def source(self, place: str) -> AirSource:
        """Source of the air that a place can expect."""
        self.coming(place)
        return self._source[place]

    def _expected(self, place: str) -> tuple[AirEnsemble | None, AirSource]:
        if (ahead := self._outlook(place)) is not None:
            return ahead, AirSource.OUTLOOK
        ts, temp, rh = self._read(place)
        try:
            pattern = daily_pattern_ensemble(ts, temp, rh, self.now_ms, HORIZON_S, MEMBERS, SEED)
        except OutOfRange:
            # Too few days for a pattern: as it is now, ever less surely; if now is known.
            if not len(ts) or self.now_ms - int(ts[-1]) >= FRESH_MS:
                return None, AirSource.NONE
            now = float(temp[-1]), float(rh[-1])
            present = persistent_ensemble(*now, self.now_ms, HORIZON_S, MEMBERS, SEED)
            return present, AirSource.PRESENT
        return pattern, AirSource.PATTERN

    def along(
        self, places: Sequence[tuple[int, str]], pauses: Sequence[tuple[int, int | None]] = ()
    ) -> AirLog:
        """The air along a way through places, from somewhat before its start up to now.

        Parameters
        ----------
        places : sequence of (since, place)
            Oldest first. [ms since 1970-01-01 UTC]
        pauses : sequence of (from, until or None)
            When nothing of it counted. [ms]
        """
        if len(places) == 1 and not pauses:
            return self.log(places[0][1])
        now_ms, started_ms = self.now_ms, places[0][0]
        cuts = {now_ms, started_ms}
        cuts |= {at for at, _ in places if started_ms < at < now_ms}
        for pause in pauses:
            cuts |= {at for at in pause if at is not None and started_ms < at < now_ms}
        first = self.log(places[0][1])
        stays = [Stay(first, max(int(first.begin_ms[0]), started_ms - WOOD_MS), started_ms)]
        for begin, end in pairwise(sorted(cuts)):
            paused = any(a <= begin and (b is None or end <= b) for a, b in pauses)
            place = [name for at, name in places if at <= begin][-1]
            stays.append(Stay(None if paused else self.log(place), begin, end))
        return stitched(stays)

    def _outlook(self, place: str) -> AirEnsemble | None:
        look = files.look(self._settings, place, self.now_ms) if self._settings else None
        if look is None or not look.start_ms <= self.now_ms:
            return None
        return AirEnsemble(look.start_ms, 3600.0, *look.air)

    def sensor_error(self, place: str, settings: Settings) -> SensorUncertainty:
        """Uncertainty of the sensor at a place: by its calibration, else by the settings."""
        stated = SensorUncertainty(
            settings.sensor.temp_accuracy_c, settings.sensor.rh_accuracy_pct
        )
        read = self._read(place)
        if not len(read.ts_ms):
            return stated
        u_temp = u_rh = None
        if self._reader.histories():
            u_temp, u_rh = calibrated(self._reader, place, read)
        found = SensorUncertainty(
            stated.u_temp_k if u_temp is None else u_temp,
            stated.u_rh_pct if u_rh is None else u_rh,
        )
        if by_hand(self._reader, place, read, self._period_s)[-1]:
            return SensorUncertainty(*widened(*found, HELD_MS))
        return found

    def _read(self, place: str) -> Means:
        if place not in self._means:
            earliest = self.now_ms - HISTORY_DAYS * DAY_MS
            start = min(self._since.get(place, earliest), earliest) - WOOD_MS
            self._means[place] = means(self._reader, place, start, self.now_ms, self._period_s)
        return self._means[place]
