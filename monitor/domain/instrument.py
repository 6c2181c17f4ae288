"""An instrument in the shop, as what was done with it makes it: came, opened, moved, closed, left.

An instrument is the fold of its events, oldest first. One that comes again under its reference
begins a new stay; its history keeps the earlier ones.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.core.errors import MonitorError
from monitor.core.measurements import name_fault, text_fault
from monitor.domain.events import Event
from monitor.science.plates.assessment import HomeAir, Opened
from monitor.science.plates.parts import PRESETS, Part, PartFault, checked_parts


class FieldFault(NamedTuple):
    """What is wrong with one field of a wish, or with the whole if `field` is empty.

    A part's field is "parts.<its number from 0>.<field>".
    """

    text: str
    field: str = ""


class InstrumentFault(MonitorError, ValueError):
    """What was asked of an instrument cannot be done. `faults` has a sentence for each field."""

    def __init__(self, faults: Sequence[FieldFault]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(fault.text for fault in faults))


class InstrumentAction(StrEnum):
    """What can be done with an instrument."""

    REGISTER = "register"
    OPEN = "open"
    CLOSE = "close"
    MOVE = "move"
    AMEND = "amend"
    LEAVE = "leave"
    RECORD = "record"
    """Note the fingerprints of a record of its air that was given out."""


KINDS = tuple(PRESETS)
"""Kinds of instrument that have presets."""
REFERENCE_MAX, NOTE_MAX = 60, 2_000
"""Longest reference, and longest note. [characters]"""
HOME_RH_PCT, HOME_TEMP_C = (5.0, 95.0), (-5.0, 40.0)
"""Air that a home may have. [%], [°C]  Ours."""
ARRIVED_TEMP_C = (-30.0, 50.0)
"""How cold or hot an instrument may come in. [°C]  Ours."""
AHEAD_MAX_MS, BACK_MAX_MS = 60_000, 5 * 366 * 86_400_000
"""How far ahead of the clock, and how far back, something may have happened. [ms]"""
DUE_MAX_MS = 5 * 366 * 86_400_000
"""How far ahead it may be due. [ms]"""


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """An instrument and its present, or last, stay in the shop.

    Times in ms since 1970-01-01 UTC. `places` holds since when it was where, `opened` from when to
    when it was open, the last without an end while it is. `arrived_temp_c` is how cold it came in,
    if that was noted. [°C]
    """

    id: str
    reference: str
    kind: str
    parts: tuple[Part, ...]
    home: HomeAir | None
    places: tuple[tuple[int, str], ...]
    opened: tuple[Opened, ...]
    arrived_ms: int
    arrived_temp_c: float | None = None
    due_ms: int | None = None
    left_ms: int | None = None
    note: str = ""
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def here(self) -> bool:
        return self.left_ms is None

    @property
    def open_now(self) -> bool:
        return self.here and bool(self.opened) and self.opened[-1].until_ms is None

    @property
    def place(self) -> str:
        return self.places[-1][1]

    @property
    def version(self) -> int:
        """Rises with each event."""
        return len(self.events)


def id_of(reference: str) -> str:
    """The id of a reference: what of it an address can carry, in lower case.

    Other letters than a to z are told apart by a mark at its end.

    >>> id_of("VN-31 violin"), id_of("Ä1") == id_of("Ö1")
    ('vn-31-violin', False)
    """
    folded = reference.casefold()
    plain = unicodedata.normalize("NFKD", folded).encode("ascii", "ignore").decode()
    slug = re.sub(r"[^0-9a-z]+", "-", plain).strip("-")
    if not any(c.isalpha() for c in folded if not c.isascii()):
        return slug
    mark = hashlib.blake2b(folded.encode(), digest_size=3).hexdigest()
    return f"{slug}-{mark}".strip("-")


_AT = {"at_ms"}
_FIELDS = {"home_rh_pct", "home_temp_c", "parts", "arrived_ms", "arrived_temp_c", "due_ms", "note"}
_WISHES: dict[InstrumentAction, set[str]] = {
    InstrumentAction.REGISTER: _FIELDS | {"reference", "kind", "place", "open"},
    InstrumentAction.OPEN: _AT,
    InstrumentAction.CLOSE: _AT,
    InstrumentAction.MOVE: _AT | {"place"},
    InstrumentAction.AMEND: _FIELDS,
    InstrumentAction.LEAVE: _AT,
    InstrumentAction.RECORD: {"fingerprints"},
}


def decide(
    instrument: Instrument | None, did: InstrumentAction, wish: Mapping[str, Any], now_ms: int
) -> dict[str, Any]:
    """The body of the event that would carry it out.

    Parameters
    ----------
    instrument : Instrument, optional
        None, or one that has left, only for `Did.REGISTER`.
    did : Did
    wish : mapping
        REGISTER: `reference`, `kind` (one of `KINDS`), `place`, and if wanted `home_rh_pct` [%],
        `home_temp_c` [°C], `parts` (mappings, see `Part`; else the preset of its kind), `open`,
        `arrived_ms`, `arrived_temp_c`, `due_ms`, `note`. MOVE: `place`, `at_ms`. OPEN, CLOSE,
        LEAVE: `at_ms`. RECORD: `fingerprints`, SHA-256 in hex. AMEND: what of REGISTER's
        fields is to differ; `home_rh_pct`, `arrived_temp_c` and `due_ms` may be None: not known.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    InstrumentFault
        With every field that is wrong, and what is allowed.
    """
    if unknown := sorted(set(wish) - _WISHES[did]):
        raise _refusal(
            f"{did} knows no {', '.join(unknown)}: only {', '.join(sorted(_WISHES[did]))}"
        )
    if did is InstrumentAction.REGISTER:
        if instrument is not None and instrument.here:
            raise _refusal(f"{instrument.reference} is in the shop already", "reference")
        return _registered(instrument, wish, now_ms)
    if instrument is None:
        raise _refusal("there is no such instrument")
    if did is InstrumentAction.AMEND:
        body, faults = _fields(wish, instrument.arrived_ms, now_ms)
        faults = faults or list(_order_faults(instrument, body))
        if faults:
            raise InstrumentFault(faults)
        if not body:
            raise _refusal("nothing to amend was given")
        return body
    if did is InstrumentAction.RECORD:
        return {"fingerprints": _fingerprints(wish.get("fingerprints"))}
    if not instrument.here:
        raise _refusal(f"{instrument.reference} has left: register it again first")
    return _happened(instrument, did, wish, now_ms)


def _refusal(text: str, field: str = "") -> InstrumentFault:
    return InstrumentFault([FieldFault(text, field)])


def apply(instrument: Instrument | None, event: Event) -> Instrument:
    """An instrument with one more event; a registration begins a new stay."""
    body = event.body
    events = (*(instrument.events if instrument else ()), event)
    if event.action == InstrumentAction.REGISTER:
        at = body["arrived_ms"]
        return _amended(
            Instrument(
                id=event.subject,
                reference=body["reference"],
                kind=body["kind"],
                parts=(),
                home=None,
                places=((at, body["place"]),),
                opened=(Opened(at),) if body["open"] else (),
                arrived_ms=at,
                events=events,
            ),
            body,
        )
    if instrument is None:
        raise _refusal(f"history of {event.subject} does not begin with its coming")
    instrument = replace(instrument, events=events)
    match event.action:
        case InstrumentAction.OPEN:
            return replace(instrument, opened=(*instrument.opened, Opened(body["at_ms"])))
        case InstrumentAction.CLOSE:
            *before, last = instrument.opened
            if last.from_ms < body["at_ms"]:
                before.append(Opened(last.from_ms, body["at_ms"]))
            return replace(instrument, opened=tuple(before))
        case InstrumentAction.MOVE:
            return replace(instrument, places=(*instrument.places, (body["at_ms"], body["place"])))
        case InstrumentAction.AMEND:
            return _amended(instrument, body)
        case InstrumentAction.LEAVE:
            return replace(instrument, left_ms=body["at_ms"])
        case InstrumentAction.RECORD:
            return instrument
    raise _refusal(f"unknown action {event.action}")


def _amended(instrument: Instrument, body: Mapping[str, Any]) -> Instrument:
    changes: dict[str, Any] = {
        name: body[name] for name in ("arrived_temp_c", "due_ms", "note") if name in body
    }
    if "parts" in body:
        changes["parts"] = tuple(Part.from_mapping(part) for part in body["parts"])
    if "home_rh_pct" in body or "home_temp_c" in body:
        was = instrument.home or HomeAir()
        changes["home"] = HomeAir(
            body.get("home_temp_c", was.temp_c), body.get("home_rh_pct", was.rh_pct)
        )
    if "arrived_ms" in body:
        at, first = body["arrived_ms"], instrument.places[0]
        changes |= {"arrived_ms": at, "places": ((at, first[1]), *instrument.places[1:])}
        if instrument.opened and instrument.opened[0].from_ms == instrument.arrived_ms:
            until = instrument.opened[0].until_ms
            came_open = () if until == at else (Opened(at, until),)
            changes["opened"] = (*came_open, *instrument.opened[1:])
    return replace(instrument, **changes)


def _registered(before: Instrument | None, wish: Mapping[str, Any], now_ms: int) -> dict[str, Any]:
    faults = []
    reference = wish.get("reference", "")
    reference = reference.strip() if isinstance(reference, str) else reference
    if fault := text_fault(reference, REFERENCE_MAX):
        faults.append(FieldFault(f"reference {fault}", "reference"))
    elif not reference:
        faults.append(
            FieldFault("reference is empty: give what stands on its ticket", "reference")
        )
    elif not id_of(reference):
        text = "must have a letter from a to z or a figure, for the address of its page"
        faults.append(FieldFault(f"reference {text}", "reference"))
    kind = wish.get("kind", "")
    if kind not in KINDS:
        faults.append(
            FieldFault(f"kind = {kind!r:.40}: must be one of {', '.join(KINDS)}", "kind")
        )
    faults += _place_faults(wish.get("place", ""))
    if not isinstance(wish.get("open", False), bool):
        faults.append(FieldFault("open must be true or false", "open"))
    body, more = _fields({"arrived_ms": now_ms, "note": ""} | dict(wish), now_ms, now_ms)
    faults += more
    if before is not None and not faults:
        faults += _stay_faults(before.left_ms, body["arrived_ms"])
    if faults:
        raise InstrumentFault(faults)
    parts = [part.to_mapping() for part in PRESETS[kind]]
    return (
        {"parts": parts, "home_rh_pct": None}
        | body
        | {
            "reference": reference,
            "kind": kind,
            "place": wish["place"],
            "open": wish.get("open", False),
        }
    )


def _happened(
    instrument: Instrument, did: InstrumentAction, wish: Mapping[str, Any], now_ms: int
) -> dict[str, Any]:
    at = wish.get("at_ms", now_ms)
    faults = list(_moment_faults("at", at, now_ms))
    if did is InstrumentAction.MOVE:
        faults += _place_faults(wish.get("place", ""))
        if wish.get("place") == instrument.place:
            text = f"{instrument.reference} is at {instrument.place} already"
            faults.append(FieldFault(text, "place"))
    if did is InstrumentAction.OPEN and instrument.open_now:
        faults.append(FieldFault(f"{instrument.reference} is open already"))
    if did is InstrumentAction.CLOSE and not instrument.open_now:
        faults.append(FieldFault(f"{instrument.reference} is not open"))
    if not faults and at < _last_change_ms(instrument):
        text = f"{did} of {instrument.reference} lies before what was last done with it"
        faults.append(FieldFault(text, "at"))
    if faults:
        raise InstrumentFault(faults)
    return {"at_ms": at} | ({"place": wish["place"]} if did is InstrumentAction.MOVE else {})


def _fingerprints(given: Any) -> list[str]:
    good = isinstance(given, list) and 0 < len(given) <= 4
    if not good or not all(isinstance(f, str) and re.fullmatch("[0-9a-f]{64}", f) for f in given):
        raise _refusal("fingerprints must be 1 to 4 texts of 64 hexadecimal digits")
    return list(given)


def _last_change_ms(instrument: Instrument) -> int:
    times = [at for at, _ in instrument.places]
    times += [t for span in instrument.opened for t in span if t is not None]
    return max(times)


def _fields(
    wish: Mapping[str, Any], arrived_ms: int, now_ms: int
) -> tuple[dict[str, Any], list[FieldFault]]:
    """What was given, and what is wrong with it."""
    body = {name: wish[name] for name in wish if name in _FIELDS}
    faults: list[FieldFault] = []
    for name, (low, high), unit, optional in (
        ("home_rh_pct", HOME_RH_PCT, " %", True),
        ("home_temp_c", HOME_TEMP_C, " °C", False),
        ("arrived_temp_c", ARRIVED_TEMP_C, " °C", True),
    ):
        value: Any = body.get(name)
        if name not in body or (value is None and optional):
            continue
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not low <= value <= high:
            text = f"{name} = {value!r:.40}: must be {low:g} to {high:g}{unit}"
            faults.append(FieldFault(text, name))
    if "arrived_ms" in body:
        faults += _moment_faults("arrived", body["arrived_ms"], now_ms)
    if body.get("due_ms") is not None:
        faults += _due_faults(body["due_ms"], body.get("arrived_ms", arrived_ms), now_ms)
    if "note" in body and (fault := _note_fault(body["note"])):
        faults.append(FieldFault(f"note {fault}", "note"))
    if "parts" in body:
        body["parts"], more = _parts(body["parts"])
        faults += more
    return body, faults


def _parts(given: Any) -> tuple[list[dict[str, Any]], list[FieldFault]]:
    if not isinstance(given, list | tuple) or not all(isinstance(p, Mapping) for p in given):
        return [], [
            FieldFault("parts must be a list of parts, each with its fields by name", "parts")
        ]
    parts: list[Part] = []
    faults: list[FieldFault] = []
    for i, fields in enumerate(given):
        try:
            parts.append(Part.from_mapping(fields))
        except PartFault as exc:
            faults += [FieldFault(str(one), f"parts.{i}.{one.field}") for one in exc.faults]
    if not faults:
        try:
            checked_parts(parts)
        except PartFault as exc:
            last = {part.name: i for i, part in enumerate(parts)}
            faults += [
                FieldFault(
                    str(one), f"parts.{last[one.part]}.{one.field}" if one.part else "parts"
                )
                for one in exc.faults
            ]
    return [part.to_mapping() for part in parts], faults


def _note_fault(note: Any) -> str | None:
    """Why a note of several lines cannot be kept, or None if it can."""
    if not isinstance(note, str) or len(note) > NOTE_MAX:
        return text_fault(note, NOTE_MAX)
    return next(filter(None, (text_fault(line, NOTE_MAX) for line in note.splitlines())), None)


def _due_faults(due: Any, came: Any, now_ms: int) -> list[FieldFault]:
    if isinstance(due, bool) or not isinstance(due, int):
        return [FieldFault(f"due = {due!r:.40}: must be a time", "due")]
    if isinstance(came, int) and due < came:
        return [FieldFault("due lies before it came", "due")]
    if due > now_ms + DUE_MAX_MS:
        return [FieldFault("due lies more than five years ahead", "due")]
    return []


def _order_faults(instrument: Instrument, body: Mapping[str, Any]) -> Iterator[FieldFault]:
    if "arrived_ms" not in body:
        return
    arrived = body["arrived_ms"]
    later = [at for at, _ in instrument.places[1:]]
    later += [t for span in instrument.opened for t in span if t is not None]
    if instrument.opened and instrument.opened[0].from_ms == instrument.arrived_ms:
        later.remove(instrument.arrived_ms)  # it came open: that moves along
    if instrument.left_ms is not None:
        later.append(instrument.left_ms)
    if later and arrived > min(later):
        yield FieldFault("arrived lies after what was done with it since", "arrived")
    due = body.get("due_ms", instrument.due_ms)
    if due is not None and arrived > due:
        yield FieldFault("arrived lies after it is due", "arrived")
    leaves = [e.body["at_ms"] for e in instrument.events if e.action == InstrumentAction.LEAVE]
    earlier = leaves if instrument.here else leaves[:-1]
    yield from _stay_faults(earlier[-1] if earlier else None, arrived)


def _stay_faults(left_ms: int | None, arrived_ms: int) -> Iterator[FieldFault]:
    if left_ms is not None and arrived_ms < left_ms:
        yield FieldFault("arrived lies before it left last time", "arrived")


def _place_faults(place: Any) -> list[FieldFault]:
    if not isinstance(place, str):
        return [FieldFault(f"place = {place!r:.40}: must be text", "place")]
    if fault := name_fault(place):
        return [FieldFault(f"place {place!r} {fault}" if place else f"place {fault}", "place")]
    return []


def _moment_faults(name: str, value: Any, now_ms: int) -> list[FieldFault]:
    if isinstance(value, bool) or not isinstance(value, int):
        return [FieldFault(f"{name} = {value!r:.40}: must be a time", name)]
    if value > now_ms + AHEAD_MAX_MS:
        text = f"{name} lies {min((value - now_ms) // 60_000, 10**9)} min in the future"
        return [FieldFault(text, name)]
    if value < now_ms - BACK_MAX_MS:
        return [FieldFault(f"{name} lies more than five years back", name)]
    return []
