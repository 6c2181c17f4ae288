"""The fields of a request on an instrument, from a tap and its form.

Temperatures come in the reader's unit, times in the shop's zone, the end of a stay as a day.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, NamedTuple

from dashboard.ui import formats
from dashboard.ui.form_input import Form
from monitor.core.errors import Rejected
from monitor.domain.instrument import InstrumentAction
from monitor.science.plates.parts import PRESETS, Part

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.data.shop import ShopData
    from dashboard.data.wood import WoodQueries
    from monitor.domain.instrument import Instrument


class HomeAirChoice(NamedTuple):
    """An air of a home that can be chosen in place of figures."""

    words: str
    rh_pct: float


HOMES = {
    "dry": HomeAirChoice("Heated flat", 35.0),
    "ordinary": HomeAirChoice("Ordinary house", 45.0),
    "damp": HomeAirChoice("Damp house", 60.0),
}
"""Yearly means. [%]  Common practice, no source."""
PASSED_ON = ("instrument", "place")
"""Fields that a tap carries as they are."""
PART_NUMBERS = ("thickness_mm", "width_mm", "varnish_sd_m", "restraint")
PART_TEXTS = ("name", "species", "cut", "faces")
LABELS = {
    "reference": "Reference",
    "kind": "Kind",
    "place": "Place",
    "home_rh": "Home RH",
    "home_temp": "Home temperature",
    "cold": "Temperature when it came in",
    "arrived": "Came in",
    "due": "Due out",
    "note": "Note",
    "at": "When",
    "name": "Name",
    "species": "Wood",
    "thickness_mm": "Thickness",
    "width_mm": "Width across the grain",
    "cut": "Cut",
    "faces": "Faces to the air",
    "varnish_sd_m": "Varnish",
    "restraint": "Held by its joints",
}
"""Label of each field on the page."""
_FIELDS = {
    "home_rh_pct": "home_rh",
    "home_temp_c": "home_temp",
    "arrived_temp_c": "cold",
    "arrived_ms": "arrived",
    "due_ms": "due",
    "at_ms": "at",
}
"""Names of a request's fields in the form, where they differ."""


def values_of(
    tap: Mapping[str, Any], form: Form, shop: ShopData, book: WoodQueries
) -> dict[str, Any]:
    """The fields of the request that a tap means.

    Parameters
    ----------
    tap : mapping
        `PASSED_ON` as texts, `at_ms` when it was tapped, and `like`, a kind whose parts it gets.
    form : Form
        By the names of `form_of`; for a registration also `kind`, `place`, `opened` (yes or no),
        `home` (a key of `HOMES`) and `reference`; for what was done at another time `at`.

    Raises
    ------
    Rejected
        If nothing was changed.
    """
    values = {name: tap[name] for name in PASSED_ON if isinstance(tap.get(name), str)}
    do, at_ms = tap.get("do"), tap.get("at_ms")
    if do == InstrumentAction.REGISTER:
        values |= _registered(form)
        if isinstance(at_ms, int):
            values.setdefault("arrived_ms", at_ms)
    elif do == InstrumentAction.CORRECT:
        instrument = book.instrument(str(values.get("instrument", "")))
        changes = (
            {}
            if instrument is None
            else _corrected(form, form_of(instrument, shop), instrument, tap)
        )
        if not changes and not form.faults:
            raise Rejected("nothing was changed")
        values |= changes
    else:
        at = form.moment("at")
        at = at if at is not None else at_ms
        values |= {"at_ms": at} if isinstance(at, int) else {}
    return values


def field_of(name: str, form: Form) -> str:
    """The form's name of a field of a request; "" if the form has none."""
    own = _FIELDS.get(name, name)
    part = re.fullmatch(r"parts\.(\d+)\.(\w+)", own)
    if part is not None and not form.faults:
        rows = _rows(form)
        own = f"parts.{rows[int(part[1])]}.{part[2]}" if int(part[1]) < len(rows) else ""
    return own if label_of(own) != own else ""


def label_of(field: str) -> str:
    """The label of a field: "Part 2, thickness"."""
    _, _, own = field.rpartition(".")
    word = LABELS.get(own, own)
    if not field.startswith("parts."):
        return word
    return f"Part {int(field.split('.')[1]) + 1}, {word[:1].lower()}{word[1:]}"


