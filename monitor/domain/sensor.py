"""A sensor: where it stood, its calibrations and corrections, and what a request on it becomes.

A sensor is known by the topic it speaks on, "place/name". Its history is the fold of its events;
without any, it stands where its topic says and is taken at its word. What it sent is never changed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

from monitor.core.clock import EVER_MS
from monitor.core.errors import Fault, Rejected
from monitor.core.measurements import Quantity
from monitor.core.validation import given
from monitor.domain.events import Event, in_order
from monitor.domain.sensor_requests import (
    BOUNDS,
    AbandonCalibration,
    ComparePoint,
    FitCorrection,
    InheritCorrections,
    MoveSensor,
    NoteSensor,
    RenameSensor,
    RestoreReadings,
    ReturnSensor,
    SealSensor,
    SensorAction,
    SensorRequest,
    TakePoint,
    TimedSensorRequest,
    UndoRename,
    VoidCorrection,
    VoidReadings,
)
from monitor.science.calibration.fit import BadFit, CalibrationFit, Point, fitted

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

YEAR_MS = 365.25 * 86_400_000


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


class VoidedSpan(NamedTuple):
    """Readings that were voided: from, and until, which is not in it [ms since 1970-01-01 UTC], and
    why. `undone`: they count again."""

    number: int
    from_ms: int
    until_ms: int
    why: str
    undone: bool = False

    @property
    def removes(self) -> bool:
        """True if all readings are in the span, past and future."""
        return self.from_ms <= -EVER_MS and self.until_ms >= EVER_MS


@dataclass(frozen=True)
class SensorHistory:
    """History of one sensor, with its calibrations, corrections and voided readings.

    `stays` holds since when it was where, other than its topic says; None is a jar. `corrections`
    and `voids` are in the order in which they were made. `renamed` is the "place/name" that it has in
    place of its topic's, and `before_renames` holds what that and the stays were before each new name.
    """

    id: str
    stays: tuple[tuple[int, str | None], ...] = ()
    jar: Jar | None = None
    taken: tuple[Taken, ...] = ()
    corrections: tuple[Correction, ...] = ()
    voids: tuple[VoidedSpan, ...] = ()
    renamed: str = ""
    before_renames: tuple[tuple[str, tuple[tuple[int, str | None], ...]], ...] = ()
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def topic_place(self) -> str:
        return self.id.partition("/")[0]

    @property
    def topic_name(self) -> str:
        return self.id.partition("/")[2]

    @property
    def shown(self) -> str:
        """The "place/name" that it has: its own new one, else that of its topic."""
        return self.renamed or self.id

    @property
    def first_place(self) -> str:
        """Place at which it was before it was moved."""
        return self.shown.partition("/")[0]

    @property
    def name(self) -> str:
        return self.shown.partition("/")[2]

    @property
    def home(self) -> str:
        """Place where the sensor is, or from which it came into the jar."""
        places = [place for _, place in self.stays if place is not None]
        return places[-1] if places else self.first_place

    @property
    def removed(self) -> VoidedSpan | None:
        """Void of all its readings, past and future; None if there is none."""
        return next((v for v in self.voids if v.removes and not v.undone), None)

    @property
    def in_jar(self) -> bool:
        return bool(self.stays) and self.stays[-1][1] is None

    def in_force(self, quantity: Quantity) -> list[Correction]:
        """Corrections in force, each from its `from_ms` on until the next; by time.

        One that was made later covers all from its beginning on.
        """
        found: list[Correction] = []
        for one in self.corrections:
            if one.quantity is quantity and not one.void:
                found = [*(f for f in found if f.from_ms < one.from_ms), one]
        return found

    def correction_at(self, quantity: Quantity, at_ms: int) -> Correction | None:
        """The correction that holds at a time; None if none does. [ms]"""
        return next((c for c in reversed(self.in_force(quantity)) if c.from_ms <= at_ms), None)

    def void_at(self, ts_ms: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Mask of the times at which its readings are voided. [ms]  Shape (n,)."""
        found = ts_ms != ts_ms
        for void in self.voids:
            if not void.undone:
                found |= (ts_ms >= void.from_ms) & (ts_ms < void.until_ms)
        return found

    def proved_ms(self) -> int | None:
        """Time of the last humidity calibration; None without one. [ms since 1970-01-01 UTC]"""
        held = self.in_force(Quantity.HUMIDITY)
        return max((one.made_ms for one in held), default=None)

    def points(self, quantity: Quantity) -> list[Point]:
        """Points of the calibration under way."""
        return [one.point for one in self.taken if one.quantity is quantity]


