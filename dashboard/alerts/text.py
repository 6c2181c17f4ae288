"""What the board says of alerts and rules: plain sentences, in the reader's units."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.alerts.rule_fields import scale
from dashboard.data.records import OutboxEntry, Outcome
from dashboard.ui import formats
from dashboard.ui.sentences import Headline
from monitor.alerting.messages import ending, value_text, worst_text
from monitor.domain.alerts.alert import Alert, AlertAction
from monitor.domain.alerts.rule import WATCHABLE, Of, Rule, Test

if TYPE_CHECKING:
    from collections.abc import Mapping
    from zoneinfo import ZoneInfo

    from dashboard.ui.formats import Unit
    from monitor.domain.events import Event

URGENCY = {1: "Mind it", 2: "Act", 3: "Act now"}
MARKS = {1: "!", 2: "!!", 3: "!!!"}
GROUPS = {
    Of.PLACE: "Air",
    Of.INSTRUMENT: "Instruments",
    Of.WAIT: "Waits",
    Of.SENSOR: "Sensors",
    Of.RESERVOIR: "Humidifiers",
    Of.SHOP: "Service",
}
"""The rules of a page by what they are of."""
_KINDS = {"bench": "benches", "varnish": "varnish places", "outdoors": "places outdoors"}
_ANY = {
    Of.SENSOR: "Any sensor",
    Of.INSTRUMENT: "Any instrument",
    Of.WAIT: "Any wait",
    Of.RESERVOIR: "Any humidifier's tank",
    Of.SHOP: "The shop",
}
_OVER = {
    "back": "Over",
    "begun": "Over: it has begun",
    "gone": "Over: what it was about is gone",
    "off": "Over: its rule was switched off",
}
_FLAGS = {
    "ready": "is ready",
    "held": "is held up by the air",
    "late": "will not be ready when it is wanted",
    "broker_away": "gets no readings",
    "store_trouble": "cannot keep its readings",
}
"""Quantities that are so or not."""


def title(alert: Alert) -> str:
    """`Front bench: Very dry`."""
    return f"{alert.label}: {alert.name}"


def value(kept: float | None, quantity_unit: str, unit: Unit) -> str:
    """A value in words, `27 %`; empty where there is none to tell."""
    return value_text(kept, quantity_unit, fahrenheit=unit == "F").replace("-", "−")


def facts(alert: Alert, now_value: float | None, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """Its figures and since when: `26 % now, 28 % when raised; since 13:10.`"""
    raised = alert.events[0].body
    first = value(raised["value"], raised["unit"], unit)
    now = value(now_value, alert.unit, unit)
    figures = [f"{now} now" if now else "not known now", f"{first} when raised"] if first else []
    told = [alert.detail, f"{'for ' if lasting(alert) else ''}{', '.join(figures)}"]
    if not (lasting(alert) and now):
        told.append(f"since {formats.when(alert.began_ms, now_ms, zone)}")
    if alert.changed_ms is not None:
        told.append(f"changed by a newer outlook {formats.when(alert.changed_ms, now_ms, zone)}")
    text = "; ".join(filter(None, told))
    return f"{text[:1].upper()}{text[1:]}."


def line(alert: Alert, now_value: float | None, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """An open alert in one line for the wall: `Front bench: Very dry, 27 %, since 13:10.`"""
    told = value(now_value, alert.unit, unit)
    if alert.faded:
        return f"{title(alert)}: {alert.detail.partition('; ')[0]}."
    if told and lasting(alert):
        return f"{title(alert)}, for {told}."
    if alert.unit and not told:
        told = "not known now"
    return (
        f"{title(alert)}{f', {told}' if told else ''}, "
        f"since {formats.when(alert.began_ms, now_ms, zone)}."
    )


def foretold(alert: Alert) -> Headline:
    """What is coming, with its figures and what to do, as the headline of the wall."""
    figures, _, help_ = alert.detail.partition("; ")
    told = f"{title(alert)}{f', {figures}' if figures else ''}."
    more = f"{help_[:1].upper()}{help_[1:]}. " if help_ else ""
    return Headline("dry", told, f"{more}{first_step(alert)}")


def lasting(alert: Alert) -> bool:
    """Whether its value is itself a length of time."""
    return alert.unit == "s"


def first_step(alert: Alert) -> str:
    """The first thing to do."""
    return f"{alert.do.partition('. ')[0].rstrip('.')}." if alert.do else ""


def rest(alert: Alert, now_ms: int, zone: ZoneInfo) -> str:
    """Who has put it to rest, or that nobody has."""
    if alert.acknowledged:
        at, by = alert.acknowledged
        return f"Acknowledged{f' by {by}' if by else ''}, {formats.when(at, now_ms, zone)}."
    if alert.snoozed_until_ms is not None and now_ms < alert.snoozed_until_ms:
        return f"Put off until {formats.ahead(alert.snoozed_until_ms, now_ms, zone)}."
    return "Nobody has acknowledged it."


def over(alert: Alert, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """An alert that is over: how long, from when, how bad."""
    ended = alert.cleared_ms or now_ms
    worst = worst_text(alert, fahrenheit=unit == "F").replace("-", "−")
    told = [
        f"{lasted(alert, now_ms)}, from {formats.when(alert.began_ms, now_ms, zone)} "
        f"to {formats.when(ended, now_ms, zone)}"
    ]
    if worst:
        told.append(worst)
    told += filter(None, [ending(alert)])
    text = "; ".join(told)
    return f"{text[:1].upper()}{text[1:]}."


def lasted(alert: Alert, now_ms: int) -> str:
    """How long it has been, from when it began."""
    seconds = ((alert.cleared_ms or now_ms) - alert.began_ms) / 1000
    return formats.hours(seconds) if seconds >= 60 else "less than a minute"


def event_words(event: Event, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """One thing that happened to an alert. Who and when stand beside it."""
    body = event.body
    at = value(body.get("value"), body.get("unit", ""), unit)
    told = f"{body.get('name', '')}{f', {at}' if at else ''}"
    if body.get("foretold"):
        told += f", {body['detail'].partition('; ')[0]}"
    match event.action:
        case AlertAction.RAISE:
            return f"Raised: {told}; {URGENCY[body['urgency']].lower()}"
        case AlertAction.ROSE:
            return f"Graver: {told}; {URGENCY[body['urgency']].lower()}"
        case AlertAction.FELL:
            return f"Eased to {told}; {URGENCY[body['urgency']].lower()}"
        case AlertAction.TELL:
            return f"Told again: {told}"
        case AlertAction.CHANGED:
            if not body.get("foretold"):
                return f"Changed: {body['detail']}"
            way = "sooner or worse" if body["graver"] else "later or milder"
            return f"Changed by a newer outlook, {way}: {told}"
        case AlertAction.CLEAR:
            return _OVER[body["ended"]]
        case AlertAction.ACKNOWLEDGE:
            return "Acknowledged"
        case AlertAction.SNOOZE:
            return f"Put off until {formats.ahead(body['until_ms'], now_ms, zone)}"
        case AlertAction.NOTE:
            return f"Note: {body['note']}"
    return str(event.action)


def rule_words(rule: Rule, places: Mapping[str, str], unit: Unit) -> str:
    """When a rule raises an alert: `Any of the benches: relative humidity below 30 % for 30 min.`"""
    if rule.quantity in _FLAGS:
        matter = f"{_ANY[rule.of]} {_FLAGS[rule.quantity]}"
    else:
        matter = f"{_where(rule, places)}: {WATCHABLE[rule.quantity].text} {limits(rule, unit)}"
    return f"{matter}{f', for {formats.hours(rule.hold_s)}' if rule.hold_s else ''}."


def limits(rule: Rule, unit: Unit) -> str:
    """Beyond what: `below 30 %`, `outside its band`, `fallen by more than 20 % within 24 h`."""
    how = scale(rule, unit, difference=rule.over_s > 0)

    def shown(limit: float | None, *, bare: bool = False) -> str:
        if limit is None:
            return "the place's band"
        if rule.unit == "s":
            return formats.hours(limit)
        return how.shown(limit) if bare else f"{how.shown(limit)} {how.unit}"

    if rule.over_s:
        span = f" within {formats.hours(rule.over_s)}"
        down = f"fallen by more than {shown(-(rule.low or 0.0))}"
        up = f"risen by more than {shown(rule.high or 0.0)}"
        told = {Test.BELOW: down, Test.ABOVE: up, Test.OUTSIDE: f"{down}, or {up},"}
        return f"{told[rule.test]}{span}"
    match rule.test, rule.low, rule.high:
        case Test.BELOW, low, _:
            return f"below {shown(low)}"
        case Test.ABOVE, _, high:
            return f"above {shown(high)}"
        case _, None, None:
            return f"outside {shown(None)}"
        case _, None, high:
            return f"below the place's band or above {shown(high)}"
        case _, low, None:
            return f"below {shown(low)} or above the place's band"
    return f"outside {shown(rule.low, bare=True)} to {shown(rule.high)}"


def ends(rule: Rule, unit: Unit) -> str:
    """When an alert of a rule is over again."""
    how = scale(rule, unit, difference=True)
    back = f"back by {how.shown(rule.back)} {how.unit}" if rule.back else "back"
    if rule.quantity in _FLAGS:
        back = "no longer so"
    return f"Over once it is {back}{f', for {formats.hours(rule.calm_s)}' if rule.calm_s else ''}."


def telling(rule: Rule) -> str:
    """How often and when it is told."""
    often = "Told once"
    if rule.repeat_s:
        often = f"Told again each {formats.hours(rule.repeat_s)} until somebody acknowledges it"
    return f"{often}{', in quiet hours too' if rule.breaks_quiet else ''}."


def _where(rule: Rule, places: Mapping[str, str]) -> str:
    if rule.of is not Of.PLACE:
        return _ANY[rule.of]
    names = [_KINDS.get(name) or places.get(name, name) for name in rule.only] or [
        "places indoors"
    ]
    joined = " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
    if rule.together:
        return f"{joined[:1].upper()}{joined[1:]}, told as one"
    return f"Any of the {joined}"


def way(entry: OutboxEntry, now_ms: int, zone: ZoneInfo) -> str:
    """How a notice stands on its way through its channel."""
    tries = f"{entry.attempts} {'try' if entry.attempts == 1 else 'tries'}"
    match entry.outcome:
        case Outcome.DELIVERED:
            return f"delivered {formats.when(entry.ended_ms or now_ms, now_ms, zone)}"
        case Outcome.WITHDRAWN:
            return "taken back: it was over before it could be sent"
        case Outcome.GIVEN_UP:
            at = formats.when(entry.ended_ms or now_ms, now_ms, zone)
            return f"given up {at}, after {tries}: {entry.last_error}"
    when = formats.ahead(entry.next_try_ms, now_ms, zone)
    if not entry.attempts:
        if entry.next_try_ms <= now_ms:
            return "being sent"
        if entry.notice.not_before_ms > now_ms:
            return f"waits until {when}, when the quiet hours end"
        return f"waits for its channel, the next try about {when}"
    return f"failed {tries} so far, the next about {when}: {entry.last_error}"
