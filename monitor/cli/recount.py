"""`benchweather recount`: the rollups compared with the readings that they are made of."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.output import err, out
from monitor.cli.shared import From, To, exit_on, span_of, store_of
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.store.rollups import Disagreement

SHOWN = 20
"""Most windows printed that disagree; the rest are counted."""


def recount(
    settings: Settings,
    start: From = "",
    end: To = "",
    correct: Annotated[
        bool, typer.Option("--correct", help="Make the wrong rollups anew from the readings")
    ] = False,
) -> None:
    """Count the readings again and compare them with the stored rollups."""
    from monitor.store import Writer, rollups

    start_ms, end_ms = span_of(start, end, settings.zone)
    with store_of(settings) as reader:
        found = rollups.recount(reader, start_ms, end_ms)
    wrong = found.disagreements
    if not wrong:
        out.print(f"{found.windows} rollups agree with their readings.")
        return
    for one in wrong[:SHOWN]:
        err.print(_sentence(one, settings))
    if (more := len(wrong) - SHOWN) > 0:
        err.print(f"{more} more rollups are wrong.")
    if not correct:
        err.print(
            f"{len(wrong)} of {found.windows} rollups are wrong. To correct them, add --correct.",
            style="bold red",
        )
        raise typer.Exit(1)
    with (
        exit_on(),
        contextlib.closing(Writer(settings.store_address)) as writer,
        writer.connection.transaction() as run,
    ):
        corrected = rollups.rewrite(run, wrong)
    out.print(f"{corrected} of {found.windows} rollups were wrong and are corrected.")


def _sentence(one: Disagreement, settings: Settings) -> str:
    minutes = one.period_s // 60
    at = formats.when(one.ts_ms, now_ms(), settings.zone)
    stored, counted = (0 if w is None else w.n for w in (one.stored, one.counted))
    return (
        f"{one.series.place}, {one.series.sensor}, {one.series.quantity}, {minutes} minutes from "
        f"{at}: the rollup has {stored} readings, the store {counted}."
    )
