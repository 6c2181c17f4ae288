"""Requests on new places and sensors that wait to be admitted."""

from __future__ import annotations

from typing import ClassVar

from monitor.core.validation import Request
from monitor.domain.events import About


class NewcomerRequest(Request, frozen=True, kw_only=True):
    """A request on a new place or "place/sensor"; with `every`, on all that wait."""

    about: ClassVar[str] = About.NEWCOMER
    key: ClassVar[str] = "newcomer"
    newcomer: str = ""
    every: bool = False


class AdmitNewcomer(NewcomerRequest, frozen=True, kw_only=True, tag="admit"):
    """Request to store the readings that wait, and later ones at once."""


class RefuseNewcomer(NewcomerRequest, frozen=True, kw_only=True, tag="refuse"):
    """Request to drop the messages that wait, and to count later ones only."""


REQUESTS = (AdmitNewcomer, RefuseNewcomer)
