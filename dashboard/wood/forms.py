"""What is typed and tapped about an instrument, as a command for the service's desk.

Temperatures come in the reader's unit, times in the shop's zone, a length of stay as a day.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, NamedTuple

from dashboard.ui import formats
from dashboard.ui.form_input import WishFault, number
from monitor.domain.instrument import (
    ARRIVED_TEMP_C,
    HOME_TEMP_C,
    InstrumentAction,
    InstrumentFault,
    decide,
    id_of,
)
from monitor.science.plates.parts import PRESETS, Part

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dashboard.data.shop import ShopData
    from dashboard.data.wood import WoodBook
    from monitor.domain.instrument import Instrument


class HomeAir(NamedTuple):
    """An air of a home that can be chosen in place of figures."""

    words: str
    rh_pct: float


HOMES = {
    "dry": HomeAir("Heated flat", 35.0),
    "ordinary": HomeAir("Ordinary house", 45.0),
    "damp": HomeAir("Damp house", 60.0),
}
"""Yearly means. [%]  Common practice, no source."""
PASSED_ON = ("id", "by", "do", "instrument", "place")
"""What a tap carries that goes on as it is."""
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
"""What each field is called on the page."""
_FIELDS = {"home_rh_pct": "home_rh", "home_temp_c": "home_temp", "arrived_temp_c": "cold"}
"""Names of the service's fields in the form, where they differ."""
_RANGES_C = {"home_temp": HOME_TEMP_C, "cold": ARRIVED_TEMP_C}


def command_of(
    asked: Mapping[str, Any], form: Mapping[str, str], shop: ShopData, book: WoodBook
) -> dict[str, Any]:
    """The command that a tap means.

    Parameters
    ----------
    asked : mapping
        `PASSED_ON` as texts, `at_ms` when it was tapped, and `like`, a kind whose parts it gets.
    form : mapping
        What was typed, as texts by the names of `form_of`; for a registration also `kind`,
        `place`, `opened` (yes or no), `home` (a key of `HOMES`) and `reference`; for what was
        done at another time `at`.

    Raises
    ------
    WishFault
        With every field that cannot be read, or if nothing was changed.
    """
    command = {name: asked[name] for name in PASSED_ON if isinstance(asked.get(name), str)}
    command["about"] = "instrument"
    do, at_ms = command.get("do"), asked.get("at_ms")
    typed = _Typed(form, shop)
    if do == InstrumentAction.REGISTER:
        wish = _registered(typed)
        if isinstance(at_ms, int):
            wish.setdefault("arrived_ms", at_ms)
    elif do == InstrumentAction.AMEND:
        instrument = book.instrument(str(command.get("instrument", "")))
        wish = {} if instrument is None else _amended(typed, instrument, asked.get("like"))
    else:
        at = typed.moment("at")
        at = at if at is not None else at_ms
        wish = {"at_ms": at} if isinstance(at, int) else {}
    if typed.faults:
        raise WishFault(sentence(typed.faults), typed.faults)
    if do == InstrumentAction.AMEND and not wish:
        raise WishFault("nothing was changed")
    return command | wish


def fields_of(
    command: Mapping[str, Any],
    form: Mapping[str, str],
    shop: ShopData,
    book: WoodBook,
    now_ms: int,
) -> dict[str, str]:
    """Where in the form each fault lies for which the service refused a command."""
    if command.get("do") not in list(InstrumentAction):
        return {}
    do = InstrumentAction(str(command["do"]))
    named = str(command.get("reference" if do is InstrumentAction.REGISTER else "instrument", ""))
    wish = {k: v for k, v in command.items() if k not in ("id", "by", "do", "about", "instrument")}
    try:
        decide(book.instrument(id_of(named)), do, wish, now_ms)
    except InstrumentFault as exc:
        rows, unit = _rows(form), formats.temperature_unit(shop.settings.board.temperature_unit)
        found = {}
        for fault in exc.faults:
            name = _field(fault.field, rows)
            if name:
                found[name] = _said(name, fault.text, form.get(name, ""), unit)
        return found
    return {}


def sentence(fields: Mapping[str, str]) -> str:
    """What is wrong with some fields, in one line."""
    return "; ".join(f"{label(name)}: {text}" for name, text in fields.items())


def label(field: str) -> str:
    """What a field is called: "Part 2, thickness"."""
    _, _, own = field.rpartition(".")
    word = LABELS.get(own, own)
    if not field.startswith("parts."):
        return word
    return f"Part {int(field.split('.')[1]) + 1}, {word[:1].lower()}{word[1:]}"


def form_of(instrument: Instrument, shop: ShopData) -> dict[str, str]:
    """Everything that can be amended, as its page shows it, by the names of its fields."""
    zone, unit = shop.settings.zone, formats.temperature_unit(shop.settings.board.temperature_unit)
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


