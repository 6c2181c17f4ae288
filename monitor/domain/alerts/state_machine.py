"""Step of all rules at one moment, from observed values to the events of alerts.

The clock is an argument and nothing is kept here, so that the same log gives the same alerts, live
or replayed. One alert stands for one matter (a family of rules) with one subject; it rises and
falls with the gravest rule that is on, and what follows from a cause that is itself on is not told.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from monitor.domain.alerts.alert import Alert, AlertAction
from monitor.domain.alerts.rule import Rule
from monitor.domain.alerts.rule_state import OFF, RuleState, Seen, advance
from monitor.domain.events import About, Event
from monitor.domain.situation import branches

SOONER_MS, SOONER_SHARE = 6 * 3_600_000, 1 / 6
"""What is expected has changed if it begins earlier or later by this, or by this share of the time
until then if that is more. [ms], [-]  Ours: from look to look it moves by less."""
FARTHER = 3.0
"""Or if it goes farther or less far by this. [% RH or K]  Ours: sensors are off by 2 % RH."""
ADVISED_MS = 600_000
"""Advice is made again once in so long, if the situation has changed. [ms]  Ours."""
NO_LONGER = "a newer outlook no longer shows it"
"""Reason given when a newer outlook no longer shows the spell."""
BY = "benchweather"
"""Author of events that raise and end alerts."""

RuleStates = Mapping[tuple[str, str], RuleState]
"""RuleStates by rule and subject."""


_ADVICE = ("do", "branches")
"""Fields of an event that makes the advice again."""


class AlertStep(NamedTuple):
    """Result of one step: the states to go on from, and the events of the alerts."""

    states: dict[tuple[str, str], RuleState]
    events: list[Event]


class _On(NamedTuple):
    """A rule that is on for a subject, or about to change."""

    rule: Rule
    seen: Seen
    state: RuleState


def step(
    rules: Iterable[Rule],
    states: RuleStates,
    alerts: Iterable[Alert],
    seen: Mapping[str, Sequence[Seen]],
    now_ms: int,
    next_id: int,
    *,
    quiet: bool = False,
) -> AlertStep:
    """Advance all rules by one look at all subjects.

    Parameters
    ----------
    rules : iterable of Rule
    states : mapping
        As the last step left them.
    alerts : iterable of Alert
        The open ones.
    seen : mapping of rule id to what it watches
        A subject that is missing is no longer there; one that is there but not known has NaN.
    now_ms : int
        [ms since 1970-01-01 UTC]
    next_id : int
        Of the first alert that is raised.
    quiet : bool
        Nothing is told again now but what may break quiet hours; it is once they are over.
    """
    rules = [rule for rule in rules if rule.on]
    moving: list[_On] = []  # few: for most subjects no rule is on or about to change
    for rule in rules:
        limits: dict[tuple[float, float] | None, tuple[float, float]] = {}
        for one in seen.get(rule.id, ()):
            before = states.get((rule.id, one.subject), OFF)
            if one.band not in limits:
                limits[one.band] = rule.limits(one.band)
            low, high = limits[one.band]
            if before is OFF and not (one.value < low or one.value > high):
                continue  # as almost always
            state = advance(rule, before, one, now_ms)
            if state != OFF:
                moving.append(_On(rule, one, state))
    causes = {one.rule.id for one in moving if one.state.on}
    open_now = {(alert.family, alert.subject): alert for alert in alerts}
    gravest: dict[tuple[str, str], _On] = {}
    moved: dict[tuple[str, str], RuleState] = {}
    for on in moving:
        key = (on.rule.family, on.seen.subject)
        if causes.intersection(on.rule.under) and key not in open_now:
            continue  # it lasts anew once the cause is gone
        moved[on.rule.id, on.seen.subject] = on.state
        if on.state.on and (key not in gravest or on.rule.urgency > gravest[key].rule.urgency):
            gravest[key] = on
    there = {one.subject for many in seen.values() for one in many}
    in_use = {rule.id for rule in rules}
    begun = {(rule, one.subject) for rule, many in seen.items() for one in many if one.begun}
    events = [
        _event(
            alert.id,
            now_ms,
            AlertAction.CLEAR,
            {
                "ended": _ended(alert, in_use, begun, there),
                "worst": states.get((alert.rule, alert.subject), OFF).worst,
            },
        )
        for key, alert in open_now.items()
        if key not in gravest
    ]
    for key, on in gravest.items():
        alert = open_now.get(key)
        if alert is None:
            told = _said(on) | {
                "family": on.rule.family,
                "subject": on.seen.subject,
                "label": on.seen.label,
                "began_ms": _began(on, now_ms),
            }
            events.append(_event(str(next_id), now_ms, AlertAction.RAISE, told))
            next_id += 1
        elif (did := _change(alert, on, now_ms, quiet=quiet)) is not None:
            said = _said(on)
            if did is AlertAction.CHANGED:
                said["graver"] = not on.state.ending and _turn(alert, on, now_ms) > 0
                if on.state.ending:
                    said |= {
                        "foretold": None,
                        "detail": f"{NO_LONGER}. The alert ends if that lasts",
                        "do": "Look at Coming before you do anything for it.",
                    }
            events.append(_event(alert.id, now_ms, did, said))
        elif _advice_changed(alert, on, now_ms):
            said = {name: value for name, value in _said(on).items() if name in _ADVICE}
            events.append(_event(alert.id, now_ms, AlertAction.ADVISED, said))
    return AlertStep(moved, events)


def _began(on: _On, now_ms: int) -> int:
    """Time at which its condition began: the subject's own if it knows one, never in the future."""
    own, looked = on.seen.since_ms, on.state.began_ms or now_ms
    return looked if own is None else min(own, looked)


