"""A test notice through one channel."""

from __future__ import annotations

import time
import uuid
from typing import TYPE_CHECKING

from monitor.core.clock import now_ms
from monitor.domain.notification import Notice
from monitor.notifications import sender

if TYPE_CHECKING:
    from monitor.settings.groups import NoticeChannel


def new_id() -> str:
    """Id of a test notice."""
    return f"test-{uuid.uuid4().hex[:12]}"


def send_test(channel: NoticeChannel, shop_name: str, notice_id: str) -> float:
    """Send a test notice through a channel. Returns how long it took. [s]

    Raises
    ------
    NotSent
        If it was not delivered, with the reason.
    """
    moment = now_ms()
    notice = Notice(
        notice_id,
        moment,
        moment,
        channel.least,
        f"Test notice from {shop_name or 'Benchweather'}",
        f"Notices reach you here through the channel {channel.id}. There is nothing to do.",
    )
    began = time.monotonic()
    sender.send(channel.url.get_secret_value(), notice)
    return time.monotonic() - began
