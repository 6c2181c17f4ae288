"""Content of a settings file as nested tables, whose values are found by paths."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from monitor.domain.settings_change import SettingPath

LISTS = ("places", "topics", "channels", "reservoirs", "forecasts", "shops")
"""Settings that are lists of tables."""

Flat = dict[SettingPath, Any]


def flat(content: Mapping[str, Any]) -> Flat:
    """Every value by its path."""
    return dict(_leaves(content, ()))


def _leaves(value: Any, path: SettingPath) -> Iterator[tuple[SettingPath, Any]]:
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            yield from _leaves(inner, (*path, key))
    elif isinstance(value, list) and value and all(isinstance(one, dict) for one in value):
        for i, one in enumerate(value):
            yield from _leaves(one, (*path, key_of(one, i)))
    elif len(path) != 1 or value:  # an empty group is none
        yield path, value


def key_of(one: Mapping[str, Any], at: int) -> str:
    """Key of a table in a list: its id, else its position."""
    own = one.get("id")
    return own if isinstance(own, str) else str(at)


def position_of(items: Sequence[Any], key: str) -> int | None:
    """Position of the table with a key; None if there is none."""
    keys = [key_of(one, i) if isinstance(one, dict) else str(i) for i, one in enumerate(items)]
    return keys.index(key) if key in keys else None


def value_at(content: Any, path: Sequence[str]) -> Any:
    """The value at a path; None if there is none."""
    for key in path:
        if isinstance(content, list):
            at = position_of(content, key)
            content = None if at is None else content[at]
        else:
            content = content.get(key) if isinstance(content, dict) else None
    return content


def child_of(of: Any, key: str) -> Any:
    """The table or list under a name, made if it is not there."""
    if isinstance(of, list):
        if (at := position_of(of, key)) is None:
            of.append({"id": key})
            return of[-1]
        return of[at]
    return of.setdefault(key, [] if key in LISTS else {})


def set_item(items: list[Any], key: str, value: Any) -> None:
    """Set a table of a list, or add it at its end."""
    at = position_of(items, key)
    if isinstance(value, Mapping) and "id" not in value and not key.isdecimal():
        value = {"id": key, **value}
    if at is None:
        items.append(value)
    else:
        items[at] = value
