"""`benchweather alert`, `filled`, `humidifier` and `closed`: what needs attention, and answers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.asking import ask, each
from monitor.cli.output import out, print_json, print_table, when
from monitor.cli.shared import Json, command, fahrenheit, in_reader_unit, journal_of, known
from monitor.core.clock import now_ms, today
from monitor.domain.closing import ClosingAction
from monitor.domain.events import About
from monitor.domain.humidifier import HumidifierAction
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.domain.alerts.alert import Alert

app = typer.Typer(no_args_is_help=True, help="Show, acknowledge and snooze alerts.")

AlertId = Annotated[str, typer.Argument(metavar="ALERT", help="Number of the alert")]
AlertIds = Annotated[
    list[str],
    typer.Argument(metavar="ALERT...", help="Numbers of alerts: 12, or 12 13 14, or 12-19"),
]
URGENCY = {1: "1 take note", 2: "2 act", 3: "3 act now"}
ENDED_SHOWN = 50


@command(app, "list")
def list_(
    settings: Settings,
    ended: Annotated[
        bool,
        typer.Option(
            "--ended", "--over", help="Show the 50 alerts that ended last, the newest first"
        ),
    ] = False,
    as_json: Json = False,
) -> None:
    """Show open alerts, the most urgent first, each with what to do now."""
    with journal_of(settings) as (_, journal):
        found = [alert for alert in journal.alerts.values() if alert.open is not ended]
    if ended:
        found = sorted(found, key=lambda one: -(one.cleared_ms or 0))[:ENDED_SHOWN]
    else:
        found = sorted(found, key=lambda one: (-one.urgency, -one.raised_ms))
    if as_json:
        print_json(found)
        return
    if not found:
        out.print("No alert has ended yet." if ended else "No open alerts.")
        return
    print_table(
        ("alert", "urgency", "what, since when", "how it went" if ended else "what to do"),
        [
            (
                alert.id,
                URGENCY[alert.gravest[0] if ended else alert.urgency],
                f"{f'{alert.label}: {alert.gravest[1]}' if ended else _title(alert, settings)}\n"
                f"{'' if ended else _detail(alert, settings)}{_span(alert, settings)}",
                _worst(alert, settings)
                if ended
                else f"{in_reader_unit(alert.do, settings)}\n{_status(alert, settings)}",
            )
            for alert in found
        ],
    )


@command(app)
def show(settings: Settings, alert: AlertId, as_json: Json = False) -> None:
    """Show one alert with its whole history."""
    from monitor.alerting.messages import figures_and_rest
    from monitor.domain.alerts.alert import AlertAction

    with journal_of(settings) as (_, journal):
        found = journal.alerts[known(alert, journal.alerts, "alert")]
    if as_json:
        print_json(found)
        return
    status = _status(found, settings) if found.open else _worst(found, settings)
    lines = [
        f"{URGENCY[found.urgency]}: {_title(found, settings)}",
        _detail(found, settings).rstrip(),
        f"{_span(found, settings)}. {status}",
        f"Now: {found.do}" if found.open else "",
        f"Why: {found.why}",
        f"Source: {found.source}",
        f"Caution: {found.caution}" if found.caution else "",
    ]
    for line in filter(None, lines):
        out.print(in_reader_unit(line, settings))
    rows = []
    for event in found.events:
        kept = {k: event.body[k] for k in ("name", "until_ms", "note", "ended") if k in event.body}
        if event.action == AlertAction.CHANGED or event.body.get("foretold"):
            kept["detail"] = figures_and_rest(event.body["detail"])[0]
        if event.action == AlertAction.ADVISED:
            kept["do"] = event.body["do"]
        if "until_ms" in kept:
            kept["until_ms"] = when(kept["until_ms"], settings)
        details = ", ".join(str(value) for value in kept.values())
        rows.append((when(event.recorded_ms, settings), event.by, event.action, details))
    print_table(("when", "who", "action", "details"), rows)


@command(app)
def acknowledge(settings: Settings, alerts: AlertIds) -> None:
    """Acknowledge alerts and stop their reminders."""
    each(settings, "acknowledge", alerts, {}, About.ALERT)


@command(app)
def snooze(
    settings: Settings,
    alert: AlertId,
    minutes: Annotated[int, typer.Argument(help="How long, in minutes")],
) -> None:
    """Silence an alert for a time. A reminder follows if it is still open then."""
    ask(settings, "snooze", {"about": About.ALERT, "alert": alert, "minutes": minutes})
    out.print(f"Alert {alert} is snoozed for {minutes} min.")


@command(app)
def note(
    settings: Settings,
    alert: AlertId,
    text: Annotated[str, typer.Argument(help="Text of the note")],
) -> None:
    """Add a note to an alert's history."""
    ask(settings, "note", {"about": About.ALERT, "alert": alert, "note": text})
    out.print(f"The note is added to alert {alert}.")


