"""Request for a client's sheet, as it was typed: one flat mapping of names, in SI units.

The same names stand in the board's form, on the command line and in what is kept.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.clients.language import Language, LanguageFault
from monitor.core.errors import MonitorError
from monitor.core.measurements import text_fault
from monitor.science.case.devices import Buffer, Humidifier, release_from_weighing
from monitor.science.case.fields import CaseFault, is_number
from monitor.science.case.home import ClientHome, Tightness, home_of
from monitor.science.case.home_readings import SLACK_PCT, MonthReading, possible_rh_pct
from monitor.science.case.outdoors import MONTHS, saturation
from monitor.science.case.presets import PRESETS, Case, Use

SOURCES = ("readings", "normals", "weather", "log", "shop")
"""Sources of a home's air: typed readings, monthly normals of its weather, a weather file,
the client's own logger, the shop's own outdoor log."""
CLIMATES = ("", "normals", "weather", "shop")
"""Sources of the climate outdoors, by which readings and a logger's months carry to other months:
not known, typed monthly normals, a weather file, the shop's own outdoor log."""
TEXT_MAX = 60
OUTDOOR_RH_PCT = 85.0
"""Taken for the air outdoors where only its temperature was typed. [%]  Ours."""
DEFAULTS: Mapping[str, Any] = {
    "title": "",
    "instrument": "",
    "case": "violin, hard case",
    "source": "readings",
    "climate": "",
    "played": "17-19",
    "left_out": "",
    "lid_open": "",
    "band_low": 40.0,
    "band_high": 60.0,
    "tightness": "normal",
    "set_point_c": 20.0,
    "people": 2,
    "volume_m3": 150.0,
    "humidified_l_day": 0.0,
    "guessed": "",
    "device": "",
    "language": "en-GB",
    "unit": "",
}
_OPTIONAL = (
    "air_l",
    "closed_changes_day",
    "device_water_ml",
    "device_release_g_day_pct",
    "device_every_d",
    "device_mass_g",
    "device_set_pct",
    "device_lost_g",
    "device_lost_d",
    "device_lost_rh",
)
GUESSABLE = ("tightness", "people", "volume_m3", "set_point_c")
"""Fields of a home that nobody may have said: a usual value is taken then, with its spread."""
_MONTHLY = ("temp", "rh", "out", "out_rh")
NAMES = (*DEFAULTS, *_OPTIONAL, *(f"{name}.{m}" for m in range(1, 13) for name in _MONTHLY))
"""Every name of a request. `temp.1`, `rh.1`: January's mean, at home for readings and outdoors for
normals; `out.1`, `out_rh.1`: its outdoor temperature and RH, where the climate is typed beside
readings. An outdoor temperature alone is only held against the reading of its month. `guessed`: the
names of `GUESSABLE` that nobody said, with commas; if left out, those that are left out."""


class ClientFault(MonitorError, ValueError):
    """Something asked for a client cannot be. `fields`: what is wrong with each, by its name."""

    def __init__(self, fields: Mapping[str, str]) -> None:
        self.fields = dict(fields)
        super().__init__("; ".join(f"{name}: {text}" for name, text in fields.items()))


@dataclass(frozen=True, kw_only=True)
class SheetRequest:
    """Checked request for a sheet. `months`, and `outdoor_months` of a climate that was typed beside
    readings: by 1 to 12, a mean temperature and RH [°C], [%]."""

    title: str
    instrument: str
    case: Case
    use: Use
    band_pct: tuple[float, float]
    source: str
    home: ClientHome
    tightness: str
    guessed: tuple[str, ...]
    humidified_l_day: float
    climate: str
    months: Mapping[int, tuple[float, float]]
    outdoor_months: Mapping[int, tuple[float, float]]
    own: Humidifier | Buffer | None
    language: Language
    typed: Mapping[str, Any] = field(repr=False)

    @property
    def outdoors_c(self) -> dict[int, float]:
        """Outdoor temperatures that were typed beside readings, without a climate, by month. [°C]"""
        if self.climate:
            return {}
        return {m: self.typed[f"out.{m}"] for m in self.months if f"out.{m}" in self.typed}

    @property
    def readings(self) -> list[MonthReading]:
        return [MonthReading(month, *air) for month, air in self.months.items()]


