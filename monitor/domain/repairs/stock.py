"""The shop's stock of clamps and places for repairs, and the requests on it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault, Rejected
from monitor.core.validation import ID_ALLOWED, ID_PATTERN, Request, fields_given
from monitor.domain.events import About, Event
from monitor.domain.repairs.repair import Repair
from monitor.domain.repairs.step import NEED_MAX, Name, Step

SET, REMOVE = "set", "remove"
"""Actions on stock, as events and messages have them."""


class Sort(StrEnum):
    """Sort of stock: clamps are counted on a wait, places are not."""

    CLAMPS = "clamps"
    PLACE = "place"


@dataclass(frozen=True)
class Stock:
    """Pieces of one sort of clamp, or of one place that takes so many instruments at once."""

    id: str
    name: str
    count: int
    sort: Sort = Sort.CLAMPS


STOCK: Mapping[str, Stock] = {
    one.id: one
    for one in (
        Stock("crack-clamps", "Crack clamps", 8),
        Stock("spool-clamps", "Spool clamps", 32),
        Stock("deep-clamps", "Deep clamps", 4),
        Stock("drying-cupboard", "Drying cupboard", 1, Sort.PLACE),
    )
}
"""Stock that ships: common practice, no source. The shop sets its own numbers."""


class StockRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a stock; `stock` is its id."""

    about: ClassVar[str] = About.STOCK
    key: ClassVar[str] = "stock"
    stock: str


class SetStock(StockRequest, frozen=True, kw_only=True, tag=SET):
    """Change a stock, or add one."""

    stock: Annotated[str, Meta(pattern=ID_PATTERN, extra={"allowed": ID_ALLOWED})]
    name: Name | UnsetType = UNSET
    count: Annotated[int, Meta(ge=0, le=NEED_MAX)] | UnsetType = UNSET
    sort: Sort | UnsetType = UNSET


class RemoveStock(StockRequest, frozen=True, kw_only=True, tag=REMOVE):
    """Remove a stock that no open repair and no template needs."""


REQUESTS = (SetStock, RemoveStock)


def decide(
    stock: Mapping[str, Stock], request: StockRequest, needed: Iterable[tuple[str, Step]]
) -> dict[str, Any]:
    """The body of the event that carries a request out.

    Parameters
    ----------
    stock : mapping
        The shop's stock by id.
    request : StockRequest
    needed : iterable of (str, Step)
        Steps that are not finished, and those of templates, each with the name of where it is.

    Raises
    ------
    Rejected
        If there is no such stock, or a step needs more than there would be.
    """
    own = request.stock
    before = stock.get(own)
    if isinstance(request, SetStock):
        base = before or Stock(own, own.replace("-", " ").capitalize(), 1)
        body = asdict(base) | fields_given(request, "stock")
        body = {**body, "sort": str(body["sort"]), "name": body["name"] or base.name}
    elif before is None:
        raise Rejected(Fault("", "stock", own, f"one of {', '.join(stock)}"))
    else:
        body = {"count": 0}
    for where, step in needed:
        if (wanted := step.needs.get(own, 0)) > body["count"]:
            raise Rejected(
                Fault(f"{where}: {step.label} needs {wanted}: change that step first", "count")
            )
    return body if isinstance(request, SetStock) else {}


def apply(stock: Mapping[str, Stock], event: Event) -> dict[str, Stock]:
    """The stock after one more event."""
    if event.action == REMOVE:
        return {own: one for own, one in stock.items() if own != event.subject}
    body = event.body
    one = Stock(event.subject, body["name"], body["count"], Sort(body["sort"]))
    return {**stock, event.subject: one}


def counts(stock: Mapping[str, Stock]) -> dict[str, int]:
    """Numbers of pieces by id."""
    return {own: one.count for own, one in stock.items()}


def in_use(repairs: Iterable[Repair]) -> Counter[str]:
    """Pieces of stock by id that are in use by steps that are started."""
    used: Counter[str] = Counter()
    for repair in repairs:
        for step in repair.steps if repair.open else ():
            if step.started_ms is not None and not step.finished:
                used.update(step.needs)
    return used
