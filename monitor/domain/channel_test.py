"""Request for a test notice through a channel."""

from __future__ import annotations

from typing import Annotated, ClassVar

from msgspec import Meta

from monitor.core.validation import LINE, Request
from monitor.domain.events import About


class SendTestNotice(Request, frozen=True, kw_only=True, tag="test"):
    """Request to send a test notice through a channel."""

    about: ClassVar[str] = About.CHANNEL
    key: ClassVar[str] = "channel"
    channel: Annotated[str, Meta(min_length=1, max_length=60, extra=LINE)]


REQUESTS = (SendTestNotice,)
