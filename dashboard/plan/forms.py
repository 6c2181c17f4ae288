"""The fields of a request on a repair or on the stock, from a tap and its form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.ui.form_input import id_of
from monitor.core.errors import Fault, Rejected
from monitor.domain.events import About

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.ui.form_input import Form

FREE = "free"
"""Value of a tap by which the plan may choose a start again."""
LABELS = {
    "instrument": "Instrument",
    "template": "Usual repair",
    "name": "Name",
    "promised": "Promised for",
    "note": "Note",
    "kind": "Kind of work",
    "step": "Step",
    "fixed": "Start",
    "minutes": "Minutes of work",
    "count": "How many",
    "sort": "Sort",
    "stock": "Name",
    "after": "This step comes after",
    "needs": "Clamps and places",
    "place": "Place",
    "overnight": "May it be left overnight?",
    "weekend": "May it be left over a weekend?",
}
"""The label of each field."""


def field_of(name: str, form: Form) -> str:
    """The form's name of a field of a request; "" if the form has none."""
    own = "minutes" if name == "hands_on_min" else name.removesuffix("_ms")
    if own.startswith("needs"):
        return "needs" if any(one.startswith("needs.") for one in form.typed) else ""
    if own == "stock" and "stock" not in form.typed:
        own = "name"
    return own if own in form.typed else ""


def values_of(tap: Mapping[str, Any], form: Form) -> dict[str, Any]:
    """The fields of the request that a tap means.

    Raises
    ------
    Rejected
        If a field that is needed is empty, or nothing was changed.
    """
    if tap.get("about") == About.STOCK:
        return _stock(tap, form)
    values: dict[str, Any] = {
        name: tap[name] for name in ("repair", "step") if isinstance(tap.get(name), str)
    }
    do, at_ms = tap.get("do"), tap.get("at_ms")
    match do:
        case "take in":
            values = {name: form.text(name) for name in ("instrument", "template")}
            if form.text("name"):
                values["name"] = form.text("name")
            if (moment := form.moment("promised")) is not None:
                values["promised_ms"] = moment
        case "add template":
            values["template"] = form.text("template")
        case "add":
            values["kind"] = tap.get("kind") or form.text("kind")
            if form.text("name"):
                values["name"] = form.text("name")
            if (minutes := form.number("minutes")) is not None:
                values["hands_on_min"] = [minutes]
        case "change":
            values["step"] = values.get("step") or form.text("step")
            values |= _changes(tap, form)
        case "start" | "finish" | "hand out":
            if isinstance(at_ms, int):
                values["at_ms"] = at_ms
            if do != "hand out":
                values["sure"] = tap.get("sure") == "yes"
            else:
                values["unfinished"] = tap.get("on") == "yes"
        case "move":
            values["step"] = values.get("step") or form.text("step")
            values["fixed_ms"] = _fixed(tap, form)
        case "promise":
            moment = form.moment("promised")
            if moment is None and tap.get("remove") != "yes" and not form.faults:
                raise Rejected(Fault("is empty: choose a date and a time", "promised"))
            values["promised_ms"] = None if tap.get("remove") == "yes" else moment
    return values


def _changes(tap: Mapping[str, Any], form: Form) -> dict[str, Any]:
    values: dict[str, Any] = {}
    if tap.get("on") in ("yes", "no"):
        values["consent_awaited"] = tap["on"] == "yes"
    if form.text("name"):
        values["name"] = form.text("name")
    if (minutes := form.number("minutes")) is not None:
        values["hands_on_min"] = [minutes]
    if "after" in form.typed:  # the form of one step
        values |= _order_and_needs(form)
    if not values and not form.faults:
        raise Rejected(Fault("is empty: type what changes", "minutes"))
    return values


def _order_and_needs(form: Form) -> dict[str, Any]:
    """The fields of the form that has all of a step as it is."""
    needs = {}
    for name in form.typed:
        if name.startswith("needs.") and (count := form.whole(name)):
            needs[name.removeprefix("needs.")] = count
    after = [one.strip() for one in form.text("after").split(",") if one.strip()]
    yes_no = {name: form.text(name) == "yes" for name in ("overnight", "weekend")}
    return {
        "name": form.text("name"),
        "place": form.text("place"),
        "after": after,
        "needs": needs,
        **yes_no,
    }


def _fixed(tap: Mapping[str, Any], form: Form) -> int | None:
    fixed = tap.get("fixed")
    if fixed == FREE:
        return None
    if isinstance(fixed, str):
        if not (fixed.isascii() and fixed.isdigit() and len(fixed) < 16):
            raise Rejected(Fault("is not a time", "fixed"))
        return int(fixed)
    moment = form.moment("fixed")
    if moment is None and not form.faults:
        raise Rejected(Fault("is empty: choose a date and a time", "fixed"))
    return moment


def _stock(tap: Mapping[str, Any], form: Form) -> dict[str, Any]:
    own = tap.get("stock") if isinstance(tap.get("stock"), str) else id_of(form.text("name"))
    values: dict[str, Any] = {"stock": own}
    if tap.get("do") != "set":
        return values
    if not own:
        raise Rejected(Fault("is empty: give it a name", "name"))
    if form.text("name"):
        values["name"] = form.text("name")
    count = form.whole("count")
    if count is None and not form.faults:
        raise Rejected(Fault("is empty: type a number", "count"))
    values["count"] = count
    if form.text("sort"):
        values["sort"] = form.text("sort")
    return values