def decide(
    history: SensorHistory,
    request: SensorRequest,
    now_ms: int,
    *,
    measured: Mapping[str, Any] | None = None,
    corrections: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """The body of the event that carries a request out.

    Parameters
    ----------
    history : SensorHistory
    request : SensorRequest
    now_ms : int
        [ms since 1970-01-01 UTC]
    measured : mapping, optional
        The point of a `TakePoint` or `ComparePoint`, as the sensor's readings have it.
    corrections : sequence of mapping
        Those of the old name, for `InheritCorrections`.

    Raises
    ------
    Rejected, BadFit
        With what is wrong and what is allowed.
    """
    at = now_ms
    if isinstance(request, TimedSensorRequest):
        last_ms = history.stays[-1][0] if history.stays else None
        at = in_order(given(request.at_ms, now_ms), last_ms)
        if history.stays and at < history.stays[-1][0]:
            raise Rejected(Fault(f"is before the last change of {history.id}", "at_ms"))
    match request:
        case MoveSensor(place=place):
            if not history.in_jar and place == history.home:
                raise Rejected(Fault(f"{place}: {history.id} is already there", "place"))
            return {"place": place, "at_ms": at}
        case SealSensor(salt=salt):
            return {"salt": salt, "at_ms": at}
        case TakePoint():
            if history.jar is None:
                raise Rejected(f"{history.id} is not in a jar: seal it over a salt first")
            return {"salt": history.jar.salt, "at_ms": now_ms, **(measured or {})}
        case ComparePoint(quantity=quantity):
            return {"at_ms": at, "quantity": quantity, **(measured or {})}
        case ReturnSensor():
            if not history.in_jar:
                raise Rejected(f"{history.id} is not in a jar")
            return {"at_ms": at, "place": history.home}
        case FitCorrection():
            return _fit(history, request, now_ms)
        case AbandonCalibration():
            if not history.taken and not history.in_jar:
                raise Rejected(f"{history.id} is not being calibrated")
            return {"at_ms": at, "place": history.home if history.in_jar else None}
        case VoidCorrection(number=number):
            held = [str(c.number) for c in history.corrections if not c.void]
            if str(number) not in held:
                raise Rejected(Fault("", "number", number, f"one of {', '.join(held) or 'none'}"))
            return {"number": number}
        case InheritCorrections(of=of):
            if not corrections:
                raise Rejected(f"{of} has no correction to take over")
            return {"of": of, "corrections": corrections}
        case NoteSensor(text=text):
            return {"text": text}
        case VoidReadings(why=why):
            start, end = given(request.from_ms, -EVER_MS), given(request.until_ms, now_ms + 1)
            if end <= start:
                raise Rejected(Fault("must be after the start", "until_ms"))
            if any(
                v.from_ms <= start and end <= v.until_ms for v in history.voids if not v.undone
            ):
                raise Rejected(f"the readings of {history.id} are already void there")
            return {"from_ms": start, "until_ms": end, "why": why}
        case RestoreReadings(number=number):
            voided = [str(v.number) for v in history.voids if not v.undone]
            if str(number) not in voided:
                allowed = f"one of {', '.join(voided) or 'none'}"
                raise Rejected(Fault("", "number", number, allowed))
            return {"number": number}
        case RenameSensor(to=to):
            old, new = given(request.old_place, ""), given(request.new_place, "")
            if to == history.shown and (not old or all(at != old for _, at in history.stays)):
                raise Rejected(Fault(f"{to}: it has that name already", "to"))
            return {"to": to, "old_place": old, "new_place": new}
        case UndoRename():
            if not history.before_renames:
                raise Rejected(f"{history.id} was not renamed")
            return {"to": history.before_renames[-1][0] or history.id}
    raise TypeError(request)


def _fit(history: SensorHistory, request: FitCorrection, now_ms: int) -> dict[str, Any]:
    since = given(request.since_ms, now_ms)
    if since > now_ms:
        raise Rejected(Fault("is in the future", "since_ms"))
    points = history.points(request.quantity)
    found = fitted(points, BOUNDS[request.quantity], line=request.line)
    return {
        "quantity": request.quantity,
        "fit": found.to_mapping(),
        "from_ms": since,
        "points": [list(point) for point in points],
    }


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
        case SensorAction.VOID_READINGS:
            span = VoidedSpan(1 + len(one.voids), body["from_ms"], body["until_ms"], body["why"])
            return replace(one, voids=(*one.voids, span))
        case SensorAction.RESTORE_READINGS:
            return replace(
                one,
                voids=tuple(
                    v._replace(undone=v.undone or v.number == body["number"]) for v in one.voids
                ),
            )
        case SensorAction.RENAME:
            old = body["old_place"]
            stays = tuple(
                (at_ms, body["new_place"] if old and place == old else place)
                for at_ms, place in one.stays
            )
            before = (*one.before_renames, (one.renamed, one.stays))
            renamed = "" if body["to"] == one.id else body["to"]
            return replace(one, renamed=renamed, stays=stays, before_renames=before)
        case SensorAction.UNDO_RENAME:
            renamed, stays = one.before_renames[-1]
            since = one.stays[len(stays) :]  # what was done under the new name stays
            return replace(
                one,
                renamed=renamed,
                stays=(*stays, *since),
                before_renames=one.before_renames[:-1],
            )
        case SensorAction.NOTE:
            return one
    raise Rejected(f"unknown action {event.action}")


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
    "SensorHistory",
    "Taken",
    "apply",
    "decide",
    "handed_on",
]
