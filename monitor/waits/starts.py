"""Waits that could be started: when each kind would be ready at each place."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from msgspec import UNSET

from monitor.commands.waits import wait_if_opened
from monitor.core.errors import Rejected
from monitor.domain.glue import takes_glue
from monitor.domain.wait import OpenWait
from monitor.waits.evaluation import WaitStatus, statuses

if TYPE_CHECKING:
    from collections.abc import Iterable

    from monitor.commands import Journal
    from monitor.settings import Settings
    from monitor.store import Reader


class Start(NamedTuple):
    """Start of a kind at a place: its status, or why it cannot be started."""

    status: WaitStatus | None
    why_not: str = ""


Starts = dict[tuple[str, str], Start]
"""Starts by kind and place."""


def starts(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    places: Iterable[str],
    now_ms: int,
    *,
    glue: str = "",
    start_ms: int | None = None,
) -> Starts:
    """Status of each kind at each place, if it were opened now.

    Parameters
    ----------
    places : iterable of str
        Their ids.
    now_ms : int
        [ms since 1970-01-01 UTC]
    glue : str
        Id of the batch of glue, for the kinds that take one.
    start_ms : int, optional
        The start, if it was before now. [ms]
    """
    found: Starts = {}
    waits = []
    for kind, of in journal.book.items():
        for place in places:
            start = UNSET if start_ms is None else start_ms
            named = glue if takes_glue(of) else ""
            request = OpenWait(kind=kind, place=place, glue=named, start_ms=start)
            try:
                waits.append(((kind, place), wait_if_opened(journal, request, now_ms)))
            except Rejected as exc:
                found[kind, place] = Start(None, str(exc))
    answers = statuses(reader, settings, [wait for _, wait in waits], now_ms)
    found |= {key: Start(status) for (key, _), status in zip(waits, answers, strict=True)}
    return found
