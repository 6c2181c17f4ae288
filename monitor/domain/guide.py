"""Steps that set a shop up, and requests to skip one or to resume it.

Whether a step is done follows from the settings and the store; only what was skipped is kept.
"""

from __future__ import annotations

from enum import StrEnum
from typing import ClassVar

from monitor.core.validation import Request
from monitor.domain.events import About


class GuideStep(StrEnum):
    """A step that sets the shop up, in their order."""

    SHOP = "shop"
    READING = "reading"
    CLAMP_UP = "clamp-up"
    HOURS = "hours"
    CHANNEL = "channel"
    DEVICES = "devices"
    FORECAST = "forecast"


class GuideRequest(Request, frozen=True, kw_only=True):
    """A request on a step of the guide."""

    about: ClassVar[str] = About.GUIDE
    key: ClassVar[str] = "step"
    step: GuideStep


class SkipStep(GuideRequest, frozen=True, kw_only=True, tag="skip"):
    """Request to skip a step for now."""


class ResumeStep(GuideRequest, frozen=True, kw_only=True, tag="resume"):
    """Request to resume a step that was skipped."""


REQUESTS = (SkipStep, ResumeStep)
