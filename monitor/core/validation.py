"""Typed requests: read from plain values by the types of their fields, each fault at its field.

A request is a `msgspec.Struct`. Its annotations say what is allowed; what `msgspec` does not know of
a value stands in the annotation's `extra`: `tidy`, which puts a text in order before it is checked;
`one_of`, the values that are allowed; `fault`, which returns why a value cannot be; `past_ms` and
`ahead_ms`, how far from now a time may be; `unit`; `allowed`, words for what is allowed;
`hidden`, words for what is wrong where the value itself must not be repeated.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Any, ClassVar, TypeVar

import msgspec
from msgspec import UNSET, Meta, UnsetType
from msgspec.inspect import (
    BoolType,
    DictType,
    EnumType,
    FloatType,
    IntType,
    ListType,
    LiteralType,
    Metadata,
    NoneType,
    StrType,
    Type,
    UnionType,
    VarTupleType,
    type_info,
)

from monitor.core.errors import Fault, Rejected, range_fault
from monitor.core.measurements import name_fault

T = TypeVar("T", bound=msgspec.Struct)
V = TypeVar("V")

DAY_MS = 86_400_000
SURE = "sure"
"""Field of a request by which a person who was asked says yes; a fault there is the question."""


class Request(msgspec.Struct, frozen=True, kw_only=True, tag_field="do"):
    """Something that a person asks the service to do.

    The tag of a class is the word of its action in messages (`do`), `about` the word for what it
    concerns, `key` the field that has the id of that.
    """

    about: ClassVar[str]
    key: ClassVar[str]

    @property
    def subject(self) -> str:
        """The id of what the request concerns."""
        return str(getattr(self, self.key))

    def as_command(self, **more: str) -> dict[str, Any]:
        """The message that asks for this, with `by` and `id` if they are given."""
        fields: dict[str, Any] = msgspec.to_builtins(self)
        return {"about": self.about, **fields, **more}

    @classmethod
    def faults_between(cls, values: Mapping[str, Any], now_ms: int) -> Iterable[Fault]:
        """Faults of fields that do not go together, among those that are right by themselves."""
        del values, now_ms
        return ()


def fields_given(request: msgspec.Struct, *but: str) -> dict[str, Any]:
    """The fields of a request that were given, as plain values."""
    plain: dict[str, Any] = msgspec.to_builtins(request)
    config = request.__struct_config__
    leave = {*but, config.tag_field}
    return {name: value for name, value in plain.items() if name not in leave}


def given(value: V | UnsetType, default: V) -> V:
    """The value of a field, or a default if it was not given."""
    return default if isinstance(value, UnsetType) else value


def one_line(text: str) -> str:
    """A text without the spaces around it."""
    return " ".join(text.split(" ")).strip()


def lines(text: str) -> str:
    """A text of several lines without the spaces around it."""
    return "\n".join(one_line(line) for line in text.splitlines()).strip()


def unprintable(text: str) -> str | None:
    """Fault of a text of several lines that has a control character; None if it has none."""
    printable = all(line.isprintable() for line in text.splitlines() or [text])
    return None if printable else "has characters that cannot be printed"


def _line_fault(text: str) -> str | None:
    return None if text.isprintable() else "has characters that cannot be printed"


LINE: dict[str, Any] = {"tidy": one_line, "fault": _line_fault}
"""`extra` of a text of one line."""
LINES: dict[str, Any] = {"tidy": lines, "fault": unprintable}
"""`extra` of a text of several lines."""
ID_PATTERN = r"^[a-z0-9][a-z0-9-]{0,39}\Z"
ID_ALLOWED = "lower-case letters, digits and dashes, up to 40"
"""Ids of wait types and rules."""
NAME: dict[str, Any] = {"tidy": one_line, "fault": name_fault}
"""`extra` of the name of a place or a sensor."""
PlaceId = Annotated[str, Meta(extra=NAME)]


def read(cls: type[T], values: Mapping[str, Any], now_ms: int = 0, *, what: str = "") -> T:
    """A struct from plain values.

    Parameters
    ----------
    cls : type of msgspec.Struct
    values : mapping
        By the names of its fields.
    now_ms : int
        The present, for times that may lie only so far from it. [ms since 1970-01-01 UTC]
    what : str
        The word for such a struct in a message; else its tag.

    Raises
    ------
    Rejected
        With every field that is unknown, missing or wrong.
    """
    known = {f.encode_name: f for f in msgspec.structs.fields(cls)}
    config = cls.__struct_config__
    what = what or str(config.tag)
    names = ", ".join(sorted(known)) or "nothing more"
    faults = [
        Fault(f"is not a field of {what!r}: it has {names}", name)
        for name in values
        if name not in known and name != config.tag_field
    ]
    found = {}
    for name, field in known.items():
        if name not in values:
            if field.required:
                faults.append(Fault("is missing", name))
            continue
        try:
            found[field.name] = checked(name, values[name], field.type, now_ms)
        except Rejected as exc:
            faults += exc.faults
    if issubclass(cls, Request):
        faults += cls.faults_between(found, now_ms)
    if faults:
        raise Rejected(*faults)
    return cls(**found)


def checked(name: str, value: Any, type_: Any, now_ms: int = 0, *, strict: bool = True) -> Any:
    """A plain value as a type wants it; unless `strict` also a text that spells it.

    Raises
    ------
    Rejected
        If it cannot be.
    """
    extra = _extra(type_)
    if isinstance(value, str) and "tidy" in extra:
        value = extra["tidy"](value)
    try:
        kept = msgspec.convert(value, type_, strict=strict)
    except msgspec.ValidationError:
        raise Rejected(_fault(name, value, type_)) from None
    if isinstance(kept, float) and not math.isfinite(kept):
        raise Rejected(Fault("", name, str(value), "a finite number"))
    if "one_of" in extra and kept is not None and kept not in extra["one_of"]:
        raise Rejected(Fault("", name, value, f"one of {', '.join(extra['one_of'])}"))
    problem = extra["fault"](kept) if "fault" in extra and kept is not None else None
    if problem is None and "ahead_ms" in extra and kept is not None:
        problem = _time_problem(kept, now_ms, extra)
    if problem is not None:
        raise Rejected(Fault(problem, name))
    return kept


def _time_problem(at_ms: int, now_ms: int, extra: Mapping[str, Any]) -> str | None:
    if at_ms > now_ms + extra["ahead_ms"]:
        if extra["ahead_ms"] >= DAY_MS:
            return f"is more than {_days(extra['ahead_ms'])} in the future"
        return (
            f"is {min((at_ms - now_ms) // 60_000, 10**9)} min in the future: must not be after now"
        )
    if "past_ms" in extra and at_ms < now_ms - extra["past_ms"]:
        return f"is more than {_days(extra['past_ms'])} in the past"
    return None


def _days(length_ms: int) -> str:
    years = round(length_ms / (365.25 * DAY_MS))
    return f"{years} years" if years > 1 else "a year" if years else f"{length_ms // DAY_MS} days"


def _fault(name: str, value: Any, type_: Any) -> Fault:
    """The fault of a value that does not fit a type."""
    kinds = list(_kinds(type_info(type_)))
    unit = next(
        (k.extra.get("unit", "") for k in kinds if isinstance(k, Metadata) and k.extra), ""
    )
    kind = next(k for k in kinds if not isinstance(k, Metadata | NoneType))
    if "hidden" in _extra(type_):
        return Fault(_extra(type_)["hidden"], name)
    if "allowed" in _extra(type_):
        return Fault("", name, value, _extra(type_)["allowed"])
    if "one_of" in _extra(type_):
        return Fault("", name, value, f"one of {', '.join(_extra(type_)['one_of'])}")
    if isinstance(kind, FloatType) and None not in (kind.ge, kind.le):
        return range_fault(name, value, kind.ge, kind.le, unit)
    low, high = (kind.ge, kind.le) if isinstance(kind, IntType) else (None, None)
    return Fault("", name, value, _allowed(kind, unit), low, high, unit)


@functools.cache
def _extra(type_: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for kind in _kinds(type_info(type_)):
        if isinstance(kind, Metadata):
            found |= kind.extra or {}
    return found


def _kinds(info: Type) -> Iterator[Type]:
    """A type and those that it wraps or joins."""
    if isinstance(info, UnionType):
        for one in info.types:
            yield from _kinds(one)
        return
    yield info
    if isinstance(info, Metadata):
        yield from _kinds(info.type)


def _allowed(kind: Type, unit: str) -> str:
    match kind:
        case BoolType():
            return "true or false"
        case EnumType():
            return f"one of {', '.join(str(member.value) for member in kind.cls)}"
        case LiteralType():
            return f"one of {', '.join(map(str, kind.values))}"
        case StrType():
            return (
                "text"
                if kind.max_length is None
                else f"text of at most {kind.max_length} characters"
            )
        case IntType() if unit == "ms":
            return "a time in ms since 1970-01-01 UTC"
        case IntType():
            limits = "" if kind.ge is None or kind.le is None else f" from {kind.ge} to {kind.le}"
            return f"a whole number{limits}{f' {unit}' if unit else ''}"
        case FloatType():
            return f"a number{f' in {unit}' if unit else ''}"
        case ListType() | VarTupleType():
            return "a list"
        case DictType():
            return "values by name"
    return "a different kind of value"


__all__ = [
    "ID_ALLOWED",
    "ID_PATTERN",
    "LINE",
    "LINES",
    "NAME",
    "UNSET",
    "PlaceId",
    "Request",
    "UnsetType",
    "checked",
    "fields_given",
    "given",
    "read",
    "unprintable",
]