def read_sheet_request(given: Mapping[str, Any]) -> SheetRequest:
    """Check what was typed, and return it as a request.

    Parameters
    ----------
    given : mapping
        Of `NAMES`; what is left out is as in `DEFAULTS`. Numbers are numbers; the others text.

    Raises
    ------
    ClientFault
        With every field that is wrong.
    """
    faults: dict[str, str] = {
        n: "is not a field of a client's sheet" for n in given if n not in NAMES
    }
    guessed = ", ".join(name for name in GUESSABLE if given.get(name) is None)
    typed = {
        **DEFAULTS,
        "guessed": guessed,
        **{k: v for k, v in given.items() if k in NAMES and v is not None},
    }
    for name, value in typed.items():
        texts = isinstance(DEFAULTS.get(name), str)
        if texts and (fault := text_fault(value, TEXT_MAX)):
            faults[name] = fault
        elif not texts and not is_number(value):
            faults[name] = f"{value!r:.20} is not a number"
    if faults:
        raise ClientFault(faults)
    language = Language("en-GB")
    try:
        language = Language(typed["language"], typed["unit"])
    except LanguageFault as exc:
        faults["language"] = str(exc)
    for name, allowed in (
        ("source", SOURCES),
        ("climate", CLIMATES),
        ("tightness", tuple(Tightness)),
        ("case", tuple(PRESETS)),
        ("unit", ("", "C", "F")),
        ("device", ("", "humidifier", "buffer")),
    ):
        if typed[name] not in allowed:
            faults[name] = (
                f"{typed[name]!r:.40}: must be one of {', '.join(filter(None, allowed))}"
            )
    names = tuple(filter(None, (one.strip() for one in typed["guessed"].split(","))))
    if set(names) - set(GUESSABLE):
        faults["guessed"] = f"{typed['guessed']!r:.40}: must be of {', '.join(GUESSABLE)}"
    case = PRESETS.get(typed["case"], PRESETS["violin, hard case"])
    own_case = {n: float(typed[n]) for n in ("air_l", "closed_changes_day") if n in typed}
    case = _made(faults, case, lambda: replace(case, **own_case))  # type: ignore[arg-type] # fields by name
    use = _use(typed, faults)
    low, high = float(typed["band_low"]), float(typed["band_high"])
    if not (low >= 20 and high <= 75 and high - low >= 5):
        faults["band_low"] = "the band must lie within 20 to 75 % and be at least 5 % wide"
    tight = typed["tightness"] if "tightness" not in faults else "normal"
    given_home = {
        "set_point_c": float(typed["set_point_c"]),
        "volume_m3": float(typed["volume_m3"]),
        "people": int(typed["people"])
        if typed["people"] == int(typed["people"])
        else typed["people"],
    }
    home = _made(faults, ClientHome(), lambda: home_of(tight, **given_home))
    if not 0 <= typed["humidified_l_day"] <= 100:
        faults["humidified_l_day"] = f"{typed['humidified_l_day']:g}: must be 0 to 100 L a day"
    months = _months(typed, faults)
    climate = typed["climate"] if typed["source"] in ("readings", "log") else ""
    outdoor_months = _outdoor_months(typed, faults) if climate == "normals" else {}
    own = _own(typed, faults)
    if not faults and typed["source"] == "readings" and not climate:
        faults |= _impossible(typed, months, home)
    if faults:
        raise ClientFault(faults)
    return SheetRequest(
        title=typed["title"].strip(),
        instrument=typed["instrument"].strip(),
        case=case,
        use=use,
        band_pct=(low, high),
        source=typed["source"],
        home=home,
        tightness=tight,
        guessed=names,
        humidified_l_day=float(typed["humidified_l_day"]),
        climate=climate,
        months=months,
        outdoor_months=outdoor_months,
        own=own,
        language=language,
        typed={k: v for k, v in typed.items() if v != ""},
    )


def _made(faults: dict[str, str], instead: Any, make: Any) -> Any:
    try:
        return make()
    except CaseFault as exc:
        faults |= {f.field: f"{f.value!r:.20}: must be {f.allowed}" for f in exc.faults}
        return instead


def spans(text: str) -> tuple[tuple[float, float], ...]:
    """Hours of the day: "17-19, 21:30-22". Raises ValueError if they are none."""
    found = []
    for part in filter(None, (p.strip() for p in text.split(","))):
        at = re.fullmatch(r"(\d{1,2})(?::(\d\d))?\s*[-–]\s*(\d{1,2})(?::(\d\d))?", part)
        if at is None:
            raise ValueError(part)
        a, b = (int(at[i]) + int(at[i + 1] or 0) / 60 for i in (1, 3))
        if a == b or max(a, b) > 24 or max(int(at[2] or 0), int(at[4] or 0)) > 59:
            raise ValueError(part)
        found.append((a, b))
    return tuple(found)


def _use(typed: Mapping[str, Any], faults: dict[str, str]) -> Use:
    found = {}
    for name in ("played", "left_out", "lid_open"):
        try:
            found[name] = spans(typed[name])
        except ValueError as exc:
            faults[name] = f"{str(exc)!r:.30}: must be hours of the day, such as 17-19 or 21:30-22"
    return Use(**found)