def form_of(instrument: Instrument, shop: ShopData) -> dict[str, str]:
    """Every field that can be corrected, as its page shows it, by the names of its fields."""
    zone, unit = shop.settings.zone, formats.unit_of(shop.settings)
    home = instrument.home
    shown = {
        "home_rh": "" if home is None or home.rh_pct is None else f"{home.rh_pct:g}",
        "home_temp": _temp(home.temp_c if home else None, unit),
        "cold": _temp(instrument.arrived_temp_c, unit),
        "arrived": formats.to_input(instrument.arrived_ms, zone),
        "due": formats.to_input(instrument.due_ms, zone)[:10],
        "note": instrument.note,
    }
    for i, part in enumerate(instrument.parts):
        shown |= {f"parts.{i}.{name}": text for name, text in part_of(part).items()}
    return shown


def part_of(part: Part) -> dict[str, str]:
    """The fields of a part, as its page shows them."""
    fields = part.to_mapping()
    texts = {name: str(fields[name]) for name in PART_TEXTS}
    return texts | {name: f"{fields[name]:g}" for name in PART_NUMBERS}


def _registered(form: Form) -> dict[str, Any]:
    home_rh = form.number("home_rh")
    chosen = HOMES.get(form.text("home"))
    if not form.text("home_rh") and chosen is not None:
        home_rh = chosen.rh_pct
    for name in ("kind", "place"):
        if not form.text(name):
            form.add_fault(name, "choose one")
    optional = {
        "home_temp_c": form.temp_c("home_temp"),
        "arrived_temp_c": form.temp_c("cold"),
        "arrived_ms": form.moment("arrived"),
        "due_ms": form.last_minute("due"),
        "note": form.text("note"),
    }
    return {
        "reference": form.text("reference"),
        "kind": form.text("kind"),
        "place": form.text("place"),
        "open": form.text("opened") == "yes",
        "home_rh_pct": home_rh,
    } | {name: value for name, value in optional.items() if value not in (None, "")}


def _corrected(
    form: Form, shown: Mapping[str, str], instrument: Instrument, tap: Mapping[str, Any]
) -> dict[str, Any]:
    """The changes of an instrument."""
    if (like := tap.get("like")) in PRESETS:
        return {"parts": [part.to_mapping() for part in PRESETS[str(like)]]}
    changed = form.changed(shown)
    values: dict[str, Any] = {}
    for name, key, read in (
        ("home_rh", "home_rh_pct", form.number),
        ("home_temp", "home_temp_c", form.temp_c),
        ("cold", "arrived_temp_c", form.temp_c),
        ("arrived", "arrived_ms", form.moment),
        ("due", "due_ms", form.last_minute),
        ("note", "note", form.text),
    ):
        if name in changed:
            values[key] = read(name)
    for name in ("arrived", "home_temp"):
        if name in changed and not form.text(name):
            form.add_fault(name, "give one")
    if any(name.startswith("parts.") for name in changed):
        values["parts"] = _parts(form, instrument)
    return values


def _rows(form: Form) -> list[int]:
    """Numbers of the parts in the form that have a name."""
    matches = (re.fullmatch(r"parts\.(\d{1,3})\.\w+", name) for name in form.typed)
    found = {int(match[1]) for match in matches if match}
    return [i for i in sorted(found) if form.text(f"parts.{i}.name")]


def _parts(form: Form, instrument: Instrument) -> list[dict[str, Any]]:
    """The parts that have a name; one that lost it is taken off."""
    new = f"parts.{len(instrument.parts)}."
    sized = any(form.text(f"{new}{field}") for field in PART_NUMBERS[:2])
    if sized and not form.text(f"{new}name"):
        form.add_fault(f"{new}name", "give it a name")
    return [_part(form, i, instrument) for i in _rows(form)]


def _part(form: Form, i: int, instrument: Instrument) -> dict[str, Any]:
    """A part as typed; a figure that looks the same keeps what it had."""
    old = instrument.parts[i] if i < len(instrument.parts) else None
    was = part_of(old) if old else {}
    found: dict[str, Any] = dict(old.to_mapping()) if old else {}
    for field in (*PART_TEXTS, *PART_NUMBERS):
        name = f"parts.{i}.{field}"
        if name not in form.typed or form.text(name) == was.get(field, ""):
            continue
        if field in PART_TEXTS:
            found[field] = form.text(name)
        elif not form.text(name):
            form.add_fault(name, "give a number")
        elif (value := form.number(name)) is not None:
            found[field] = value
    return found


def _temp(temp_c: float | None, unit: formats.Unit) -> str:
    if temp_c is None:
        return ""
    return formats.shown("temperature", temp_c, unit).replace("−", "-")
