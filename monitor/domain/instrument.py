"""An instrument in the shop and the requests on it: register, open, close, move, correct, leave.

An instrument is the fold of its events, oldest first. One that comes again under its reference
begins a new stay; its history keeps the earlier ones.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault, Rejected
from monitor.core.validation import LINES, PlaceId, Request, fields_given, given
from monitor.domain.events import About, Event, in_order
from monitor.science.plates.assessment import HomeAir, Opened
from monitor.science.plates.parts import PRESETS, FieldFault, Part, PartFault, checked_parts


class InstrumentAction(StrEnum):
    """An action on an instrument, as events and messages have it: CORRECT is "amend" there."""

    REGISTER = "register"
    OPEN = "open"
    CLOSE = "close"
    MOVE = "move"
    CORRECT = "amend"
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
"""Range of the temperature of an instrument that comes in. [°C]  Ours."""
AHEAD_MAX_MS, BACK_MAX_MS = 60_000, 5 * 366 * 86_400_000
"""Longest time ahead of the clock, and back, at which something may have happened. [ms]"""
DUE_MAX_MS = 5 * 366 * 86_400_000
"""Longest time ahead at which an instrument may be due. [ms]"""


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


def _reference_fault(reference: str) -> str | None:
    if not reference:
        return "is empty: give what is written on its ticket"
    if not id_of(reference):
        return "must have a letter from a to z or a figure, for the address of its page"
    return None if reference.isprintable() else "has characters that cannot be printed"


PastTime = Annotated[
    int, Meta(extra={"unit": "ms", "past_ms": BACK_MAX_MS, "ahead_ms": AHEAD_MAX_MS})
]
"""A time that is over. [ms since 1970-01-01 UTC]"""
Due = Annotated[int, Meta(extra={"unit": "ms", "ahead_ms": DUE_MAX_MS})]
"""A time up to five years ahead. [ms since 1970-01-01 UTC]"""
Celsius: dict[str, Any] = {"unit": "°C"}
HomeRh = Annotated[float, Meta(ge=HOME_RH_PCT[0], le=HOME_RH_PCT[1], extra={"unit": "%"})]
HomeTemp = Annotated[float, Meta(ge=HOME_TEMP_C[0], le=HOME_TEMP_C[1], extra=Celsius)]
ArrivedTemp = Annotated[float, Meta(ge=ARRIVED_TEMP_C[0], le=ARRIVED_TEMP_C[1], extra=Celsius)]
Reference = Annotated[
    str, Meta(max_length=REFERENCE_MAX, extra={"tidy": str.strip, "fault": _reference_fault})
]
Parts = Annotated[
    list[dict[str, Any]], Meta(extra={"allowed": "a list of parts, each with its fields by name"})
]
Fingerprint = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z")]


class InstrumentRequest(Request, frozen=True, kw_only=True):
    """A request that concerns an instrument, named by its reference or its id."""

    about: ClassVar[str] = About.INSTRUMENT
    key: ClassVar[str] = "instrument"


class InstrumentFields(InstrumentRequest, frozen=True, kw_only=True):
    """The fields of an instrument that can be corrected; None: not known.

    `parts` are mappings of the fields of `Part`.
    """

    home_rh_pct: HomeRh | UnsetType | None = UNSET
    home_temp_c: HomeTemp | UnsetType = UNSET
    parts: Parts | UnsetType = UNSET
    arrived_ms: PastTime | UnsetType = UNSET
    arrived_temp_c: ArrivedTemp | UnsetType | None = UNSET
    due_ms: Due | UnsetType | None = UNSET
    note: Annotated[str, Meta(max_length=NOTE_MAX, extra=LINES)] | UnsetType = UNSET

    @classmethod
    def faults_between(cls, values: Mapping[str, Any], now_ms: int) -> Iterable[Fault]:
        del now_ms
        if "parts" in values:
            yield from _part_faults(values["parts"])


class RegisterInstrument(InstrumentFields, frozen=True, kw_only=True, tag="register"):
    """Take an instrument in. Without `parts` it has those of its kind."""

    key: ClassVar[str] = "reference"
    reference: Reference
    kind: Annotated[str, Meta(extra={"one_of": KINDS})]
    place: PlaceId
    open: bool = False

    @classmethod
    def faults_between(cls, values: Mapping[str, Any], now_ms: int) -> Iterable[Fault]:
        yield from super().faults_between(values, now_ms)
        yield from _due_faults(values.get("due_ms"), values.get("arrived_ms", now_ms))


class CorrectInstrument(InstrumentFields, frozen=True, kw_only=True, tag="amend"):
    """Correct fields of an instrument."""

    instrument: str


class TimedInstrumentRequest(InstrumentRequest, frozen=True, kw_only=True):
    """A request that takes effect at a time; without `at_ms`, now."""

    instrument: str
    at_ms: PastTime | UnsetType = UNSET


class OpenInstrument(TimedInstrumentRequest, frozen=True, kw_only=True, tag="open"):
    """Note that an instrument was opened."""


class CloseInstrument(TimedInstrumentRequest, frozen=True, kw_only=True, tag="close"):
    """Note that an instrument was closed."""


class MoveInstrument(TimedInstrumentRequest, frozen=True, kw_only=True, tag="move"):
    """Move an instrument to another place and its air."""

    place: PlaceId


class LeaveInstrument(TimedInstrumentRequest, frozen=True, kw_only=True, tag="leave"):
    """Note that an instrument was handed out."""


class RecordInstrument(InstrumentRequest, frozen=True, kw_only=True, tag="record"):
    """Note the fingerprints, SHA-256 in hex, of a record of its air that was handed out."""

    instrument: str
    fingerprints: Annotated[
        list[Fingerprint],
        Meta(min_length=1, max_length=4, extra={"allowed": "1 to 4 texts of 64 hex digits"}),
    ]


REQUESTS = (
    RegisterInstrument,
    OpenInstrument,
    CloseInstrument,
    MoveInstrument,
    CorrectInstrument,
    LeaveInstrument,
    RecordInstrument,
)


def decide(
    instrument: Instrument | None, request: InstrumentRequest, now_ms: int
) -> dict[str, Any]:
    """The body of the event that carries a request out.

    Parameters
    ----------
    instrument : Instrument, optional
        None, or one that has left, only for `RegisterInstrument`.
    request : InstrumentRequest
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    Rejected
        With every field that is wrong, and what is allowed.
    """
    body = fields_given(request, "instrument")
    if "parts" in body:
        body["parts"] = [Part.from_mapping(part).to_mapping() for part in body["parts"]]
    faults: list[Fault] = []
    if isinstance(request, RegisterInstrument):
        left_ms = instrument.left_ms if instrument is not None else None
        arrived_ms = in_order(given(request.arrived_ms, now_ms), left_ms)
        body = {"note": "", "home_rh_pct": None} | body | {"arrived_ms": arrived_ms}
        body.setdefault("parts", [part.to_mapping() for part in PRESETS[request.kind]])
        if instrument is not None:
            if instrument.here:
                faults = [Fault("is already in the shop", "reference", instrument.reference)]
            faults += _stay_faults(instrument.left_ms, arrived_ms)
    elif instrument is None:
        raise Rejected("there is no such instrument")
    elif isinstance(request, CorrectInstrument):
        if not body:
            raise Rejected("no field to correct was given")
        faults += _due_faults(
            given(request.due_ms, None), given(request.arrived_ms, instrument.arrived_ms)
        )
        faults = faults or list(_order_faults(instrument, body))
    elif isinstance(request, TimedInstrumentRequest):
        body["at_ms"] = in_order(given(request.at_ms, now_ms), _last_change_ms(instrument))
        faults += _state_faults(instrument, request, body["at_ms"])
    if faults:
        raise Rejected(*faults)
    return body


def _state_faults(
    instrument: Instrument, request: TimedInstrumentRequest, at_ms: int
) -> Iterator[Fault]:
    name = instrument.reference
    if not instrument.here:
        yield Fault(f"{name} has left: register it again first")
    elif isinstance(request, MoveInstrument) and request.place == instrument.place:
        yield Fault(f"{request.place}: {name} is already there", "place")
    elif isinstance(request, OpenInstrument) and instrument.open_now:
        yield Fault(f"{name} is already open")
    elif isinstance(request, CloseInstrument) and not instrument.open_now:
        yield Fault(f"{name} is not open")
    elif at_ms < _last_change_ms(instrument):
        yield Fault(f"is before the last change of {name}", "at_ms")


def apply(instrument: Instrument | None, event: Event) -> Instrument:
    """An instrument with one more event; a registration begins a new stay."""
    body = event.body
    events = (*(instrument.events if instrument else ()), event)
    if event.action == InstrumentAction.REGISTER:
        at = body["arrived_ms"]
        return _corrected(
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
        raise Rejected(f"the history of {event.subject} does not begin with its registration")
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
        case InstrumentAction.CORRECT:
            return _corrected(instrument, body)
        case InstrumentAction.LEAVE:
            return replace(instrument, left_ms=body["at_ms"])
        case InstrumentAction.RECORD:
            return instrument
    raise Rejected(f"unknown action {event.action}")


def _corrected(instrument: Instrument, body: Mapping[str, Any]) -> Instrument:
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


def _last_change_ms(instrument: Instrument) -> int:
    times = [at for at, _ in instrument.places]
    times += [t for span in instrument.opened for t in span if t is not None]
    return max(times)


def _part_faults(given: Sequence[Mapping[str, Any]]) -> Iterator[Fault]:
    parts: list[Part] = []
    faults: list[Fault] = []
    for i, fields in enumerate(given):
        try:
            parts.append(Part.from_mapping(fields))
        except PartFault as exc:
            faults += [_part_fault(one, f"parts.{i}.{one.field}") for one in exc.faults]
    if not faults:
        try:
            checked_parts(parts)
        except PartFault as exc:
            last = {part.name: i for i, part in enumerate(parts)}
            faults = [
                _part_fault(one, f"parts.{last[one.part]}.{one.field}" if one.part else "parts")
                for one in exc.faults
            ]
    yield from faults


def _part_fault(fault: FieldFault, field: str) -> Fault:
    return Fault("", field, fault.value, fault.allowed)


def _due_faults(due_ms: int | None, arrived_ms: int) -> Iterator[Fault]:
    if due_ms is not None and due_ms < arrived_ms:
        yield Fault("is before the instrument came in", "due_ms")


def _order_faults(instrument: Instrument, body: Mapping[str, Any]) -> Iterator[Fault]:
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
        yield Fault("is after a later entry of the instrument", "arrived_ms")
    due = body.get("due_ms", instrument.due_ms)
    if due is not None and arrived > due:
        yield Fault("is after the day on which the instrument is due", "arrived_ms")
    leaves = [e.body["at_ms"] for e in instrument.events if e.action == InstrumentAction.LEAVE]
    earlier = leaves if instrument.here else leaves[:-1]
    yield from _stay_faults(earlier[-1] if earlier else None, arrived)


def _stay_faults(left_ms: int | None, arrived_ms: int) -> Iterator[Fault]:
    if left_ms is not None and arrived_ms < left_ms:
        yield Fault("is before the instrument left last time", "arrived_ms")
