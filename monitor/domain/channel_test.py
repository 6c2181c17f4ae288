"""Request for a test notice through a channel, and the notice."""

from __future__ import annotations

import uuid
from collections import deque
from typing import Annotated, ClassVar

from msgspec import Meta

from monitor.core.errors import Rejected
from monitor.core.validation import LINE, Request
from monitor.domain.events import About
from monitor.domain.notification import Notice

MINUTE_MS = 60_000
TEST_ID = "test-"
"""Beginning of the id of a test notice."""
TESTS_A_MINUTE = 3
"""Most test notices that are accepted within a minute: a mailbox or a push service may block a shop
that sends many.  Ours."""


class SendTestNotice(Request, frozen=True, kw_only=True, tag="test"):
    """Request to send a test notice through a channel."""

    about: ClassVar[str] = About.CHANNEL
    key: ClassVar[str] = "channel"
    channel: Annotated[str, Meta(min_length=1, max_length=60, extra=LINE)]


REQUESTS = (SendTestNotice,)


def readers_of(channel: str) -> str:
    """Words for those whom the test of a channel reaches."""
    return f"you here through the channel {channel}"


class TestLimit:
    """Limit on test notices: `TESTS_A_MINUTE`."""

    def __init__(self) -> None:
        self._sent_ms: deque[int] = deque(maxlen=TESTS_A_MINUTE)

    def check(self, now_ms: int) -> None:
        """Raise `Rejected` if no test may be sent now."""
        since_ms = now_ms - self._sent_ms[0] if len(self._sent_ms) == TESTS_A_MINUTE else MINUTE_MS
        if 0 <= since_ms < MINUTE_MS:
            raise Rejected(
                f"at most {TESTS_A_MINUTE} test notices are sent in a minute: try again in "
                f"{-(-(MINUTE_MS - since_ms) // 1000)} s"
            )

    def sent(self, now_ms: int) -> None:
        """Count a test that is sent."""
        self._sent_ms.append(now_ms)


def notice_of_test(whom: str, urgency: int, shop_name: str, now_ms: int) -> Notice:
    """A test notice. `whom`: those that it reaches, in words."""
    return Notice(
        f"{TEST_ID}{uuid.uuid4().hex[:12]}",
        now_ms,
        now_ms,
        urgency,
        f"Test notice from {shop_name or 'Benchweather'}",
        f"Notices reach {whom}. There is nothing to do.",
    )
