"""Health of each sensor, from its last week and the sensors beside it, with its texts."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.place_means import places
from monitor.air.unreliable_readings import doubtful
from monitor.core.formats import lasting
from monitor.core.measurements import BY_HAND, Quantity, Series
from monitor.science.sensor_clock import slow_s
from monitor.science.sensor_health import Finding, Pair, SensorFault, findings, score
from monitor.store import TEN_MINUTES_S, Reader

if TYPE_CHECKING:
    from monitor.domain.places import Place
    from monitor.settings import Settings
    from monitor.store import Latest

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
    found: list[Finding]


def health(reader: Reader, settings: Settings, now_ms: int) -> list[Health]:
    """Every sensor's, by place in the order of the settings, then by name. One in a jar is left
    out, and one that stands elsewhere now."""
    ids, known = reader.series(), places(reader, settings)
    newest: dict[tuple[str, str], dict[Quantity, Latest]] = {}
    for one in reader.latest(now_ms):
        series = one.reading.series
        newest.setdefault((series.place, series.sensor), {})[series.quantity] = one
    topics = {(one.home, one.name): one.id for one in reader.histories().values()}
    jarred = {(one.home, one.name) for one in reader.histories().values() if one.in_jar}
    refused, gone = _refused(reader, now_ms), left(reader, now_ms)
    pairs = {
        (place, sensor): _pair(reader, settings, ids, place, sensor, now_ms)
        for place, sensor in newest
        if (place, sensor) not in jarred and (sensor, place) not in gone
    }
    standing: dict[str, dict[str, Pair]] = {}
    for (at, sensor), pair in sorted(pairs.items()):
        standing.setdefault(at, {})[sensor] = pair
    result = []
    for place in known:
        mine = standing.get(place.id, {})
        sound = {
            s: p for s, p in mine.items() if not doubtful(reader, place.id, s, p.rh)[-1:].any()
        }
        for sensor, pair in mine.items():
            if (
                sensor == BY_HAND
            ):  # a person reads it: it has no radio and is neither silent nor stuck
                result.append(Health(place, sensor, score([]), []))
                continue
            last = newest[place.id, sensor]
            heard = max(one.reading.ts_ms for one in last.values())
            battery = last.get(Quantity.BATTERY)
            topic = topics.get((place.id, sensor), f"{place.id}/{sensor}")
            spoke_as, _, name = topic.partition("/")
            slow = slow_s(reader.lateness(spoke_as, name, now_ms - WEEK_MS, now_ms))
            found = findings(
                pair,
                [other for name, other in sound.items() if name != sensor],
                silent_s=max(now_ms - heard, 0) / 1000 - max(slow, 0.0),
                stale_s=settings.board.stale_after_s,
                slow_s=slow,
                battery_pct=battery.reading.value if battery else math.nan,
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


def _pair(
    reader: Reader,
    settings: Settings,
    ids: dict[Series, int],
    place: str,
    sensor: str,
    now_ms: int,
) -> Pair:
    accuracy = settings.sensor
    rows, us = [], []
    for quantity, stated in (
        (Quantity.HUMIDITY, accuracy.rh_accuracy_pct),
        (Quantity.TEMPERATURE, accuracy.temp_accuracy_c),
    ):
        one = ids.get(Series(place, sensor, quantity), 0)  # none has 0: no rows
        got = reader.rollups(one, TEN_MINUTES_S, now_ms - WEEK_MS, now_ms + 1)
        u = reader.uncertainty(one, float(np.median(got["mean"])), now_ms) if len(got) else None
        rows.append(got)
        us.append(stated if u is None else u)
    return Pair(rows[0], rows[1], us[0], us[1])


def _refused(reader: Reader, now_ms: int) -> dict[str, int]:
    """Number of messages rejected in the last day on each sensor's topic."""
    found: dict[str, int] = {}
    for kept in reader.refused(REFUSED_SEEN):
        if kept.received_ms > now_ms - DAY_MS:
            _, _, topic = kept.topic.partition("/")
            found[topic] = found.get(topic, 0) + 1
    return found


def sentence(finding: Finding) -> str:
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
