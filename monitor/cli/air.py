"""`benchweather now`: the air at each place, as a table in the terminal."""

from __future__ import annotations

import contextlib
import math

from rich.table import Table

from monitor.cli.shared import Config, Data, Demo, exit_on, fahrenheit, load, out
from monitor.core import formats
from monitor.core.clock import now_ms


def now(data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Show the air at each place now, and what it means for the work."""
    from monitor.air import current
    from monitor.store import Reader

    settings = load(data, config, demo=demo)
    in_f = fahrenheit(settings)
    unit = formats.degree(formats.unit_of(in_f))
    table = Table(
        "place",
        f"temperature {unit}",
        "RH %",
        f"dew point {unit}",
        "wood EMC %",
        "heard",
        "what it means",
    )
    moment = now_ms()
    with exit_on(), contextlib.closing(Reader(settings.store_path)) as reader:
        airs = current.air_now(current.recent(reader, settings, moment), settings, moment)
    for one in airs:
        table.add_row(
            one.place.label,
            _temperature(one.temp_c, in_f),
            _figure(one.rh_pct, 0),
            _temperature(one.dew_point_c, in_f),
            _figure(one.moisture_pct, 1),
            _age(one.heard_ms, moment, old=one.old),
            "" if one.old else one.verdict.sentence,
        )
    if not airs:
        out.print("No reading yet: see the README on how to point a sensor at it.")
        return
    out.print(table)


def _temperature(temp_c: float, in_f: bool) -> str:
    return formats.figure(formats.in_unit(temp_c, formats.unit_of(in_f)), 1)


def _figure(value: float, digits: int) -> str:
    return "–" if math.isnan(value) else f"{value:.{digits}f}"


def _age(heard_ms: int | None, moment_ms: int, *, old: bool) -> str:
    if heard_ms is None:
        return "never"
    minutes = (moment_ms - heard_ms) / 60_000
    text = (
        f"{60 * minutes:.0f} s ago"
        if minutes < 1
        else f"{minutes:.0f} min ago"
        if minutes < 120
        else f"{minutes / 60:.0f} h ago"
        if minutes < 2880
        else f"{minutes / 1440:.0f} days ago"
    )
    return f"OLD, {text}" if old else text
