"""Request to listen for a while to every message that reaches the broker."""

from __future__ import annotations

from typing import ClassVar

from monitor.core.validation import Request
from monitor.domain.events import About

LISTEN_S = 120.0
"""Time to listen after a request. [s]"""


class StartListening(Request, frozen=True, kw_only=True, tag="start"):
    """Request to listen; while it lasts, a further one lengthens the time."""

    about: ClassVar[str] = About.LISTENING
    key: ClassVar[str] = "listening"
    listening: ClassVar[str] = "topics"


REQUESTS = (StartListening,)
