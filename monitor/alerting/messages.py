"""Texts of alerts for notices, the terminal and retained messages."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any, NamedTuple

from monitor.core import formats
from monitor.domain.alerts.alert import Alert, AlertAction
from monitor.domain.alerts.rule import OUTLOOK, WATCHABLE, Of
from monitor.domain.alerts.state_machine import NO_LONGER
from monitor.domain.events import Event
from monitor.domain.notification import TITLE_MAX, Notice

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.settings import Settings

NAMED_MAX = 4
"""Most subjects named in a title."""
REPORTED = (AlertAction.RAISE, AlertAction.ROSE, AlertAction.TELL)
"""Actions that make a notice. A change for the worse makes one too, and a cancelled outlook alert."""
PREFIX = {
    AlertAction.TELL: "Reminder: ",
    AlertAction.CHANGED: "Sooner or worse: ",
    AlertAction.CLEAR: "No longer: ",
}
"""Beginning of a title by action."""


GONE = {
    Of.PLACE: "the place is no longer watched",
    Of.SENSOR: "the sensor was removed or moved",
    Of.INSTRUMENT: "the instrument was handed out",
    Of.WAIT: "the wait was released",
    Of.RESERVOIR: "the tank was removed",
    Of.GLUE: "the glue was discarded",
    Of.SHOP: "Benchweather no longer watches this",
}
"""Reason for the end of an alert whose subject is gone."""


class Message(NamedTuple):
    """A notice and the events that it reports."""

    notice: Notice
    events: tuple[Event, ...]


def figures_and_rest(detail: str) -> tuple[str, str]:
    """First sentence of a detail, its figures, without full stop; and the sentences after it."""
    first, _, rest = detail.partition(". ")
    return first.rstrip("."), f"{rest.rstrip('.')}." if rest else ""


def value_text(value: float | None, unit: str, *, fahrenheit: bool = False) -> str:
    """A value with its unit: `27 %`, `4.5 °C`, `3 h`, `12.8 K below the dew point`, as all margins
    are from there; empty if there is none."""
    words = formats.rule_value(value, unit, formats.unit_of(fahrenheit))
    if value is None or unit != "K":
        return words
    return f"{words.lstrip('-−')} {'below' if value < 0 else 'above'} the dew point"


def sentence(alert: Alert, *, fahrenheit: bool = False) -> str:
    """An alert in a line: `Front bench: Very dry, 27 %`."""
    return _line(_shown_fields(alert), alert.label, fahrenheit=fahrenheit)


def worst_text(alert: Alert, *, fahrenheit: bool = False) -> str:
    """Worst value of an ended alert: `worst 24 %`; empty if it has no value.

    The value furthest out is stored for its last rule. If its gravest rule tested another quantity, the
    value when that was raised.
    """
    gravest = alert.at_gravest
    if gravest["quantity"] == alert.quantity and alert.worst is not None:
        text = value_text(alert.worst, alert.unit, fahrenheit=fahrenheit)
        word = "longest" if alert.unit == "s" else "worst"
        return f"{word} {text}" if text else ""
    text = value_text(gravest["value"], gravest["unit"], fahrenheit=fahrenheit)
    return f"{text} when raised" if text else ""


def ending(alert: Alert) -> str:
    """Reason for the end of an alert, unless its value came back: `the wait was released`."""
    if alert.ended == "gone":
        watched = WATCHABLE.get(alert.quantity)
        return GONE[watched.of] if watched else "its subject was removed"
    if alert.ended == "begun":
        return "the spell has begun"
    if alert.ended == "off":
        return "its rule was switched off"
    return NO_LONGER if alert.quantity in OUTLOOK else ""


def change(alert: Alert, now_ms: int, zone: ZoneInfo) -> str:
    """Note that a newer outlook has changed an alert; empty if none did."""
    if alert.changed_ms is None:
        return ""
    return f"changed {formats.dated(alert.changed_ms, now_ms, zone)} by a newer outlook"


def notices(
    events: Iterable[Event],
    alerts: Mapping[str, Alert],
    settings: Settings,
    now_ms: int,
    breaks_quiet: Mapping[str, bool],
) -> list[Message]:
    """Notices for the events of one moment; events of one rule and one action share a notice.

    Parameters
    ----------
    events : iterable of Event
    alerts : mapping of id to Alert
        Those there were before.
    breaks_quiet : mapping of rule id to bool
    """
    waits_for = settings.quiet_until(now_ms)
    unsent = {a.id for a in alerts.values() if waits_for == settings.quiet_until(a.told_ms)}
    heard = {i: a for i, a in alerts.items() if waits_for is None or i not in unsent}
    reported = [one for event in events if (one := _reported(event, heard)) is not None]
    reported.sort(key=lambda e: (-e.body["urgency"], e.body["rule"], e.action))
    fahrenheit = settings.board.temperature_unit == "F"
    found = []
    for (rule, action), group in groupby(reported, key=lambda e: (e.body["rule"], e.action)):
        many = tuple(group)
        body = many[0].body
        labels = [_label(event, alerts) for event in many]
        found.append(
            Message(
                Notice(
                    notice_id=f"{rule}-{many[0].subject}-{now_ms}",
                    made_ms=now_ms,
                    not_before_ms=(None if breaks_quiet.get(rule) else waits_for) or now_ms,
                    urgency=body["urgency"],
                    title=_title(many, labels, action, fahrenheit=fahrenheit),
                    text=_text(many, labels, alerts, settings, now_ms),
                ),
                many,
            )
        )
    return found


def _reported(event: Event, heard: Mapping[str, Alert]) -> Event | None:
    """Event for a notice, with all that the notice needs; None if it makes no notice.

    `heard`: the alerts of which a notice was sent before.
    """
    if event.action in REPORTED or event.body.get("graver"):
        return event
    alert = heard.get(event.subject)
    if (
        event.action != AlertAction.CLEAR
        or event.body["ended"] != "back"
        or alert is None
        or alert.quantity not in OUTLOOK
        or not alert.notice
    ):
        return None
    earlier = [one.body["detail"] for one in alert.events if one.body.get("foretold")]
    cancelled = {
        "rule": alert.rule,
        "urgency": alert.urgency,
        "name": alert.name,
        "value": None,
        "unit": "",
        "why": NO_LONGER,
        "caution": "",
        "do": "You do not need to do anything.",
        "detail": f"earlier notice: {figures_and_rest(earlier[-1] if earlier else alert.detail)[0]}",
    }
    return event._replace(body={**event.body, **cancelled})


def _title(many: Sequence[Event], labels: Sequence[str], action: str, *, fahrenheit: bool) -> str:
    """Short title: the alert, and the first thing to do if there is room."""
    body = many[0].body
    if len(many) == 1:
        line = _line(body, labels[0], fahrenheit=fahrenheit)
    else:
        named = ", ".join(labels[:NAMED_MAX])
        more = f" and {len(many) - NAMED_MAX} more" if len(many) > NAMED_MAX else ""
        line = f"{body['name']}: {named}{more}"
    line = f"{PREFIX.get(AlertAction(action), '')}{line}"
    first = body["do"].partition(". ")[0].rstrip(".")
    full = f"{line}. {first}." if first else f"{line}."
    if len(full) <= TITLE_MAX:
        return full
    return f"{line}." if len(line) < TITLE_MAX else f"{line[: TITLE_MAX - 1]}…"


def _text(
    many: Sequence[Event],
    labels: Sequence[str],
    alerts: Mapping[str, Alert],
    settings: Settings,
    now_ms: int,
) -> str:
    body, zone = many[0].body, settings.zone
    fahrenheit = settings.board.temperature_unit == "F"
    lines = []
    for event, label in zip(many, labels, strict=True):
        known = alerts.get(event.subject)
        began = event.body.get("began_ms") or (known.began_ms if known else now_ms)
        since = formats.dated(began, now_ms, zone)
        first, rest = figures_and_rest(event.body["detail"])
        detail = f" ({first})" if first else ""
        lines.append(
            f"{_line(event.body, label, fahrenheit=fahrenheit)}{detail}, since {since}. "
            f"Alert {event.subject}."
        )
        lines += [rest] if rest else []
    lines += [f"Now: {body['do']}", f"Why: {body['why']}"]
    if body["caution"]:
        lines.append(f"Caution: {body['caution']}")
    if settings.shop.name:
        lines.append(settings.shop.name)
    return formats.in_reader_unit("\n".join(lines), formats.unit_of(fahrenheit))


def _line(body: Mapping[str, Any], label: str, *, fahrenheit: bool) -> str:
    value = value_text(body["value"], body["unit"], fahrenheit=fahrenheit)
    return f"{label}: {body['name']}" + (f", {value}" if value else "")


def _label(event: Event, alerts: Mapping[str, Alert]) -> str:
    return (
        event.body["label"] if event.action == AlertAction.RAISE else alerts[event.subject].label
    )


def _shown_fields(alert: Alert) -> dict[str, Any]:
    return {"name": alert.name, "value": alert.value, "unit": alert.unit}
