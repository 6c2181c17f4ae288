"""The fields of a request on an experiment, from a tap and its form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.ui import formats
from monitor.core.errors import Rejected
from monitor.waits.proof_text import FIELDS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.ui.form_input import Form

TEXTS = ("name", "place", "wait_kind", "room", "case", "judgement", "salt")
NUMBERS = (
    "dry_g",
    "dry_u_g",
    "start_moisture_pct",
    "moisture_u_pct",
    "balance_g",
    "mass_g",
    "after_g",
    "rh_pct",
)
LABELS = {
    name: f"{label}, {unit}" if unit else label for name, (label, unit) in FIELDS.items()
} | {
    "name": "Name",
    "place": "Place",
    "at": "When (empty: now)",
    "glued": "Glued at",
    "judgement": "Joint",
    "number": "Number of the measurement",
}
"""The label of each field."""


def label_of(name: str, unit: formats.Unit) -> str:
    """The label of a field, a temperature in the reader's unit."""
    return LABELS[name].replace("°C", formats.degree(unit))


def values_of(tap: Mapping[str, Any], form: Form) -> dict[str, Any]:
    """The fields of the request that a tap means.

    Raises
    ------
    Rejected
        If nothing was changed.
    """
    do, at_ms = tap.get("do"), tap.get("at_ms")
    values: dict[str, Any] = {"proof": tap["proof"]} if isinstance(tap.get("proof"), str) else {}
    if do == "start":
        return {"kind": tap.get("kind", "")} | _typed(form)
    if do == "add":
        now = {"at_ms": at_ms} if isinstance(at_ms, int) else {}
        return values | now | _typed(form)
    if do == "correct":
        number = tap.get("number")
        if isinstance(number, str):
            return values | {"number": int(number) if number.isdigit() else 0, "strike": True}
        whole = form.whole("number")
        fields = _typed(form)
        if not fields and not form.faults:
            raise Rejected("nothing was changed")
        return values | fields | ({} if whole is None else {"number": whole})
    if do == "finish":
        values["use"] = tap.get("on") == "yes"
    return values


def _typed(form: Form) -> dict[str, Any]:
    """The fields of a form that are not empty."""
    values: dict[str, Any] = {name: form.text(name) for name in TEXTS if form.text(name)}
    for name in NUMBERS:
        if (number := form.number(name)) is not None:
            values[name] = number
    if (temp_c := form.temp_c("temp_c")) is not None:
        values["temp_c"] = temp_c
    for own, name in (("at", "at_ms"), ("glued", "glued_ms")):
        if (moment := form.moment(own)) is not None:
            values[name] = moment
    return values
