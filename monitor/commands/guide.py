"""Commands on the guide: skip or resume a step; send a test notice."""

from __future__ import annotations

import uuid
from collections.abc import Mapping

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.domain.channel_test import SendTestNotice
from monitor.domain.guide import GuideRequest, SkipStep
from monitor.domain.notification import Notice
from monitor.store import outbox
from monitor.store.connection import Cursor


def decide_guide(command: Command[GuideRequest]) -> Decision:
    """Carry out a request on a step."""
    step, skipped = command.request.step, command.journal.skipped
    if isinstance(command.request, SkipStep) == (step in skipped):
        state = "is skipped" if step in skipped else "is not skipped"
        raise Rejected(Fault(state, "step", str(step)))
    return Decision([command.event(step, {})], {"step": step})


class DecideTestNotice:
    """Carries out requests for a test notice. `channels`: urgency of each channel's notices, by id."""

    def __init__(self, channels: Mapping[str, int], shop: str = "") -> None:
        self._channels, self._shop = channels, shop or "Benchweather"

    def __call__(self, command: Command[SendTestNotice]) -> Decision:
        channel, now_ms = command.request.channel, command.now_ms
        if channel not in self._channels:
            known = ", ".join(self._channels) or "none"
            raise Rejected(Fault("", "channel", channel, f"one of {known}"))
        notice = Notice(
            f"test-{uuid.uuid4().hex[:12]}",
            now_ms,
            now_ms,
            self._channels[channel],
            f"Test notice from {self._shop}",
            f"Notices reach you here through the channel {channel}. There is nothing to do.",
        )

        def write(run: Cursor) -> None:
            outbox.add(run, [notice], [channel])

        event = command.event(channel, {"notice": notice.notice_id})
        return Decision([event], {"channel": channel, "notice": notice.notice_id}, write)
