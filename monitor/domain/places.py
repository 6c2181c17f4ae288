"""A place in the shop and the limits its air is judged by."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any, Literal

Kind = Literal["bench", "varnish", "outdoors"]

_PRACTICE = "common practice, no source"


def _limit(default: float, unit: str, text: str, source: str) -> Any:
    return field(default=default, metadata={"unit": unit, "help": text, "source": source})


@dataclass(frozen=True, kw_only=True)
class AirLimits:
    """Limits at which the air turns from right to something else; each is the shop's to change.

    A state is left again only when the air has come back by the margin, so that a figure near a
    limit does not flicker.
    """

    rh_low_pct: float = _limit(40.0, "%", "Below: dry, opened plates shrink", _PRACTICE)
    rh_very_low_pct: float = _limit(30.0, "%", "Below: very dry, seams and cracks open", _PRACTICE)
    rh_high_pct: float = _limit(60.0, "%", "Above: damp, hide glue hardens slowly", _PRACTICE)
    rh_very_high_pct: float = _limit(
        75.0,
        "%",
        "Above: a glue line may stay soft (near 80 %, less the sensor's error)",
        "inference from published sorption and glass-transition data of gelatin",
    )
    rh_margin_pct: float = _limit(
        2.0,
        "%",
        "How far inside its limit RH must be for the state to end",
        "ours: the accuracy of ordinary sensors",
    )
    glue_temp_low_c: float = _limit(
        18.0, "°C", "Below: too cold to glue; warm the parts first", _PRACTICE
    )
    temp_high_c: float = _limit(28.0, "°C", "Above: wet glue stays soft, varnish drags", _PRACTICE)
    temp_margin_c: float = _limit(
        0.5,
        "K",
        "How far inside its limit temperature must be for the state to end",
        "ours: above the accuracy of the sensors",
    )
    varnish_rh_stop_pct: float = _limit(
        85.0,
        "%",
        "From this RH: no coating work",
        "common reading of coating standards (ISO 12944-7)",
    )
    varnish_rh_high_pct: float = _limit(65.0, "%", "Above: spirit varnish may blush", _PRACTICE)
    varnish_spread_stop_k: float = _limit(
        3.0,
        "K",
        "Air closer than this to its dew point: no coating work",
        "common reading of ISO 8502-4",
    )
    varnish_spread_low_k: float = _limit(
        6.0,
        "K",
        "Air closer than this to its dew point: spirit varnish is likely to blush",
        "ours, from the cooling of an evaporating film",
    )
    varnish_temp_low_c: float = _limit(16.0, "°C", "Below: too cold to varnish", _PRACTICE)
    varnish_spread_margin_k: float = _limit(
        0.7,
        "K",
        "How far inside its limit the spread must be for the state to end",
        "ours: the accuracy of a dew point",
    )


@dataclass(frozen=True, kw_only=True)
class Place:
    """Place whose air a sensor measures.

    `id` is its name in topics, `name` the one on screen (the id if empty). `kind` says what work
    is done there: gluing and open wood, varnishing, or none (outdoors). `rh_low_pct` and
    `rh_high_pct` are the place's own band instead of the shop's. [%] `volume_m3` is the room's, for
    the water it would take; 0: not told. [m³] `wall_factor` is the temperature factor of its coldest
    wall (`cold_surface`); 0: as measured by a surface sensor, else a weak corner's. [-] `glass`: the
    panes of its windows, where dew on them is to limit its humidity. `open_flame`: a heater
    without a flue, or another flame, burns there.
    """

    id: str
    name: str = ""
    kind: Kind = "bench"
    rh_low_pct: float | None = None
    rh_high_pct: float | None = None
    volume_m3: float = 0.0
    wall_factor: float = 0.0
    glass: Literal["", "single", "double"] = ""
    open_flame: bool = False

    @functools.cached_property
    def label(self) -> str:
        return self.name or self.id.replace("-", " ").replace("_", " ").capitalize()


def band(place: Place, limits: AirLimits) -> tuple[float, float]:
    """The RH band of a place: its own, else the shop's. [%], [%]"""
    low = limits.rh_low_pct if place.rh_low_pct is None else place.rh_low_pct
    high = limits.rh_high_pct if place.rh_high_pct is None else place.rh_high_pct
    return low, high
