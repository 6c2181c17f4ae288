"""Series of waits opened together, such as eight cleats: one row for as long as they are alike."""

from __future__ import annotations

import re
from itertools import groupby
from typing import TYPE_CHECKING, Any

from monitor.waits import text as wait_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from typing import TypeVar

    from monitor.domain.wait import Wait

    T = TypeVar("T")

_OF_A_SERIES = re.compile(r"(?P<stem>.+) (?P<number>\d+) of (?P<count>\d+)")


def alike(found: Iterable[T], wait_of: Callable[[T], Wait]) -> list[list[T]]:
    """`found` in its order, with those of a series that do not differ moved up to the first."""
    groups: dict[tuple[Any, ...], list[T]] = {}
    for one in found:
        groups.setdefault(_same(wait_of(one)), []).append(one)
    return list(groups.values())


def title(waits: Sequence[Wait]) -> str:
    """Title of waits that are alike: "VC-12 cello, cleats 1 to 5, 8 of 8"."""
    if len(waits) == 1:
        return wait_text.title(waits[0])
    first = _OF_A_SERIES.fullmatch(waits[0].what)
    if first is None:
        return wait_text.title(waits[0])
    numbers = sorted(_number(wait) for wait in waits)
    what = f"{first['stem']} {', '.join(_runs(numbers))} of {first['count']}"
    return ", ".join(filter(None, (waits[0].instrument, what)))


def ids(waits: Iterable[Wait]) -> str:
    """Their numbers, as a tap carries them."""
    return " ".join(wait.id for wait in waits)


def _same(wait: Wait) -> tuple[Any, ...]:
    """Key shared by the waits of one row: how they were opened and all that was done since."""
    found = _OF_A_SERIES.fullmatch(wait.what)
    if found is None:
        return (wait.id,)
    opened = wait.events[0]
    return (
        opened.recorded_ms,
        opened.by,
        wait.kind["id"],
        wait.instrument,
        found["stem"],
        found["count"],
        wait.places,
        wait.started_ms,
        wait.pauses,
        wait.clamps,
        wait.wanted_ms,
        wait.note,
        wait.released_ms,
        wait.loaded_ms,
        wait.feel,
    )


def _number(wait: Wait) -> int:
    found = _OF_A_SERIES.fullmatch(wait.what)
    return int(found["number"]) if found else 0


def _runs(numbers: Sequence[int]) -> list[str]:
    """1, 2, 3, 5 as "1 to 3" and "5"."""
    runs = []
    for _, run in groupby(enumerate(numbers), lambda at: at[1] - at[0]):
        members = [number for _, number in run]
        first, last = members[0], members[-1]
        runs.append(str(first) if first == last else f"{first} to {last}")
    return runs
