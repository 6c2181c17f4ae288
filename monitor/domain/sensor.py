"""A sensor as what was done with it makes it: where it stood, in which jar, what corrects it.

A sensor is known by the topic it speaks on, "place/name". Its history is the fold of its events;
without any, it stands where its topic says and is taken at its word. What it sent is never changed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.core.errors import MonitorError
from monitor.core.measurements import Quantity, name_fault, text_fault
from monitor.domain.events import Event
from monitor.science.calibration.fit import (
    HUMIDITY,
    TEMPERATURE,
    BadFit,
    CalibrationFit,
    FitBounds,
    Point,
    fitted,
)
from monitor.science.calibration.salts import SALTS

BOUNDS: dict[Quantity, FitBounds] = {
    Quantity.HUMIDITY: HUMIDITY,
    Quantity.TEMPERATURE: TEMPERATURE,
}
"""What can be corrected."""
YEAR_MS = 365.25 * 86_400_000
NOTE_MAX, NAME_MAX = 400, 60
AHEAD_MAX_MS, BACK_MAX_MS = 60_000, 5 * 366 * 86_400_000
"""How far ahead of the clock, and how far back, something may have happened. [ms]"""


class SensorFault(MonitorError, ValueError):
    """What was asked of a sensor cannot be done, and why."""


class SensorAction(StrEnum):
    """What can be done with a sensor."""

    MOVE = "move"
    """It stands elsewhere since then, whatever its topic says."""
    SEAL = "seal"
    """It is in a closed jar over a salt."""
    TAKE = "take"
    """It has come to rest there: its reading is a point of its calibration."""
    COMPARE = "compare"
    """A reference was read beside it, by hand: that is a point too."""
    BACK = "back"
    """It is out of the jar, at its place."""
    FIT = "fit"
    """Its points make a correction, valid from a time on."""
    ABANDON = "abandon"
    """The points are given up; no jar either."""
    VOID = "void"
    """A correction was wrong and counts for nothing."""
    INHERIT = "inherit"
    """It is the same as one that spoke on another topic: that one's corrections hold for it."""
    NOTE = "note"


class Taken(NamedTuple):
    """A point of the calibration under way, and when it was taken. [ms since 1970-01-01 UTC]"""

    quantity: Quantity
    at_ms: int
    point: Point


class Jar(NamedTuple):
    """A salt it is sealed over, and since when. [ms since 1970-01-01 UTC]"""

    salt: str
    since_ms: int


@dataclass(frozen=True)
class Correction:
    """A fit, for which quantity, valid from when, made when by whom, from which points.

    `void`: found wrong, counts for nothing. Times in ms since 1970-01-01 UTC.
    """

    number: int
    quantity: Quantity
    fit: CalibrationFit
    from_ms: int
    made_ms: int
    by: str
    points: tuple[Point, ...]
    void: bool = False

    def uncertainty(self, reading: float, at_ms: int) -> float:
        """Expanded uncertainty (k = 2) of a corrected reading at a time, with the drift since."""
        drift = BOUNDS[self.quantity].drift_a_year * max(at_ms - self.made_ms, 0) / YEAR_MS
        return float((self.fit.uncertainty(reading) ** 2 + drift**2) ** 0.5)


@dataclass(frozen=True)
class SensorHistory:
    """What was done with one sensor.

    `stays` holds since when it was where, other than its topic says; None is a jar. `corrections`
    are in the order in which they were made.
    """

    id: str
    stays: tuple[tuple[int, str | None], ...] = ()
    jar: Jar | None = None
    taken: tuple[Taken, ...] = ()
    corrections: tuple[Correction, ...] = ()
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def topic_place(self) -> str:
        return self.id.partition("/")[0]

    @property
    def name(self) -> str:
        return self.id.partition("/")[2]

    @property
    def home(self) -> str:
        """The place it stands at, or came from into the jar."""
        places = [place for _, place in self.stays if place is not None]
        return places[-1] if places else self.topic_place

    @property
    def in_jar(self) -> bool:
        return bool(self.stays) and self.stays[-1][1] is None

    def in_force(self, quantity: Quantity) -> list[Correction]:
        """Which corrections hold, each from its `from_ms` on until the next; by time. One that was
        made later covers all from its beginning on."""
        found: list[Correction] = []
        for one in self.corrections:
            if one.quantity is quantity and not one.void:
                found = [*(f for f in found if f.from_ms < one.from_ms), one]
        return found

    def correction_at(self, quantity: Quantity, at_ms: int) -> Correction | None:
        """The correction that holds at a time; None if none does. [ms]"""
        return next((c for c in reversed(self.in_force(quantity)) if c.from_ms <= at_ms), None)

    def proved_ms(self) -> int | None:
        """When its humidity was last calibrated; None if it never was. [ms since 1970-01-01 UTC]"""
        held = self.in_force(Quantity.HUMIDITY)
        return max((one.made_ms for one in held), default=None)

    def points(self, quantity: Quantity) -> list[Point]:
        """Those of the calibration under way."""
        return [one.point for one in self.taken if one.quantity is quantity]


