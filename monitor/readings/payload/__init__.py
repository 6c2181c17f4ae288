"""Read the bytes of a message as readings: SenML packs, mapped JSON, bare numbers.

A unit, a time or a quantity is declared or it is refused; nothing is guessed. A record that can
be read is taken even when another record of the same message cannot; each that cannot is named.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable

from monitor.core.clock import AHEAD_MAX_MS
from monitor.core.errors import BadPayload
from monitor.core.json_documents import json_object
from monitor.core.measurements import BY_HAND, name_fault
from monitor.domain.topic_rules import CONTRACT_FILTER, PLACEHOLDER, TopicRule, matches
from monitor.readings.payload.mapped_json import BareNumber, MappedJson
from monitor.readings.payload.senml import RECORDS_MAX, Senml
from monitor.readings.payload.validation import EARLIEST_MS, Decoded, reason_of

__all__ = [
    "AHEAD_MAX_MS",
    "EARLIEST_MS",
    "FORECAST_MAX",
    "PAYLOAD_MAX",
    "RECORDS_MAX",
    "Contract",
    "Decoded",
    "json_object",
    "reason_of",
]

PAYLOAD_MAX = 65_536
"""Largest message accepted. [bytes]"""
FORECAST_MAX = 1_000_000
"""Largest forecast by MQTT: 50 members over ten days take about 150,000. [bytes]"""
TOPICS_REMEMBERED = 20_000
"""Number of topics whose rules are cached."""

Decoder = Callable[[bytes, int], Decoded]


class Contract:
    """The messages that are accepted, and how each is read.

    Parameters
    ----------
    rules : iterable of TopicRule
        The shop's own rules; the first that matches a topic wins. SenML on
        `benchweather/<place>/<sensor>` is always taken, after them.
    """

    def __init__(self, rules: Iterable[TopicRule] = ()) -> None:
        own = TopicRule(filter=CONTRACT_FILTER, place="{2}", sensor="{3}", format="senml")
        self.rules = (*rules, own)
        self.filters = tuple(dict.fromkeys(rule.filter for rule in self.rules))
        self._decoders: dict[str, Decoder] = {}

    def decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        """Read one message.

        Parameters
        ----------
        topic : str
        payload : bytes
        received_ms : int
            When it arrived: the time of a value that has none. [ms since 1970-01-01 UTC]

        Returns
        -------
        Decoded

        Raises
        ------
        BadPayload
            If nothing of the message can be taken.
        """
        decoder = self._decoders.get(topic)
        if decoder is None:
            if len(self._decoders) >= TOPICS_REMEMBERED:
                self._decoders.clear()
            decoder = self._decoders[topic] = self._decoder(topic)
        if len(payload) > PAYLOAD_MAX:
            raise BadPayload(f"{len(payload)} bytes: at most {PAYLOAD_MAX} are accepted")
        return decoder(payload, received_ms)

    def _decoder(self, topic: str) -> Decoder:
        for rule in self.rules:
            if matches(rule.filter, topic):
                place, sensor = _named(rule.place, topic), _named(rule.sensor, topic)
                for what, name in (("place", place), ("sensor", sensor)):
                    if fault := name_fault(name):
                        raise BadPayload(f"{what} {name[:80]!r} in the topic {fault}")
                if sensor == BY_HAND:
                    raise BadPayload(f"sensor {BY_HAND!r} is for readings that a person types")
                if rule.format == "senml":
                    return Senml(place, sensor)
                if rule.format == "json":
                    return MappedJson(place, sensor, rule)
                return BareNumber(place, sensor, rule)
        raise BadPayload(f"no rule reads topic {topic[:300]!r}: see topics in the settings")


def _named(pattern: str, topic: str) -> str:
    """`pattern` with each `{n}` replaced by the n-th level of `topic`, counted from 1."""
    levels = topic.split("/")

    def level(found: re.Match[str]) -> str:
        number = int(found[1])
        return levels[number - 1] if 1 <= number <= len(levels) else ""

    return PLACEHOLDER.sub(level, pattern)
