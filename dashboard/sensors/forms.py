"""The fields of a request on a sensor, from a tap and its form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from monitor.core.clock import EVER_MS
from monitor.core.measurements import Quantity
from monitor.domain.events import About
from monitor.domain.sensor_requests import SensorAction

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.ui.form_input import Form

PASSED_ON = ("sensor", "why", "salt", "quantity", "place", "of")
"""Fields that a tap carries as they are."""
TIMED = (
    SensorAction.MOVE,
    SensorAction.SEAL,
    SensorAction.COMPARE,
    SensorAction.BACK,
    SensorAction.ABANDON,
)
LABELS = {
    "value": "It reads",
    "u": "Good to ± (k = 2)",
    "with": "Reference instrument, by name or number",
    "since": "Applies from (empty: now)",
    "text": "Note",
    "place": "Another place",
    "to": "New place/name, such as bench/sht31",
    "from": "From (empty: the first reading)",
    "until": "Until (empty: now)",
    "why": "Why",
}
"""The label of each field."""


def values_of(tap: Mapping[str, Any], form: Form) -> dict[str, Any]:
    """The fields of the request that a tap means.

    Parameters
    ----------
    tap : mapping
        `PASSED_ON` as texts, `at_ms` when it was tapped, `number` of a correction or void, `line` yes
        or no, `as_dated` yes for what is kept aside; `newcomer`, or `every` yes for all that wait.
    form : Form
        For COMPARE `value`, `u` and `with`; for FIT `since`; for NOTE `text`; for MOVE `place`, if
        none was tapped; for VOID_READINGS `from`, `until` and `why`, unless `from_ms` was tapped:
        then all from there on; `all` yes: all, past and future.
    """
    values = {name: tap[name] for name in PASSED_ON if isinstance(tap.get(name), str)}
    do = tap.get("do")
    if tap.get("about") == About.ASIDE:
        return values | ({"as_dated": True} if tap.get("as_dated") == "yes" else {})
    if tap.get("about") == About.NEWCOMER:
        return {"every": True} if tap.get("every") == "yes" else {"newcomer": tap.get("newcomer")}
    if do in TIMED and isinstance(tap.get("at_ms"), int):
        values["at_ms"] = tap["at_ms"]
    match do:
        case SensorAction.COMPARE:
            read = {"value": form.number("value"), "u": form.number("u")}
            if values.get("quantity") == Quantity.TEMPERATURE:
                read = {"value": form.temp_c("value"), "u": form.temp_c("u", difference=True)}
            values |= {name: value for name, value in read.items() if value is not None}
            if form.text("with"):
                values["with"] = form.text("with")
        case SensorAction.FIT:
            if tap.get("line") in ("yes", "no"):
                values["line"] = tap["line"] == "yes"
            if (since := form.moment("since")) is not None:
                values["since_ms"] = since
        case SensorAction.VOID_READINGS:
            ahead = tap.get("from_ms")
            if tap.get("all") == "yes":
                values |= {"from_ms": -EVER_MS, "until_ms": EVER_MS, "why": form.text("why")}
            elif isinstance(ahead, str) and ahead.isdecimal():
                values |= {"from_ms": int(ahead), "until_ms": EVER_MS}
            else:
                values["why"] = form.text("why")
                for name in ("from", "until"):
                    if (at_ms := form.moment(name)) is not None:
                        values[f"{name}_ms"] = at_ms
        case SensorAction.VOID | SensorAction.RESTORE_READINGS:
            given = str(tap.get("number", ""))
            values["number"] = int(given) if given.isdecimal() else given
        case SensorAction.NOTE:
            values["text"] = form.text("text")
        case SensorAction.RENAME:
            values["to"] = form.text("to")
        case SensorAction.MOVE:
            values.setdefault("place", form.text("place"))
    return values
