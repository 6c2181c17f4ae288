"""`benchweather now`: the air at each place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.cli.output import out, print_json, print_table
from monitor.cli.shared import Json, fahrenheit, journal_of, print_troubles
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.air.current import PlaceAir

NUMBERS = (
    "temp_c",
    "rh_pct",
    "dew_point_c",
    "moisture_pct",
    "pressure_pa",
    "surface_temp_c",
    "battery_pct",
)


def now(settings: Settings, as_json: Json = False) -> None:
    """Show the air at each place now, and what it means for the work."""
    from monitor.air import current, latest_air
    from monitor.domain.situation import drying

    moment = now_ms()

    with journal_of(settings) as (reader, journal):
        recent, wet = latest_air.recent(reader, settings, moment), drying(journal.waits.values())
        airs = current.air_now(recent, settings, moment, wet)
    if as_json:
        print_json(
            [
                {"place": one.place.id, "label": one.place.label, "heard_ms": one.heard_ms}
                | {"old": one.old, "assessment": one.assessment.sentence}
                | {name: getattr(one, name) for name in NUMBERS}
                for one in airs
            ]
        )
        return
    print_troubles(settings)
    if not airs:
        out.print("No readings yet. `benchweather sensor listen` shows what arrives.")
        return
    unit = formats.unit_of(fahrenheit(settings))
    sign = formats.degree(unit)
    print_table(
        ("place", f"air {sign}", "RH %", f"dew point {sign}", "wood EMC %", "heard", "meaning"),
        [
            (
                one.place.label,
                formats.figure(formats.in_unit(one.temp_c, unit), 1),
                formats.figure(one.rh_pct, 0),
                formats.figure(formats.in_unit(one.dew_point_c, unit), 1),
                formats.shown(formats.EMC, one.moisture_pct, unit),
                _age(one, moment),
                "" if one.old else one.assessment.sentence,
            )
            for one in airs
        ],
    )


def _age(air: PlaceAir, moment_ms: int) -> str:
    """Time since the last reading; a reading dated ahead of this clock counts as new."""
    if air.heard_ms is None:
        return "never"
    text = formats.age((moment_ms - air.heard_ms) / 1000)
    text = f"by hand, {text}" if air.by_hand else text
    return f"OLD, {text}" if air.old else text
