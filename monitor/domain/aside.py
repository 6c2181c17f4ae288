"""Requests on messages that were kept aside since the machine's clock had jumped."""

from __future__ import annotations

from enum import StrEnum
from typing import ClassVar

from monitor.core.validation import Request
from monitor.domain.events import About


class AsideAction(StrEnum):
    """An action on what is kept aside, as events and messages have it."""

    TAKE = "take"
    DISMISS = "dismiss"
    DROP = "drop"
    """The service deleted the oldest, since there were too many."""


class AsideRequest(Request, frozen=True, kw_only=True):
    """A request on all that is kept aside of a sensor, by its "place/name"."""

    about: ClassVar[str] = About.ASIDE
    key: ClassVar[str] = "sensor"
    sensor: str


class TakeAside(AsideRequest, frozen=True, kw_only=True, tag="take"):
    """Take the messages in; `as_dated`: the machine's clock was right, else its jump is taken off
    their times."""

    as_dated: bool = False


class DismissAside(AsideRequest, frozen=True, kw_only=True, tag="dismiss"):
    """Dismiss the messages. They stay in the store, and are not shown again."""


REQUESTS = (TakeAside, DismissAside)
