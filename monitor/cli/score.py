"""`benchweather score`: the outlook scored on a log and archived forecasts."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from monitor.cli.shared import exit_on, out, progress
from monitor.core.clock import from_ms

if TYPE_CHECKING:
    from monitor.outlook.evaluation.report import Score, SnapScore


def score(
    log: Annotated[Path, typer.Argument(help="CSV: time,place,temp_c,rh_pct; UTC, ISO 8601")],
    forecasts: Annotated[
        Path, typer.Argument(help="CSV: issued_at,valid_at,temp_c,rh_pct and, if told, wind_m_s")
    ],
    place: Annotated[str, typer.Option(help="Place to score, where the log holds several")] = "",
    outdoors: Annotated[
        str, typer.Option(help="Name of the place outdoors in the log, if there is one")
    ] = "outdoors",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of tables")] = False,
) -> None:
    """Score the outlook: walk through a log, forecasting only from what was known then."""
    from monitor.outlook.evaluation import files, report
    from monitor.outlook.evaluation.walk_forward import walk

    with exit_on():
        material = files.read(log, forecasts, place, outdoors)
        with progress() as bar:
            task = bar.add_task("walking through the log", total=None)

            def tick(done: int, total: int) -> None:
                bar.update(task, completed=done, total=total)

            walked = walk(material.hours, material.issues, tick)
    parts = {
        days: (
            {name: report.scores(walked, j, days) for j, name in enumerate(report.QUANTITIES)},
            report.snap_score(walked, material.hours.rh_pct, days),
        )
        for days in report.AFTER_DAYS
    }
    if as_json:
        text = {
            "place": material.place,
            "days": len(material.hours) / 24,
            "notes": material.notes,
            "after_days": {
                str(days): {
                    **{name: [s._asdict() for s in rows] for name, rows in by_name.items()},
                    "snap_alert": snaps._asdict(),
                }
                for days, (by_name, snaps) in parts.items()
            },
            "alerts": [
                {
                    "opened_at": _iso(material.hours.first_h + alert.opened),
                    "closed_at": _iso(material.hours.first_h + alert.closed),
                    "closed_by": "withdrawn" if alert.snap_at < 0 else "snap",
                }
                for alert in report.alerts(walked, material.hours.rh_pct, report.AFTER_DAYS[0])
            ],
        }
        out.print_json(json.dumps(_plain(text)))
        return
    days = max((d for d, (rows, _) in parts.items() if rows["rh_pct"]), default=0)
    for note in material.notes:
        out.print(note, highlight=False, soft_wrap=True)
    if not days:
        out.print("Nothing came to be judged: the log ends too soon.")
        raise typer.Exit(1)
    by_name, snaps = parts[days]
    for name, unit in (("rh_pct", "RH, %"), ("temp_c", "temperature, K")):
        out.print(_table(f"{material.place}: {unit}, from {days} days of log on", by_name[name]))
    out.print(_snaps(snaps), highlight=False, soft_wrap=True)


def _table(title: str, rows: list[Score]) -> Table:
    table = Table(
        "ahead h",
        "forecasts",
        "bias",
        "mean abs. error",
        "CRPS",
        "in 80 % range",
        "of as-it-is",
        "of same-hour",
        title=title,
    )
    for s in rows:
        table.add_row(
            str(s.horizon_h),
            str(s.forecasts),
            f"{s.bias:+.2f}",
            f"{s.mae:.2f}",
            f"{s.crps:.2f}",
            f"{100 * s.coverage_80:.0f} %",
            f"{s.of_persistence:.2f}",
            f"{s.of_diurnal:.2f}",
        )
    return table


def _snaps(s: SnapScore) -> str:
    if not s.snaps:
        head = "No dry snap in this log"
    else:
        lead = "–" if math.isnan(s.median_lead_h) else f"{s.median_lead_h:.0f} h"
        head = (
            f"{s.snaps} dry snaps, {s.found} alerted before they began, {s.found_18h} at least "
            f"18 h ahead, median lead {lead}"
        )
    return (
        f"{head}. False alarms: {s.false_alarms}, {s.false_a_month:.1f} a month; "
        f"{s.withdrawn} alerts withdrawn; opens at a probability of {s.threshold:.2f}."
    )


def _iso(hour: int) -> str:
    return from_ms(3_600_000 * int(hour)).isoformat()


def _plain(value: Any) -> Any:
    """NaN as null: JSON has none."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
