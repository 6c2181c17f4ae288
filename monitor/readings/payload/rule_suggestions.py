"""Suggests a rule for a message that no rule reads, with the reasons, for a person to confirm.

Nothing here is ever taken by itself. The ingest never guesses a unit; a person who knows the
sender looks at a proposal and says yes.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from monitor.core.errors import BadPayload
from monitor.core.json_documents import json_document, moment_of, number_of
from monitor.core.measurements import MEASURES, NAME_MAX, Quantity
from monitor.core.units import UNITS
from monitor.domain.topic_rules import Pick, TimePick, TopicRule
from monitor.readings.payload.validation import AHEAD_MAX_MS, EARLIEST_MS

LEAVES_MAX, DEPTH_MAX = 500, 12
"""Most values of a document that are looked at."""
_T, _H, _P, _B = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE, Quantity.BATTERY
_NAMES = {
    _T: {"temperature", "temp", "t"},
    _H: {"humidity", "hum", "rh", "h"},
    _P: {"pressure", "press", "barometer", "p"},
    _B: {"battery", "batt", "bat", "charge"},
}
_UNIT_WORDS = {
    _T: {
        "c": "Cel",
        "cel": "Cel",
        "celsius": "Cel",
        "degc": "Cel",
        "f": "F",
        "degf": "F",
        "fahrenheit": "F",
        "k": "K",
        "kelvin": "K",
    },
    _H: {"percent": "%RH", "pct": "%RH"},
    _P: {"hpa": "hPa", "mbar": "hPa", "pa": "Pa"},
    _B: {"percent": "%EL", "pct": "%EL"},
}
_NEUTRAL = {"value", "val", "v", "reading", "now", "current", "state", "data", "air"}
_UNIT_KEYS = ("unit", "units", "u", "uom")
_OTHER = {
    "min",
    "max",
    "low",
    "high",
    "mean",
    "avg",
    "average",
    "target",
    "set",
    "setpoint",
    "limit",
    "alarm",
    "offset",
    "dew",
    "dewpoint",
    "delta",
    "trend",
}
"""Words that name something other than the air's present value."""
_TIMES = {"time", "timestamp", "ts", "at", "measured", "date", "epoch"}
FAHRENHEIT_FROM = 50.0
"""A room's temperature in °C is below this."""


class Leaf(NamedTuple):
    """Value in a document, its pointer and names, and the unit written beside it, if any."""

    pointer: str
    words: tuple[tuple[str, ...], ...]
    value: Any
    beside: str


@dataclass(frozen=True)
class Proposal:
    """A rule that would read a message, or None if none can; and why, in sentences."""

    rule: TopicRule | None
    reasons: tuple[str, ...]


def proposal(topic: str, payload: bytes, received_ms: int) -> Proposal:
    """A rule for one topic by one message of it.

    Parameters
    ----------
    topic : str
    payload : bytes
    received_ms : int
        When it arrived. [ms since 1970-01-01 UTC]
    """
    try:
        document = json_document(payload)
    except BadPayload as exc:
        return Proposal(None, (str(exc),))
    leaves = list(itertools.islice(_leaves(document, topic), LEAVES_MAX))
    picks: dict[Quantity, Pick] = {}
    reasons = []
    for leaf in leaves:
        if not (named := _quantity(leaf)):
            continue
        quantity, word = named
        pick, why = _judged(quantity, word, leaf)
        where = leaf.pointer or "the message"
        if quantity in picks:
            reasons.append(f"{where}: also named {word}, not used")
        elif pick is None:
            reasons.append(f"{where}: {why}")
        else:
            picks[quantity] = pick
            reasons.append(f"{where}: {quantity} in {pick.unit}, {why}")
    if not set(picks) - {_B}:
        return Proposal(None, (*reasons, "it has no known temperature, RH or pressure"))
    place, sensor = _names(topic)
    if not isinstance(document, dict | list):
        ((quantity, pick),) = picks.items()
        return Proposal(
            TopicRule(
                filter=topic,
                place=place,
                sensor=sensor,
                format="number",
                quantity=quantity,
                unit=pick.unit,
            ),
            tuple(reasons),
        )
    time = next((found for leaf in leaves if (found := _time(leaf, received_ms))), None)
    reasons.append(
        f"{time.pointer}: when it was measured, as {time.unit}"
        if time
        else "it has no time with a zone: the time of arrival is used"
    )
    rule = TopicRule(
        filter=topic, place=place, sensor=sensor, format="json", quantities=picks, time=time
    )
    return Proposal(rule, tuple(reasons))