def filled(
    settings: Settings,
    tank: Annotated[str, typer.Argument(help="Id of the tank in the settings")],
    amount: Annotated[
        str,
        typer.Option(
            help="Water added, such as '1.5 L'. Units: mL, L, US fl oz, qt, gal, g, kg, lb. "
            "Always fill to the same mark"
        ),
    ] = "",
) -> None:
    """Record that a humidifier's tank was filled now. The outlook learns from the amount."""
    given = {"amount": amount} if amount else {}
    ask(settings, "filled", {"about": About.RESERVOIR, "reservoir": tank} | given)
    out.print(f"{tank} is filled{f' with {amount}' if amount else ''}.")


def humidifier(
    settings: Settings,
    place: Annotated[str, typer.Argument(help="Id of the place")],
    there: Annotated[bool, typer.Option("--there/--none", help="Whether it has a humidifier")],
) -> None:
    """Record whether a place has a humidifier. The page Coming asks this."""
    do = HumidifierAction.THERE if there else HumidifierAction.NONE
    ask(settings, do, {"about": About.HUMIDIFIER, "place": place})
    out.print(f"{place} has {'a' if there else 'no'} humidifier.")


def closed(
    settings: Settings,
    until: Annotated[
        str, typer.Option(help="Last closed day, such as 2027-01-02; today: closed today only")
    ] = "",
    *,
    open_: Annotated[bool, typer.Option("--open", help="The shop is open today")] = False,
) -> None:
    """Record that the shop is closed from today on, or open today. The page Coming asks this."""
    day = today(settings.zone).isoformat()
    if open_ == bool(until):
        raise typer.BadParameter("give the last closed day with --until, or --open")
    if open_:
        ask(settings, ClosingAction.OPEN, {"about": About.CLOSING, "first": day})
        out.print("The shop is open today.")
        return
    last = day if until == "today" else until
    ask(settings, ClosingAction.CLOSED, {"about": About.CLOSING, "first": day, "last": last})
    out.print(f"The shop is closed. Last closed day: {last}.")


def _title(alert: Alert, settings: Settings) -> str:
    from monitor.alerting.messages import sentence

    return sentence(alert, fahrenheit=fahrenheit(settings))


def _worst(alert: Alert, settings: Settings) -> str:
    from monitor.alerting.messages import ending, worst_text

    return "; ".join(
        filter(None, (worst_text(alert, fahrenheit=fahrenheit(settings)), ending(alert)))
    )


def _detail(alert: Alert, settings: Settings) -> str:
    """Detail of an alert and what a newer outlook changed; a line, empty if there is neither."""
    from monitor.alerting.messages import change, figures_and_rest

    first, rest = figures_and_rest(alert.detail)
    text = "; ".join(filter(None, (first, change(alert, now_ms(), settings.zone))))
    return "".join(f"{line}\n" for line in (text, rest) if line)


def _status(alert: Alert, settings: Settings) -> str:
    """State of an alert: who acknowledged it, or until when it is snoozed."""
    if alert.acknowledged:
        return f"Acknowledged by {alert.acknowledged[1] or 'somebody'}."
    if alert.rests(now_ms()) and alert.snoozed_until_ms is not None:
        return f"Snoozed until {when(alert.snoozed_until_ms, settings)}."
    return "Nobody has acknowledged it."


def _span(alert: Alert, settings: Settings) -> str:
    began = when(alert.began_ms, settings)
    if alert.cleared_ms is None:
        return f"since {began}"
    return f"from {began} to {when(alert.cleared_ms, settings)}"