def _ended(
    alert: Alert, in_use: Container[str], begun: Container[tuple[str, str]], there: Container[str]
) -> str:
    if (alert.rule, alert.subject) in begun:
        return "begun"
    if alert.subject not in there:
        return "gone"
    return "back" if alert.rule in in_use else "off"


def _change(alert: Alert, on: _On, now_ms: int, *, quiet: bool) -> AlertAction | None:
    rule = on.rule
    if rule.urgency > alert.urgency:
        return AlertAction.ROSE
    if rule.id != alert.rule:
        return AlertAction.FELL
    if (
        alert.expected is not None
        if on.state.ending
        else _turn(alert, on, now_ms) or (alert.faded and on.seen.expected is not None)
    ):
        return AlertAction.CHANGED
    if alert.rests(now_ms) or on.state.ending or (quiet and not rule.breaks_quiet):
        return None
    put_off = alert.snoozed_until_ms is not None and alert.acknowledged is None
    due = rule.repeat_s and now_ms - alert.told_ms >= 1000 * rule.repeat_s
    return AlertAction.TELL if put_off or due else None


def _advice_changed(alert: Alert, on: _On, now_ms: int) -> bool:
    """True if the situation asks for other advice than the alert has."""
    if on.state.ending or now_ms - alert.advised_ms < ADVISED_MS:
        return False
    return branches(on.rule.do, on.seen.situation) != alert.branches


def _turn(alert: Alert, on: _On, now_ms: int) -> int:
    """Change of an outlook since its last notice: 1 for the worse, sooner or farther, -1 for the
    better, 0 for none."""
    was, now = alert.expected, on.seen.expected
    if was is None or now is None:
        return 0
    sooner = was.begins_ms - now.begins_ms
    apart = max(SOONER_MS, SOONER_SHARE * (was.begins_ms - now_ms))
    farther = (was.extreme - now.extreme) * (1 if now.below else -1)
    if sooner >= apart or farther >= FARTHER:
        return 1
    return -1 if -sooner >= apart or -farther >= FARTHER else 0


def _said(on: _On) -> dict[str, Any]:
    rule, value, expected = on.rule, on.seen.value, on.seen.expected
    outlook = {} if expected is None else {"foretold": list(expected)}
    return outlook | {
        "rule": rule.id,
        "urgency": rule.urgency,
        "name": rule.name,
        "quantity": rule.quantity,
        "value": value if math.isfinite(value) else None,
        "unit": rule.unit,
        "detail": on.seen.detail,
        "why": rule.why,
        "source": rule.source,
        "do": rule.advice(on.seen.situation),
        "branches": list(branches(rule.do, on.seen.situation)),
        "caution": rule.caution,
    }


def _event(alert_id: str, now_ms: int, did: AlertAction, body: Mapping[str, Any]) -> Event:
    return Event(About.ALERT, alert_id, now_ms, BY, did, body)
