"""`benchweather score`: the outlook scored on a log and archived forecasts."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.output import out, print_json, print_table
from monitor.cli.shared import Json, failed, progress, zone_of
from monitor.core.clock import from_ms

if TYPE_CHECKING:
    from monitor.outlook.evaluation.report import Score, SnapScore


def score(
    log: Annotated[Path, typer.Argument(help="CSV: time,place,temp_c,rh_pct; UTC, ISO 8601")],
    forecasts: Annotated[
        Path, typer.Argument(help="CSV: issued_at,valid_at,temp_c,rh_pct; wind_m_s if known")
    ],
    place: Annotated[str, typer.Option(help="Place to score, if the log has several")] = "",
    outdoors: Annotated[
        str, typer.Option(help="Name of the outdoor place in the log, if it has one")
    ] = "outdoors",
    closed: Annotated[
        Path | None,
        typer.Option(
            help="Text: a closed day or span a line, as 2026-12-24 or 2026-12-24/2027-01-02"
        ),
    ] = None,
    zone: Annotated[
        str, typer.Option(help="The shop's time zone, such as Europe/Paris, for its summer time")
    ] = "",
    as_json: Json = False,
) -> None:
    """Score the outlook on a log. Each step uses only what was known then."""
    from monitor.outlook.evaluation import files, report
    from monitor.outlook.evaluation.walk_forward import walk

    inputs = files.read(log, forecasts, place, outdoors)
    if closed is not None:
        inputs = inputs.with_closed(files.read_closed(closed))
    if zone:
        inputs = inputs.with_zone(zone_of(zone))
    with progress() as bar:
        task = bar.add_task("reading the log", total=None)

        def tick(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        walked = walk(inputs.hours, inputs.issues, tick)
    parts = {
        days: (
            {name: report.scores(walked, j, days) for j, name in enumerate(report.QUANTITIES)},
            report.snap_score(walked, inputs.hours.rh_pct, days),
        )
        for days in report.AFTER_DAYS
    }
    if as_json:
        print_json(
            {
                "place": inputs.place,
                "days": len(inputs.hours) / 24,
                "notes": inputs.notes,
                "after_days": {
                    str(days): {**by_name, "snap_alert": snaps}
                    for days, (by_name, snaps) in parts.items()
                },
                "alerts": [
                    {
                        "opened_at": _iso(inputs.hours.first_h + alert.opened),
                        "closed_at": _iso(inputs.hours.first_h + alert.closed),
                        "closed_by": "withdrawn" if alert.snap_at < 0 else "snap",
                    }
                    for alert in report.alerts(walked, inputs.hours.rh_pct, report.AFTER_DAYS[0])
                ],
            }
        )
        return
    for note in inputs.notes:
        out.print(note)
    days = max((d for d, (rows, _) in parts.items() if rows["rh_pct"]), default=0)
    if not days:
        failed("The log is too short to score a forecast.")
    by_name, snaps = parts[days]
    for name, unit in (("rh_pct", "RH, %"), ("temp_c", "temperature, K")):
        _print(f"{inputs.place}: {unit}, after {days} days of log", by_name[name])
    out.print(_snaps(snaps))


def _print(title: str, rows: list[Score]) -> None:
    print_table(
        (
            "hours ahead",
            "forecasts",
            "bias",
            "mean abs. error",
            "CRPS",
            "in 80 % range",
            "error / persistence",
            "error / same hour",
        ),
        [
            (
                str(s.horizon_h),
                str(s.forecasts),
                f"{s.bias:+.2f}",
                f"{s.mae:.2f}",
                f"{s.crps:.2f}",
                f"{100 * s.coverage_80:.0f} %",
                f"{s.of_persistence:.2f}",
                f"{s.of_diurnal:.2f}",
            )
            for s in rows
        ],
        title=title,
    )


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
        f"{s.withdrawn} alerts withdrawn. An alert opens at a probability of {s.threshold:.2f}."
    )


def _iso(hour: int) -> str:
    return from_ms(3_600_000 * int(hour)).isoformat()
