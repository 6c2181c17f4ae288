"""The rules a shop works with: those it starts with, as changed and added to by the shop.

A changed rule is kept whole, as a plain mapping, and stands instead of the one that ships.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, fields
from typing import Any

from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.alerts.rule import Rule, RuleFault
from monitor.domain.events import Event
from monitor.domain.places import AirLimits

SET, RESET = "rule", "reset"
"""What can be done to a rule: change or add it; give up what was changed."""
TO_DO = "to_do"
"""What a wish calls a rule's `do`, as that word is the command's own."""
_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")

Bodies = Mapping[str, Mapping[str, Any]]
"""The shop's own rules as kept, by id."""


def as_mapping(rule: Rule) -> dict[str, Any]:
    """A rule as a plain mapping that `from_mapping` reads back."""
    return asdict(rule) | {
        "test": str(rule.test),
        "only": list(rule.only),
        "under": list(rule.under),
    }


def from_mapping(body: Mapping[str, Any]) -> Rule:
    """The rule of a mapping.

    Raises
    ------
    RuleFault
        If it does not describe one.
    """
    known = {item.name for item in fields(Rule)}
    if unknown := sorted(set(body) - known):
        told = sorted(TO_DO if name == "do" else name for name in known)
        raise RuleFault(f"a rule has no {', '.join(unknown)}: it has {', '.join(told)}")
    lists = {}
    for name in ("only", "under"):
        given = body.get(name, ())
        if not isinstance(given, list | tuple):
            raise RuleFault(f"{name} = {given!r:.40}: must be a list of names")
        lists[name] = tuple(given)
    try:
        return Rule(**{**body, **lists})
    except TypeError as exc:
        missing = [n for n in ("name", "quantity", "test") if n not in body]
        raise RuleFault(
            f"a new rule needs {', '.join(missing)}; or like, the id of one to start from"
            if missing
            else str(exc)
        ) from exc


def apply(bodies: Bodies, event: Event) -> dict[str, Mapping[str, Any]]:
    """The shop's own rules after one more event."""
    rest = {rule_id: body for rule_id, body in bodies.items() if rule_id != event.subject}
    return rest if event.action == RESET else {**rest, event.subject: event.body}


def in_use(limits: AirLimits, bodies: Bodies) -> dict[str, Rule]:
    """Every rule by id: the starting set, and over it the shop's own.

    A rule that an older version took and this one cannot is left out, so that one of them does not
    silence all the others; what ships stands again in its place.
    """
    book = starting_set(limits)
    for rule_id, body in bodies.items():
        with contextlib.suppress(RuleFault):
            book[rule_id] = from_mapping(body)
    return book


def changed(book: Mapping[str, Rule], rule_id: str, wish: Mapping[str, Any]) -> Rule:
    """A rule changed, or a new one.

    Parameters
    ----------
    book : mapping of id to Rule
    rule_id : str
        Lower-case letters, digits and dashes.
    wish : mapping
        Fields of `Rule` that are to differ, `do` under `TO_DO`. A new rule takes the rest from the
        one named by `like`, if any.

    Raises
    ------
    RuleFault
    """
    if not _ID.fullmatch(rule_id):
        raise RuleFault(
            f"{rule_id!r:.60}: a rule's id has lower-case letters, digits and dashes, up to 40"
        )
    like = wish.get("like")
    if like is not None and (not isinstance(like, str) or like not in book):
        raise RuleFault(f"like = {like!r:.40}: must be one of {', '.join(book)}")
    base = book.get(rule_id) or (book[like] if like else None)
    body = as_mapping(base) if base else {}
    if base and base.id != rule_id:
        body |= {"family": "", "source": "the shop's own"}
    given = {("do" if k == TO_DO else k): v for k, v in wish.items() if k != "like"}
    rule = from_mapping(body | given | {"id": rule_id})
    if unknown := sorted(set(rule.under) - set(book)):
        raise RuleFault(f"under: there is no rule {', '.join(unknown)}")
    if rule_id in _above(rule.under, book):
        raise RuleFault(f"under: {rule_id} would be told under itself, which is never")
    return rule


def _above(under: Iterable[str], book: Mapping[str, Rule]) -> set[str]:
    """Every rule that stands over these, and these."""
    found: set[str] = set()
    ahead = list(under)
    while ahead:
        rule_id = ahead.pop()
        if rule_id not in found and rule_id in book:
            found.add(rule_id)
            ahead += book[rule_id].under
    return found
