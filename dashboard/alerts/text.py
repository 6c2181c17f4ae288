"""Texts of the board about alerts and rules: plain sentences, in the reader's units."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.alerts.rule_fields import scale
from dashboard.data.records import OutboxEntry, Outcome
from dashboard.ui import formats
from dashboard.ui.sentences import Headline
from monitor.air.current import PlaceAir
from monitor.alerting.messages import ending, figures_and_rest, value_text, worst_text
from monitor.domain.alerts.alert import Alert, AlertAction
from monitor.domain.alerts.rule import WATCHABLE, Of, Rule, Test

if TYPE_CHECKING:
    from collections.abc import Mapping
    from zoneinfo import ZoneInfo

    from dashboard.ui.formats import Unit
    from monitor.domain.events import Event

URGENCY = {1: "Take note", 2: "Act", 3: "Act now"}
GROUPS = {
    Of.PLACE: "Air",
    Of.INSTRUMENT: "Instruments",
    Of.WAIT: "Waits",
    Of.SENSOR: "Sensors",
    Of.RESERVOIR: "Humidifiers",
    Of.GLUE: "Glue",
    Of.SHOP: "Service",
}
"""The rules of a page by what they are of."""
_KINDS = {"bench": "benches", "varnish": "varnish places", "outdoors": "places outdoors"}
_ANY = {
    Of.SENSOR: "Any sensor",
    Of.INSTRUMENT: "Any instrument",
    Of.WAIT: "Any wait",
    Of.RESERVOIR: "Any humidifier's tank",
    Of.GLUE: "Any batch of glue",
    Of.SHOP: "The shop",
}
_OVER = {
    "back": "Ended",
    "begun": "Ended: the spell has begun",
    "gone": "Ended: the item was released or removed",
    "off": "Ended: the rule was switched off",
}
_FLAGS = {
    "ready": "is ready",
    "loadable": "has a joint that may be worked, loaded or strung",
    "held": "is on hold because of the air",
    "late": "is expected to be ready later than wanted",
    "rested": "has a steady reading in its jar",
    "pot_at_closing": "has its pot recorded as on at closing time",
    "glue_past": "is past its discard time",
    "broker_away": "gets no readings",
    "store_trouble": "cannot keep its readings",
    "clock_jump": "has a clock that jumped",
    "backup_trouble": "has no new backup",
}
"""Quantities that are either true or not."""


def title(alert: Alert) -> str:
    """`Front bench: Very dry`."""
    return f"{alert.label}: {alert.name}"


def value(kept: float | None, quantity_unit: str, unit: Unit) -> str:
    """Value in words, `27 %`; empty where there is none."""
    return value_text(kept, quantity_unit, fahrenheit=unit == "F").replace("-", "−")


def facts(alert: Alert, now_value: float | None, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """Its figures and since when: `26 % now, 28 % when raised; since 13:10.`"""
    raised = alert.events[0].body
    first = value(raised["value"], raised["unit"], unit)
    now = value(now_value, alert.unit, unit)
    figures = [f"{now} now" if now else "not known now", f"{first} when raised"] if first else []
    first, rest = figures_and_rest(alert.detail)
    parts = [first, f"{'for ' if is_duration(alert) else ''}{', '.join(figures)}"]
    if not (is_duration(alert) and now):
        parts.append(f"since {formats.when(alert.began_ms, now_ms, zone)}")
    if alert.changed_ms is not None:
        parts.append(
            f"updated from a newer outlook {formats.when(alert.changed_ms, now_ms, zone)}"
        )
    text = "; ".join(filter(None, parts))
    return f"{formats.first_upper(text)}. {rest}".strip()


def line(alert: Alert, now_value: float | None, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """An open alert in one line for the wall: `Front bench: Very dry, 27 %, since 13:10.`"""
    shown = value(now_value, alert.unit, unit)
    if alert.faded:
        return f"{title(alert)}: {figures_and_rest(alert.detail)[0]}."
    if shown and is_duration(alert):
        return f"{title(alert)}, for {shown}."
    if alert.unit and not shown:
        shown = "not known now"
    return (
        f"{title(alert)}{f', {shown}' if shown else ''}, "
        f"since {formats.when(alert.began_ms, now_ms, zone)}."
    )


def outlook_headline(alert: Alert) -> Headline:
    """Headline of an alert about the outlook, with its figures and what to do."""
    figures, rest = figures_and_rest(alert.detail)
    sentence = f"{title(alert)}{f', {figures}' if figures else ''}."
    return Headline("dry", sentence, f"{rest} {first_step(alert)}".strip())


def air_line(air: PlaceAir, unit: Unit) -> str:
    """Line on Air about a place that is not right: `Front bench, 55.9 °F. Too cold to glue.`"""
    return f"{air.state_words(unit)} {air.assessment.advice}"


NO_ALERT = (
    "Air shows at once what the air means for the work. An alert is raised only after a rule's "
    "limit has been passed for the time set in that rule. Where no rule has a limit for it, there is "
    "no alert. See Rules for the limits."
)


def is_duration(alert: Alert) -> bool:
    """True if an alert's value is itself a length of time."""
    return alert.unit == "s"


