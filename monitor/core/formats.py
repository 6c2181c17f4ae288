"""Figures, units, local times and lengths of time as text, for every reader.

Board, command line, notices and sheets write numbers and times with these functions. Everything
else works in UTC milliseconds, °C, % and Pa.
"""

from __future__ import annotations

import math
import re
from datetime import date, datetime
from typing import TYPE_CHECKING, Literal, NamedTuple

from monitor.core.clock import from_ms
from monitor.core.units import M3_PER_FT3, VOLUMES_L

if TYPE_CHECKING:
    from datetime import tzinfo

TemperatureUnit = Literal["C", "F"]
"""Unit in which temperatures are shown."""
FAHRENHEIT_REGIONS = frozenset({"US", "LR", "BS", "BZ", "KY", "PW", "FM", "MH"})
"""Countries that use °F, by ISO 3166 code. From memory."""

UNKNOWN = "–"
"""Text in place of a figure that is not known."""
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000


def prefers_fahrenheit(language: str) -> bool:
    """True if the region of a language tag or locale name, `en-US` or `en_US.UTF-8`, uses °F."""
    subtags = language.partition(".")[0].replace("_", "-").split("-")[1:]
    return any(subtag.upper() in FAHRENHEIT_REGIONS for subtag in subtags)


def unit_of(fahrenheit: bool) -> TemperatureUnit:
    return "F" if fahrenheit else "C"


class DisplayScale(NamedTuple):
    """Name and display unit of a quantity: shown = stored · `factor` + `offset`, in `unit`."""

    words: str
    unit: str
    decimals: int
    factor: float = 1.0
    offset: float = 0.0


EMC, EMC_END_PCT = "equilibrium_moisture_content", 24.0
"""Name of the moisture that wood settles at, and the end of its table near 95 % RH. [%]"""
_TEMPERATURES = {
    "temperature": "Temperature",
    "dew_point": "Dew point",
    "frost_point": "Frost point",
    "wet_bulb": "Wet bulb",
    "surface_temperature": "Surface temperature",
}
_OTHERS = {
    "humidity": DisplayScale("Relative humidity", "%", 0),
    "equilibrium_moisture_content": DisplayScale("Wood moisture (EMC)", "%", 1),
    "absolute_humidity": DisplayScale("Absolute humidity", "g/m³", 1),
    "humidity_ratio": DisplayScale("Humidity ratio", "g/kg", 1, 1000.0),
    "vapour_pressure": DisplayScale("Vapour pressure", "hPa", 1, 0.01),
    "vapour_pressure_deficit": DisplayScale("Vapour pressure deficit", "hPa", 1, 0.01),
    "pressure": DisplayScale("Air pressure", "hPa", 0, 0.01),
    "battery": DisplayScale("Battery", "%", 0),
}


def scale(quantity: str, unit: TemperatureUnit) -> DisplayScale:
    """Display scale of a measured or derived quantity for a reader of `unit`."""
    if words := _TEMPERATURES.get(quantity):
        return (
            DisplayScale(words, "°F", 1, 1.8, 32.0)
            if unit == "F"
            else DisplayScale(words, "°C", 1)
        )
    return _OTHERS.get(quantity) or DisplayScale(quantity.replace("_", " ").capitalize(), "", 1)


def in_unit(temp_c: float, unit: TemperatureUnit) -> float:
    """A temperature in the reader's unit. [°C] to [°C] or [°F]"""
    return 1.8 * temp_c + 32 if unit == "F" else temp_c


def to_celsius(value: float, unit: TemperatureUnit) -> float:
    """A temperature typed in the reader's unit. [°C] or [°F] to [°C]"""
    return (value - 32) / 1.8 if unit == "F" else value


def difference_in_unit(kelvin: float, unit: TemperatureUnit) -> float:
    """A difference of temperatures in the reader's unit. [K] to [K] or [°F]"""
    return 1.8 * kelvin if unit == "F" else kelvin


def difference_from_unit(value: float, unit: TemperatureUnit) -> float:
    """A difference of temperatures typed in the reader's unit. [K] or [°F] to [K]"""
    return value / 1.8 if unit == "F" else value


def degree(unit: TemperatureUnit) -> str:
    """Sign of a temperature: `°C` or `°F`."""
    return "°F" if unit == "F" else "°C"


def degree_difference(unit: TemperatureUnit) -> str:
    """Sign of a difference of temperatures: `K` or `°F`."""
    return "°F" if unit == "F" else "K"


def figure(value: float, decimals: int) -> str:
    """A number with a true minus; never `−0`; a dash if it is not known."""
    if not math.isfinite(value):
        return UNKNOWN
    text = f"{abs(value):.{decimals}f}"
    return f"−{text}" if value < 0 and float(text) else text


def shown(quantity: str, value: float, unit: TemperatureUnit) -> str:
    """A value of a quantity in its display unit, without the unit: `21.4`; `above 24` for the
    moisture of wood beyond the table it rests on."""
    if quantity == EMC and value > EMC_END_PCT:
        return f"above {EMC_END_PCT:.0f}"
    how = scale(quantity, unit)
    return figure(value * how.factor + how.offset, how.decimals)


