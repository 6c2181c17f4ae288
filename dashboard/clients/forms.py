"""Fields of a client's sheet: their names, how they are read, and their defaults."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, NamedTuple

from dashboard.ui import formats
from dashboard.ui.form_input import number
from monitor.clients.language import G_PER_OZ
from monitor.clients.request import DEFAULTS
from monitor.core.units import M3_PER_FT3, VOLUMES_L
from monitor.science.case.climates import CITIES
from monitor.science.case.outdoors import MONTHS
from monitor.science.case.presets import PRESETS

if TYPE_CHECKING:
    from collections.abc import Mapping


class FormField(NamedTuple):
    """A field: its name in a request, its words, and the unit there."""

    name: str
    words: str
    unit: str = ""

    def unit_in(self, unit: formats.Unit) -> str:
        """The unit in which a reader of °C or °F types it."""
        return self._us(unit).name

    def typed(self, value: float, unit: formats.Unit) -> str:
        """Text of a value of a request, as the reader types it."""
        if self.unit == "°C":
            return formats.shown("temperature", value, unit).removesuffix(".0")
        times = self._us(unit).times
        return f"{value if times == 1 else float(f'{value / times:.3g}'):g}"

    def value(self, number: float, unit: formats.Unit) -> float:
        """Value for a request of what the reader typed."""
        if self.unit == "°C":
            return formats.to_celsius(number, unit)
        return number * self._us(unit).times

    def fault(self, text: str, unit: formats.Unit) -> str:
        """Text of a fault in the unit in which the value was typed."""
        if unit == "C" or self.unit not in US_UNITS:
            return formats.in_reader_unit(text, unit)
        text = text.removesuffix("; is it in Fahrenheit?")
        text = re.sub(rf"(?<!\w){self.unit}(?!\w)", self.unit_in(unit), text)
        return re.sub(r"-?[0-9][0-9_.]*", lambda one: self.typed(float(one[0]), unit), text)

    def _us(self, unit: formats.Unit) -> UsUnit:
        ours = UsUnit(self.unit, 1.0)
        return US_UNITS.get(self.unit, ours) if unit == "F" else ours


class UsUnit(NamedTuple):
    """A unit of those who read °F. `times`: one of it in ours, but of a temperature."""

    name: str
    times: float


US_UNITS = {
    "°C": UsUnit("°F", 1.0),
    "L a day": UsUnit("gal a day", VOLUMES_L["gal"]),
    "m³": UsUnit("ft³", M3_PER_FT3),
    "mL": UsUnit("fl oz", 1000 * VOLUMES_L["fl oz"]),
    "g": UsUnit("oz", G_PER_OZ),
}
"""Units of the form by those of a request."""


def client_id(name: str) -> str:
    """The id of a field on the page; a point would mean something else there."""
    return f"client-{name.replace('.', '-')}"


WHO = (FormField("title", "For whom"), FormField("instrument", "Instrument"))
DAY = (
    FormField("played", "Played, hours of the day"),
    FormField("left_out", "Left out of its case"),
    FormField("lid_open", "In its open case"),
)
HOME = (
    FormField("set_point_c", "Heated to", "°C"),
    FormField("people", "People"),
    FormField("volume_m3", "Air of the rooms", "m³"),
    FormField("humidified_l_day", "Water from a humidifier there", "L a day"),
)
BAND = (FormField("band_low", "Band from", "%"), FormField("band_high", "to", "%"))
OWN = (
    FormField("device_water_ml", "It holds", "mL"),
    FormField("device_every_d", "Filled every", "days"),
    FormField("device_lost_g", "Weighed: it lost", "g"),
    FormField("device_lost_d", "in", "days"),
    FormField("device_lost_rh", "at a mean RH of", "%"),
)
OWN_BUFFER = (
    FormField("device_mass_g", "Its mass", "g"),
    FormField("device_set_pct", "Set to", "%"),
)
MONTHLY = (
    ("temp", "temperature", "°C"),
    ("rh", "RH", "%"),
    ("out", "temperature outdoors", "°C"),
    ("out_rh", "RH outdoors", "%"),
)
MONTHS_ASKED = tuple(
    FormField(f"{name}.{m}", f"{month}, {words}", unit)
    for m, month in enumerate(MONTHS, 1)
    for name, words, unit in MONTHLY
)
MONTHS_BY_ROW = tuple(
    MONTHS_ASKED[i : i + len(MONTHLY)] for i in range(0, len(MONTHS_ASKED), len(MONTHLY))
)
FIELDS = (*WHO, *DAY, *HOME, *BAND, *OWN, *OWN_BUFFER, *MONTHS_ASKED)
"""All that is typed."""
CHOICES: Mapping[str, Mapping[str, str]] = {
    "case": {name: formats.first_upper(name) for name in PRESETS},
    "source": {
        "shop": "Our own outdoor sensor",
        "normals": "A city, or monthly means",
        "readings": "Readings in the home",
        "log": "Their logger's file",
        "weather": "A weather file",
    },
    "climate": {
        "": "Not known",
        "normals": "Monthly means, typed in",
        "weather": "A weather file",
        "shop": "The shop's own outdoor log",
    },
    "tightness": {"tight": "Tight", "normal": "Ordinary", "leaky": "Leaky"},
    "device": {"": "None", "humidifier": "A case humidifier", "buffer": "A humidity buffer"},
    "language": {
        "en-GB": "English, °C, A4",
        "en-US": "English, °F, ounces, Letter",
        "de-DE": "German, °C, A4",
    },
}
"""Fields that are tapped, by their name in a request."""
LEGENDS = {
    "case": "Case",
    "source": "Estimate the home's air from",
    "climate": "The weather outdoors there",
    "tightness": "The home is",
    "device": "What they have already",
    "language": "The sheet in",
    "weather": "Weather file",
    "log": "Logger's file",
}


class HomePreset(NamedTuple):
    """A usual home: fields of a request."""

    words: str
    tightness: str
    volume_m3: float
    people: int
    set_point_c: float


HOMES: Mapping[str, HomePreset] = {
    "flat": HomePreset("Heated flat", "normal", 150.0, 2, 20.0),
    "tight": HomePreset("New, tight flat", "tight", 150.0, 2, 21.0),
    "house": HomePreset("Heated house", "normal", 300.0, 3, 20.0),
    "draughty": HomePreset("Old, draughty house", "leaky", 300.0, 2, 19.0),
}
"""Homes to start from.  Common practice, no source."""


def preset_form(home: str, unit: formats.Unit) -> tuple[str, ...]:
    """Tightness, volume, people and set point of a preset, as they are typed."""
    _, *values = HOMES[home]
    request = dict(zip(PRESET_FIELDS, values, strict=True))
    form = form_of(request, unit)
    return tuple(form[name] for name in PRESET_FIELDS)


PRESET_FIELDS = ("tightness", "volume_m3", "people", "set_point_c")
"""Fields of a request that a preset sets."""


def city_form(city: str, unit: formats.Unit) -> tuple[str, ...]:
    """Temperature and RH of each month of a city, January first, as they are typed."""
    temps, rhs = CITIES[city].monthly()
    shown: list[str] = []
    for temp_c, rh_pct in zip(temps, rhs, strict=True):
        shown += [formats.shown("temperature", temp_c, unit), f"{rh_pct:.0f}"]
    return tuple(shown)


def guessed_fields(form: Mapping[str, str | None], unit: formats.Unit) -> list[str]:
    """Fields about the home that are as in a preset or the defaults.

    A tight or a leaky home was tapped by somebody who knows it.
    """
    usual = [form_of({}, unit)]
    usual += [dict(zip(PRESET_FIELDS, preset_form(home, unit), strict=True)) for home in HOMES]
    taken = {name: (form.get(name) or "").strip() for name in PRESET_FIELDS}
    return [
        name
        for name, text in taken.items()
        if text in {one[name] for one in usual}
        and (name != "tightness" or text == DEFAULTS["tightness"])
    ]


ON_PAGE = (*CHOICES, *(a.name for a in FIELDS))
"""Every name of a request that has a field."""


def form_of(typed: Mapping[str, Any], unit: formats.Unit) -> dict[str, str]:
    """Text of each field for a request, as it was typed and tapped."""
    form = {name: str(typed.get(name, DEFAULTS[name])) for name in CHOICES}
    for asked in FIELDS:
        value = typed.get(asked.name, DEFAULTS.get(asked.name, ""))
        form[asked.name] = value if isinstance(value, str) else asked.typed(value, unit)
    return form


def request_of(
    form: Mapping[str, str | None], unit: formats.Unit
) -> tuple[dict[str, Any], dict[str, str]]:
    """A request from what was typed and tapped, in SI units, and what cannot be read of it."""
    request: dict[str, Any] = {name: form.get(name) or "" for name in CHOICES}
    faults = {}
    for asked in FIELDS:
        text = (form.get(asked.name) or "").strip()
        if isinstance(DEFAULTS.get(asked.name), str):
            request[asked.name] = text
        elif text:
            try:
                value = number(text)
            except ValueError:
                faults[asked.name] = f"{text!r:.30} is not a number"
                continue
            request[asked.name] = asked.value(value, unit)
    request["guessed"] = ", ".join(guessed_fields(form, unit))
    if request["device"] == "":
        request = {k: v for k, v in request.items() if not k.startswith("device_")}
    return request, faults


def faults_in(faults: Mapping[str, str], unit: formats.Unit) -> dict[str, str]:
    """Faults of a request by field, in the reader's units."""
    fields = {asked.name: asked for asked in FIELDS}
    return {n: fields[n].fault(text, unit) if n in fields else text for n, text in faults.items()}


def label_of(name: str) -> str:
    """Label of a field."""
    words = {a.name: a.words for a in FIELDS} | LEGENDS
    return words.get(name, name)
