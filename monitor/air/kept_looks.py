"""Results kept from one look at all places to the next, made again only where inputs have changed."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from operator import is_
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from monitor.store.kept_rollups import KeptRollups

_Key = TypeVar("_Key", bound=Hashable)
_Result = TypeVar("_Result")
Inputs = tuple[tuple[object, ...], tuple[object, ...]]
"""What a result is made from: arrays and the like, of which another object counts as changed, and
values, which are compared."""


class KeptLooks:
    """Results of the looks before, each with what it was made from. For one thread and one reader.

    `rollups`: those that were read; kept rollups are the same arrays until they change.
    """

    def __init__(self, rollups: KeptRollups | None = None) -> None:
        self.rollups = rollups
        self._made: dict[str, dict[Any, tuple[Inputs, Any]]] = {}

    def results(
        self,
        what: str,
        inputs: Mapping[_Key, Inputs],
        make: Callable[[list[_Key]], Iterable[_Result]],
    ) -> dict[_Key, _Result]:
        """The result for each key, in order. `make` makes those whose inputs have changed."""
        had = self._made.get(what, {})
        changed = [
            key
            for key, (objects, values) in inputs.items()
            if (old := had.get(key)) is None
            or not all(map(is_, old[0][0], objects))
            or old[0][1] != values
        ]
        for key in changed:  # not to hold both
            had.pop(key, None)
        made = dict(zip(changed, make(changed), strict=True)) if changed else {}
        now = {key: (own, made[key]) if key in made else had[key] for key, own in inputs.items()}
        self._made[what] = now
        return {key: result for key, (_, result) in now.items()}