def with_unit(quantity: str, value: float, unit: TemperatureUnit) -> str:
    """A value with its unit: `21.4 °C`, `46 %`."""
    return f"{shown(quantity, value, unit)} {scale(quantity, unit).unit}".rstrip()


def spread(kelvin: float, unit: TemperatureUnit) -> str:
    """A difference of temperatures, without unit: `0.7`."""
    return figure(difference_in_unit(kelvin, unit), 1)


def whole_temperature(temp_c: float, unit: TemperatureUnit) -> str:
    """A round temperature: `20 °C`, `68 °F`."""
    return f"{figure(in_unit(temp_c, unit), 0)} {degree(unit)}"


def limit_temperature(temp_c: float, unit: TemperatureUnit) -> str:
    """A limit, with a decimal where it is not a round temperature: `18 °C`, `64.4 °F`."""
    return f"{figure(in_unit(temp_c, unit), 1).removesuffix('.0')} {degree(unit)}"


def in_reader_unit(text: str, unit: TemperatureUnit) -> str:
    """A text, with its temperatures and their differences in the reader's unit: `103 °C` becomes
    `217 °F`, `3 K` becomes `5.4 °F`, `30 to 35 °C` becomes `86 to 95 °F`."""
    if unit == "C":
        return text

    def shown(found: re.Match[str]) -> str:
        ends = [float(one.replace("−", "-")) for one in found[1].split(" to ")]
        if found[2] == "°C":
            return f"{' to '.join(figure(in_unit(one, unit), 0) for one in ends)} {degree(unit)}"
        spreads = " to ".join(spread(one, unit).removesuffix(".0") for one in ends)
        return f"{spreads} {degree_difference(unit)}"

    number = r"[−-]?\d+(?:\.\d+)?"
    return re.sub(rf"({number}(?: to {number})?) (°C|K)\b", shown, text)


def rule_value(value: float | None, sign: str, unit: TemperatureUnit) -> str:
    """A value of a rule's quantity, `27 %`, `4.5 °C`, `3 h`; empty if there is none.

    `sign` is the unit in which it is kept: %, °C, K, s or another.
    """
    if value is None or not sign:
        return ""
    if sign == "s":
        return lasting(value)
    if sign == "°C" and unit == "F":
        return whole_temperature(value, unit)
    if sign == "K":
        return f"{spread(value, unit)} {degree_difference(unit)}"
    if sign == "% MC" and value > EMC_END_PCT:
        return f"above {EMC_END_PCT:.0f} {sign}"
    return f"{figure(value, 0 if sign == '%' else 1)} {sign}"


def lasting(seconds: float) -> str:
    """A length of time in whole minutes, hours or days: `119 min`, `3 h`, `4 days`."""
    minutes = round(seconds / 60)
    if abs(minutes) < 120:
        return f"{figure(minutes, 0)} min"
    if abs(minutes) < 48 * 60:
        return f"{figure(minutes / 60, 0)} h"
    return f"{figure(minutes / 1440, 0)} days"


def grouped(n: int) -> str:
    """A whole number: `12 345`."""
    return f"{n:,}".replace(",", " ")


def first_upper(text: str) -> str:
    """The text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def counted(n: int, one: str, many: str = "") -> str:
    """A number of things: `1 message`, `12 345 messages`. `many`: where it is not `one` with an s."""
    return f"{grouped(n)} {one if n == 1 else many or f'{one}s'}"


def water_unit(middle_l: float, *, us: bool) -> str:
    """Unit of an amount of water: L, or in the US gal, below half a gallon fl oz. [L]"""
    if not us:
        return "L"
    return "gal" if middle_l >= VOLUMES_L["gal"] / 2 else "fl oz"


def water_figure(amount_l: float, unit: str) -> str:
    """An amount of water in such a unit, without the unit: `2.4`, `38`. [L]"""
    return f"{amount_l / VOLUMES_L[unit]:.{0 if unit == 'fl oz' else 1}f}"


def room_words(volume_m3: float, *, us: bool) -> str:
    """A room's volume: `60 m³`, or in the US `2120 ft³`. [m³]"""
    return f"{round(volume_m3 / M3_PER_FT3, -1):.0f} ft³" if us else f"{volume_m3:g} m³"


def age(seconds: float) -> str:
    """Time since something happened: `5 min ago`. `assets/board.js` writes the same."""
    s = max(0, int(seconds))
    if s < 90:
        return f"{s} s ago"
    if s < 90 * 60:
        return f"{s // 60} min ago"
    if s < 36 * 3600:
        return f"{s // 3600} h ago"
    return f"{counted(s // 86400, 'day')} ago"


def duration(ms: float) -> str:
    """A length of time in one whole unit: `10 minutes`."""
    for size, word in (
        (DAY_MS, "day"),
        (HOUR_MS, "hour"),
        (MINUTE_MS, "minute"),
        (1000, "second"),
    ):
        n = round(ms / size)
        if ms >= size:
            return counted(n, word)
    return "1 second"


