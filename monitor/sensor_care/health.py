"""Health of each sensor, from its last week and the sensors beside it, with its texts."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.place_means import places_of
from monitor.air.unreliable_readings import doubtful_of
from monitor.core.formats import lasting
from monitor.core.measurements import BY_HAND, Quantity, Reading, Series
from monitor.science.sensor_clock import slow_s
from monitor.science.sensor_health import FaultFound, Pair, SensorFault, findings, score
from monitor.store import TEN_MINUTES_S, Reader

if TYPE_CHECKING:
    from monitor.domain.places import Place
    from monitor.settings import Settings

DAY_MS = 86_400_000
WEEK_MS = 7 * DAY_MS
REFUSED_SEEN = 500
"""Number of the newest rejected messages that are looked through."""
HOUR_S, MINUTE_S = 3_600, 60


class Health(NamedTuple):
    """A sensor, its place, its score [0 to 100] and its faults, gravest first."""

    place: Place
    sensor: str
    score: int
    found: list[FaultFound]


def health(
    reader: Reader,
    settings: Settings,
    now_ms: int,
    only: Collection[str] | None = None,
    latest: Iterable[Reading] | None = None,
) -> list[Health]:
    """Every sensor's, by place in the order of the settings, then by name. One in a jar is left
    out, and one that stands elsewhere now. `only`: the places that are looked at, if not all.
    `latest`: the newest readings, if they are known."""
    ids = reader.series()
    known = [one for one in places_of(ids, settings) if only is None or one.id in only]
    here = {one.id for one in known}
    newest: dict[tuple[str, str], dict[Quantity, Reading]] = {}
    for one in [row.reading for row in reader.latest(now_ms)] if latest is None else latest:
        series = one.series
        if series.place not in here:
            continue
        newest.setdefault((series.place, series.sensor), {})[series.quantity] = one
    topics = {(one.home, one.name): one.id for one in reader.histories().values()}
    jarred = {(one.home, one.name) for one in reader.histories().values() if one.in_jar}
    refused, gone = _refused(reader, now_ms), left(reader, now_ms)
    wanted = [
        (place, sensor)
        for place, sensor in newest
        if (place, sensor) not in jarred and (sensor, place) not in gone
    ]
    pairs = _pairs(reader, settings, ids, wanted, now_ms)
    doubts = doubtful_of(reader, {one: pair.rh for one, pair in pairs.items()})
    topic_of = {one: topics.get(one, f"{one[0]}/{one[1]}") for one in pairs}
    lateness = reader.lateness_of(
        {_named(topic) for topic in topic_of.values()}, now_ms - WEEK_MS, now_ms
    )
    standing: dict[str, dict[str, Pair]] = {}
    for (at, sensor), pair in sorted(pairs.items()):
        standing.setdefault(at, {})[sensor] = pair
    result = []
    for place in known:
        mine = standing.get(place.id, {})
        sound = {s: p for s, p in mine.items() if not doubts[place.id, s][-1:].any()}
        for sensor, pair in mine.items():
            if (
                sensor == BY_HAND
            ):  # a person reads it: it has no radio and is neither silent nor stuck
                result.append(Health(place, sensor, score([]), []))
                continue
            last = newest[place.id, sensor]
            heard = max(one.ts_ms for one in last.values())
            battery = last.get(Quantity.BATTERY)
            topic = topic_of[place.id, sensor]
            slow = slow_s(lateness[_named(topic)])
            found = findings(
                pair,
                [other for name, other in sound.items() if name != sensor],
                silent_s=max(now_ms - heard, 0) / 1000 - max(slow, 0.0),
                stale_s=settings.board.stale_after_s,
                slow_s=slow,
                battery_pct=battery.value if battery else math.nan,
                refused=refused.get(topic, 0),
                outdoors=place.kind == "outdoors",
            )
            result.append(Health(place, sensor, score(found), found))
    return result


def left(reader: Reader, now_ms: int) -> dict[tuple[str, str], int]:
    """Places that sensors have left, as (sensor, place), and since when. [ms]

    A place at which another sensor of that name speaks is none of them.
    """
    histories = reader.histories()
    found: dict[tuple[str, str], int] = {}
    for one in histories.values():
        for (_, place), (end_ms, _) in pairwise([(0, one.first_place), *one.stays]):
            if place is not None and place != one.home:
                found[one.name, place] = max(end_ms, found.get((one.name, place), 0))
    if not found:
        return found
    there = {(one.name, one.home) for one in histories.values()}
    for series, _, _ in reader.raw_latest(now_ms):
        if f"{series.place}/{series.sensor}" not in histories:
            there.add((series.sensor, series.place))
    return {one: at_ms for one, at_ms in found.items() if one not in there}


def _named(topic: str) -> tuple[str, str]:
    """Place and name in a topic."""
    place, _, name = topic.partition("/")
    return place, name


def _pairs(
    reader: Reader,
    settings: Settings,
    ids: Mapping[Series, int],
    sensors: Sequence[tuple[str, str]],
    now_ms: int,
) -> dict[tuple[str, str], Pair]:
    """Week of each sensor (place, name)."""
    stated = {
        Quantity.HUMIDITY: settings.sensor.rh_accuracy_pct,
        Quantity.TEMPERATURE: settings.sensor.temp_accuracy_c,
    }
    series = [[ids.get(Series(*one, q), 0) for q in stated] for one in sensors]  # none has 0
    rollups = reader.rollups_of(
        {one for both in series for one in both}, TEN_MINUTES_S, now_ms - WEEK_MS, now_ms + 1
    )

    def uncertainty(one: int, without: float) -> float:
        rows = rollups[one]
        u = reader.uncertainty(one, float(np.median(rows["mean"])), now_ms) if len(rows) else None
        return without if u is None else u

    u_rh, u_temp = stated.values()
    return {
        one: Pair(rollups[rh], rollups[temp], uncertainty(rh, u_rh), uncertainty(temp, u_temp))
        for one, (rh, temp) in zip(sensors, series, strict=True)
    }


def _refused(reader: Reader, now_ms: int) -> dict[str, int]:
    """Number of messages rejected in the last day on each sensor's topic."""
    found: dict[str, int] = {}
    for kept in reader.refused(REFUSED_SEEN):
        if kept.received_ms > now_ms - DAY_MS:
            _, _, topic = kept.topic.partition("/")
            found[topic] = found.get(topic, 0) + 1
    return found