_WISHES: dict[SensorAction, set[str]] = {
    SensorAction.MOVE: {"place", "at_ms"},
    SensorAction.SEAL: {"salt", "at_ms"},
    SensorAction.TAKE: {"measured"},
    SensorAction.COMPARE: {"quantity", "value", "u", "measured", "with", "at_ms"},
    SensorAction.BACK: {"at_ms", "place"},
    SensorAction.FIT: {"quantity", "line", "since_ms"},
    SensorAction.ABANDON: {"at_ms"},
    SensorAction.VOID: {"number"},
    SensorAction.INHERIT: {"corrections", "of"},
    SensorAction.NOTE: {"text"},
}


def decide(
    history: SensorHistory, did: SensorAction, wish: Mapping[str, Any], now_ms: int
) -> dict[str, Any]:
    """The body of the event that would carry it out.

    Parameters
    ----------
    history : SensorHistory
    did : Did
    wish : mapping
        MOVE: `place`. SEAL: `salt`, a key of `SALTS`. TAKE: `measured`, the point as whoever can
        look at its readings has it. COMPARE: `quantity`, `value` of the reference, its expanded
        uncertainty `u` (k = 2), `with` its name, `measured`. FIT: `quantity` (else humidity), `line`
        (true, false, or left out), `since_ms` from when on it is to hold. VOID: `number`. NOTE:
        `text`. With `at_ms`, when it was, for MOVE, SEAL, COMPARE, BACK, ABANDON.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    SensorFault, BadFit
        With what is wrong and what is allowed.
    """
    if unknown := sorted(set(wish) - _WISHES[did]):
        known = ", ".join(sorted(_WISHES[did] - {"measured", "corrections"})) or "nothing more"
        raise SensorFault(f"{did} knows no {', '.join(unknown)}: only {known}")
    at = _moment(history, wish.get("at_ms", now_ms), now_ms)
    match did:
        case SensorAction.MOVE:
            place = wish.get("place", "")
            if not isinstance(place, str) or (fault := name_fault(place)):
                raise SensorFault(f"place {place!r:.40} {fault if isinstance(place, str) else ''}")
            if not history.in_jar and place == history.home:
                raise SensorFault(f"{history.id} stands at {place} already")
            return {"place": place, "at_ms": at}
        case SensorAction.SEAL:
            salt = wish.get("salt")
            if salt not in SALTS:
                raise SensorFault(f"salt = {salt!r:.40}: must be one of {', '.join(SALTS)}")
            return {"salt": salt, "at_ms": at}
        case SensorAction.TAKE:
            if history.jar is None:
                raise SensorFault(f"{history.id} is in no jar: seal it over a salt first")
            return {"salt": history.jar.salt, "at_ms": now_ms, **wish["measured"]}
        case SensorAction.COMPARE:
            return {"at_ms": at, "quantity": wish["quantity"], **wish["measured"]}
        case SensorAction.BACK:
            if not history.in_jar:
                raise SensorFault(f"{history.id} is in no jar")
            return {"at_ms": at, "place": history.home}
        case SensorAction.FIT:
            return _fit(history, wish, now_ms)
        case SensorAction.ABANDON:
            if not history.taken and not history.in_jar:
                raise SensorFault(f"{history.id} is not being calibrated")
            return {"at_ms": at, "place": history.home if history.in_jar else None}
        case SensorAction.VOID:
            number = wish.get("number")
            if not any(c.number == number and not c.void for c in history.corrections):
                held = ", ".join(str(c.number) for c in history.corrections if not c.void)
                raise SensorFault(f"number = {number!r:.40}: must be one of {held or 'none'}")
            return {"number": number}
        case SensorAction.INHERIT:
            if not wish["corrections"]:
                raise SensorFault(f"{wish['of']} has no correction that could be taken over")
            return {"of": wish["of"], "corrections": wish["corrections"]}
        case SensorAction.NOTE:
            text = wish.get("text", "")
            if (fault := text_fault(text, NOTE_MAX)) or not text:
                raise SensorFault(f"text {fault or 'is empty'}")
            return {"text": text}


def _moment(history: SensorHistory, at: Any, now_ms: int) -> int:
    if isinstance(at, bool) or not isinstance(at, int):
        raise SensorFault(f"at_ms = {at!r:.40}: must be milliseconds since 1970 UTC")
    if not now_ms - BACK_MAX_MS <= at <= now_ms + AHEAD_MAX_MS:
        raise SensorFault("it would lie ahead of now, or more than five years back")
    if history.stays and at < history.stays[-1][0]:
        raise SensorFault(f"it lies before what was last done with {history.id}")
    return at