def first_step(alert: Alert) -> str:
    """The first thing to do."""
    return f"{alert.do.partition('. ')[0].rstrip('.')}." if alert.do else ""


def acknowledgement(alert: Alert, now_ms: int, zone: ZoneInfo) -> str:
    """Sentence on who acknowledged or snoozed an alert, or that nobody did."""
    if alert.acknowledged:
        at, by = alert.acknowledged
        return f"Acknowledged{f' by {by}' if by else ''}, {formats.when(at, now_ms, zone)}."
    if alert.snoozed_until_ms is not None and now_ms < alert.snoozed_until_ms:
        return f"Snoozed until {formats.ahead(alert.snoozed_until_ms, now_ms, zone)}."
    return "Not acknowledged."


def ended_words(alert: Alert, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """An alert that is over: how long, from when, how bad."""
    ended = alert.cleared_ms or now_ms
    worst = worst_text(alert, fahrenheit=unit == "F").replace("-", "−")
    parts = [
        f"{duration_words(alert, now_ms)}, from {formats.when(alert.began_ms, now_ms, zone)} "
        f"to {formats.when(ended, now_ms, zone)}"
    ]
    if worst:
        parts.append(worst)
    parts += filter(None, [ending(alert)])
    text = "; ".join(parts)
    return f"{formats.first_upper(text)}."


def duration_words(alert: Alert, now_ms: int) -> str:
    """Duration of an alert in words, from when it began."""
    seconds = ((alert.cleared_ms or now_ms) - alert.began_ms) / 1000
    return formats.hours(seconds) if seconds >= 60 else "less than a minute"


def event_words(event: Event, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """Describe one event of an alert. Who and when are shown beside it."""
    body = event.body
    at = value(body.get("value"), body.get("unit", ""), unit)
    what = f"{body.get('name', '')}{f', {at}' if at else ''}"
    if body.get("foretold"):
        what += f", {figures_and_rest(body['detail'])[0]}"
    match event.action:
        case AlertAction.RAISE:
            return f"Raised: {what}; {URGENCY[body['urgency']].lower()}"
        case AlertAction.ROSE:
            return f"Worse: {what}; {URGENCY[body['urgency']].lower()}"
        case AlertAction.FELL:
            return f"Eased to {what}; {URGENCY[body['urgency']].lower()}"
        case AlertAction.TELL:
            return f"Reminder sent: {what}"
        case AlertAction.CHANGED:
            if not body.get("foretold"):
                return f"Changed: {body['detail']}"
            way = "sooner or worse" if body["graver"] else "later or milder"
            return f"Updated from a newer outlook, {way}: {what}"
        case AlertAction.ADVISED:
            return f"New advice: {body['do']}"
        case AlertAction.CLEAR:
            return _OVER[body["ended"]]
        case AlertAction.ACKNOWLEDGE:
            return "Acknowledged"
        case AlertAction.SNOOZE:
            return f"Snoozed until {formats.ahead(body['until_ms'], now_ms, zone)}"
        case AlertAction.NOTE:
            return f"Note: {body['note']}"
    return str(event.action)


def rule_words(rule: Rule, places: Mapping[str, str], unit: Unit) -> str:
    """Condition of a rule: `Any of the benches: relative humidity below 30 % for 30 min.`"""
    if rule.quantity in _FLAGS:
        matter = f"{_ANY[rule.of]} {_FLAGS[rule.quantity]}"
    else:
        condition = (
            _condition(rule, unit)
            or f"{_TEXTS.get(rule.quantity, WATCHABLE[rule.quantity].text)} {limits(rule, unit)}"
        )
        matter = f"{_where(rule, places)}: {condition}"
    return f"{matter}{f', for {formats.hours(rule.hold_s)}' if rule.hold_s else ''}."


def _condition(rule: Rule, unit: Unit) -> str:
    """The condition of a rule whose value is a margin or a length of time, in words of its own;
    empty for the others, and for tests that these words do not fit."""
    if rule.over_s or rule.test is Test.OUTSIDE:
        return ""
    limit = rule.high if rule.test is Test.ABOVE else rule.low
    words = (_ABOVE if rule.test is Test.ABOVE else _BELOW).get(rule.quantity)
    if limit is None or words is None:
        return ""
    at_zero, beyond = words
    if rule.unit == "s":
        shown = formats.hours(limit)
    elif rule.unit == "K":
        shown = f"{formats.spread(limit, unit)} {formats.degree_difference(unit)}"
    else:
        shown = f"{limit:g}"
    return at_zero if limit == _PLAIN.get(rule.quantity, 0.0) and at_zero else beyond.format(shown)


_TEXTS = {
    "shut_chance": "chance that the shop is closed today",
    "open_chance": "chance that the shop is open today, though it is entered as closed,",
    "from_rest": "difference of its furthest part from its home moisture",
    "yield_share": "strain of held wood, as a share of its yield strain,",
    "dry_spell_chance": "chance of air below its band",
    "damp_spell_chance": "chance of air too damp for glue",
    "hot_spell_chance": "chance of air too hot for glue",
}
"""Quantities whose short name needs more words in a sentence."""
_PLAIN = {"dry_snap": 1.0, "last_starts": 0.5}
"""The limit at which a condition needs no figure, where that is not 0."""
_ABOVE = {
    "last_starts": (
        "a wait could be started in the hour before closing",
        "more than {} waits could be started in the hour before closing",
    ),
    "dry_snap": (
        "a dry snap is likely",
        "the chance of a dry snap is above {} times its alert level",
    ),
    "mould_margin": (
        "RH is above the level from which mould can grow on wood",
        "RH is more than {} % above the level from which mould can grow on wood",
    ),
    "wall_margin": (
        "RH is above the highest that the coldest wall bears without risk of mould",
        "RH is more than {} % above the highest that the coldest wall bears without risk of mould",
    ),
    "silent_s": ("", "no reading for more than {}"),
    "unchanged_s": ("", "the humidity reading has not changed at all for more than {}"),
    "saturated_s": ("", "humidity reads 99 % or more for more than {}"),
    "calibrated_s": ("", "the last calibration is more than {} old"),
    "pot_on_s": ("", "its pot has been recorded as on for more than {}"),
    "due_s": ("the tank is due to be filled", "the tank is overdue by more than {}"),
}
"""Quantity to its condition at a limit of 0, or `_PLAIN`, and beyond any other limit."""
_BELOW = {
    "dew_margin": (
        "the coldest measured surface (or the air, if none is measured) is at or below the dew point",
        "the coldest measured surface (or the air, if none is measured) is less than {} above "
        "the dew point",
    ),
    "warm_up_margin": (
        "the instrument is still colder than the dew point",
        "the instrument is less than {} above the dew point",
    ),
}


def limits(rule: Rule, unit: Unit) -> str:
    """Beyond what: `below 30 %`, `outside its band`, `fallen by more than 20 points within 24 h`."""
    how = scale(rule, unit, difference=rule.over_s > 0)

    def shown(limit: float | None, *, bare: bool = False) -> str:
        if limit is None:
            return "the place's band"
        if rule.unit == "s":
            return formats.hours(limit)
        limit_unit = "points" if rule.over_s and how.unit == "%" else how.unit
        return how.shown(limit) if bare else f"{how.shown(limit)} {limit_unit}"

    if rule.over_s:
        span = f" within {formats.hours(rule.over_s)}"
        down = f"fallen by more than {shown(-(rule.low or 0.0))}"
        up = f"risen by more than {shown(rule.high or 0.0)}"
        words = {Test.BELOW: down, Test.ABOVE: up, Test.OUTSIDE: f"{down}, or {up},"}
        return f"{words[rule.test]}{span}"
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
    """Condition on which an alert of a rule ends, in a sentence."""
    lasting_s = f" for {formats.hours(rule.calm_s)}" if rule.calm_s else ""
    if rule.quantity in _FLAGS:
        back = "this is no longer so"
    elif rule.quantity == "dry_snap" and rule.high is not None:
        back = (
            f"the chance has been below {100 * (rule.high - rule.back):.0f} % of the alert level"
        )
    elif rule.back:
        how = scale(rule, unit, difference=True)
        margin = f"{how.shown(rule.back)} {how.unit}"
        if rule.unit in ("°C", "K"):
            margin = f"{formats.spread(rule.back, unit)} {formats.degree_difference(unit)}"
        back = f"the value has been inside the limit by {margin}"
    else:
        back = "the value has been inside the limit"
    return f"Ends when {back}{lasting_s}."


def notice_words(rule: Rule) -> str:
    """Sentence on how often notices are sent, and if also in quiet hours."""
    often = "One notice is sent"
    if rule.repeat_s:
        often = f"A reminder is sent every {formats.hours(rule.repeat_s)} until acknowledged"
    return f"{often}{', also in quiet hours' if rule.breaks_quiet else ''}."


def _where(rule: Rule, places: Mapping[str, str]) -> str:
    if rule.of is not Of.PLACE:
        return _ANY[rule.of]
    names = [_KINDS.get(name) or places.get(name, name) for name in rule.only] or [
        "places indoors"
    ]
    joined = " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
    if rule.together:
        return f"{formats.first_upper(joined)}, in one alert"
    return f"Any of the {joined}"


def kind_of_place(name: str) -> str:
    """A kind of place in words: `All benches`; empty if it is none."""
    return f"All {_KINDS[name]}" if name in _KINDS else ""


def way(entry: OutboxEntry, now_ms: int, zone: ZoneInfo) -> str:
    """Delivery state of a notice in words."""
    tries = f"{entry.attempts} {'try' if entry.attempts == 1 else 'tries'}"
    match entry.outcome:
        case Outcome.DELIVERED:
            return f"delivered {formats.when(entry.ended_ms or now_ms, now_ms, zone)}"
        case Outcome.WITHDRAWN:
            return "withdrawn: the alert ended before it could be sent"
        case Outcome.GIVEN_UP:
            at = formats.when(entry.ended_ms or now_ms, now_ms, zone)
            return f"failed {at}, after {tries}: {entry.last_error}"
    when = formats.ahead(entry.next_try_ms, now_ms, zone)
    if not entry.attempts:
        if entry.next_try_ms <= now_ms:
            return "being sent"
        if entry.notice.not_before_ms > now_ms:
            return f"to be sent at {when}, when the quiet hours end"
        return f"waiting for the channel; next try about {when}"
    return f"failed {tries} so far; next try about {when}: {entry.last_error}"
