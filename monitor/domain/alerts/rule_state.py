"""State of a rule for one subject: off, on, or about to change."""

from __future__ import annotations

import math
from typing import NamedTuple

from monitor.domain.alerts.rule import Rule, Test
from monitor.domain.situation import ANYWHERE, Situation


class ExpectedSpell(NamedTuple):
    """Spell in the outlook.

    When it begins [ms since 1970-01-01 UTC], how far it goes [% RH or °C], and whether lower is
    graver.
    """

    begins_ms: int
    extreme: float
    below: bool


class Seen(NamedTuple):
    """Value of a rule's quantity for one subject; a NaN is not known.

    `label` names the subject on screen; `band` is a place's [%], and `detail` goes with what is
    said. `expected`: what is to come, of a rule that foretells; `begun`: it is there. `situation`:
    what the advice depends on. `since_ms`: when it became so, if its own times say that and not the
    first look at it [ms since 1970-01-01 UTC].
    """

    subject: str
    label: str
    value: float
    band: tuple[float, float] | None = None
    detail: str = ""
    begun: bool = False
    expected: ExpectedSpell | None = None
    situation: Situation = ANYWHERE
    since_ms: int | None = None


class RuleState(NamedTuple):
    """`on` once the condition has lasted; `since_ms` is when it began to be otherwise than that.

    `began_ms` is when the condition began that it is on for [ms since 1970-01-01 UTC], `worst`
    the value furthest out since then.
    """

    on: bool = False
    since_ms: int | None = None
    began_ms: int | None = None
    worst: float | None = None

    @property
    def ending(self) -> bool:
        """True if the rule is on, but its value has come back."""
        return self.on and self.since_ms is not None


OFF = RuleState()


def beyond(rule: Rule, seen: Seen) -> bool | None:
    """True beyond a limit, False back from all by the margin, None between or not known."""
    low, high = rule.limits(seen.band)
    value = seen.value
    if math.isnan(value):
        return None
    if value < low or value > high:
        return True
    if low + rule.back <= value <= high - rule.back:
        return False
    # A margin wider than half the band, as a place's own may be: its middle counts as back.
    if rule.test is Test.OUTSIDE and low + rule.back > high - rule.back:
        return False
    return None


def advance(rule: Rule, state: RuleState, seen: Seen, now_ms: int) -> RuleState:
    """The state after one more look. What is not known changes nothing.

    A condition that is left before it has lasted starts anew; one that is on ends when the value
    has been back by the margin for the calm time.
    """
    matter = beyond(rule, seen)
    if math.isnan(seen.value):
        return state
    if not state.on:
        if not matter:
            return OFF
        since = _since(state, now_ms)
        worst = _worse(rule, seen, state.worst)
        if now_ms - since >= 1000 * rule.hold_s:
            return RuleState(True, None, since, worst)
        return RuleState(False, since, since, worst)
    worst = _worse(rule, seen, state.worst)
    if matter is not False:  # between the limit and the margin it is not back
        return RuleState(True, None, state.began_ms, worst)
    since = _since(state, now_ms)
    if now_ms - since >= 1000 * rule.calm_s:
        return OFF
    return RuleState(True, since, state.began_ms, worst)


def _since(state: RuleState, now_ms: int) -> int:
    """Time at which the change began; one in the future, from a clock set back, counts as now."""
    return now_ms if state.since_ms is None else min(state.since_ms, now_ms)


def _worse(rule: Rule, seen: Seen, worst: float | None) -> float | None:
    """The value that lies further beyond the limits."""
    if not math.isfinite(seen.value):
        return worst
    low, high = rule.limits(seen.band)

    def out(value: float) -> float:
        return max(low - value, value - high)

    return seen.value if worst is None or out(seen.value) > out(worst) else worst
