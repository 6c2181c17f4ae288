"""Readings of sensors under calibration: steady in a salt jar, or beside a reference."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.core.errors import Fault, OutOfRange, Rejected, range_fault
from monitor.core.measurements import MEASURES, Quantity, Series
from monitor.core.validation import given
from monitor.domain.sensor import SensorHistory
from monitor.domain.sensor_requests import BOUNDS, ComparePoint
from monitor.science.calibration.salts import SALTS, reference_point
from monitor.science.calibration.settling import REMAINS_RH_PCT, Settling, SettlingStage, settling

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.store import Reader

PAIR_MS = 60_000
"""Temperature and RH of one moment arrive within this. [ms]"""
JAR_MS = 7 * 86_400_000
"""Longest time in a jar that is looked at. [ms]"""
BESIDE_MS = 300_000
"""Readings so near a reference's count for it. [ms]"""


class JarWatch:
    """Readings for the commands on sensors."""

    def __init__(self, reader: Reader, settings: Settings) -> None:
        self._reader = reader
        self._u_temp_k = settings.sensor.temp_accuracy_c / 2

    def known(self) -> Collection[str]:
        return self._reader.topics()

    def rested(self, history: SensorHistory, now_ms: int) -> Mapping[str, Any]:
        found = settled(self._reader, history, now_ms)
        if found.rest is not SettlingStage.STEADY:
            raise Rejected(f"{history.id} is not steady yet: {why(found)}")
        if history.jar is None:
            raise Rejected(f"{history.id} is not in a jar")
        try:
            reference, u_reference = reference_point(
                history.jar.salt, found.temp_c, self._u_temp_k
            )
        except OutOfRange as exc:
            raise Rejected(f"{history.jar.salt}: {exc}") from exc
        u_reading = math.hypot(
            BOUNDS[Quantity.HUMIDITY].repeat, found.rh_sd_pct, found.rh_drift_pct
        )
        point = [history.jar.salt, found.rh_pct, reference, u_reading, u_reference]
        return {
            "point": point,
            "temp_c": found.temp_c,
            "sealed_s": found.sealed_s,
            "drift_pct": found.rh_drift_pct,
            "readings": found.readings,
        }

    def beside(
        self, history: SensorHistory, request: ComparePoint, now_ms: int
    ) -> Mapping[str, Any]:
        quantity, value, u = request.quantity, request.value, request.u
        measure, bounds = MEASURES[quantity], BOUNDS[quantity]
        if not measure.low <= value <= measure.high:
            raise Rejected(range_fault("value", value, measure.low, measure.high, measure.unit))
        if not 0 < u <= bounds.off:
            allowed = f"above 0, up to {bounds.off:g} {measure.unit}"
            raise Rejected(Fault("", "u", u, allowed, 0, bounds.off, measure.unit))
        at_ms = given(request.at_ms, now_ms)
        series = Series(history.topic_place, history.topic_name, quantity)
        _, sent = self._reader.raw_values(series, at_ms - BESIDE_MS, at_ms + BESIDE_MS)
        if not len(sent):
            raise Rejected(
                f"{history.id} sent no {quantity} reading within five minutes of that time"
            )
        u_reading = math.hypot(bounds.repeat, float(sent.std()))
        mean = float(sent.mean())
        name = f"{request.name or 'reference'} at {value:g} {measure.unit}"
        return {"point": [name, mean, value, u_reading, u / 2], "readings": len(sent)}


def settled(reader: Reader, history: SensorHistory, now_ms: int) -> Settling:
    """Settling of a sensor in a jar; a `Rejected` if it is in none."""
    if history.jar is None:
        raise Rejected(f"{history.id} is not in a jar")
    start_ms = max(history.jar.since_ms, now_ms - JAR_MS)
    ts, temp, rh = raw_pairs(reader, history, start_ms, now_ms + 1)
    correction = history.correction_at(Quantity.TEMPERATURE, now_ms)
    if correction is not None:
        temp = correction.fit.corrected(temp)
    return settling(ts, temp, rh, history.jar.since_ms, now_ms)


def raw_pairs(
    reader: Reader, history: SensorHistory, start_ms: int, end_ms: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times [ms], temperature [°C] and RH [%] as a sensor sent them, at the times of its RH."""
    series = [
        Series(history.topic_place, history.topic_name, q)
        for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    ]
    (t_ms, temp), (ts, rh) = (reader.raw_values(one, start_ms, end_ms) for one in series)
    if not len(t_ms) or not len(ts):
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    right = np.searchsorted(t_ms, ts)
    left, right = np.maximum(right - 1, 0), np.minimum(right, len(t_ms) - 1)
    near = np.where(np.abs(t_ms[right] - ts) < np.abs(ts - t_ms[left]), right, left)
    paired = np.abs(t_ms[near] - ts) <= PAIR_MS
    return ts[paired], temp[near][paired], rh[paired]


def why(found: Settling) -> str:
    """Text on the settling of a sensor in its jar."""
    if found.rest is SettlingStage.MOVING:
        if not abs(found.rh_remains_pct) <= REMAINS_RH_PCT and abs(found.rh_drift_pct) <= 0.2:
            return "its reading still drifts slowly, and has not reached its end"
        moves = f"RH moved {found.rh_drift_pct:+.1f} % and temperature {found.temp_drift_k:+.1f} K"
        return f"{moves} in the last half hour"
    if found.rest is SettlingStage.SCATTERING:
        return (
            f"its readings scatter by {found.rh_sd_pct:.1f} % RH and {found.temp_sd_k:.1f} K: "
            "check the seal and the cable, and keep it away from sun and draughts"
        )
    if found.rest is SettlingStage.STEADY:
        return "steady"
    if not found.readings:
        return "no readings arrive: perhaps its radio signal cannot leave the jar"
    return "it must be sealed for an hour, with readings through the last half hour"


def expects(salt: str, temp_c: float) -> float:
    """RH over a salt; NaN where it is not known. [%]"""
    try:
        return reference_point(salt, temp_c, 0.0)[0] if salt in SALTS else math.nan
    except OutOfRange:
        return math.nan
