"""`benchweather rule`: the rules that raise alerts."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.alerts import URGENCY
from monitor.cli.asking import ask
from monitor.cli.output import out, print_json, print_table
from monitor.cli.shared import Json, command, journal_of, known, suggestion, wrong
from monitor.core.formats import rule_value
from monitor.domain.events import About
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.domain.alerts.rule import Rule

app = typer.Typer(no_args_is_help=True, help="Show, change and add the rules that raise alerts.")

RuleId = Annotated[str, typer.Argument(metavar="RULE", help="Id of the rule")]
OPTIONS = {
    "name": ("--name", 1),
    "low": ("--low", 1),
    "high": ("--high", 1),
    "back": ("--back", 1),
    "hold_s": ("--hold-min", 60),
    "calm_s": ("--calm-min", 60),
    "over_s": ("--over-h", 3600),
    "urgency": ("--urgency", 1),
    "repeat_s": ("--repeat-h", 3600),
}
"""Option of `rule set` that sets a field, and how many of the field's units make one of its own."""
SWITCHES = {"breaks_quiet": ("--in-quiet", "--not-in-quiet"), "on": ("--on", "--off")}
"""Options that set a field to yes or no."""


@command(app, "list")
def list_(settings: Settings, as_json: Json = False) -> None:
    """Show every rule: its limits and the urgency of its alerts."""
    rules, own = _rules(settings)
    if as_json:
        print_json([_mapping(rule) | {"changed": rule.id in own} for rule in rules.values()])
        return
    rows = []
    for rule in rules.values():
        marks = ("" if rule.on else "off", "changed" if rule.id in own else "")
        name = "\n".join(filter(None, (rule.name, ", ".join(filter(None, marks)))))
        rows.append((rule.id, name, URGENCY[rule.urgency], _condition(rule)))
    print_table(("rule", "name", "urgency", "raised when"), rows)


@command(app)
def show(settings: Settings, rule: RuleId, as_json: Json = False) -> None:
    """Show a rule. Each line begins with the `rule set` option that changes it."""
    from monitor.domain.alerts.rule import WATCHABLE

    rules, _ = _rules(settings)
    found = rules[known(rule, rules, "rule")]
    if as_json:
        print_json(_mapping(found))
        return
    watched = WATCHABLE[found.quantity]
    out.print(f"{found.name}: {_condition(found)}")
    out.print(f"{found.quantity} [{watched.unit or '-'}] of a {watched.of}: {watched.text}")
    print_table(
        ("rule set takes", "value"),
        [
            _option(name, value)
            for name, value in _mapping(found).items()
            if name not in ("id", "quantity")
        ],
    )


@command(app, "set")
def set_(
    settings: Settings,
    rule: RuleId,
    like: Annotated[str, typer.Option(help="For a new rule: the rule to copy")] = "",
    name: Annotated[str, typer.Option(help="Name on screen")] = "",
    low: Annotated[
        float | None, typer.Option(help="Lower limit, in the unit that `rule show` prints")
    ] = None,
    high: Annotated[float | None, typer.Option(help="Upper limit, in the same unit")] = None,
    back: Annotated[
        float | None, typer.Option(help="Deadband: how far inside the limit the alert ends")
    ] = None,
    hold_min: Annotated[float | None, typer.Option(help="On-delay, in minutes")] = None,
    calm_min: Annotated[float | None, typer.Option(help="Off-delay, in minutes")] = None,
    over_h: Annotated[
        float | None, typer.Option(help="Hours over which its change counts")
    ] = None,
    urgency: Annotated[int | None, typer.Option(help="1 take note, 2 act, 3 act now")] = None,
    repeat_h: Annotated[
        float | None, typer.Option(help="Hours between reminders; 0 for no reminder")
    ] = None,
    quiet: Annotated[
        bool | None, typer.Option("--in-quiet/--not-in-quiet", help="Send in quiet hours too")
    ] = None,
    on: Annotated[
        bool | None, typer.Option("--on/--off", help="Switch the rule on or off")
    ] = None,
    field: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=VALUE", help="Any other field; may be repeated"),
    ] = None,
) -> None:
    """Change a rule, or add a new one like another."""
    from monitor.domain.alerts.rule_registry import TO_DO

    given = {
        "like": like or None,
        "name": name or None,
        "low": low,
        "high": high,
        "back": back,
        "hold_s": _seconds(hold_min, "hold_s"),
        "calm_s": _seconds(calm_min, "calm_s"),
        "over_s": _seconds(over_h, "over_s"),
        "repeat_s": _seconds(repeat_h, "repeat_s"),
        "urgency": urgency,
        "breaks_quiet": quiet,
        "on": on,
    }
    request = {key: value for key, value in given.items() if value is not None}
    request |= dict(_field(text) for text in field or ())
    if "do" in request:
        request[TO_DO] = request.pop("do")
    if not request:
        wrong("There is nothing to set. Give an option such as --low 35.")
    ask(settings, "rule", {"about": About.RULE, "rule": rule} | request)
    out.print(f"Rule {rule} is set.")


