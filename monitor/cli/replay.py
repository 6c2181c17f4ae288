"""`benchweather replay-rules`: alerts that the rules would have raised over a stretch of the log."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.alerts import URGENCY
from monitor.cli.output import err, local, out, plain, print_json
from monitor.cli.shared import Json, To, fahrenheit, failed, journal_of, known, progress, span_of
from monitor.core.clock import now_ms
from monitor.core.csv_text import CsvWriter
from monitor.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.domain.alerts.alert import Alert
    from monitor.domain.alerts.rule import Rule
    from monitor.store import Reader

LIMITS = (
    "The log was replayed in steps of ten minutes. It has no data on waits, tanks, the broker, the "
    "disk or acknowledgements."
)
"""Limits of a replay."""
INDENT = 4
"""Indent of reasons and actions. [characters]"""


def replay_rules(
    settings: Settings,
    start: Annotated[str, typer.Option("--from", help="First day or time")],
    end: To = "",
    rule: Annotated[list[str] | None, typer.Option(help="Only this rule; repeat for more")] = None,
    least: Annotated[
        int, typer.Option(min=1, max=3, help="Lowest urgency: 1 take note, 2 act, 3 act now")
    ] = 1,
    to: Annotated[
        Path | None, typer.Option("--csv", help="CSV file to write the list to as well")
    ] = None,
    as_json: Json = False,
) -> None:
    """Show which alerts the present rules would have raised in the past."""
    from monitor.alerting.backtest import replay
    from monitor.domain.alerts import rule_registry
    from monitor.readings import left_out

    zone, now = settings.zone, now_ms()
    start_ms, end_ms = span_of(start, end, zone, last_ms=now)
    end_ms = min(end_ms, now)
    if start_ms >= end_ms:
        failed(f"No readings: --from {start} is in the future.")
    with journal_of(settings) as (reader, journal):
        rules = rule_registry.in_use(settings.limits, journal.rules)
        for name in rule or ():
            known(name, rules, "rule")
        if not _any_readings(reader, start_ms, end_ms):
            failed(
                f"No readings from {local(start_ms, zone)} to {local(end_ms, zone)}. "
                "Nothing can be replayed."
            )
        with progress() as bar:
            task = bar.add_task("replaying", total=None)
            found = replay(
                reader,
                settings,
                _chosen(rules, rule).values(),
                journal.instruments.values(),
                start_ms,
                end_ms,
                lambda done, of: bar.update(task, completed=done, total=of),
            )
        gone = left_out.voided(reader, start_ms, end_ms)
        notes = left_out.lines("Not replayed:", gone, zone, now)
    found = [one for one in found if one.gravest[0] >= least]
    if rule:
        found = [one for one in found if any(e.body.get("rule") in rule for e in one.events)]
    if notes:
        err.print("\n".join(notes))
    if to is not None:
        _write(to, found)
    if as_json:
        print_json([_record(one) for one in found])
        return
    for alert in found:
        _print(alert, settings)
    _print_counts(found, settings, start_ms, end_ms)


def _any_readings(reader: Reader, start_ms: int, end_ms: int) -> bool:
    """True if any sensor has a reading in a span."""
    return any(reader.count(series, start_ms, end_ms) for series in reader.series().values())


def _chosen(rules: dict[str, Rule], named: Sequence[str] | None) -> dict[str, Rule]:
    """The rules to replay: those named, their families, and the rules that suppress them."""
    if not named:
        return rules
    families = {rules[name].family for name in named}
    causes = {cause for name in named for cause in rules[name].under}
    return {
        rule.id: rule for rule in rules.values() if rule.family in families or rule.id in causes
    }


def _print(alert: Alert, settings: Settings) -> None:
    """Print when, how long, how urgent and what, then the reason and what to do."""
    from rich.padding import Padding

    from monitor.alerting.messages import worst_text

    at_worst = alert.at_gravest
    worst = worst_text(alert, fahrenheit=fahrenheit(settings))
    what = ", ".join(filter(None, [at_worst["name"], worst, at_worst["detail"]]))
    out.print(
        f"{local(alert.began_ms, settings.zone)}, {_lasted(alert)}, "
        f"{URGENCY[alert.gravest[0]]}. {alert.label}: {what}"
    )
    for text in (f"Why: {at_worst['why']}", f"Do: {at_worst['do']}"):
        out.print(Padding(text, (0, 0, 0, INDENT)), soft_wrap=False)


def _lasted(alert: Alert) -> str:
    if alert.cleared_ms is None:
        return "still open"
    hours = (alert.cleared_ms - alert.began_ms) / 3_600_000
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"


def _print_counts(found: Sequence[Alert], settings: Settings, start_ms: int, end_ms: int) -> None:
    days = (end_ms - start_ms) / 86_400_000
    counts = Counter((one.gravest[0], one.gravest[1]) for one in found)
    first, last = (local(ms, settings.zone)[:10] for ms in (start_ms, end_ms - 1))
    alerts = "1 alert" if len(found) == 1 else f"{len(found) or 'No'} alerts"
    out.print(f"\n{alerts} in {days:.0f} days, {first} to {last}.")
    for (urgency, name), number in sorted(counts.items(), key=lambda i: (-i[0][0], -i[1])):
        out.print(f"{number:>5}  {URGENCY[urgency]:<11}  {name}")
    out.print(LIMITS)


def _write(path: Path, found: Sequence[Alert]) -> None:
    """Write the list as CSV; times in ISO 8601 UTC, values in the unit beside them."""
    rows = [plain(_record(one)) for one in found]
    with path.open("w", newline="", encoding="utf-8") as file:
        table = CsvWriter(file)
        table.row(COLUMNS)
        table.rows([_cell(row[name]) for name in COLUMNS] for row in rows)


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


def _record(one: Alert) -> dict[str, Any]:
    """An alert as a line of the list."""
    at_worst, ended = one.at_gravest, one.cleared_ms
    return {
        "raised_ms": one.raised_ms,
        "began_ms": one.began_ms,
        "ended_ms": ended,
        "hours": None if ended is None else round((ended - one.began_ms) / 3_600_000, 2),
        "about": one.label,
        "worst": one.worst if at_worst["quantity"] == one.quantity else None,
        **{k: at_worst[k] for k in ("urgency", "rule", "name", "value", "unit", "why", "do")},
    }


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)