def sentence(finding: FaultFound) -> str:
    """A finding in words, with what to do."""
    amount, what = finding.amount, "temperature" if finding.warm else "humidity"
    match finding.fault:
        case SensorFault.SILENT:
            return f"Silent for {lasting(amount)}. Check its power and radio."
        case SensorFault.STUCK:
            return (
                f"Stuck. Its humidity reading has not changed for {lasting(amount)}. Restart it, or "
                "replace it."
            )
        case SensorFault.SATURATED:
            return (
                f"Reads 99 % or more for {lasting(amount)}. Check the place, then dry the sensor."
            )
        case SensorFault.CLOCK if amount > 0:
            return (
                f"Its clock is {lasting(amount)} slow, or it sends that late. Set the clock. Its "
                "readings are stored at the wrong time."
            )
        case SensorFault.CLOCK:
            by = lasting(-amount)
            return f"Its clock is {by} fast. Set it. Messages more than 5 min ahead are rejected."
        case SensorFault.DISAGREES:
            way = "higher" if amount > 0 else "lower"
            reads = f"a {way} temperature" if finding.warm else f"{abs(amount):.1f} % RH {way}"
            return f"Reads {reads} than the sensors beside it. Calibrate both."
        case SensorFault.NOISY:
            by = "" if finding.warm else f" by ±{amount:.1f} %"
            return f"Its {what} reading scatters{by}. Look for a draught or a loose contact."
        case SensorFault.JUMPS:
            return (
                f"Its {what} reading jumped {amount:.0f} times in a day. Look for a loose contact."
            )
        case SensorFault.REFUSED:
            many = (
                "One of its messages was" if amount == 1 else f"{amount:.0f} of its messages were"
            )
            return f"{many} rejected in the last day. See “Rejected messages” on Sensors."
        case SensorFault.BATTERY:
            return f"Battery at {amount:.0f} %. Change it."
