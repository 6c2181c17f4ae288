"""Sentences that several pages share: a headline, and a store that cannot be read."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from monitor.core.errors import StoreMissing
from monitor.runtime.service_troubles import Trouble, full_stop

if TYPE_CHECKING:
    from monitor.core.errors import StoreFault


class Headline(NamedTuple):
    """The one sentence over everything: its state, itself, and a smaller one beside it."""

    state: str
    sentence: str
    detail: str


def store_trouble(fault: StoreFault) -> Trouble:
    """A store that cannot be read, in words."""
    if isinstance(fault, StoreMissing):
        return Trouble(
            "store",
            "Nothing has been stored yet.",
            "Start Benchweather. The store is created when the service first runs.",
        )
    if fault.retryable:
        return Trouble(
            "store",
            f"The store cannot be read just now: {full_stop(str(fault))}",
            (
                "The board tries again by itself. If this does not go away, check the store's "
                "disk or server, and whether another program has the file open."
            ),
        )
    return Trouble(
        "store",
        f"The store cannot be read: {full_stop(str(fault))}",
        (
            "Stop Benchweather. If the file is damaged, move it away but keep it, and put the last "
            "backup in its place. Then start Benchweather again."
        ),
    )
