"""Notice for somebody who is not looking at the board."""

from __future__ import annotations

from typing import NamedTuple

URGENCY_LOW, URGENCY_HIGH = 1, 3
"""Least and most urgent: 1 take note, 2 act, 3 act now. [-]"""
TITLE_MAX = 100
"""About as long as a title may be, so that it can be heard or read at a glance. [characters]"""


class Notice(NamedTuple):
    """Notice to send.

    `notice_id` is the same however often it is sent, so that a repeat can be distinguished from a
    new one; it is not sent before `not_before_ms`. Times in ms since 1970-01-01 UTC.
    """

    notice_id: str
    made_ms: int
    not_before_ms: int
    urgency: int
    title: str
    text: str
