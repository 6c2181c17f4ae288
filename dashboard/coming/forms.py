"""Read the what-if form as a change to the air; each fault is given with its field."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from dashboard.ui import formats
from dashboard.ui.form_input import number
from monitor.core.errors import Fault, Rejected
from monitor.core.units import M3_PER_FT3, VOLUMES_L
from monitor.science.outlook.hourly_log import STEPS
from monitor.science.outlook.what_if import SETTING_C, VOLUME_M3, WATER_MAX_L, Change

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.ui.formats import Unit

WINDOWS_ACH = {"shut": 0.0, "ajar": 2.0, "open": 8.0}
"""Air changes an hour that a window adds, by its position. [1/h]  Ours; wind, size and the gap of
temperatures make it three times more or less."""
FIELDS = ("setting", "water", "window", "start", "lasts", "volume")


class FieldBounds(NamedTuple):
    """Range of a field, in the reader's unit."""

    low: float
    high: float
    unit: str


def bounds(unit: Unit) -> dict[str, FieldBounds]:
    """Ranges of the what-if fields, by field."""
    low, high = SETTING_C
    setting, water = FieldBounds(low, high, "°C"), FieldBounds(0, WATER_MAX_L, "L")
    volume = FieldBounds(*VOLUME_M3, "m³")
    if unit == "F":
        setting = FieldBounds(formats.in_unit(low, "F"), formats.in_unit(high, "F"), "°F")
        water = FieldBounds(0, 10.5, "gal")  # a round figure within what is allowed, as the next
        volume = FieldBounds(180, 176_000, "ft³")
    return {
        "setting": setting,
        "water": water,
        "start": FieldBounds(0, STEPS - 1, "h"),
        "lasts": FieldBounds(1, STEPS, "h"),
        "volume": volume,
    }


def change(typed: Mapping[str, object], volume_m3: float, unit: Unit) -> Change | None:
    """The change that was typed; None if nothing is done otherwise.

    Parameters
    ----------
    typed : mapping
        Texts by name of `FIELDS`; `window` one of `WINDOWS_ACH`.
    volume_m3 : float
        Of the room, where none is typed. [m³]

    Raises
    ------
    Rejected
        With the fault of each field.
    """
    values: dict[str, float] = {}
    faults = []
    for name, bound in bounds(unit).items():
        text = str(typed.get(name) or "").strip()
        if not text:
            continue
        allowed = f"{bound.low:g} to {bound.high:.6g} {bound.unit}"
        try:
            values[name] = number(text)
        except ValueError:
            faults.append(Fault("", name, text[:20], f"a number, {allowed}"))
            continue
        if not bound.low <= values[name] <= bound.high:
            faults.append(
                Fault("", name, values[name], allowed, bound.low, bound.high, bound.unit)
            )
    window = str(typed.get("window") or "shut")
    if window not in WINDOWS_ACH:
        faults.append(Fault("", "window", window[:20], f"one of {', '.join(WINDOWS_ACH)}"))
    if faults:
        raise Rejected(*faults)
    if unit == "F":
        to_si = {
            "setting": lambda f: formats.to_celsius(f, "F"),
            "water": lambda gal: gal * VOLUMES_L["gal"],
            "volume": lambda ft3: ft3 * M3_PER_FT3,
        }
        values |= {name: to_si[name](values[name]) for name in to_si.keys() & values.keys()}
    start = round(values.get("start", 0.0))
    found = Change(
        setting_c=values.get("setting"),
        water_l_day=values.get("water", 0.0),
        window_ach=WINDOWS_ACH[window],
        volume_m3=values.get("volume", volume_m3),
        start=start,
        stop=min(start + round(values.get("lasts", STEPS)), STEPS),
    )
    idle = found.setting_c is None and not found.water_l_day and not found.window_ach
    return None if idle else found
