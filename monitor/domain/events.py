"""Event in the shop, as the journal keeps it: about what, by whom, when.

Waits, kinds, instruments, rules, alerts and sensors are each the fold of their events, oldest first;
nothing else is kept of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any, NamedTuple

ONE_MOMENT_MS = 60_000
"""A change that is dated less than this before the one that it follows is at the same moment. [ms]
Ours: a typed time has no seconds, two devices differ, and network time sets a clock back."""


def in_order(at_ms: int, *before_ms: int | None) -> int:
    """Time of a change that follows others: that of the last of them if it is dated within one moment
    before it. [ms since 1970-01-01 UTC]"""
    last = max((ms for ms in before_ms if ms is not None), default=at_ms)
    return last if 0 < last - at_ms < ONE_MOMENT_MS else at_ms


class About(StrEnum):
    """Kind of thing that an event is about. The store and topics use the value."""

    WAIT = "wait"
    KIND = "kind"
    INSTRUMENT = "instrument"
    RULE = "rule"
    ALERT = "alert"
    RESERVOIR = "reservoir"
    HUMIDIFIER = "humidifier"
    CLOSING = "closing"
    CAUTION = "caution"
    SENSOR = "sensor"
    GLUE = "glue"
    PROOF = "proof"
    REPAIR = "repair"
    TEMPLATE = "template"
    STOCK = "stock"
    ASIDE = "aside"
    NEWCOMER = "newcomer"
    CLOCK = "clock"
    READING = "reading"
    SETTINGS = "settings"
    GUIDE = "guide"
    CHANNEL = "channel"
    LISTENING = "listening"


class Event(NamedTuple):
    """Event that happened to `subject`, an id among those of its kind.

    `body` depends on the action; times in ms since 1970-01-01 UTC.
    """

    about: About
    subject: str
    recorded_ms: int
    by: str
    action: str
    body: Mapping[str, Any]
