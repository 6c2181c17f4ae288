"""Requests on the clock of the shop's computer, and what the history keeps of its jumps."""

from __future__ import annotations

from enum import StrEnum
from typing import ClassVar

from monitor.core.steady_clock import BEHIND_MS, ClockJump, JumpState, jump_words
from monitor.core.validation import Request
from monitor.domain.events import About, Event

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


def event_words(event: Event) -> str:
    """An event about the clock in a sentence."""
    if event.action == ClockAction.CONFIRM:
        return "Confirmed: the clock is right."
    body = event.body
    state = JumpState(body["state"])
    jump = ClockJump(body["by_ms"], body["at_ms"], state, body["at_start"])
    ends = {
        JumpState.DOUBTED: "Nothing confirms the new time.",
        JumpState.UNDONE: "It is right again.",
        JumpState.CONFIRMED: "The new time is confirmed.",
    }
    return f"{jump_words(jump)}. {ends[state]}"


def trouble_of(jump: ClockJump | None) -> str:
    """A jump that somebody must look at, in words; empty for a small one or one that has ended well:
    undone, or a start whose time was confirmed since."""
    if jump is None or jump.state is JumpState.UNDONE:
        return ""
    if jump.state is JumpState.CONFIRMED and (jump.at_start or abs(jump.by_ms) <= BEHIND_MS):
        return ""
    return f"{jump_words(jump)}."