def _months(typed: Mapping[str, Any], faults: dict[str, str]) -> dict[int, tuple[float, float]]:
    """The months typed, where the source is of months."""
    found: dict[int, tuple[float, float]] = {}
    normals = typed["source"] == "normals"
    if not normals and typed["source"] != "readings":
        return found
    low, high = (-60, 45) if normals else (-10, 45)
    for m, name in enumerate(MONTHS, 1):
        temp, rh = typed.get(f"temp.{m}"), typed.get(f"rh.{m}")
        if temp is None and rh is None:
            if normals:
                faults[f"temp.{m}"] = f"{name} is missing: normals need all twelve months"
            continue
        if temp is None and not normals:
            temp = typed["set_point_c"]
        for field_, value, (a, b), unit in (
            (f"temp.{m}", temp, (low, high), " °C"),
            (f"rh.{m}", rh, (1, 99), " %"),
        ):
            if value is None or not a <= value <= b:
                shown = "is missing" if value is None else f"{value:g}"
                faults[field_] = f"{shown}: must be {a} to {b}{unit}"
                if value is not None and unit == " °C" and value > b:
                    faults[field_] += "; is it in Fahrenheit?"
        if temp is not None and rh is not None:
            found[m] = (float(temp), float(rh))
    if not found and not normals and not faults:
        faults["rh.1"] = "give the RH of at least one month"
    return found


def _outdoor_months(
    typed: Mapping[str, Any], faults: dict[str, str]
) -> dict[int, tuple[float, float]]:
    """Normals of the weather, typed beside readings: all twelve months."""
    found = {}
    for m, name in enumerate(MONTHS, 1):
        values = typed.get(f"out.{m}"), typed.get(f"out_rh.{m}")
        for field_, value, (a, b), unit in (
            (f"out.{m}", values[0], (-60, 45), " °C"),
            (f"out_rh.{m}", values[1], (1, 100), " %"),
        ):
            if value is None:
                faults[field_] = f"{name} is missing: the climate needs all twelve months"
            elif not a <= value <= b:
                faults[field_] = f"{value:g}: must be {a} to {b}{unit}"
        if None not in values:
            found[m] = values
    return found  # type: ignore[return-value] # numbers by now, or a fault


def _own(typed: Mapping[str, Any], faults: dict[str, str]) -> Humidifier | Buffer | None:
    """Device that the client has already."""
    kind = typed["device"]
    of = {
        "humidifier": ("water_ml", "release_g_day_pct", "every_d"),
        "buffer": ("mass_g", "set_pct", "every_d"),
    }
    if kind not in of:
        return None
    given = {n: float(typed[f"device_{n}"]) for n in of[kind] if f"device_{n}" in typed}
    if kind == "humidifier" and "device_lost_g" in typed:
        try:
            given["release_g_day_pct"] = release_from_weighing(
                *(typed.get(f"device_{n}", float("nan")) for n in ("lost_g", "lost_d", "lost_rh"))
            )
        except CaseFault as exc:
            names = {"lost_g": "lost_g", "days": "lost_d", "rh_pct": "lost_rh"}
            for f in exc.faults:
                shown = "is missing" if f.value != f.value else f"{f.value:g}"
                faults[f"device_{names[f.field]}"] = f"{shown}: must be {f.allowed}"
            return None
    try:
        return Humidifier(**given) if kind == "humidifier" else Buffer(**given)  # type: ignore[arg-type] # fields by name
    except CaseFault as exc:
        faults |= {f"device_{f.field}": f"{f.value:g}: must be {f.allowed}" for f in exc.faults}
        return None


def _impossible(
    typed: Mapping[str, Any], months: Mapping[int, tuple[float, float]], home: ClientHome
) -> dict[str, str]:
    """Readings that no home can have had at the outdoor temperature typed beside them."""
    faults = {}
    for m, (temp, rh) in months.items():
        out = typed.get(f"out.{m}")
        if out is None:
            continue
        if not -60 <= out <= 45:
            faults[f"out.{m}"] = f"{out:g}: must be -60 to 45 °C"
            continue
        vapour = OUTDOOR_RH_PCT / 100 * float(saturation(out))
        low, high = possible_rh_pct(home, temp, out, vapour, typed["humidified_l_day"])
        low, high = max(low * 0.7 - SLACK_PCT, 0.0), min(high + SLACK_PCT, 100.0)
        if not low <= rh <= high:
            faults[f"rh.{m}"] = (
                f"{rh:g}: the home as described can have {low:.0f} to {high:.0f} % at {out:.0f} °C "
                "outdoors; is a humidifier running?"
            )
    return faults
