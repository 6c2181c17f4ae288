"""`benchweather outlook`: the shop's air of the next days."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.output import out, print_json, print_table
from monitor.cli.shared import Json, fahrenheit, known, store_of
from monitor.core import formats
from monitor.core.clock import from_ms, now_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.outlook.files import LearnedPlace
    from monitor.outlook.summary import PlaceOutlook
    from monitor.science.outlook.ensemble_statistics import GoodHours, OutlookSpell

EVERY_H = 6
"""Step of the table. [h]"""


def outlook(
    settings: Settings,
    place: Annotated[
        str, typer.Argument(help="A place (default: all places with an outlook)")
    ] = "",
    as_json: Json = False,
) -> None:
    """Show the outlook: ranges, dry and damp spells, and good hours for work."""
    from monitor.air.place_means import places
    from monitor.commands.closing import shop_hours
    from monitor.outlook import files
    from monitor.outlook.summary import NEEDS, foreseen

    with store_of(settings) as reader:
        indoors = {one.id: one for one in places(reader, settings) if one.kind != "outdoors"}
        hours = shop_hours(reader, settings)
    if place:
        known(place, indoors, "indoor place")
    chosen = [indoors[place]] if place else list(indoors.values())
    found = [one for p in chosen if (one := foreseen(settings, p, now_ms(), hours)) is not None]
    if as_json:
        print_json([_record(one) for one in found])
    else:
        for one in found:
            _print(one, files.fit(settings, one.place.id), settings)
    if not found:
        if not as_json:
            out.print(f"No outlook yet. {NEEDS}")
        raise typer.Exit(1)


def _print(one: PlaceOutlook, fit: LearnedPlace | None, settings: Settings) -> None:
    from monitor.outlook.summary import cold_words, dry_words, rests_on, spell_words, stretch_words
    from monitor.outlook.weather.providers import credit_by_id
    from monitor.science.outlook.ensemble_statistics import UNSURE

    zone, in_f = settings.zone, fahrenheit(settings)
    unit = formats.degree(formats.unit_of(in_f))

    def span(fan: Any, step: int, digits: int, *, temp: bool = False) -> str:
        low, _, high = (formats.in_unit(v, formats.unit_of(in_f and temp)) for v in fan[:, step])
        return f"{low:.{digits}f} to {high:.{digits}f}"

    print_table(
        ("time", f"temperature {unit}", "RH %", f"dew point {unit}", "wood EMC %"),
        [
            (
                formats.weekday(one.at_ms(step + 1), zone),
                span(one.fan.temp_c, step, 1, temp=True),
                span(one.fan.rh_pct, step, 0),
                span(one.fan.dew_point_c, step, 1, temp=True),
                span(one.fan.emc_pct, step, 1),
            )
            for step in range(EVERY_H - 1, one.fan.rh_pct.shape[1], EVERY_H)
        ],
        title=f"{one.place.label}: 80 % ranges",
    )
    dry = one.dry is not None and one.dry.chance >= UNSURE
    sentences = [f"Dry: {dry_words(one, zone, us=in_f) if dry else 'not likely below the band'}."]
    sentences += [
        f"{name}: {spell_words(one, spell, mark, zone)}."
        for name, spell, mark in (("Damp", one.damp, "%"), ("Hot", one.hot, unit))
        if spell is not None and spell.chance >= UNSURE
    ]
    sentences += [
        stretch_words("to close a plate", one, one.closing, zone),
        stretch_words("to varnish", one, one.varnishing, zone),
        cold_words(one, zone, unit),
        rests_on(one, fit, zone),
        credit_by_id(one.look.source, settings.forecasts),
    ]
    for line in filter(None, sentences):
        out.print(line)


def _record(one: PlaceOutlook) -> dict[str, Any]:
    """An outlook as JSON has it."""

    def spell(s: OutlookSpell | None) -> dict[str, Any] | None:
        if s is None:
            return None
        return {
            "chance": s.chance,
            "begins_at": [from_ms(one.at_ms(h)).isoformat() for h in s.begins_h],
            "extreme": list(s.extreme),
            "extreme_at": from_ms(one.at_ms(s.extreme_at_h)).isoformat(),
        }

    def stretch(s: GoodHours | None) -> dict[str, Any] | None:
        if s is None:
            return None
        return {
            "begins_at": from_ms(one.at_ms(s.start)).isoformat(),
            "hours": s.hours,
            "chance": s.chance,
        }

    look = one.look
    return {
        "place": one.place.id,
        "made_at": from_ms(look.made_ms).isoformat(),
        "forecast": look.source or None,
        "forecast_reaches_h": look.reaches_h,
        "dry_snap_chance": look.chance,
        "speaks_from_chance": look.bar,
        "hours": [
            {
                "ends_at": from_ms(one.at_ms(step + 1)).isoformat(),
                **{
                    name: [round(float(v), 2) for v in fan[:, step]]
                    for name, fan in zip(one.fan._fields, one.fan, strict=True)
                },
            }
            for step in range(one.fan.rh_pct.shape[1])
        ],
        "dry_spell": spell(one.dry),
        "damp_spell": spell(one.damp),
        "hot_spell": spell(one.hot),
        "closing": stretch(one.closing),
        "varnishing": stretch(one.varnishing),
    }
