"""Schema of the settings: kind, unit, choices and help of each, from their types."""

from __future__ import annotations

import dataclasses
import functools
import types
import typing
from enum import StrEnum
from pathlib import Path
from typing import Any, Literal, NamedTuple, get_args, get_origin

from pydantic import SecretStr
from pydantic_core import PydanticUndefined

from monitor.domain.forecast_source import ForecastSource
from monitor.domain.places import Place
from monitor.domain.topic_rules import TopicRule
from monitor.settings.fields import Fields
from monitor.settings.outside_groups import NoticeChannel, OtherShop
from monitor.settings.shop_groups import Reservoir

ITEMS: dict[str, type] = {
    "places": Place,
    "topics": TopicRule,
    "channels": NoticeChannel,
    "reservoirs": Reservoir,
    "forecasts": ForecastSource,
    "shops": OtherShop,
}
"""Settings that are lists of tables, with the type of their items."""


class ValueKind(StrEnum):
    """Kind of a setting's value."""

    TEXT = "text"
    NUMBER = "number"
    WHOLE = "whole"
    YES_NO = "yes or no"
    CHOICE = "choice"
    LINES = "lines"
    SECRET = "secret"  # noqa: S105 - a kind


_KINDS = {
    bool: ValueKind.YES_NO,
    int: ValueKind.WHOLE,
    float: ValueKind.NUMBER,
    SecretStr: ValueKind.SECRET,
}


class Member(NamedTuple):
    """A setting: the kind of its value, its choices, its unit, its help, and its default."""

    kind: ValueKind
    choices: tuple[str, ...]
    unit: str
    help: str
    default: Any


@functools.cache
def member(group: str, name: str) -> Member:
    """The setting of a group, or of the items of a list.

    Raises
    ------
    KeyError
        If there is none.
    """
    cls: Any = ITEMS.get(group) or type(Fields.model_fields[group].default)
    if dataclasses.is_dataclass(cls):
        field = {field.name: field for field in dataclasses.fields(cls)}[name]
        hint, default = typing.get_type_hints(cls)[name], field.default
        unit, text = field.metadata.get("unit", ""), field.metadata.get("help", "")
    else:
        info = cls.model_fields[name]
        extra = info.json_schema_extra
        hint, default, text = info.annotation, info.default, info.description or ""
        unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
    if default is dataclasses.MISSING or default is PydanticUndefined:
        default = None
    parts = get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    of: Any = next(part for part in parts if part is not type(None))
    kind = _KINDS.get(of, ValueKind.TEXT)
    kind = {Literal: ValueKind.CHOICE, list: ValueKind.LINES}.get(get_origin(of), kind)
    choices = tuple(map(str, get_args(of))) if kind is ValueKind.CHOICE else ()
    return Member(kind, choices, unit, text, default)


def value_at(settings: Any, path: typing.Sequence[str]) -> Any:
    """The value of a setting; None if it is not set, or its item is not there."""
    found = settings
    for key in path:
        if isinstance(found, tuple):
            keys = [getattr(one, "id", str(i)) for i, one in enumerate(found)]
            found = found[keys.index(key)] if key in keys else None
        else:
            found = getattr(found, key, None)
    return found


def text_of(value: Any) -> str:
    """A value in words for a field; empty for a secret."""
    if value is None or isinstance(value, SecretStr):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return "\n".join(map(str, value))
    if isinstance(value, float):
        return f"{round(value, 4):.10g}"
    return str(value) if not isinstance(value, Path) else value.as_posix()


def is_given(value: Any) -> bool:
    """Return whether a value is not empty; a secret may be asked too."""
    return bool(value.get_secret_value() if isinstance(value, SecretStr) else value)