def _leaves(document: Any, topic: str) -> Iterator[Leaf]:
    """Values of a document, in its order; a bare one is named by its topic."""
    if not isinstance(document, dict | list):
        yield Leaf("", tuple(_words(level) for level in topic.split("/")), document, "")
        return
    waiting: list[tuple[str, tuple[tuple[str, ...], ...], Any]] = [("", (), document)]
    while waiting:
        pointer, words, node = waiting.pop()
        items = list(node.items() if isinstance(node, dict) else enumerate(node))[:LEAVES_MAX]
        beside = ""
        if isinstance(node, dict):
            units = (node.get(key) for key in _UNIT_KEYS)
            beside = next((unit for unit in units if isinstance(unit, str)), "")
        deeper = []
        for key, value in items:
            below = f"{pointer}/{str(key).replace('~', '~0').replace('/', '~1')}"
            named = (*words, _words(str(key)))
            if not isinstance(value, dict | list):
                yield Leaf(below, named, value, beside)
            elif len(named) < DEPTH_MAX:
                deeper.append((below, named, value))
        waiting += reversed(deeper)


def _words(name: str) -> tuple[str, ...]:
    """`airTemp_f` is air, temp, f."""
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return tuple(re.findall(r"[a-z]+|\d+", parted.lower()))


def _quantity(leaf: Leaf) -> tuple[Quantity, str] | None:
    """The quantity of a leaf by its name, or by the names above it."""
    if any(word in _OTHER for level in leaf.words for word in level):
        return None
    for level in reversed(leaf.words):
        for quantity, names in _NAMES.items():
            if found := next((word for word in level if word in names), None):
                surface = quantity is _T and "surface" in level
                return (Quantity.SURFACE_TEMPERATURE if surface else quantity), found
        if not all(word in _NEUTRAL or word.isdigit() for word in level):
            return None
    return None


def _judged(quantity: Quantity, word: str, leaf: Leaf) -> tuple[Pick | None, str]:
    """A pick with its reason, or None with why not."""
    try:
        value = number_of(leaf.value, leaf.pointer)
    except BadPayload:
        shown = str(leaf.value)[:20]
        return None, f"named {word}, but {shown!r} is not a number; only numbers are read"
    kind = _T if quantity is Quantity.SURFACE_TEMPERATURE else quantity
    written = _unit_written(kind, leaf)
    if written == "?":
        return None, f"named {word}, in {leaf.beside!r}, which is not an accepted unit"
    unit, why = (written, "the message states the unit") if written else _unit_by(kind, value)
    if unit is None:
        return None, f"named {word}, holds {value:g}: {why}"
    conversion, measure = UNITS[quantity][unit], MEASURES[quantity]
    kept = value * conversion.factor + conversion.offset
    if not measure.low <= kept <= measure.high:
        return None, f"named {word}, but {value:g} {unit} is outside the accepted range"
    return Pick(pointer=leaf.pointer, unit=unit), f"for it is named {word}; {why}"


def _unit_written(quantity: Quantity, leaf: Leaf) -> str:
    """Unit written beside a value or in its name; empty if none, ? if it is not one of ours."""
    known = _UNIT_WORDS[quantity]
    if leaf.beside:
        mark = leaf.beside.lower().replace("°", "").strip()
        if mark == "%" and quantity in (_H, _B):
            return "%RH" if quantity is _H else "%EL"
        exact = next((unit for unit in UNITS[quantity] if unit.lower() == mark), "")
        return exact or known.get(mark, "?")
    own = leaf.words[-1] if leaf.words else ()
    return next((known[word] for word in own[1:] if word in known), "")


def _unit_by(quantity: Quantity, value: float) -> tuple[str | None, str]:
    """A unit that makes the value believable in a shop, where only one does."""
    if quantity is _T:
        if -30 <= value < FAHRENHEIT_FROM:
            return "Cel", f"{value:g} is usual for a room in °C; make sure that it is not °F"
        if FAHRENHEIT_FROM <= value <= 120:
            return "F", f"{value:g} is too warm for °C"
        if 240 <= value <= 325:
            return "K", f"{value:g} can only be kelvin"
    elif quantity is _H:
        if 1 < value <= 105:
            return "%RH", f"{value:g} can be % RH"
        return None, "a fraction of 0 to 1, or not RH; only % RH is accepted"
    elif quantity is _P:
        if 300 <= value <= 1100:
            return "hPa", f"{value:g} can only be hPa"
        if 30_000 <= value <= 110_000:
            return "Pa", f"{value:g} can only be Pa"
    elif 5 < value <= 100:
        return "%EL", f"{value:g} can be %"
    return None, "its unit is not known"


def _time(leaf: Leaf, received_ms: int) -> TimePick | None:
    if not leaf.words or not _TIMES.intersection(leaf.words[-1]):
        return None
    units: tuple[Literal["s", "ms", "iso"], ...] = ("s", "ms", "iso")
    for unit in units:
        try:
            moment = moment_of(leaf.value, unit)
        except BadPayload:
            continue
        if EARLIEST_MS <= moment <= received_ms + AHEAD_MAX_MS:
            return TimePick(pointer=leaf.pointer, unit=unit)
    return None


def _names(topic: str) -> tuple[str, str]:
    """Names for place and sensor out of a topic's levels."""
    levels = [re.sub(r"[^\w.-]+", "-", level).strip("-")[:NAME_MAX] for level in topic.split("/")]
    known = {word for names in _NAMES.values() for word in names} | _NEUTRAL
    said = [level for level in levels if level and level.lower() not in known] or ["shop"]
    return said[max(0, len(said) - 2)], said[-1]
