"""The kinds of wait a shop works with: those that ship, as changed and added to by the shop.

A kind is kept as a plain mapping, so that a wait can carry the kind it was opened under whatever
becomes of the kind later.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

from monitor.core.errors import MonitorError, OutOfRange
from monitor.core.measurements import text_fault
from monitor.domain.events import Event
from monitor.domain.wait_types import KINDS, Caution, WaitType
from monitor.science.waits.laws import LAWS, Law
from monitor.science.waits.parameters import check_parameters, parameters


class KindFault(MonitorError, ValueError):
    """A kind cannot be as described: what is wrong and what is allowed."""


SET, RETIRE, RESTORE = "kind", "retire", "restore"
"""What can be done to a kind."""
CHANGEABLE = {"name", "law", "basis_s", "minimum_s", "spread", "cautions", "never_shorter", "like"}
"""What can be said of a kind that is set."""
NAME_MAX = 80
"""Longest name of a kind. [characters]"""
_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")


def as_mapping(kind: WaitType) -> dict[str, Any]:
    """A kind as a plain mapping that `from_mapping` reads back."""
    law = next(name for name, of in LAWS.items() if type(kind.law) is of)
    values = {p.name: p.value for p in parameters(kind.law)}
    return asdict(kind) | {
        "law": {"law": law, **values},
        "cautions": [str(caution) for caution in kind.cautions],
    }


def from_mapping(body: Mapping[str, Any]) -> WaitType:
    """The kind of a mapping.

    Raises
    ------
    KindFault
        If it does not describe one.
    """
    try:
        law = law_of(body["law"])
        known = {item.name for item in fields(WaitType)}
        if unknown := sorted(set(body) - known):
            raise KindFault(f"a kind has no {', '.join(unknown)}")
        for name in ("id", "name", "source"):
            if name in body and (fault := text_fault(body[name], NAME_MAX)):
                raise KindFault(f"{name} {fault}")
        if not isinstance(body.get("never_shorter", True), bool):
            raise KindFault("never_shorter must be true or false")
        cautions = tuple(Caution(caution) for caution in body.get("cautions", ()))
        return WaitType(**{**body, "law": law, "cautions": cautions})
    except OutOfRange as exc:
        raise KindFault(str(exc)) from exc
    except (KeyError, TypeError, ValueError) as exc:
        if isinstance(exc, MonitorError):
            raise
        raise KindFault(f"no kind of wait: {exc}") from exc


def law_of(body: Mapping[str, Any]) -> Law:
    """The law of a mapping: its name under `law`, and any of its parameters.

    Raises
    ------
    KindFault
        If there is no such law, parameter or value.
    """
    given = dict(body)
    name = given.pop("law", None)
    if name not in LAWS:
        raise KindFault(f"law {name!r}: must be one of {', '.join(LAWS)}")
    made = LAWS[name]
    known = {item.name for item in fields(made)}
    if unknown := sorted(set(given) - known):
        raise KindFault(
            f"{name} has no parameter {', '.join(unknown)}: it has {', '.join(sorted(known))}"
        )
    for parameter, value in given.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise KindFault(f"{parameter} = {value!r}: must be a number")
    try:
        law = made(**given)
        check_parameters(law)
    except OutOfRange as exc:
        raise KindFault(str(exc)) from exc
    return law


def changed(book: Mapping[str, WaitType], kind_id: str, wish: Mapping[str, Any]) -> WaitType:
    """A kind added or changed.

    Parameters
    ----------
    book : mapping of id to Kind
    kind_id : str
        Lower-case letters, digits and dashes.
    wish : mapping
        What is to differ: any of name, basis_s, minimum_s, spread, never_shorter, cautions, law
        (parameters to change, or a whole law by its name). A new kind takes the rest from the kind
        named by `like`.

    Raises
    ------
    KindFault
    """
    if not _ID.fullmatch(kind_id):
        raise KindFault(
            f"{kind_id!r}: a kind's id has lower-case letters, digits and dashes, up to 40"
        )
    if unknown := sorted(set(wish) - CHANGEABLE):
        raise KindFault(f"a kind has no {', '.join(unknown)}")
    base = book.get(kind_id) or KINDS.get(kind_id) or book.get(str(wish.get("like", "")))
    if base is None:
        raise KindFault(f"a new kind must be like one there is: {', '.join(book)}")
    body = as_mapping(base) | {k: v for k, v in wish.items() if k not in ("law", "like")}
    body["id"] = kind_id
    law = wish.get("law", {})
    if not isinstance(law, Mapping):
        raise KindFault(f"law = {law!r:.60}: must be a mapping of parameters to numbers")
    body["law"] = law if "law" in law else body["law"] | law
    if kind_id not in book and kind_id not in KINDS:
        body["source"] = "the shop's own"
        body.setdefault("name", kind_id)
    return from_mapping(body)


def apply(book: Mapping[str, WaitType], event: Event) -> dict[str, WaitType]:
    """The kinds in use after one more event: a kind set, taken off the list, or put back on it."""
    if event.action == RETIRE:
        return {kind_id: kind for kind_id, kind in book.items() if kind_id != event.subject}
    return {**book, event.subject: from_mapping(event.body)}
