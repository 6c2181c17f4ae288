"""The rules a shop works with: those it starts with, as changed and added to by the shop.

A changed rule is kept whole, as a plain mapping, and stands instead of the one that ships.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, ClassVar

import msgspec
from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault, Rejected
from monitor.core.validation import ID_ALLOWED, ID_PATTERN, Request, fields_given, read
from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.alerts.rule import (
    Advice,
    Family,
    Name,
    Names,
    OverSeconds,
    Rule,
    Seconds,
    Test,
    Text,
    Urgency,
    Watched,
)
from monitor.domain.events import About, Event
from monitor.domain.places import AirLimits

SET, RESET = "rule", "reset"
"""Actions on a rule, as events and messages have them: change or add it; undo the changes."""
TO_DO = "to_do"
"""The name of a rule's `do` in requests, where that word is the request's own."""

Bodies = Mapping[str, Mapping[str, Any]]
"""The shop's own rules as kept, by id."""


class RuleRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a rule, by its id."""

    about: ClassVar[str] = About.RULE
    key: ClassVar[str] = "rule"
    rule: str


class SetRule(RuleRequest, frozen=True, kw_only=True, tag=SET):
    """Change a rule, or add one that takes the rest from the one named by `like`.

    The fields are those of `Rule`.
    """

    rule: Annotated[str, Meta(pattern=ID_PATTERN, extra={"allowed": ID_ALLOWED})]
    like: str | UnsetType = UNSET
    name: Name | UnsetType = UNSET
    quantity: Watched | UnsetType = UNSET
    test: Test | UnsetType = UNSET
    low: float | UnsetType | None = UNSET
    high: float | UnsetType | None = UNSET
    over_s: OverSeconds | UnsetType = UNSET
    back: float | UnsetType = UNSET
    hold_s: Seconds | UnsetType = UNSET
    calm_s: Seconds | UnsetType = UNSET
    urgency: Urgency | UnsetType = UNSET
    repeat_s: Seconds | UnsetType = UNSET
    breaks_quiet: bool | UnsetType = UNSET
    together: bool | UnsetType = UNSET
    only: Names | UnsetType = UNSET
    family: Family | UnsetType = UNSET
    under: Names | UnsetType = UNSET
    why: Text | UnsetType = UNSET
    source: Text | UnsetType = UNSET
    to_do: Advice | UnsetType = UNSET
    caution: Text | UnsetType = UNSET
    on: bool | UnsetType = UNSET


class ResetRule(RuleRequest, frozen=True, kw_only=True, tag=RESET):
    """Undo the shop's changes to a rule; delete one that it added."""


REQUESTS = (SetRule, ResetRule)


def as_mapping(rule: Rule) -> dict[str, Any]:
    """A rule as a plain mapping that `from_mapping` reads back."""
    body: dict[str, Any] = msgspec.to_builtins(rule)
    return body | {"only": list(rule.only), "under": list(rule.under)}


def from_mapping(body: Mapping[str, Any]) -> Rule:
    """The rule of a mapping.

    Raises
    ------
    Rejected
        If it does not describe one.
    """
    return read(Rule, body, what="a rule")


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
        with contextlib.suppress(Rejected):
            book[rule_id] = from_mapping(body)
    return book


def changed(rules: Mapping[str, Rule], request: SetRule) -> Rule:
    """The rule that a request changes or adds.

    Raises
    ------
    Rejected
        With every field that cannot be.
    """
    rule_id, like = request.rule, request.like
    if like and like not in rules:
        raise Rejected(Fault("", "like", like, f"one of {', '.join(rules)}"))
    base = rules.get(rule_id) or (rules[like] if like else None)
    body = as_mapping(base) if base else {}
    if base and base.id != rule_id:
        body |= {"family": "", "source": "the shop's own"}
    body |= fields_given(request, "rule", "like") | {"id": rule_id}
    if TO_DO in body:
        body["do"] = body.pop(TO_DO)
    rule = from_mapping(body)
    if unknown := sorted(set(rule.under) - set(rules)):
        raise Rejected(Fault(f"names no rule: {', '.join(unknown)}", "under"))
    if rule_id in _above(rule.under, rules):
        raise Rejected(
            Fault("must not lead back to the rule itself: it would never alert", "under")
        )
    return rule


def _above(under: Iterable[str], book: Mapping[str, Rule]) -> set[str]:
    """Rules in `under`, and all rules that suppress them, directly or through others."""
    found: set[str] = set()
    ahead = list(under)
    while ahead:
        rule_id = ahead.pop()
        if rule_id not in found and rule_id in book:
            found.add(rule_id)
            ahead += book[rule_id].under
    return found
