"""The types of wait a shop works with: those that ship, as changed and added to by the shop.

A type is kept as a plain mapping, so that a wait can carry the type it was opened under whatever
becomes of the type later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Annotated, Any, ClassVar

from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault, OutOfRange, Rejected, range_fault
from monitor.core.validation import ID_ALLOWED, ID_PATTERN, LINE, Request, checked, fields_given
from monitor.domain.cautions import Caution
from monitor.domain.events import About, Event
from monitor.domain.wait_types import KINDS, WaitType
from monitor.science.waits.laws import LAWS, Law
from monitor.science.waits.parameters import check_parameters, parameters
from monitor.science.waits.wait import BASIS_S

SET, RETIRE, RESTORE = "kind", "retire", "restore"
"""Actions on a wait type, as events and messages have them."""
NAME_MAX = 80
"""Longest name of a wait type. [characters]"""
SECONDS: dict[str, Any] = {"unit": "s"}

Cautions = Annotated[list[Caution], Meta(extra={"allowed": f"a list of {', '.join(Caution)}"})]
Seconds = Annotated[float, Meta(ge=0, le=BASIS_S[1], extra=SECONDS)]


class WaitTypeRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a wait type; `kind` is its id."""

    about: ClassVar[str] = About.KIND
    key: ClassVar[str] = "kind"
    kind: str


class SetWaitType(WaitTypeRequest, frozen=True, kw_only=True, tag=SET):
    """Change a wait type, or add one that takes the rest from the one named by `like`.

    `law` has parameters to change, or a whole law by its name under `law`.
    """

    kind: Annotated[str, Meta(pattern=ID_PATTERN, extra={"allowed": ID_ALLOWED})]
    like: str | UnsetType = UNSET
    name: Annotated[str, Meta(max_length=NAME_MAX, extra=LINE)] | UnsetType = UNSET
    basis_s: Annotated[float, Meta(ge=BASIS_S[0], le=BASIS_S[1], extra=SECONDS)] | UnsetType = (
        UNSET
    )
    minimum_s: Seconds | UnsetType = UNSET
    load_s: Seconds | UnsetType = UNSET
    spread: Annotated[float, Meta(ge=0, le=1)] | UnsetType = UNSET
    never_shorter: bool | UnsetType = UNSET
    cautions: Cautions | UnsetType = UNSET
    law: dict[str, Any] | UnsetType = UNSET


class RetireWaitType(WaitTypeRequest, frozen=True, kw_only=True, tag=RETIRE):
    """Take a wait type off the list. Waits opened under it go on."""


class RestoreWaitType(WaitTypeRequest, frozen=True, kw_only=True, tag=RESTORE):
    """Put a retired wait type back on the list, as it last was."""


REQUESTS = (SetWaitType, RetireWaitType, RestoreWaitType)


def as_mapping(kind: WaitType) -> dict[str, Any]:
    """A wait type as a plain mapping that `from_mapping` reads back."""
    law = next(name for name, of in LAWS.items() if type(kind.law) is of)
    values = {p.name: p.value for p in parameters(kind.law)}
    return asdict(kind) | {
        "law": {"law": law, **values},
        "cautions": [str(caution) for caution in kind.cautions],
    }


def from_mapping(body: Mapping[str, Any]) -> WaitType:
    """The wait type of a mapping.

    Raises
    ------
    Rejected
        If its law or one of its figures cannot be.
    """
    cautions = tuple(Caution(caution) for caution in body.get("cautions", ()))
    try:
        return WaitType(**{**body, "law": law_of(body["law"]), "cautions": cautions})
    except OutOfRange as exc:
        raise Rejected(range_fault(exc.name, exc.value, exc.low, exc.high, exc.unit)) from exc


def law_of(body: Mapping[str, Any]) -> Law:
    """The law of a mapping: its name under `law`, and any of its parameters.

    Raises
    ------
    Rejected
        If there is no such law, parameter or value.
    """
    given = dict(body)
    name = given.pop("law", None)
    if name not in LAWS:
        raise Rejected(Fault("", "law.law", name, f"one of {', '.join(LAWS)}"))
    law_type = LAWS[name]
    known = sorted(item.name for item in fields(law_type))
    if unknown := sorted(set(given) - set(known)):
        problem = f"is not a parameter of {name}: must be one of {', '.join(known)}"
        raise Rejected(*(Fault(problem, f"law.{one}") for one in unknown))
    law = law_type(**{one: checked(f"law.{one}", value, float) for one, value in given.items()})
    try:
        check_parameters(law)
    except OutOfRange as exc:
        field = f"law.{exc.name}"
        raise Rejected(range_fault(field, exc.value, exc.low, exc.high, exc.unit)) from exc
    return law


def changed(types: Mapping[str, WaitType], request: SetWaitType) -> WaitType:
    """The wait type that a request adds or changes.

    Raises
    ------
    Rejected
        If there is none to start from, or the type cannot be so.
    """
    own = request.kind
    base = types.get(own) or KINDS.get(own) or types.get(str(request.like))
    if base is None:
        known = f"one of {', '.join(types)}"
        if not request.like:
            raise Rejected(Fault(f"is missing: name the type to copy, {known}", "like"))
        raise Rejected(Fault("", "like", request.like, known))
    body = as_mapping(base) | fields_given(request, "kind", "like") | {"id": own}
    law = request.law or {}
    body["law"] = law if "law" in law else as_mapping(base)["law"] | law
    if own not in types and own not in KINDS:
        body["source"] = "the shop's own"
    return from_mapping(body)


def apply(book: Mapping[str, WaitType], event: Event) -> dict[str, WaitType]:
    """The wait types in use after one more event: one set, retired or restored."""
    if event.action == RETIRE:
        return {kind_id: kind for kind_id, kind in book.items() if kind_id != event.subject}
    return {**book, event.subject: from_mapping(event.body)}
