"""Requests on the clock of the shop's computer, and what the history keeps of its jumps."""

from __future__ import annotations

from enum import StrEnum
from typing import ClassVar

from monitor.core.validation import Request
from monitor.domain.events import About

CLOCK_ID = "clock"
"""Subject of the events about the one clock."""


class ClockAction(StrEnum):
    """An action on the clock, as events and messages have it."""

    CONFIRM = "confirm"
    JUMPED = "jumped"
    """The service found a jump, or what became of it."""


class ConfirmClock(Request, frozen=True, kw_only=True, tag="confirm"):
    """Confirm that the clock of the shop's computer is right now."""

    about: ClassVar[str] = About.CLOCK
    key: ClassVar[str] = "clock"
    clock: ClassVar[str] = CLOCK_ID


REQUESTS = (ConfirmClock,)
