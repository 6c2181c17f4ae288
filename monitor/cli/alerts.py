"""`benchweather alert`, `rule` and `filled`: what is the matter, and when the shop is told of it.

What changes something is handed to the running service; what only shows is read from the store.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from monitor.cli.asking import ask, each, journal_of
from monitor.cli.shared import Config, Data, Demo, exit_on, fahrenheit, load, out, wrong
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.domain.events import About

if TYPE_CHECKING:
    from monitor.domain.alerts.alert import Alert
    from monitor.domain.alerts.rule import Rule
    from monitor.settings import Settings

app = typer.Typer(no_args_is_help=True, help="Alerts: show, acknowledge, put off, note.")
rules = typer.Typer(no_args_is_help=True, help="Rules that raise alerts: show, change, add.")

AlertId = Annotated[str, typer.Argument(metavar="ALERT", help="Number of the alert")]
AlertIds = Annotated[
    list[str],
    typer.Argument(metavar="ALERT...", help="Numbers of alerts: 12, or 12 13 14, or 12-19"),
]
RuleId = Annotated[str, typer.Argument(metavar="RULE", help="Id of the rule")]
OVER_SHOWN = 50


@app.command("list")
def list_(
    over: Annotated[
        bool, typer.Option("--over", help="Those that are over, newest first")
    ] = False,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Show the open alerts, the gravest first, each with what to do now."""
    settings = load(data, config, demo=demo)
    with journal_of(settings) as (_, journal):
        found = [alert for alert in journal.alerts.values() if alert.open is not over]
    if over:
        found = sorted(found, key=lambda one: -(one.cleared_ms or 0))[:OVER_SHOWN]
    else:
        found = sorted(found, key=lambda one: (-one.urgency, -one.raised_ms))
    if not found:
        out.print("No alert is over yet." if over else "No alert is open.")
        return
    table = Table("alert", "urgency", "what, since when", "what it was" if over else "what to do")
    for alert in found:
        table.add_row(
            alert.id,
            _urgency(alert.gravest[0] if over else alert.urgency),
            f"{f'{alert.label}: {alert.gravest[1]}' if over else _said(alert, settings)}\n"
            f"{'' if over else _detail(alert, settings)}{_span(alert, settings)}",
            _worst(alert, settings) if over else f"{alert.do}\n{_rest(alert, settings)}",
        )
    out.print(table)


