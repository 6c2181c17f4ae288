"""The fields of a request on a batch of glue, from a tap and its form. Lengths of time in hours."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.ui import formats
from monitor.core.errors import Rejected
from monitor.domain.glue import GlueAction

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.data.glue import GlueQueries
    from dashboard.ui.form_input import Form
    from monitor.domain.glue import Glue

TEXTS, HOURS = (
    ("name", "strength", "kept", "note"),
    ("hot_limit_h", "keeps_h", "clamp_h", "load_h"),
)
LABELS = {
    "kind": "Kind",
    "name": "Name or label",
    "strength": "Gram strength or ratio",
    "kept": "Kept where",
    "at": "Mixed or opened (empty: now)",
    "hot_h": "Hours hot until now",
    "hot_limit_h": "Most hours hot",
    "keeps_h": "Keeps for, hours",
    "clamp_h": "Clamp time, hours",
    "load_h": "May be loaded after, hours",
    "note": "Note",
}
"""The label of each field."""


def values_of(tap: Mapping[str, Any], form: Form, book: GlueQueries) -> dict[str, Any]:
    """The fields of the request that a tap means.

    Raises
    ------
    Rejected
        If nothing was changed.
    """
    values: dict[str, Any] = {"glue": tap["glue"]} if isinstance(tap.get("glue"), str) else {}
    do, at_ms = tap.get("do"), tap.get("at_ms")
    if do == GlueAction.MIX:
        given = {name for name, text in form.typed.items() if text}
        return {"kind": form.text("kind")} | _fields(form, given)
    if do == GlueAction.CORRECT:
        one = book.glue(str(values.get("glue", "")))
        changed = form.changed(shown_of(one, form)) if one else set(form.typed)
        fields = _fields(form, changed)
        if not fields and not form.faults:
            raise Rejected("nothing was changed")
        return values | fields
    if do != GlueAction.RESTORE and isinstance(at_ms, int):
        values["at_ms"] = at_ms
    return values


def shown_of(glue: Glue, form: Form | None = None) -> dict[str, str]:
    """A batch as its page shows it, by the names of its fields."""
    shown = {name: str(getattr(glue, name)) for name in TEXTS}
    for name in HOURS:
        value = getattr(glue, name)
        shown[name] = "" if value is None else f"{value:g}"
    if form is not None:
        shown["at"] = formats.to_input(glue.mixed_ms, form.zone)
    return shown


def _fields(form: Form, names: set[str]) -> dict[str, Any]:
    """The fields of a batch among the names. A limit that was emptied is not on the sheet."""
    values: dict[str, Any] = {name: form.text(name) for name in TEXTS if name in names}
    for name in HOURS:
        if name in names:
            values[name] = form.number(name)
    if "hot_h" in names and (hot := form.number("hot_h")) is not None:
        values["hot_h"] = hot
    if "at" in names and (mixed := form.moment("at")) is not None:
        values["mixed_ms"] = mixed
    return values
