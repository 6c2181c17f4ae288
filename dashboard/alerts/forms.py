"""What is typed and tapped about an alert, a rule, a tank or a caution, as a command for the desk.

Figures come in the reader's units, lengths of time in minutes and hours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args

from dashboard.alerts.rule_fields import LABELS, TEXTS, TIMES, form_of, scales
from dashboard.ui import formats
from dashboard.ui.form_input import WishFault, id_of, number
from monitor.core.clock import now_ms
from monitor.domain.alerts import rule_registry
from monitor.domain.alerts.alert import AlertAction
from monitor.domain.alerts.rule import RuleFault
from monitor.domain.events import About
from monitor.domain.opening_hours import next_opening
from monitor.domain.places import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.data.alerts import AlertBook
    from dashboard.data.shop import ShopData
    from monitor.domain.alerts.rule import Rule

PASSED_ON = ("id", "by", "do", "about", "alert", "rule", "reservoir", "caution", "where")
"""What a tap carries that goes on as it is."""
UNTIL_OPENING = "opening"
"""A snooze until the shop opens on another day."""


def command_of(
    asked: Mapping[str, Any], form: Mapping[str, str], shop: ShopData, book: AlertBook
) -> dict[str, Any]:
    """The command that a tap means.

    Parameters
    ----------
    asked : mapping
        `PASSED_ON` as texts; for a snooze `minutes`, a number of them or `UNTIL_OPENING`; for a
        rule that is switched `on`, yes or no.
    form : mapping
        What was typed: a `note`; for a rule what `form_of` names; for a new one `name` and `like`.

    Raises
    ------
    WishFault
        With every field that cannot be read, or if nothing was changed.
    """
    command = {name: asked[name] for name in PASSED_ON if isinstance(asked.get(name), str)}
    match command.get("about"), command.get("do"):
        case About.ALERT, AlertAction.SNOOZE:
            command["minutes"] = _minutes(asked.get("minutes"), shop)
        case About.ALERT, AlertAction.NOTE:
            if not form.get("note"):
                raise _fault({"note": "is empty"})
            command["note"] = form["note"]
        case About.RESERVOIR, _ if form.get("amount", "").strip():
            command["amount"] = form["amount"]
        case About.RULE, rule_registry.SET:
            return command | _rule(asked, form, shop, book)
    return command


def opens_ms(shop: ShopData, now: int) -> int | None:
    """When the shop opens next on another day; None if it never does. [ms]"""
    zone, hours = shop.settings.zone, shop.settings.hours.model_dump()
    tomorrow = formats.moved(now, "day", 1, zone)
    return next_opening(
        hours, zone, formats.midnight(formats.local(tomorrow, zone).date(), zone) - 1
    )


def fault_of(
    command: Mapping[str, Any], form: Mapping[str, str], shop: ShopData, book: AlertBook
) -> WishFault | None:
    """What in a rule's form is why the service refused it; None if that does not lie in a field."""
    del form, shop
    wish = {k: v for k, v in command.items() if k not in ("id", "by", "do", "about", "rule")}
    try:
        rule_registry.changed(book.rules(), str(command.get("rule", "")), wish)
    except RuleFault as exc:
        fields = dict(_said(name, text) for name, text in exc.fields.items())
        return _fault(fields) if fields else None
    return None


def places_of(shop: ShopData) -> list[str]:
    """What a rule can be for: the kinds of place, and the places."""
    with shop.reader() as reader:
        return list(dict.fromkeys([*get_args(Kind), *(p.id for p in shop.places(reader))]))


def _minutes(asked: object, shop: ShopData) -> int:
    if asked == UNTIL_OPENING:
        now = now_ms()
        opens = opens_ms(shop, now)
        if opens is None:
            raise WishFault("the shop never opens by its hours: choose a length of time")
        return -(-(opens - now) // formats.MINUTE_MS)
    text = str(asked)
    if not (text.isascii() and text.isdigit() and len(text) < 6):
        raise WishFault(f"{text!r:.40} is no number of minutes")
    return int(text)


def _rule(
    asked: Mapping[str, Any], form: Mapping[str, str], shop: ShopData, book: AlertBook
) -> dict[str, Any]:
    """The changes of a rule, or a new one."""
    if asked.get("on") in ("yes", "no"):
        return {"on": asked["on"] == "yes"}
    rules = book.rules()
    rule = rules.get(str(asked.get("rule", "")))
    if rule is not None:
        return _changes(rule, form, shop)
    new = id_of(form.get("name", ""))
    if not new:
        raise _fault({"name": "is empty" if not form.get("name") else "needs letters or digits"})
    if new in rules:
        raise _fault({"name": "there is such a rule: give this one another name"})
    if form.get("like") not in rules:
        raise _fault({"like": "choose one"})
    return {"rule": new, "name": form["name"], "like": form["like"]}


def _changes(rule: Rule, form: Mapping[str, str], shop: ShopData) -> dict[str, Any]:
    """What of a rule was changed; what looks the same is the same."""
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
    was, how = form_of(rule, unit), scales(rule, unit)
    changed = {name: text for name, text in form.items() if name in was and text != was[name]}
    wish: dict[str, Any] = {
        rule_registry.TO_DO if name == "do" else name: changed[name]
        for name in TEXTS
        if name in changed
    }
    faults: dict[str, str] = {}
    for name in how:
        if name not in changed:
            continue
        try:
            value = how[name].kept(number(changed[name])) if changed[name] else None
        except ValueError:
            faults[name] = f"{changed[name]!r:.40} is no number"
            continue
        if name in TIMES:
            wish[TIMES[name][0]] = round(value or 0)
        else:
            wish[name] = value or 0.0 if name == "back" else value
    if "urgency" in changed:
        wish["urgency"] = int(changed["urgency"]) if changed["urgency"].isdecimal() else None
    if "breaks_quiet" in changed:
        wish["breaks_quiet"] = changed["breaks_quiet"] == "yes"
    if "only" in changed:
        wish["only"] = [part.strip() for part in changed["only"].split(",") if part.strip()]
        known = places_of(shop)
        if unknown := [name for name in wish["only"] if name not in known]:
            faults["only"] = f"{unknown[0]!r:.40} is none of {', '.join(known)}"
    if faults:
        raise _fault(faults)
    if not wish:
        raise WishFault("nothing was changed")
    return wish


def _said(name: str, text: str) -> tuple[str, str]:
    """A fault of the service as it stands beside the field, in the reader's words."""
    for field, (own, _, allowed) in TIMES.items():
        if own == name:
            return field, text if text.startswith("over_s:") else allowed
    if " is not below " in text:
        return name, "must be below the upper limit"
    if name == "back" and "must be" not in text:
        return name, "leaves nothing between the limits to come back to"
    said = text.partition(" ")[2]
    return name, said.partition(": ")[2] or said


def _fault(fields: Mapping[str, str]) -> WishFault:
    return WishFault("; ".join(f"{LABELS.get(k, k)}: {v}" for k, v in fields.items()), fields)