@app.command()
def show(alert: AlertId, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Show one alert with its whole journal."""
    from monitor.domain.alerts.alert import AlertAction, AlertFault

    settings = load(data, config, demo=demo)
    with journal_of(settings) as (_, journal):
        found = journal.alerts.get(alert)
        if found is None:
            raise AlertFault(f"there is no alert {alert!r}")
    exit_on = [
        f"{_urgency(found.urgency)}: {_said(found, settings)}",
        _detail(found, settings).rstrip(),
        f"{_span(found, settings)}. {_rest(found, settings) if found.open else _worst(found, settings)}",
        f"Now: {found.do}" if found.open else "",
        f"Why: {found.why}",
        f"Source: {found.source}",
        f"Caution: {found.caution}" if found.caution else "",
    ]
    for line in filter(None, exit_on):
        out.print(line, highlight=False)
    table = Table("when", "who", "did", "with")
    for event in found.events:
        kept = {k: event.body[k] for k in ("name", "until_ms", "note", "ended") if k in event.body}
        if event.action == AlertAction.CHANGED or event.body.get("foretold"):
            kept["detail"] = event.body["detail"].partition("; ")[0]
        if "until_ms" in kept:
            kept["until_ms"] = _moment(kept["until_ms"], settings)
        table.add_row(
            _moment(event.recorded_ms, settings),
            event.by,
            event.action,
            ", ".join(str(value) for value in kept.values()),
        )
    out.print(table)


@app.command()
def acknowledge(
    alerts: AlertIds, data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """Say that somebody has taken note: they are not told again."""
    each(load(data, config, demo=demo), "acknowledge", alerts, {}, About.ALERT)


@app.command()
def snooze(
    alert: AlertId,
    minutes: Annotated[int, typer.Argument(help="For how long [min]")],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Put an alert off: it is told again then, if it is still so."""
    settings = load(data, config, demo=demo)
    ask(settings, "snooze", {"about": About.ALERT, "alert": alert, "minutes": minutes})
    out.print(f"{alert} is put off for {minutes} min")


@app.command()
def note(
    alert: AlertId,
    text: Annotated[str, typer.Argument(help="What is to be remembered of it")],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Add a note to an alert's journal."""
    settings = load(data, config, demo=demo)
    ask(settings, "note", {"about": About.ALERT, "alert": alert, "note": text})
    out.print("noted")


@rules.command("list")
def list_rules(data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Show every rule: when it raises an alert, and how urgent that is."""
    settings = load(data, config, demo=demo)
    book, own = _rules(settings)
    table = Table("rule", "name", "urgency", "raised when", "")
    for rule in book.values():
        marks = ["" if rule.on else "off", "changed" if rule.id in own else ""]
        table.add_row(
            rule.id, rule.name, _urgency(rule.urgency), _when(rule), ", ".join(filter(None, marks))
        )
    out.print(table)


@rules.command("show")
def show_rule(rule: RuleId, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Show a rule with every field, as `rule set --field` takes them."""
    from monitor.domain.alerts.rule import WATCHABLE
    from monitor.domain.alerts.rule_registry import as_mapping

    book, _ = _rules(load(data, config, demo=demo))
    with exit_on():
        found = _named(rule, book)
    watched = WATCHABLE[found.quantity]
    out.print(f"{found.name}: {_when(found)}", highlight=False)
    out.print(
        f"{found.quantity} [{watched.unit or '-'}] of a {watched.of}: {watched.text}",
        highlight=False,
    )
    table = Table("field", "value")
    for name, value in as_mapping(found).items():
        if name not in ("id", "quantity"):
            table.add_row(name, _field_text(value))
    out.print(table)


@rules.command("set")
def set_rule(
    rule: RuleId,
    like: Annotated[str, typer.Option(help="For a new one: the rule it is like")] = "",
    name: Annotated[str, typer.Option(help="Name on screen")] = "",
    low: Annotated[
        float | None, typer.Option(help="Lower limit, in the unit that `rule show` tells; °C")
    ] = None,
    high: Annotated[float | None, typer.Option(help="Upper limit, likewise")] = None,
    back: Annotated[float | None, typer.Option(help="How far it must come back")] = None,
    hold_min: Annotated[float | None, typer.Option(help="How long it must last [min]")] = None,
    calm_min: Annotated[float | None, typer.Option(help="How long it must be back [min]")] = None,
    over_h: Annotated[float | None, typer.Option(help="Its change over this time [h]")] = None,
    urgency: Annotated[int | None, typer.Option(help="1 mind it, 2 act, 3 act now")] = None,
    repeat_h: Annotated[
        float | None, typer.Option(help="Told again each, until acknowledged [h]; 0: once")
    ] = None,
    quiet: Annotated[
        bool | None, typer.Option("--in-quiet/--not-in-quiet", help="Told in quiet hours too")
    ] = None,
    on: Annotated[bool | None, typer.Option("--on/--off", help="Whether it is watched")] = None,
    field: Annotated[
        list[str] | None, typer.Option(metavar="NAME=VALUE", help="Any field of a rule; repeat")
    ] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Change a rule, or add one like another."""
    from monitor.domain.alerts.rule_registry import TO_DO

    settings = load(data, config, demo=demo)
    given = {
        "like": like or None,
        "name": name or None,
        "low": low,
        "high": high,
        "back": back,
        "hold_s": _seconds(hold_min, 60),
        "calm_s": _seconds(calm_min, 60),
        "over_s": _seconds(over_h, 3600),
        "repeat_s": _seconds(repeat_h, 3600),
        "urgency": urgency,
        "breaks_quiet": quiet,
        "on": on,
    }
    wish = {key: value for key, value in given.items() if value is not None}
    wish |= dict(_field(text) for text in field or ())
    if "do" in wish:
        wish[TO_DO] = wish.pop("do")
    if not wish:
        wrong("nothing to set: give an option, such as --low 35, or --field NAME=VALUE")
    ask(settings, "rule", {"about": About.RULE, "rule": rule} | wish)
    out.print(f"{rule} is set")


@rules.command()
def reset(rule: RuleId, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Give up what was changed of a rule; one of the shop's own is taken away."""
    ask(load(data, config, demo=demo), "reset", {"about": About.RULE, "rule": rule})
    out.print(f"{rule} is as it came")


def filled(
    reservoir: Annotated[str, typer.Argument(help="Id of the tank in the settings")],
    amount: Annotated[
        str,
        typer.Option(
            help="Water put in, weighed or metered, with its unit (mL, L, US fl oz, qt or gal, g, kg "
            "or lb), such as '1.5 L'; each time to the same mark"
        ),
    ] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Note that a humidifier's tank was filled now; with how much, the outlook learns from it."""
    settings = load(data, config, demo=demo)
    wish = {"amount": amount} if amount else {}
    ask(settings, "filled", {"about": About.RESERVOIR, "reservoir": reservoir} | wish)
    out.print(f"{reservoir}: filled{f', {amount}' if amount else ''}")


def _rules(settings: Settings) -> tuple[dict[str, Rule], set[str]]:
    """Every rule, and the ids of those that the shop changed or added."""
    from monitor.domain.alerts import rule_registry

    with journal_of(settings) as (_, journal):
        return rule_registry.in_use(settings.limits, journal.rules), set(journal.rules)


def _named(rule: str, book: dict[str, Rule]) -> Rule:
    from monitor.domain.alerts.rule import RuleFault

    if rule not in book:
        raise RuleFault(f"there is no rule {rule!r}: it must be one of {', '.join(book)}")
    return book[rule]


def _field(text: str) -> tuple[str, Any]:
    """A field of a rule as `--field` gives it: the value as the field's own type."""
    from dataclasses import fields

    from monitor.domain.alerts.rule import Rule

    types = {item.name: str(item.type) for item in fields(Rule) if item.name != "id"}
    name, sign, value = text.partition("=")
    if not sign or name not in types:
        wrong(f"--field {text!r}: must be NAME=VALUE with a name of {', '.join(types)}")
    kind = types[name]
    try:
        if "None" in kind and value == "none":
            return name, None
        if kind == "bool":
            return name, {"yes": True, "true": True, "no": False, "false": False}[value.lower()]
        if kind.startswith("tuple"):
            return name, [part.strip() for part in value.split(",") if part.strip()]
        if kind == "int":
            return name, int(value)
        return name, float(value) if "float" in kind else value
    except (KeyError, ValueError):
        allowed = {"bool": "yes or no", "int": "a whole number"}.get(kind, "a number")
        wrong(f"--field {text!r}: {name} must be {allowed}")


def _field_text(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _seconds(given: float | None, each_s: int) -> int | None:
    if given is None:
        return None
    if not math.isfinite(given):
        wrong(f"{given} is no length of time")
    return round(each_s * given)


def _when(rule: Rule) -> str:
    """When a rule raises an alert, in short."""
    from monitor.alerting.messages import value_text

    if not rule.unit:  # so or not
        held = f", for {value_text(rule.hold_s, 's')}" if rule.hold_s else ""
        return f"{rule.quantity.replace('_', ' ')}{held}"
    low, high = (
        "its band" if limit is None else value_text(limit, rule.unit) or f"{limit:g}"
        for limit in (rule.low, rule.high)
    )
    beyond = {"below": f"below {low}", "above": f"above {high}"}.get(
        rule.test, f"outside {low} to {high}"
    )
    change = f" over {rule.over_s / 3600:g} h" if rule.over_s else ""
    held = f", for {value_text(rule.hold_s, 's')}" if rule.hold_s else ""
    where = f" at {', '.join(rule.only)}" if rule.only else ""
    return f"{rule.quantity.removesuffix('_s')}{change}{where} {beyond}{held}"


def _urgency(level: int) -> str:
    return {1: "1 mind it", 2: "2 act", 3: "3 act now"}[level]


def _said(alert: Alert, settings: Settings) -> str:
    from monitor.alerting.messages import sentence

    return sentence(alert, fahrenheit=fahrenheit(settings))


def _worst(alert: Alert, settings: Settings) -> str:
    from monitor.alerting.messages import ending, worst_text

    exit_on = (worst_text(alert, fahrenheit=fahrenheit(settings)), ending(alert))
    return "; ".join(filter(None, exit_on))


def _detail(alert: Alert, settings: Settings) -> str:
    """What goes with it, and whether a newer outlook has changed it; a line, empty if nothing."""
    from monitor.alerting.messages import change

    exit_on = "; ".join(filter(None, (alert.detail, change(alert, now_ms(), settings.zone))))
    return f"{exit_on}\n" if exit_on else ""


def _rest(alert: Alert, settings: Settings) -> str:
    """Who has put it to rest."""
    if alert.acknowledged:
        return f"Acknowledged by {alert.acknowledged[1] or 'nobody named'}."
    if alert.rests(now_ms()) and alert.snoozed_until_ms is not None:
        return f"Put off until {_moment(alert.snoozed_until_ms, settings)}."
    return "Nobody has acknowledged it."


def _span(alert: Alert, settings: Settings) -> str:
    since = _moment(alert.began_ms, settings)
    return (
        f"since {since}"
        if alert.cleared_ms is None
        else (f"{since} to {_moment(alert.cleared_ms, settings)}")
    )


def _moment(ms: int, settings: Settings) -> str:
    return formats.dated(ms, now_ms(), settings.zone)
