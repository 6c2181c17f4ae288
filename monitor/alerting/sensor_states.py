"""States of the sensors at one moment, as rules watch them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from monitor.air.last_day import DAY_MS, LastDay
from monitor.air.place_means import places_of
from monitor.core.measurements import BY_HAND, Quantity, Series
from monitor.domain.places import Place
from monitor.domain.sensor import SensorHistory
from monitor.science.calibration.settling import SettlingStage
from monitor.science.sensor_health import saturated_s, standstill_s
from monitor.sensor_care.calibration import settled
from monitor.sensor_care.health import left

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.store import Reader

KNOWN_MS = 14 * DAY_MS
"""A sensor that was silent for longer is no longer observed. [ms]"""


class SensorState(NamedTuple):
    """A sensor: where it is, when it was heard [ms], for how long its humidity has not moved, or
    has read `SATURATED_PCT` and more [s], its battery [%], how long ago it was calibrated [s], and
    whether it is at rest in its jar (1 or 0); NaN: not known."""

    sensor: str
    place: Place
    heard_ms: int
    unchanged_s: float
    saturated_s: float
    battery_pct: float
    calibrated_s: float = math.nan
    rested: float = math.nan


def sensor_states(
    day: LastDay, settings: Settings, only: Collection[str] | None = None
) -> list[SensorState]:
    """Every sensor in a jar, then every one that was heard in the last `KNOWN_MS`. `only`: the
    places that are looked at, if not all."""
    reader, now_ms = day.reader, day.now_ms
    known = {place.id: place for place in places_of(day.ids, settings)}
    newest: dict[tuple[str, str], int] = {}
    battery: dict[tuple[str, str], float] = {}
    for _, (series, ts_ms, value) in day.latest:
        one = (series.sensor, series.place)
        newest[one] = max(newest.get(one, 0), ts_ms)
        if series.quantity is Quantity.BATTERY:
            battery[one] = value
    moved = moved_on(reader, newest, now_ms)
    kept = {(one.name, one.home): one for one in reader.histories().values()}
    found = _in_jars(reader, kept.values(), known, now_ms)
    heard_here = {
        one: heard
        for one, heard in sorted(newest.items())
        if now_ms - heard <= KNOWN_MS
        and (only is None or one[1] in only)
        and one not in moved
        and not (one in kept and kept[one].in_jar)
    }
    humidity = day.rollups(  # a reading by hand sends nothing by itself, and cannot be stuck
        Series(place, sensor, Quantity.HUMIDITY)
        for sensor, place in heard_here
        if sensor != BY_HAND
    )
    lasting = day.kept.results(
        "lasting",
        {one: ((rows,), ()) for one, rows in humidity.items()},
        lambda some: [(standstill_s(humidity[one]), saturated_s(humidity[one])) for one in some],
    )
    for (sensor, place), heard in heard_here.items():
        still, wet = math.nan, math.nan
        found_here = lasting.get(Series(place, sensor, Quantity.HUMIDITY))
        if found_here is not None:
            still, wet = found_here
            if wet > 0:  # at the end of its range it may well stand still
                still = 0.0
            if known[place].kind == "outdoors":  # where saturated air is no fault
                wet = 0.0
        charge = battery.get((sensor, place), math.nan)
        age = _calibrated_s(kept.get((sensor, place)), now_ms)
        heard = now_ms if sensor == BY_HAND else heard
        found.append(SensorState(sensor, known[place], heard, still, wet, charge, age))
    return found


def _in_jars(
    reader: Reader, histories: Iterable[SensorHistory], known: Mapping[str, Place], now_ms: int
) -> list[SensorState]:
    """Sensors that are being calibrated: only whether they send, and are steady."""
    jarred = [one for one in histories if one.jar is not None]
    if not jarred:
        return []
    heard: dict[str, int] = {}
    for (place, sensor, _), ts_ms, _ in reader.raw_latest(now_ms):
        heard[f"{place}/{sensor}"] = max(heard.get(f"{place}/{sensor}", 0), ts_ms)
    return [
        SensorState(
            one.name,
            known.get(one.home, Place(id=one.home)),
            heard.get(one.id, now_ms),
            math.nan,
            math.nan,
            math.nan,
            rested=float(settled(reader, one, now_ms).rest is SettlingStage.STEADY),
        )
        for one in jarred
    ]


def _calibrated_s(history: SensorHistory | None, now_ms: int) -> float:
    proved_ms = history.proved_ms() if history is not None else None
    return math.nan if proved_ms is None else (now_ms - proved_ms) / 1000


def moved_on(
    reader: Reader, newest: Mapping[tuple[str, str], int], now_ms: int
) -> dict[tuple[str, str], int]:
    """Sensors that were carried elsewhere, and since when.

    Parameters
    ----------
    newest : mapping of (sensor, place) to ms
        When each was last heard there.

    Returns
    -------
    mapping of (sensor, place) to ms
        Those of which all that was heard under their name since comes from another place. Two that
        were heard in turn are two sensors of one name, and both are looked for. Those too that
        are known to have been moved.
    """
    places_of = Counter(sensor for sensor, _ in newest)
    twice = {one for one in newest if places_of[one[0]] > 1}
    first: dict[tuple[str, str], int] = {}
    for series, series_id in reader.series().items():
        one = (series.sensor, series.place)
        if one in twice and (span := reader.span(series_id)) is not None:
            first[one] = min(first.get(one, span[0]), span[0])
    later = {
        one: min(
            (
                at
                for other, at in first.items()
                if other[0] == one[0] and other != one and at >= newest[one]
            ),
            default=None,
        )
        for one in twice
    }
    return {one: at for one, at in later.items() if at is not None} | left(reader, now_ms)
