"""The fields of a request on an alert, a rule, a humidifier or a caution, from a tap and its form.

Figures come in the reader's units, lengths of time in minutes and hours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from dashboard.alerts.rule_fields import TEXTS, TIMES, form_of, scales
from dashboard.ui import formats
from dashboard.ui.form_input import Form, id_of
from monitor.core.clock import now_ms
from monitor.core.errors import Fault, Rejected
from monitor.domain.alerts import rule_registry
from monitor.domain.alerts.alert import AlertAction
from monitor.domain.events import About
from monitor.domain.opening_hours import next_opening
from monitor.domain.places import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.shop import ShopData
    from monitor.domain.alerts.rule import Rule

PASSED_ON = ("alert", "rule", "reservoir", "place", "caution", "where")
"""Fields that a tap carries as they are."""
UNTIL_OPENING = "opening"
"""A snooze until the shop opens on another day."""
_FIELDS = {seconds: name for name, (seconds, _, _) in TIMES.items()} | {rule_registry.TO_DO: "do"}
"""Names of a request's fields in the form, where they differ."""


def values_of(
    tap: Mapping[str, Any], form: Form, shop: ShopData, book: AlertQueries
) -> dict[str, Any]:
    """The fields of the request that a tap means.

    Parameters
    ----------
    tap : mapping
        `PASSED_ON` as texts; for a snooze `minutes`, a number of them or `UNTIL_OPENING`; for a
        rule that is switched `on`, yes or no; for a changed rule its id under `rule`.
    form : Form
        A `note` or an `amount`; for a rule what `form_of` names; for a new one `name` and `like`.

    Raises
    ------
    Rejected
        If nothing was changed.
    """
    values = {name: tap[name] for name in PASSED_ON if isinstance(tap.get(name), str)}
    match tap.get("about"), tap.get("do"):
        case About.ALERT, AlertAction.SNOOZE:
            values["minutes"] = _minutes(tap.get("minutes"), shop)
        case About.ALERT, AlertAction.NOTE:
            values["note"] = form.text("note")
        case About.RESERVOIR, _:
            values["amount"] = form.text("amount")
        case About.RULE, rule_registry.SET if tap.get("on") in ("yes", "no"):
            values["on"] = tap["on"] == "yes"
        case About.RULE, rule_registry.SET:
            rules = book.rules()
            rule = rules.get(str(values.get("rule", "")))
            values |= _new(form, rules) if rule is None else _changes(rule, form, shop)
    return values


def field_of(name: str, form: Form) -> str:
    """The form's name of a field of a request; "" if the form has none."""
    own = _FIELDS.get(name, name)
    return own if own in form.typed or own in {fault.field for fault in form.faults} else ""


def beside(fault: Fault, form: Form, name: str, book: AlertQueries) -> str:
    """The text of a fault beside its field: limits and times as the page shows them."""
    if fault.low is None or fault.high is None:
        return fault.at_field(form.text(name))
    if name in TIMES:
        return f"{form.text(name)}: must be {TIMES[name][2]}"
    rule = book.rules().get(form.subject)
    how = scales(rule, form.unit).get(name) if rule else None
    if how is None:
        return fault.at_field(form.text(name))
    low, high = how.shown(fault.low), how.shown(fault.high)
    return f"{form.text(name)}: must be {low} to {high} {how.unit}".rstrip()


def opens_ms(shop: ShopData, now: int) -> int | None:
    """Time at which the shop opens next on another day; None if it never does. [ms]"""
    zone, hours = shop.settings.zone, shop.opening_hours()
    tomorrow = formats.moved(now, "day", 1, zone)
    return next_opening(
        hours, zone, formats.midnight(formats.local(tomorrow, zone).date(), zone) - 1
    )


def places_of(shop: ShopData) -> list[str]:
    """Kinds of place and places that a rule can be for."""
    with shop.reader() as reader:
        return list(dict.fromkeys([*get_args(Kind), *(p.id for p in shop.places(reader))]))


def _minutes(asked: object, shop: ShopData) -> int:
    if asked == UNTIL_OPENING:
        now = now_ms()
        opens = opens_ms(shop, now)
        if opens is None:
            raise Rejected("the shop has no opening hours: choose a length of time")
        return -(-(opens - now) // formats.MINUTE_MS)
    text = str(asked)
    if not (text.isascii() and text.isdigit() and len(text) < 6):
        raise Rejected(Fault("", "minutes", asked, "a number of minutes"))
    return int(text)


def _new(form: Form, rules: Mapping[str, Rule]) -> dict[str, Any]:
    """The fields of a new rule."""
    new = id_of(form.text("name"))
    if not new:
        form.add_fault("name", "needs letters or digits" if form.text("name") else "is empty")
    elif new in rules:
        form.add_fault("name", "is the name of another rule: choose another name")
    elif form.text("like") not in rules:
        form.add_fault("like", "choose one")
    return {"rule": new, "name": form.text("name"), "like": form.text("like")}


def _changes(rule: Rule, form: Form, shop: ShopData) -> dict[str, Any]:
    """The changes of a rule."""
    how = scales(rule, form.unit)
    changed = form.changed(form_of(rule, form.unit)) & form_of(rule, form.unit).keys()
    values: dict[str, Any] = {
        rule_registry.TO_DO if name == "do" else name: form.text(name)
        for name in TEXTS
        if name in changed
    }
    for name in how.keys() & changed:
        typed = form.number(name)
        value = None if typed is None else how[name].kept(typed)
        if name in TIMES:
            values[TIMES[name][0]] = round(value or 0)
        else:
            values[name] = value or 0.0 if name == "back" else value
    if "urgency" in changed:
        values["urgency"] = form.whole("urgency")
    if "breaks_quiet" in changed:
        values["breaks_quiet"] = form.text("breaks_quiet") == "yes"
    if "only" in changed:
        values["only"] = [p.strip() for p in form.text("only").split(",") if p.strip()]
        known = places_of(shop)
        if unknown := [name for name in values["only"] if name not in known]:
            form.add_fault("only", f"is not one of {', '.join(known)}", unknown[0])
    if not values and not form.faults:
        raise Rejected("nothing was changed")
    return values
