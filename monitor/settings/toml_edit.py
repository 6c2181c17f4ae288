"""Brings a TOML text to hold other values; its comments and order stay. The one user of tomlkit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Comment, InlineTable, Table, Whitespace

from monitor.core.errors import MonitorError
from monitor.core.files import parsed_toml


class CannotEdit(MonitorError, ValueError):
    """The text is written in a way that cannot be edited here."""


def rewritten(text: str, target: Mapping[str, Any]) -> str:
    """A TOML text changed to hold `target`. What is the same already is not touched.

    Tables in a list are matched by `id`, or by `filter`, or by position where none is new or gone.

    Raises
    ------
    ValueError
        If the text is not TOML.
    CannotEdit
        If the result would not hold exactly `target`.
    """
    parsed_toml(text)  # within our limits
    try:
        document = tomlkit.parse(text if text.endswith("\n") or not text else f"{text}\n")
        _match(document, target)
        result = tomlkit.dumps(document)
        found = parsed_toml(result)
    except (TOMLKitError, AttributeError, IndexError, KeyError, TypeError, ValueError) as exc:
        raise CannotEdit(f"it is written in a way that cannot be edited here: {exc}") from exc
    if not _same(found, target):
        raise CannotEdit("it is written in a way that cannot be edited here")
    return result


def as_toml(content: Mapping[str, Any]) -> str:
    """Content as the text of a new file."""
    return rewritten("", content)


def _match(table: Any, target: Mapping[str, Any]) -> None:
    """Bring a table to hold `target`."""
    for name in [name for name in table if name not in target]:
        del table[name]
    for name, value in target.items():
        if name not in table:
            _add(table, name, value)
        elif isinstance(table[name], Mapping) and isinstance(value, Mapping):
            _match(table[name], value)
        elif not _same(tomlkit.item(table[name]).unwrap(), value) and not _match_list(
            table[name], value
        ):
            table[name] = _item(value)


def _match_list(items: Any, target: Any) -> bool:
    """Bring a list of tables to hold `target`; False if it must be written anew."""
    if not (isinstance(items, list) and isinstance(target, list) and items and target):
        return False
    known, wanted = ([_key(one) for one in many] for many in (items, target))
    if None in (*known, *wanted) or len(set(known)) < len(known) or len(set(wanted)) < len(wanted):
        return False
    if len(known) == len(wanted) and not any("id" in one for one in items):
        for one, value in zip(items, target, strict=True):  # a filter itself may have changed
            _match(one, value)
        return True
    stay = [key for key in known if key in wanted]
    if stay != wanted[: len(stay)]:  # another order
        return False
    for i in reversed([i for i, key in enumerate(known) if key not in wanted]):
        if isinstance(items, AoT):
            _keep_remarks(items, i)
        del items[i]
    for i, value in enumerate(target):
        if i < len(stay):
            _match(items[i], value)
            continue
        new = _item(value)
        if isinstance(items, AoT):
            tail = _cut_tail(items[-1])
            items[-1].add(tomlkit.nl())
            new.value.body.extend(tail)
        elif isinstance(new, Table):
            new = tomlkit.inline_table()
            new.update(value)
        items.append(new)
    return True


def _key(one: Any) -> str | None:
    """Name by which a table of a list is known."""
    name = one.get("id", one.get("filter")) if isinstance(one, Mapping) else None
    return str(name) if name is not None else None


def _add(table: Any, name: str, value: Any) -> None:
    """Add a value after the last of a table; a new section gets a blank line before it."""
    item = _item(value, inner=isinstance(table, Table | InlineTable))
    if isinstance(table, Table | InlineTable):
        tail = _cut_tail(table)
        table.add(name, item)
        table.value.body.extend(tail)
        return
    if isinstance(table, tomlkit.TOMLDocument) and isinstance(item, Table | AoT):
        text = table.as_string()
        if text.strip() and not text.endswith("\n\n"):
            table.add(tomlkit.nl())
    table[name] = item


def _item(value: Any, *, inner: bool = False) -> Any:
    """A value as TOML: mappings as tables, lists of mappings as lists of tables. An inner mapping
    of plain values stays on one line."""
    if isinstance(value, list) and value and all(isinstance(one, Mapping) for one in value):
        many = tomlkit.aot()
        for one in value:
            many.append(_item(one))
        return many
    if not isinstance(value, Mapping):
        return tomlkit.item(value)
    nested = any(isinstance(one, Mapping) for one in value.values())
    table = tomlkit.inline_table() if inner and not nested else tomlkit.table()
    for name in sorted(value, key=lambda name: isinstance(value[name], Mapping)):
        table.add(name, _item(value[name], inner=True))
    return table


def _cut_tail(table: Table | InlineTable) -> list[Any]:
    """Take the blank lines and remarks before the next section off the end of a table."""
    body = table.value.body
    start = len(body)
    while start and isinstance(body[start - 1][1], Comment | Whitespace):
        start -= 1
    while start < len(body) and isinstance(body[start][1], Comment):
        start += 1  # right below the last value: its own
    tail = body[start:]
    del body[start:]
    return tail


def _keep_remarks(items: AoT, i: int) -> None:
    """Hand the remarks after a table, which are on what follows, to a table that stays."""
    tail = _cut_tail(items[i])
    if i + 1 < len(items):
        ahead = items[i + 1].trivia
        ahead.indent = "".join(one.as_string() for _, one in tail).lstrip("\n") + ahead.indent
    elif i:
        _cut_tail(items[i - 1])
        items[i - 1].value.body.extend(tail)


def _same(one: Any, other: Any) -> bool:
    """Return whether two values are the same; true and 1 are not."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[k], other[k]) for k in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return isinstance(one, bool) == isinstance(other, bool) and bool(one == other)