def hours(seconds: float) -> str:
    """A length of time, briefly: `40 min`, `6 h`, `1.5 h`, `2 days`."""
    if seconds < 5400 and seconds % 3600:
        return f"{round(seconds / 60)} min"
    h = seconds / 3600
    if h >= 48:
        return f"{figure(h / 24, 1).removesuffix('.0')} days"
    return f"{figure(h, 1).removesuffix('.0')} h"


def local(ms: float, zone: tzinfo) -> datetime:
    """A moment in the shop's zone. [ms since 1970-01-01 UTC]"""
    return from_ms(int(ms)).astimezone(zone)


def clock(ms: float, zone: tzinfo) -> str:
    """The local time of day, `14:02`; with the zone's name in the hour that comes twice."""
    moment = local(ms, zone)
    return f"{moment:%H:%M}{_which_hour(moment)}"


def _which_hour(moment: datetime) -> str:
    twice = moment.replace(fold=0).utcoffset() != moment.replace(fold=1).utcoffset()
    return f" {moment:%Z}" if twice else ""


def day(moment: date) -> str:
    """A date without its year: `Wed 25 Nov`."""
    return f"{moment:%a} {moment.day} {moment:%b}"


def when(ms: float, now_ms: float, zone: tzinfo) -> str:
    """A past local moment, briefly: `14:02`, `yesterday 14:02`, `Sat 14:02`, `12 Mar 14:02`."""
    moment, today = local(ms, zone), local(now_ms, zone).date()
    days = (today - moment.date()).days
    if days == 0:
        return clock(ms, zone)
    if days == 1:
        return f"yesterday {clock(ms, zone)}"
    year = "" if moment.year == today.year else f" {moment.year}"
    name = f"{moment:%a}" if 1 < days < 7 else f"{moment.day} {moment:%b}{year}"
    return f"{name} {clock(ms, zone)}"


def ahead(ms: float, now_ms: float, zone: tzinfo) -> str:
    """A local moment, past or future: `16:40`, `tomorrow 09:10`, `Fri 09:10`, `3 Dec 09:10`."""
    moment, today = local(ms, zone), local(now_ms, zone).date()
    days = (moment.date() - today).days
    if days <= 0:
        return when(ms, now_ms, zone)
    if days == 1:
        return f"tomorrow {clock(ms, zone)}"
    name = f"{moment:%a}" if days < 7 else f"{moment.day} {moment:%b}"
    return f"{name} {clock(ms, zone)}"


def dated(ms: float, now_ms: float, zone: tzinfo) -> str:
    """A moment in a text that may be read on a later day: `14:05` today, else `Sat 28 Nov 14:05`."""
    same = local(ms, zone).date() == local(now_ms, zone).date()
    return clock(ms, zone) if same else f"{day(local(ms, zone).date())} {clock(ms, zone)}"


def brief(ms: float, now_ms: float, zone: tzinfo) -> str:
    """A moment in a narrow table: `14:05` today, `Thu 07:00` in the next six days, else
    `Sat 28 Nov 14:05`."""
    ahead_days = (local(ms, zone).date() - local(now_ms, zone).date()).days
    return weekday(ms, zone) if 0 < ahead_days < 7 else dated(ms, now_ms, zone)


def weekday(ms: float, zone: tzinfo) -> str:
    """A moment of the days ahead, in a text that is kept: `Thu 07:00`."""
    return f"{local(ms, zone):%a} {clock(ms, zone)}"


def between(low_ms: float, high_ms: float, now_ms: float, zone: tzinfo) -> str:
    """Two moments, each with its day unless that is clear: `Fri 11:30 to 14:35`,
    `Fri 11:30 to Sat 04:35`, `11:30 to 14:35` today."""
    first, last = local(low_ms, zone).date(), local(high_ms, zone).date()
    end = clock(high_ms, zone) if first == last else ahead(high_ms, now_ms, zone)
    return f"{ahead(low_ms, now_ms, zone)} to {end}"


def stamp(ms: float, zone: tzinfo) -> str:
    """A local moment in full: `Wed 25 Nov 2026 14:02`."""
    return f"{day(local(ms, zone).date())} {local(ms, zone).year} {clock(ms, zone)}"


def numeric(ms: float, zone: tzinfo) -> str:
    """A local moment for tables, in the order that sorts: `2026-11-25 14:02`."""
    return f"{local(ms, zone):%Y-%m-%d} {clock(ms, zone)}"


def utc(ms: int, to: Literal["minutes", "seconds", "auto"] = "seconds") -> str:
    """A moment in UTC, ISO 8601: `2026-11-25T14:02:10Z`. `auto`: milliseconds if it has any."""
    unit = to if to != "auto" else "milliseconds" if ms % 1000 else "seconds"
    return from_ms(ms).isoformat(timespec=unit).replace("+00:00", "Z")
