"""The fields of a request on a wait or a wait type, from a tap and its form.

Times come in the shop's zone, lengths of time in hours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.ui import formats
from dashboard.ui.form_input import Form, id_of
from monitor.core.errors import Rejected
from monitor.domain.wait_type_registry import SET
from monitor.science.waits.parameters import Parameter, parameters

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.data.waits import WaitQueries
    from monitor.domain.wait import Wait
    from monitor.domain.wait_types import WaitType

TIMED = {"pause", "resume", "move", "release", "load"}
PASSED_ON = ("wait", "kind", "place", "feel")
"""Fields that a tap carries as they are."""
LABELS = {
    "instrument": "Instrument",
    "what": "What",
    "glue": "Glue",
    "note": "Note",
    "place": "Place",
    "clamps": "Clamps",
    "count": "How many",
    "start": "Started",
    "wanted": "Wanted by",
    "name": "Name",
    "basis_h": "Usual time",
    "minimum_h": "Shortest time",
    "load_h": "Usual time to load",
    "spread": "Spread",
}
"""The label of each field."""
NAMES = {"basis_s": "basis_h", "minimum_s": "minimum_h", "load_s": "load_h"}
"""Names of a request's fields in the form, where they differ."""


def label_of(name: str) -> str:
    """The label of a field; a parameter of a law has its own name."""
    return LABELS.get(name, name.removeprefix("law."))


def values_of(tap: Mapping[str, Any], form: Form, waits: WaitQueries) -> dict[str, Any]:
    """The fields of the request that a tap means.

    Parameters
    ----------
    tap : mapping
        `PASSED_ON` as texts, `at_ms` when it was tapped; for a wait type `like` and `never_shorter`.
    form : Form

    Raises
    ------
    Rejected
        If nothing was changed.
    """
    values = {name: tap[name] for name in PASSED_ON if isinstance(tap.get(name), str)}
    do, at_ms = tap.get("do"), tap.get("at_ms")
    if isinstance(at_ms, int) and (do in TIMED or do == "open"):
        values["start_ms" if do == "open" else "at_ms"] = at_ms
    if do == "open":
        values |= _wait_fields(form, {name for name, text in form.typed.items() if text})
    elif do == "correct" and (wait := waits.wait(str(values.get("wait", "")))) is not None:
        values |= _some(_wait_fields(form, form.changed(_shown_of_wait(wait, form))), form)
    elif do == SET:
        known = waits.kind(str(values.get("kind", "")))
        names = set(form.typed) if known is None else form.changed(shown_of(known, form.unit))
        values |= (
            _type_fields(form, names)
            if known is None
            else _some(_type_fields(form, names) | _law_fields(form, names, known), form)
        )
        if isinstance(tap.get("like"), str):
            values["like"] = tap["like"]
        if isinstance(tap.get("never_shorter"), str):
            values["never_shorter"] = tap["never_shorter"] == "yes"
        values["kind"] = values.get("kind") or id_of(form.text("name"))
    return values


def _some(changes: dict[str, Any], form: Form) -> dict[str, Any]:
    if not changes and form.typed and not form.faults:
        raise Rejected("nothing was changed")
    return changes


def _wait_fields(form: Form, names: set[str]) -> dict[str, Any]:
    """The fields of a wait among the names."""
    values: dict[str, Any] = {
        name: form.text(name) for name in ("instrument", "what", "note", "glue") if name in names
    }
    if form.text("place") and "place" in names:
        values["place"] = form.text("place")
    for name in {"clamps", "count"} & names:
        values[name] = form.whole(name) or 0
    if "start" in names and (started := form.moment("start")) is not None:
        values["start_ms"] = started
    if "wanted" in names:
        values["wanted_ms"] = form.moment("wanted")
    return values


def _shown_of_wait(wait: Wait, form: Form) -> dict[str, str]:
    """A wait as its page shows it, by the names of its fields."""
    return {
        "instrument": wait.instrument,
        "what": wait.what,
        "note": wait.note,
        "place": wait.place,
        "clamps": str(wait.clamps or ""),
        "start": formats.to_input(wait.started_ms, form.zone),
        "wanted": formats.to_input(wait.wanted_ms, form.zone),
    }


def parameters_in(kind: WaitType, unit: formats.Unit) -> list[Parameter]:
    """Parameters of a wait type's law, their temperatures in the reader's unit."""
    found = []
    for one in parameters(kind.law):
        if one.unit in ("°C", "K"):
            is_degree = one.unit == "°C"
            to = formats.in_unit if is_degree else formats.difference_in_unit
            sign = formats.degree(unit) if is_degree else formats.degree_difference(unit)
            value, low, high = (round(to(x, unit), 3) for x in (one.value, one.low, one.high))
            one = one._replace(value=value, low=low, high=high, unit=sign)
        words = (formats.in_reader_unit(text, unit) for text in (one.help, one.source))
        found.append(Parameter(*one[:5], *words))
    return found


def shown_of(kind: WaitType, unit: formats.Unit = "C") -> dict[str, str]:
    """The figures of a wait type as its page shows them, by the names of its fields."""
    own = {
        "basis_h": kind.basis_s / 3600,
        "minimum_h": kind.minimum_s / 3600,
        "load_h": kind.load_s / 3600,
        "spread": kind.spread,
    }
    law = {f"law.{p.name}": p.value for p in parameters_in(kind, unit)}
    return {name: f"{value:g}" for name, value in (own | law).items()}


def _type_fields(form: Form, names: set[str]) -> dict[str, Any]:
    """The fields of a wait type among the names. Lengths of time are typed in hours."""
    values: dict[str, Any] = {}
    if "name" in names and form.text("name"):
        values["name"] = form.text("name")
    for field, name, factor in (
        ("basis_h", "basis_s", 3600),
        ("minimum_h", "minimum_s", 3600),
        ("load_h", "load_s", 3600),
        ("spread", "spread", 1),
    ):
        if field in names and (value := form.number(field)) is not None:
            values[name] = round(factor * value, 3) if factor > 1 else value
    return values


def _law_fields(form: Form, names: set[str], kind: WaitType) -> dict[str, Any]:
    """The parameters of a wait type's law among the names."""
    law = {}
    for one in parameters(kind.law):
        if (name := f"law.{one.name}") in names:
            value = (
                form.temp_c(name, difference=one.unit == "K")
                if one.unit in ("°C", "K")
                else form.number(name)
            )
            if value is not None:
                law[one.name] = value
    return {"law": law} if law else {}