class _Typed:
    """Fields as they were typed; what cannot be read is gathered in `faults`."""

    def __init__(self, form: Mapping[str, str], shop: ShopData) -> None:
        self.form = form
        self.faults: dict[str, str] = {}
        self._zone = shop.settings.zone
        self._unit = formats.temperature_unit(shop.settings.board.temperature_unit)
        self.shop = shop

    def text(self, name: str) -> str:
        return self.form.get(name, "")

    def number(self, name: str) -> float | None:
        return self._read(name, number, "is no number")

    def temp_c(self, name: str) -> float | None:
        value = self.number(name)
        return (
            value
            if value is None or self._unit == "C"
            else round(formats.to_celsius(value, "F"), 3)
        )

    def moment(self, name: str) -> int | None:
        return self._read(
            name, lambda text: formats.of_input(text, self._zone), "is no date and time"
        )

    def end_of(self, name: str) -> int | None:
        """The last minute of a day."""
        return self._read(
            name, lambda text: formats.of_input(f"{text}T23:59", self._zone), "is no date"
        )

    def _read(self, name: str, read: Callable[[str], Any], fault: str) -> Any:
        if not self.text(name):
            return None
        try:
            return read(self.text(name))
        except (ValueError, OverflowError):
            self.faults[name] = f"{self.text(name)!r:.40} {fault}"
            return None


def _registered(typed: _Typed) -> dict[str, Any]:
    wish: dict[str, Any] = {
        "reference": typed.text("reference"),
        "kind": typed.text("kind"),
        "place": typed.text("place"),
        "open": typed.text("opened") == "yes",
        "home_rh_pct": typed.number("home_rh"),
    }
    chosen = HOMES.get(typed.text("home"))
    if not typed.text("home_rh") and chosen is not None:
        wish["home_rh_pct"] = chosen.rh_pct
    more = {
        "home_temp_c": typed.temp_c("home_temp"),
        "arrived_temp_c": typed.temp_c("cold"),
        "arrived_ms": typed.moment("arrived"),
        "due_ms": typed.end_of("due"),
        "note": typed.text("note"),
    }
    if not wish["kind"]:
        typed.faults["kind"] = "choose one"
    if not wish["place"]:
        typed.faults["place"] = "choose one"
    return wish | {name: value for name, value in more.items() if value not in (None, "")}


def _amended(typed: _Typed, instrument: Instrument, like: object) -> dict[str, Any]:
    """What of an instrument was changed; what looks the same is the same."""
    if like in PRESETS:
        return {"parts": [part.to_mapping() for part in PRESETS[str(like)]]}
    was = form_of(instrument, typed.shop)
    changed = {name for name in typed.form if typed.form[name] != was.get(name, "")}
    readers: dict[str, tuple[str, Callable[[str], Any]]] = {
        "home_rh": ("home_rh_pct", typed.number),
        "home_temp": ("home_temp_c", typed.temp_c),
        "cold": ("arrived_temp_c", typed.temp_c),
        "arrived": ("arrived_ms", typed.moment),
        "due": ("due_ms", typed.end_of),
        "note": ("note", typed.text),
    }
    wish = {key: read(name) for name, (key, read) in readers.items() if name in changed}
    for name in ("arrived", "home_temp"):
        if name in changed and not typed.text(name):
            typed.faults[name] = "give one"
    if any(name.startswith("parts.") for name in changed):
        wish["parts"] = _parts(typed, instrument)
    return wish


def _rows(form: Mapping[str, str]) -> list[int]:
    """Numbers of the parts in the form that have a name."""
    found = {int(at[1]) for name in form if (at := re.fullmatch(r"parts\.(\d{1,3})\.\w+", name))}
    return [i for i in sorted(found) if form.get(f"parts.{i}.name")]


def _parts(typed: _Typed, instrument: Instrument) -> list[dict[str, Any]]:
    """The parts that have a name; one that lost it is taken off."""
    for name in typed.form:
        _, _, field = name.rpartition(".")
        if name.startswith(f"parts.{len(instrument.parts)}.") and field in PART_NUMBERS[:2]:
            own = name.replace(field, "name")
            if typed.text(name) and not typed.text(own):
                typed.faults[own] = "give it a name"
    return [_part(typed, i, instrument) for i in _rows(typed.form)]


def _part(typed: _Typed, i: int, instrument: Instrument) -> dict[str, Any]:
    """A part as typed; a figure that looks the same keeps what it had."""
    old = instrument.parts[i] if i < len(instrument.parts) else None
    was = part_of(old) if old else {}
    found: dict[str, Any] = dict(old.to_mapping()) if old else {}
    for field in (*PART_TEXTS, *PART_NUMBERS):
        name = f"parts.{i}.{field}"
        if name not in typed.form or typed.text(name) == was.get(field, ""):
            continue
        if field in PART_TEXTS:
            found[field] = typed.text(name)
        elif (value := typed.number(name)) is not None:
            found[field] = value
        elif name not in typed.faults:
            typed.faults[name] = "give a number"
    return found


def _field(field: str, rows: list[int]) -> str:
    """The form's name of a field of the service."""
    head, _, rest = field.partition(".")
    if head == "parts" and rest:
        number_, _, own = rest.partition(".")
        return f"parts.{rows[int(number_)]}.{own}" if int(number_) < len(rows) else ""
    return _FIELDS.get(field, field)


def _said(name: str, text: str, typed: str, unit: formats.Unit) -> str:
    """A fault for the place beside its field, which the reader sees."""
    if name in _RANGES_C:
        low, high = (formats.whole_temperature(t, unit) for t in _RANGES_C[name])
        return f"{typed}: must be {low} to {high}"
    _, sign, what = text.partition(" = ")
    value, _, allowed = what.partition(": ")
    return f"{typed or value}: {allowed}" if sign else text


def _temp(temp_c: float | None, unit: formats.Unit) -> str:
    if temp_c is None:
        return ""
    return formats.shown("temperature", temp_c, unit).replace("−", "-")
