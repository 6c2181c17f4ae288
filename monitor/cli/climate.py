"""`benchweather climate`: the climate report of a place or the shop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.output import local, out, print_json, print_table
from monitor.cli.shared import Json, To, failed, known, span_of, store_of
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.air.climate_report import ClimateRecord

WORST_SHOWN = 15
"""Most exceedances printed, those furthest outside the band; the rest are counted."""


def climate(
    settings: Settings,
    place: Annotated[
        str, typer.Option(help="One place (default: the mean of all indoor places)")
    ] = "",
    start: Annotated[
        str, typer.Option("--from", help="First day or time (default: 13 months before --to)")
    ] = "",
    end: To = "",
    as_json: Json = False,
) -> None:
    """Judge a year of air: target band, exceedances, control classes and mould."""
    from monitor.air import climate_report, place_means

    zone, now = settings.zone, now_ms()
    _, end_ms = span_of("", end, zone, last_ms=now)
    start_ms, end_ms = span_of(
        start, end, zone, first_ms=end_ms - climate_report.READ_MS, last_ms=now
    )
    with store_of(settings) as reader:
        places = {one.id: one for one in place_means.places(reader, settings)}
        if place:
            chosen = [places[known(place, places, "place")]]
        else:
            chosen = climate_report.indoors(list(places.values()))
        name = chosen[0].label if place else climate_report.SHOP
        record = climate_report.climate_record(reader, name, chosen, start_ms, end_ms, zone)
    if not len(record.air):
        failed(
            f"No readings of humidity for {record.name} from {local(start_ms, zone)} to "
            f"{local(end_ms, zone)}. Nothing can be judged."
        )
    if as_json:
        print_json(_record(record))
    else:
        _print(record, zone)


def _print(record: ClimateRecord, zone: ZoneInfo) -> None:
    from monitor.air import climate_report
    from monitor.science.climate.control_classes import CLASSES

    out.print(f"{record.name}, {local(record.start_ms, zone)} to {local(record.end_ms, zone)}")
    out.print(record.reliability)
    if record.band:
        out.print(f"\nTarget band. {climate_report.band_words(record)}")
        out.print(climate_report.BAND_IS_FOR)
        if record.exceedances:
            _print_exceedances(record, zone)
    if record.classes:
        out.print(f"\nControl. {climate_report.class_words(record)}")
        out.print(climate_report.CLASSES_FROM)
        shares = zip(CLASSES, record.classes.share.tolist(), strict=True)
        print_table(
            ("class", "time within limits", "meaning"),
            [(one.name, f"{100 * share:.1f} %", one.risk) for one, share in shares],
        )
        print_table(
            ("month", "class kept", "RH low %", "mean %", "high %", "time judged"),
            [
                (
                    f"{formats.local(one.from_ms, zone):%Y-%m}",
                    one.kept.name if one.kept else "none",
                    f"{one.low_pct:.0f}",
                    f"{one.mean_pct:.0f}",
                    f"{one.high_pct:.0f}",
                    f"{100 * one.judged:.0f} %",
                )
                for one in record.months
            ],
        )
    if words := climate_report.mould_words(record):
        out.print(f"\nMould. {words} {climate_report.mould_caution(record)}".rstrip())


def _print_exceedances(record: ClimateRecord, zone: ZoneInfo) -> None:
    worst = sorted(record.exceedances, key=lambda e: -e.beyond_pct)[:WORST_SHOWN]
    print_table(
        ("from", "to", "hours", "side", "RH %", "points beyond the band"),
        [
            (
                local(one.from_ms, zone),
                local(one.to_ms, zone),
                f"{(one.to_ms - one.from_ms) / 3_600_000:.0f}",
                one.side,
                f"{one.extreme_pct:.0f}",
                f"{one.beyond_pct:.1f}" + ("" if one.settled else " (provisional)"),
            )
            for one in sorted(worst)
        ],
    )
    if (more := len(record.exceedances) - WORST_SHOWN) > 0:
        out.print(f"These are the {WORST_SHOWN} furthest outside the band; there are {more} more.")


def _record(record: ClimateRecord) -> dict[str, Any]:
    """The report as JSON has it."""
    from monitor.science.climate.control_classes import CLASSES

    band, classes = record.band, record.classes
    return {
        "name": record.name,
        "start_ms": record.start_ms,
        "end_ms": record.end_ms,
        "standing": record.reliability,
        "band": band
        and {
            "annual_mean_pct": band.annual_mean_pct,
            "below_pct": band.below_pct,
            "above_pct": band.above_pct,
            "provisional": band.provisional,
        },
        "outside_share": record.outside,
        "exceedances": record.exceedances,
        "classes": classes and dict(zip((c.name for c in CLASSES), classes.share, strict=True)),
        "months": [m._asdict() | {"kept": m.kept and m.kept.name} for m in record.months],
        "mould": record.mould,
    }
