"""`benchweather replay-rules`: which alerts the rules would have raised over a stretch of the log."""

from __future__ import annotations

import contextlib
import csv
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.shared import (
    Config,
    Data,
    Demo,
    exit_on,
    fahrenheit,
    load,
    moment_of,
    out,
    progress,
    wrong,
)
from monitor.core import formats
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.domain.alerts.alert import Alert
    from monitor.domain.alerts.rule import Rule
    from monitor.settings import Settings

BLIND = (
    "Replayed from the log, a look each ten minutes: of waits, tanks, broker and disk it keeps no "
    "trace, and nobody acknowledges anything."
)
"""What a replay cannot see."""
INDENT = 4
"""How far why and what to do stand in. [characters]"""
COLUMNS = (
    "raised_at",
    "began_at",
    "ended_at",
    "hours",
    "urgency",
    "rule",
    "name",
    "about",
    "value",
    "worst",
    "unit",
    "why",
    "do",
)


def replay_rules(
    start: Annotated[str, typer.Option("--from", help="First day or time")],
    end: Annotated[
        str, typer.Option("--to", help="Up to this day (whole) or before this time; else now")
    ] = "",
    rule: Annotated[list[str] | None, typer.Option(help="Only this rule; repeat for more")] = None,
    least: Annotated[
        int, typer.Option(min=1, max=3, help="Only from this urgency: 1 mind it, 3 act now")
    ] = 1,
    to: Annotated[
        Path | None, typer.Option("--csv", help="Write the list to this file as well")
    ] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Show which alerts there would have been, with the rules as they are now."""
    from monitor.alerting.backtest import replay
    from monitor.commands import Journal
    from monitor.domain.alerts import rule_registry
    from monitor.store import Reader

    settings = load(data, config, demo=demo)
    start_ms = moment_of(start, settings.zone, option="--from")
    end_ms = moment_of(end, settings.zone, option="--to", whole_day=True) if end else now_ms()
    end_ms = min(end_ms, now_ms())
    if start_ms >= end_ms:
        wrong(f"--from {start} is not before {f'--to {end} and now' if end else 'now'}")
    with exit_on(), contextlib.closing(Reader(settings.store_path)) as reader:
        journal = Journal(reader)
        rules = rule_registry.in_use(settings.limits, journal.rules)
        if unknown := [name for name in rule or () if name not in rules]:
            wrong(f"--rule {unknown[0]!r}: must be one of {', '.join(rules)}")
        chosen = _kept(rules, rule)
        with progress() as bar:
            task = bar.add_task("replaying", total=None)
            found = replay(
                reader,
                settings,
                chosen.values(),
                journal.instruments.values(),
                start_ms,
                end_ms,
                lambda done, of: bar.update(task, completed=done, total=of),
            )
    found = [one for one in found if one.gravest[0] >= least]
    if rule:
        found = [one for one in found if any(e.body.get("rule") in rule for e in one.events)]
    if to is not None:
        with exit_on():
            _write(to, found)
    for alert in found:
        _show(alert, settings)
    _summary(found, settings, start_ms, end_ms)


def _kept(rules: dict[str, Rule], named: Sequence[str] | None) -> dict[str, Rule]:
    """The rules to replay: those named, and what decides whether they are told."""
    if not named:
        return rules
    families = {rules[name].family for name in named}
    causes = {cause for name in named for cause in rules[name].under}
    return {
        rule.id: rule for rule in rules.values() if rule.family in families or rule.id in causes
    }


def _show(alert: Alert, settings: Settings) -> None:
    """When, how long, how urgent, what; then why and what to do, of its gravest rule."""
    from rich.padding import Padding

    from monitor.alerting.messages import worst_text

    said, urgency = alert.at_gravest, alert.gravest[0]
    worst = worst_text(alert, fahrenheit=fahrenheit(settings))
    exit_on = ", ".join(filter(None, [said["name"], worst, said["detail"]]))
    out.print(
        f"{formats.numeric(alert.began_ms, settings.zone)}  "
        f"{_lasted(alert):>8}  {'!' * urgency:<3}  {alert.label}: {exit_on}",
        highlight=False,
        soft_wrap=True,
    )
    for text in (f"Why: {said['why']}", f"Do: {said['do']}"):
        out.print(Padding(text, (0, 0, 0, INDENT)), highlight=False)


def _lasted(alert: Alert) -> str:
    if alert.cleared_ms is None:
        return "open"
    hours = (alert.cleared_ms - alert.began_ms) / 3_600_000
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"


def _summary(found: Sequence[Alert], settings: Settings, start_ms: int, end_ms: int) -> None:
    """Counts by rule, and what this cannot see."""
    days = (end_ms - start_ms) / 86_400_000
    counts = Counter((one.gravest[0], one.gravest[1]) for one in found)
    first, last = (formats.local(ms, settings.zone) for ms in (start_ms, end_ms - 1))
    alerts = "1 alert" if len(found) == 1 else f"{len(found) or 'No'} alerts"
    out.print(
        f"\n{alerts} in {days:.0f} days, {first:%Y-%m-%d} to {last:%Y-%m-%d}.", highlight=False
    )
    for (urgency, name), number in sorted(counts.items(), key=lambda i: (-i[0][0], -i[1])):
        out.print(f"{number:>5}  {'!' * urgency:<3}  {name}", highlight=False)
    out.print(BLIND, highlight=False, soft_wrap=True)


def _write(path: Path, found: Sequence[Alert]) -> None:
    """The list as CSV; times ISO 8601 UTC, values in the unit beside them."""
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(COLUMNS)
        for one in found:
            ended = one.cleared_ms
            said = one.at_gravest
            worst = one.worst if said["quantity"] == one.quantity else None
            hours = "" if ended is None else f"{(ended - one.began_ms) / 3_600_000:.2f}"
            table.writerow(
                (
                    _stamp(one.raised_ms),
                    _stamp(one.began_ms),
                    _stamp(ended),
                    hours,
                    said["urgency"],
                    said["rule"],
                    said["name"],
                    one.label,
                    _number(said["value"]),
                    _number(worst),
                    said["unit"],
                    said["why"],
                    said["do"],
                )
            )


def _stamp(ms: int | None) -> str:
    return "" if ms is None else formats.utc(ms)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
