"""Commands on the guide: skip or resume a step; send a test notice."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.domain.channel_test import SendTestNotice, TestLimit, notice_of_test, readers_of
from monitor.domain.guide import GuideRequest, SkipStep
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
    """Carries out requests for a test notice, some a minute. `channels`: urgency of each channel's
    notices, by id."""

    def __init__(self, channels: Mapping[str, int], shop: str = "") -> None:
        self._channels, self._shop = channels, shop
        self._limit = TestLimit()

    def __call__(self, command: Command[SendTestNotice]) -> Decision:
        channel, now_ms = command.request.channel, command.now_ms
        if channel not in self._channels:
            known = ", ".join(self._channels) or "none"
            text = (
                f"is not in use. Channels in use: {known}. Restart Benchweather to use a saved "
                "channel"
            )
            raise Rejected(Fault(text, "channel", channel))
        self._limit.check(now_ms)
        notice = notice_of_test(readers_of(channel), self._channels[channel], self._shop, now_ms)

        def write(run: Cursor) -> None:
            outbox.add(run, [notice], [channel])
            self._limit.sent(now_ms)

        event = command.event(channel, {"notice": notice.notice_id})
        return Decision([event], {"channel": channel, "notice": notice.notice_id}, write)
