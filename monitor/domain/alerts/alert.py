"""An alert, as what happened to it makes it: raised, graver, acknowledged, put off, over.

An alert is the fold of its events, oldest first. It carries the words of its rule, so that it can
be read whatever becomes of the rule later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from msgspec import Meta

from monitor.core.errors import Rejected
from monitor.core.validation import LINES, Request
from monitor.domain.alerts.rule_state import ExpectedSpell
from monitor.domain.events import About, Event


class AlertAction(StrEnum):
    """Event of an alert. The last three are a person's; CHANGED: its outlook has changed; ADVISED:
    the situation asks for other advice."""

    RAISE = "raise"
    ROSE = "rose"
    FELL = "fell"
    TELL = "tell again"
    CHANGED = "changed"
    ADVISED = "advised"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    SNOOZE = "snooze"
    NOTE = "note"


SNOOZE_MIN = (5, 14 * 24 * 60)
"""Shortest and longest snooze. [min]"""
NOTE_MAX = 500
"""Longest note. [characters]"""


@dataclass(frozen=True, kw_only=True)
class Alert:
    """Alert on one matter of one subject, from its beginning until it is over.

    Times in ms since 1970-01-01 UTC. `name`, `value`, `why`, `do` and the like are those of the
    gravest rule that is on.
    """

    id: str
    family: str
    subject: str
    label: str
    rule: str
    urgency: int
    name: str
    quantity: str
    value: float | None
    unit: str
    detail: str
    why: str
    source: str
    do: str
    caution: str
    began_ms: int
    raised_ms: int
    told_ms: int
    notice: str = ""
    """Id of the last notice of this alert."""
    expected: ExpectedSpell | None = None
    """Spell in the outlook, of an alert that is about one."""
    branches: tuple[str, ...] = ()
    """Advice that depends on the situation, without its figures."""
    advised_ms: int = 0
    """Time at which the advice was last made."""
    changed_ms: int | None = None
    """Time at which a newer outlook last changed the alert."""
    cleared_ms: int | None = None
    ended: str = ""
    """How it ended: `back`, `begun` if what was expected is there, `gone` if what it was about is no
    longer there, or `off` if its rule is not in use any more."""
    worst: float | None = None
    """The value furthest out while its last rule was on, once it is over."""
    acknowledged: tuple[int, str] | None = None
    """Time and person."""
    snoozed_until_ms: int | None = None
    notes: tuple[tuple[int, str, str], ...] = ()
    """Time, person and text of each."""
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def open(self) -> bool:
        return self.cleared_ms is None

    @property
    def faded(self) -> bool:
        """True if a newer outlook no longer shows the spell, which is not yet cancelled."""
        return self.changed_ms is not None and self.expected is None

    @property
    def at_gravest(self) -> Mapping[str, Any]:
        """Data of the event at which its urgency was the highest it ever had."""
        said = [event.body for event in self.events if "urgency" in event.body]
        return max(said, key=lambda body: body["urgency"])

    @property
    def gravest(self) -> tuple[int, str]:
        """The highest urgency it ever had, and the name of that rule."""
        return self.at_gravest["urgency"], self.at_gravest["name"]

    def rests(self, now_ms: int) -> bool:
        """True if somebody has acknowledged the alert, or snoozed it until later."""
        put_off = self.snoozed_until_ms is not None and now_ms < self.snoozed_until_ms
        return self.acknowledged is not None or put_off


_SAID = (
    "rule",
    "urgency",
    "name",
    "quantity",
    "value",
    "unit",
    "detail",
    "why",
    "source",
    "do",
    "caution",
)


def apply(alert: Alert | None, event: Event) -> Alert:
    """An alert with one more event; None and a raising make a new one."""
    body, at = event.body, event.recorded_ms
    if event.action == AlertAction.RAISE:
        said = {name: body[name] for name in (*_SAID, "family", "subject", "label", "began_ms")}
        return Alert(
            id=event.subject,
            raised_ms=at,
            told_ms=at,
            notice=body.get("notice", ""),
            expected=_expected(body),
            branches=tuple(body.get("branches", ())),
            advised_ms=at,
            events=(event,),
            **said,
        )
    if alert is None:
        raise Rejected(f"history of alert {event.subject} does not begin with its raising")
    alert = replace(alert, events=(*alert.events, event))
    if "branches" in body:
        alert = replace(alert, branches=tuple(body["branches"]), advised_ms=at)
    match event.action:
        case AlertAction.ROSE:
            said = {name: body[name] for name in _SAID}
            return replace(
                alert,
                told_ms=at,
                notice=body.get("notice", ""),
                acknowledged=None,
                snoozed_until_ms=None,
                expected=_expected(body),
                **said,
            )
        case AlertAction.FELL:
            said = {name: body[name] for name in _SAID}
            return replace(alert, expected=_expected(body), **said)
        case AlertAction.TELL:
            return replace(
                alert,
                told_ms=at,
                snoozed_until_ms=None,
                value=body["value"],
                detail=body["detail"],
                expected=_expected(body),
            )
        case AlertAction.CHANGED:
            said = {name: body[name] for name in _SAID}
            notice = body.get("notice", "") or alert.notice
            return replace(alert, changed_ms=at, notice=notice, expected=_expected(body), **said)
        case AlertAction.ADVISED:
            return replace(alert, do=body["do"])
        case AlertAction.CLEAR:
            return replace(alert, cleared_ms=at, ended=body["ended"], worst=body["worst"])
        case AlertAction.ACKNOWLEDGE:
            return replace(alert, acknowledged=(at, event.by), snoozed_until_ms=None)
        case AlertAction.SNOOZE:
            return replace(alert, snoozed_until_ms=body["until_ms"])
        case AlertAction.NOTE:
            return replace(alert, notes=(*alert.notes, (at, event.by, body["note"])))
    raise Rejected(f"unknown action {event.action}")


def _expected(body: Mapping[str, Any]) -> ExpectedSpell | None:
    """Events of before there was such a thing have none."""
    found = body.get("foretold")
    return None if found is None else ExpectedSpell(*found)


def _note_fault(note: str) -> str | None:
    return LINES["fault"](note) if note else "is empty"


class AlertRequest(Request, frozen=True, kw_only=True):
    """A request that concerns an alert."""

    about: ClassVar[str] = About.ALERT
    key: ClassVar[str] = "alert"
    alert: str


class AcknowledgeAlert(AlertRequest, frozen=True, kw_only=True, tag=str(AlertAction.ACKNOWLEDGE)):
    """Acknowledge an alert: its reminders stop."""


class SnoozeAlert(AlertRequest, frozen=True, kw_only=True, tag=str(AlertAction.SNOOZE)):
    """Silence an alert for a time. [min]"""

    minutes: Annotated[int, Meta(ge=SNOOZE_MIN[0], le=SNOOZE_MIN[1])]


class NoteAlert(AlertRequest, frozen=True, kw_only=True, tag=str(AlertAction.NOTE)):
    """Add a note to an alert, which may have ended."""

    note: Annotated[str, Meta(max_length=NOTE_MAX, extra=LINES | {"fault": _note_fault})]


REQUESTS = (AcknowledgeAlert, SnoozeAlert, NoteAlert)


def decide(alert: Alert, request: AlertRequest, now_ms: int) -> dict[str, Any]:
    """The body of the event that carries a request out. `now_ms` in ms since 1970-01-01 UTC.

    Raises
    ------
    Rejected
        If the state of the alert does not allow it.
    """
    if isinstance(request, NoteAlert):
        return {"note": request.note}
    if not alert.open:
        raise Rejected(f"alert {alert.id} has ended")
    if isinstance(request, SnoozeAlert):
        return {"until_ms": now_ms + 60_000 * request.minutes}
    if alert.acknowledged:
        raise Rejected(f"alert {alert.id} was acknowledged by {alert.acknowledged[1]}")
    return {}
