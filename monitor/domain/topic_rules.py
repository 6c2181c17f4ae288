"""Rules for reading messages that are not in our own contract: one for each topic filter."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from monitor.core.measurements import Quantity, name_fault
from monitor.core.units import UNITS, allowed

CONTRACT_FILTER = "benchweather/+/+"
"""Topics of SenML packs: benchweather/<place>/<sensor>."""


@dataclass(frozen=True, kw_only=True)
class Pick:
    """Pointer to one quantity in a JSON message, and its declared unit."""

    pointer: str
    """RFC 6901 pointer, such as `/climate/temp`; empty for the whole message."""
    unit: str
    """Unit as the sender means it: Cel, F, K, %RH, hPa, Pa, %EL."""


@dataclass(frozen=True, kw_only=True)
class TimePick:
    """Pointer to the time of measuring in a JSON message, and its format."""

    pointer: str
    unit: Literal["s", "ms", "iso"]
    """Seconds or milliseconds since 1970-01-01 UTC, or ISO 8601 with a zone."""


@dataclass(frozen=True, kw_only=True)
class TopicRule:
    """Rule for reading the messages on the topics of one filter.

    `place` and `sensor` are names; `{2}` in them stands for the second level of the topic.
    `format` is `senml`, `json` (with `quantities`) or `number` (with `quantity` and `unit`).
    """

    filter: str
    place: str
    sensor: str
    format: Literal["senml", "json", "number"]
    quantities: dict[Quantity, Pick] = field(default_factory=dict)
    time: TimePick | None = None
    quantity: Quantity | None = None
    unit: str | None = None


COMMAND_TOPIC = "benchweather/bench/{}/do"
"""Topic on which a button at the bench sends a command, by its subject: a wait, an alert."""
AGENT_FILTER = "benchweather/agent/+/state"
"""Topics on which an agent on a sensor board reports its state. Nobody here reads them."""
COMMAND_FILTER = COMMAND_TOPIC.format("+")
FORECAST_TOPIC = "benchweather/weather/{}/forecast"
"""Topic on which a forecast of the outdoor air is accepted, by the name of its source."""
FORECAST_FILTER = FORECAST_TOPIC.format("+")
_OURS = {
    "commands": (COMMAND_FILTER, COMMAND_TOPIC.format("wait")),
    "forecasts": (FORECAST_FILTER, FORECAST_TOPIC.format("some")),
}
PLACEHOLDER = re.compile(r"\{(\d+)\}")
"""Number of a level of the topic, counted from 1, in a rule's place or sensor."""


def command_about(topic: str) -> str | None:
    """Kind of subject of a command on `topic`; None if it is not a topic of commands."""
    return topic.split("/")[2] if matches(COMMAND_FILTER, topic) else None


def forecast_source(topic: str) -> str | None:
    """The source of a forecast on `topic`; None if it is no topic of forecasts."""
    if not topic.endswith("/forecast"):  # each message comes by here
        return None
    return topic.split("/")[2] if matches(FORECAST_FILTER, topic) else None


def filter_fault(topic_filter: str) -> str | None:
    """Reason why `topic_filter` is not an MQTT topic filter, or None (MQTT 3.1.1, section 4.7)."""
    if not topic_filter:
        return "is empty"
    if any(c.isspace() or c == "\0" for c in topic_filter):
        return "has a space, which the built-in broker cannot carry"
    if not topic_filter.isprintable():
        return "has characters that cannot be printed"
    if topic_filter.startswith("$"):
        return "starts with $, which belongs to the broker"
    levels = topic_filter.split("/")
    if any("#" in level for level in levels[:-1]) or ("#" in levels[-1] and levels[-1] != "#"):
        return "may have # only as its last level"
    if any(level in ("*", ">") for level in levels):
        return "has * or > as a level, which the built-in broker takes for any text"
    if any("+" in level and level != "+" for level in levels):
        return "may have + only as a whole level"
    return None


def matches(topic_filter: str, topic: str) -> bool:
    """True if `topic` matches `topic_filter` (MQTT 3.1.1, section 4.7)."""
    wanted, given = topic_filter.split("/"), topic.split("/")
    for i, level in enumerate(wanted):
        if level == "#":
            return True
        if i >= len(given) or (level not in ("+", given[i])):
            return False
    return len(wanted) == len(given)


def rule_faults(rule: TopicRule) -> list[str]:
    """Everything that is wrong with a rule, each as a sentence."""
    faults = []
    if fault := filter_fault(rule.filter):
        faults.append(f"filter {rule.filter!r} {fault}")
    else:
        faults += [
            f"filter {rule.filter!r} includes {ours}, which is reserved for {what}"
            for what, (ours, one) in _OURS.items()
            if matches(rule.filter, one) or matches(ours, rule.filter)
        ]
    levels = rule.filter.split("/")
    for what, name in (("place", rule.place), ("sensor", rule.sensor)):
        beyond = [n for n in PLACEHOLDER.findall(name) if not 1 <= int(n) <= len(levels)]
        if beyond and levels[-1] != "#":
            faults.append(f"{what} {name!r} names level {beyond[0]} of a topic with {len(levels)}")
        if fault := name_fault(PLACEHOLDER.sub("x", name)):
            faults.append(f"{what} {name!r} {fault}")
    if rule.format == "json" and not rule.quantities:
        faults.append("format json needs quantities, each with pointer and unit")
    if rule.format == "number" and (rule.quantity is None or rule.unit is None):
        faults.append("format number needs quantity and unit")
    if rule.format != "number" and (rule.quantity or rule.unit):
        faults.append(f"quantity and unit belong to format number, not {rule.format}")
    if rule.format != "json" and (rule.quantities or rule.time):
        faults.append(f"quantities and time belong to format json, not {rule.format}")
    declared = [(quantity, pick.unit) for quantity, pick in rule.quantities.items()]
    if rule.quantity and rule.unit:
        declared.append((rule.quantity, rule.unit))
    faults += [
        f"unit {unit!r} does not fit {quantity}: must be one of {allowed(quantity)}"
        for quantity, unit in declared
        if unit not in UNITS[quantity]
    ]
    picks: list[Pick | TimePick] = [*rule.quantities.values(), *([rule.time] if rule.time else [])]
    faults += [
        f"pointer {pick.pointer!r} must be empty or start with / (RFC 6901)"
        for pick in picks
        if pick.pointer and not pick.pointer.startswith("/")
    ]
    return faults
