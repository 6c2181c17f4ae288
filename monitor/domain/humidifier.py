"""Requests that answer the question about a humidifier. The outlook never states one by itself."""

from __future__ import annotations

from enum import StrEnum
from typing import ClassVar

from monitor.core.validation import PlaceId, Request
from monitor.domain.events import About


class HumidifierAction(StrEnum):
    """An answer, as events and messages have it."""

    THERE = "there"
    NONE = "none"


class HumidifierRequest(Request, frozen=True, kw_only=True):
    """An answer about one place. The last one counts."""

    about: ClassVar[str] = About.HUMIDIFIER
    key: ClassVar[str] = "place"
    place: PlaceId


class HumidifierThere(HumidifierRequest, frozen=True, kw_only=True, tag="there"):
    """Record that the place has a humidifier."""


class NoHumidifier(HumidifierRequest, frozen=True, kw_only=True, tag="none"):
    """Record that the place has no humidifier. The outlook looks for none there."""


REQUESTS = (HumidifierThere, NoHumidifier)
