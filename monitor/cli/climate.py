"""`benchweather climate`: the climate record of a place or the shop, as a plain report."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from monitor.cli.shared import Config, Data, Demo, exit_on, load, moment_of, out, wrong
from monitor.core import formats
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

    from monitor.air.climate_report import ClimateRecord

WORST_SHOWN = 15
"""Exceedances printed, those furthest outside; the rest are counted."""


def climate(
    place: Annotated[str, typer.Option(help="This place only; else the shop, all indoors")] = "",
    start: Annotated[
        str, typer.Option("--from", help="First day or time; else 13 months before --to")
    ] = "",
    end: Annotated[
        str, typer.Option("--to", help="Up to this day (whole) or before this time; else now")
    ] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Judge the shop's air over a year: target band, exceedances, control classes, mould."""
    from monitor.air import climate_report, place_means
    from monitor.store import Reader

    settings = load(data, config, demo=demo)
    zone = settings.zone
    end_ms = moment_of(end, zone, option="--to", whole_day=True) if end else now_ms()
    start_ms = (
        moment_of(start, zone, option="--from") if start else end_ms - climate_report.READ_MS
    )
    if start_ms >= end_ms:
        wrong(f"--from {start} is not before --to {end or 'now'}")
    with exit_on(), contextlib.closing(Reader(settings.store_path)) as reader:
        places = place_means.places(reader, settings)
        chosen = [p for p in places if p.id == place] if place else climate_report.indoors(places)
        if place and not chosen:
            known = ", ".join(p.id for p in places) or "none yet"
            wrong(f"--place {place!r}: must be one of {known}")
        name = chosen[0].label if place else climate_report.SHOP
        record = climate_report.climate_record(reader, name, chosen, start_ms, end_ms, zone)
    for part in _report(record, zone):
        out.print(part, highlight=False, soft_wrap=True)


def _report(record: ClimateRecord, zone: ZoneInfo) -> Iterator[str | Table]:
    from monitor.air import climate_report

    yield f"{record.name}, {_local(record.start_ms, zone)} to {_local(record.end_ms, zone)}"
    yield record.standing
    if record.band:
        yield f"\nTarget band. {climate_report.band_words(record)} {climate_report.BAND_IS_FOR}"
        if record.exceedances:
            yield _exceedances(record, zone)
            if (more := len(record.exceedances) - WORST_SHOWN) > 0:
                yield f"The {WORST_SHOWN} furthest outside, by time; {more} more."
    if record.classes:
        yield f"\nControl. {climate_report.class_words(record)} {climate_report.CLASSES_FROM}"
        yield _classes(record)
        yield _months(record, zone)
    if words := climate_report.mould_words(record):
        yield f"\nMould. {words} {climate_report.mould_caution(record)}".rstrip()


def _exceedances(record: ClimateRecord, zone: ZoneInfo) -> Table:
    table = Table("from", "to", "hours", "side", "RH %", "beyond the band by")
    worst = sorted(record.exceedances, key=lambda e: -e.beyond_pct)[:WORST_SHOWN]
    for one in sorted(worst):
        table.add_row(
            _local(one.from_ms, zone),
            _local(one.to_ms, zone),
            f"{(one.to_ms - one.from_ms) / 3_600_000:.0f}",
            one.side,
            f"{one.extreme_pct:.0f}",
            f"{one.beyond_pct:.1f}" + ("" if one.settled else " (provisional)"),
        )
    return table


def _classes(record: ClimateRecord) -> Table:
    from monitor.science.climate.control_classes import CLASSES

    table = Table("class", "within its limits", "what it means")
    if record.classes:
        for one, share in zip(CLASSES, record.classes.share.tolist(), strict=True):
            table.add_row(one.name, f"{100 * share:.1f} %", one.risk)
    return table


def _months(record: ClimateRecord, zone: ZoneInfo) -> Table:
    table = Table("month", "class kept", "RH %, low", "mean", "high", "judged")
    for one in record.months:
        table.add_row(
            f"{formats.local(one.from_ms, zone):%Y-%m}",
            one.kept.name if one.kept else "none",
            f"{one.low_pct:.0f}",
            f"{one.mean_pct:.0f}",
            f"{one.high_pct:.0f}",
            f"{100 * one.judged:.0f} %",
        )
    return table


def _local(ms: int, zone: ZoneInfo) -> str:
    return formats.numeric(ms, zone)