def _fit(history: SensorHistory, wish: Mapping[str, Any], now_ms: int) -> dict[str, Any]:
    quantity = quantity_of(wish.get("quantity", Quantity.HUMIDITY))
    line = wish.get("line")
    if line is not None and not isinstance(line, bool):
        raise SensorFault("line must be true (slope and offset), false (offset) or left out")
    since = wish.get("since_ms", now_ms)
    if isinstance(since, bool) or not isinstance(since, int) or since > now_ms:
        raise SensorFault(f"since_ms = {since!r:.40}: must be a time, not ahead of now")
    points = history.points(quantity)
    found = fitted(points, BOUNDS[quantity], line=line)
    return {
        "quantity": quantity,
        "fit": found.to_mapping(),
        "from_ms": since,
        "points": [list(point) for point in points],
    }


def quantity_of(given: Any) -> Quantity:
    """A quantity that can be corrected, or a `SensorFault`."""
    if given not in list(BOUNDS):
        raise SensorFault(f"quantity = {given!r:.40}: must be one of {', '.join(BOUNDS)}")
    return Quantity(given)


def apply(history: SensorHistory | None, event: Event) -> SensorHistory:
    """A history with one more event."""
    one = history or SensorHistory(event.subject)
    one = replace(one, events=(*one.events, event))
    body = event.body
    match event.action:
        case SensorAction.MOVE | SensorAction.BACK:
            return replace(one, stays=_stayed(one, body["at_ms"], body["place"]), jar=None)
        case SensorAction.SEAL:
            jar = Jar(body["salt"], body["at_ms"])
            return replace(one, stays=_stayed(one, body["at_ms"], None), jar=jar)
        case SensorAction.TAKE | SensorAction.COMPARE:
            quantity = Quantity(body.get("quantity", Quantity.HUMIDITY))
            taken = Taken(quantity, body["at_ms"], Point(*body["point"]))
            others = [
                t for t in one.taken if (t.quantity, t.point.name) != (quantity, taken.point.name)
            ]
            return replace(one, taken=(*others, taken))
        case SensorAction.FIT:
            quantity = Quantity(body["quantity"])
            made = Correction(
                1 + len(one.corrections),
                quantity,
                CalibrationFit(**body["fit"]),
                body["from_ms"],
                event.recorded_ms,
                event.by,
                tuple(Point(*p) for p in body["points"]),
            )
            rest = tuple(t for t in one.taken if t.quantity is not quantity)
            return replace(one, corrections=(*one.corrections, made), taken=rest)
        case SensorAction.ABANDON:
            stays = one.stays
            if body["place"] is not None:
                stays = _stayed(one, body["at_ms"], body["place"])
            return replace(one, stays=stays, jar=None, taken=())
        case SensorAction.VOID:
            return replace(
                one,
                corrections=tuple(
                    replace(c, void=c.void or c.number == body["number"]) for c in one.corrections
                ),
            )
        case SensorAction.INHERIT:
            first = 1 + len(one.corrections)
            got = [_inherited(first + i, kept) for i, kept in enumerate(body["corrections"])]
            return replace(one, corrections=(*one.corrections, *got))
        case SensorAction.NOTE:
            return one
    raise SensorFault(f"unknown action {event.action}")


def _stayed(
    history: SensorHistory, at_ms: int, place: str | None
) -> tuple[tuple[int, str | None], ...]:
    before = [stay for stay in history.stays if stay[0] < at_ms]
    return (*before, (at_ms, place))


def handed_on(corrections: Sequence[Correction]) -> list[dict[str, Any]]:
    """Corrections as another sensor's event keeps them."""
    return [
        {
            "quantity": c.quantity,
            "fit": c.fit.to_mapping(),
            "from_ms": c.from_ms,
            "made_ms": c.made_ms,
            "by": c.by,
            "points": [list(p) for p in c.points],
        }
        for c in corrections
        if not c.void
    ]


def _inherited(number: int, kept: Mapping[str, Any]) -> Correction:
    return Correction(
        number,
        Quantity(kept["quantity"]),
        CalibrationFit(**kept["fit"]),
        kept["from_ms"],
        kept["made_ms"],
        kept["by"],
        tuple(Point(*p) for p in kept["points"]),
    )


__all__ = [
    "BOUNDS",
    "BadFit",
    "Correction",
    "Jar",
    "SensorAction",
    "SensorFault",
    "SensorHistory",
    "Taken",
    "apply",
    "decide",
    "handed_on",
    "quantity_of",
]