@command(app)
def reset(settings: Settings, rule: RuleId) -> None:
    """Undo your changes to a rule; delete a rule you added."""
    ask(settings, "reset", {"about": About.RULE, "rule": rule})
    out.print(f"Your changes to rule {rule} are undone.")


def _rules(settings: Settings) -> tuple[dict[str, Rule], set[str]]:
    """Every rule, and the ids of those that the shop changed or added."""
    from monitor.domain.alerts import rule_registry

    with journal_of(settings) as (_, journal):
        return rule_registry.in_use(settings.limits, journal.rules), set(journal.rules)


def _mapping(rule: Rule) -> dict[str, Any]:
    from monitor.domain.alerts.rule_registry import as_mapping

    return as_mapping(rule)


def _option(name: str, value: Any) -> tuple[str, str]:
    """The option that sets a field, and its value as the option takes it."""
    if name in SWITCHES:
        return " / ".join(SWITCHES[name]), SWITCHES[name][not value]
    if name in OPTIONS and value is not None:
        option, units = OPTIONS[name]
        return option, _text(value / units if units > 1 else value)
    return f"--field {name}=", _text(value)


def _field(text: str) -> tuple[str, Any]:
    """A field of a rule from NAME=VALUE, with the value in the field's own type."""
    import msgspec

    from monitor.core.errors import Rejected
    from monitor.core.validation import checked
    from monitor.domain.alerts.rule import Family, Name, Rule, Text

    types = {item.name: item.type for item in msgspec.structs.fields(Rule) if item.name != "id"}
    name, sign, value = text.partition("=")
    if not sign or name not in types:
        wrong(f"--field {text!r}: must be NAME=VALUE. {suggestion(name, types)}")
    plain: Any = value
    if name in ("only", "under"):
        plain = [part.strip() for part in value.split(",") if part.strip()]
    elif types[name] not in (Name, Family, Text):
        plain = {"yes": "true", "no": "false", "none": "null"}.get(value.lower(), value)
    try:
        return name, checked(name, plain, types[name], strict=False)
    except Rejected as exc:
        wrong(f"--field {text!r}: {exc}")


def _text(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _seconds(given: float | None, field: str) -> int | None:
    """A length of time that an option gives, as the rule keeps it. [s]"""
    if given is None:
        return None
    option, seconds = OPTIONS[field]
    if not math.isfinite(given):
        wrong(f"{option} {given}: must be a length of time")
    return round(seconds * given)


def _condition(rule: Rule) -> str:
    """Condition on which a rule raises an alert, in short."""
    from monitor.alerting.messages import value_text

    held = f", for {value_text(rule.hold_s, 's')}" if rule.hold_s else ""
    if not rule.unit:
        return f"{rule.quantity.replace('_', ' ')}{held}"
    low, high = (
        "its band" if limit is None else rule_value(limit, rule.unit, "C") or f"{limit:g}"
        for limit in (rule.low, rule.high)
    )
    beyond = {"below": f"below {low}", "above": f"above {high}"}.get(
        rule.test, f"outside {low} to {high}"
    )
    change = f" over {rule.over_s / 3600:g} h" if rule.over_s else ""
    where = f" at {', '.join(rule.only)}" if rule.only else ""
    name = rule.quantity.removesuffix("_s").replace("_", " ")
    return f"{name}{change}{where} {beyond}{held}"
