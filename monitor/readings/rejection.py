"""Cause of a rejected message, found by reading it anew, and a rule that would read it."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from monitor.core.errors import BadPayload
from monitor.core.measurements import REFUSED_PAYLOAD_MAX
from monitor.domain.topic_rules import command_about, forecast_source, matches
from monitor.readings.payload import PAYLOAD_MAX, Contract
from monitor.readings.payload.detect import PayloadFormat, kind_of
from monitor.readings.payload.rule_suggestions import proposal

if TYPE_CHECKING:
    from monitor.core.measurements import Refusal
    from monitor.domain.topic_rules import TopicRule


class RejectionCause(StrEnum):
    """Causes of a rejection, as a repairer can act on them."""

    COMMAND = "command"
    FORECAST = "forecast"
    NO_RULE = "no rule"
    TOO_LONG = "too long"
    EMPTY = "empty"
    NOT_DATA = "not data"
    CONTENT = "content"
    READABLE = "readable now"


class Rejection(NamedTuple):
    """Cause of a rejection, with a rule that would read the message and the reasons for it."""

    cause: RejectionCause
    rule: TopicRule | None = None
    reasons: tuple[str, ...] = ()


def rejection(one: Refusal, contract: Contract) -> Rejection:
    """Cause of a rejected message by the rules of today.

    A payload that was kept in part only is not read again: its cause is its content.
    """
    if command_about(one.topic):
        return Rejection(RejectionCause.COMMAND)
    if forecast_source(one.topic):
        return Rejection(RejectionCause.FORECAST)
    whole = one.size == len(one.payload) <= REFUSED_PAYLOAD_MAX
    if not any(matches(rule.filter, one.topic) for rule in contract.rules):
        found = proposal(one.topic, one.payload, one.received_ms) if whole else None
        return Rejection(RejectionCause.NO_RULE, *(found.rule, found.reasons) if found else ())
    if one.size > PAYLOAD_MAX:
        return Rejection(RejectionCause.TOO_LONG)
    if not whole:
        return Rejection(RejectionCause.CONTENT)
    kind = kind_of(one.payload)
    if kind is PayloadFormat.EMPTY:
        return Rejection(RejectionCause.EMPTY)
    try:
        faults = contract.decode(one.topic, one.payload, one.received_ms).faults
    except BadPayload:
        plain = kind in (PayloadFormat.TEXT, PayloadFormat.BYTES)
        return Rejection(RejectionCause.NOT_DATA if plain else RejectionCause.CONTENT)
    return Rejection(RejectionCause.CONTENT if faults else RejectionCause.READABLE)
