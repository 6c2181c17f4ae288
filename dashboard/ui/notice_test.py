"""Tap that tests a channel for notices, and what became of the test."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from dashboard.ui import formats
from dashboard.ui.controls import action_button
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component


class SentNotice(Protocol):
    """A notice on its way or gone, as the outbox has it."""

    @property
    def channel(self) -> str: ...
    @property
    def attempts(self) -> int: ...
    @property
    def last_error(self) -> str: ...
    @property
    def outcome(self) -> str | None: ...
    @property
    def ended_ms(self) -> int | None: ...


def tap(channel: str) -> Component:
    """The tap that sends a test notice through a channel."""
    return action_button(
        "Send a test notice",
        "test",
        about="channel",
        channel=channel,
        said="The test notice is being sent. Its result appears here.",
    )


def outcome(test: SentNotice, zone: ZoneInfo) -> str:
    """Outcome of a test notice in words."""
    if test.outcome == "delivered":
        when = formats.when(test.ended_ms or now_ms(), now_ms(), zone)
        return (
            f"The last test through {test.channel} was delivered {when}. Look at the phone or in "
            "the mailbox."
        )
    if test.attempts:
        return (
            f"The last test through {test.channel} failed: {test.last_error}. Correct the channel "
            "and try again."
        )
    return f"The test through {test.channel} is being sent."
