"""A wait and the requests on it: open, pause, resume, move, release, load, reopen, correct, feel.

A wait is the fold of its events, oldest first; nothing else is kept. `decide` turns a request into
the body of the event that carries it out, or rejects it; `apply` adds an event to a wait.

A release ends a coat or a rest. A joint goes on to set after its release, with the clamps off,
until it is loaded: worked, loaded or strung.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Annotated, Any, ClassVar, NamedTuple

from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault, Rejected
from monitor.core.validation import LINE, LINES, PlaceId, Request, fields_given, given
from monitor.domain.events import About, Event, in_order


class Action(StrEnum):
    """An action on a wait, as events and messages have it."""

    OPEN = "open"
    PAUSE = "pause"
    RESUME = "resume"
    MOVE = "move"
    RELEASE = "release"
    LOAD = "load"
    REOPEN = "reopen"
    CORRECT = "correct"
    FEEL = "feel"


class Feel(StrEnum):
    """State of a joint or coat when it was released."""

    SOFT = "soft"
    RIGHT = "right"
    LONG_BEFORE = "long before"


TEXT_MAX = 200
"""Longest instrument, what, or name of a person. [characters]"""
MISTAKE = "Opened by mistake."
"""Ending of the note of a wait that was taken back."""
NOTE_MAX = 2000
"""Longest note. [characters]"""
COUNT_MAX = 200
"""Most clamps on a wait, and most waits opened at once."""
AHEAD_MAX_MS = 60_000
"""Longest time that a start or a release may lie ahead of the clock. [ms]"""
BACK_MAX_MS = 366 * 86_400_000
"""Longest time that a start or a release may lie back. [ms]"""

Line = Annotated[str, Meta(max_length=TEXT_MAX, extra=LINE)]
Note = Annotated[str, Meta(max_length=NOTE_MAX, extra=LINES)]
Clamps = Annotated[int, Meta(ge=0, le=COUNT_MAX)]
Count = Annotated[int, Meta(ge=1, le=COUNT_MAX)]
PastTime = Annotated[
    int, Meta(extra={"unit": "ms", "past_ms": BACK_MAX_MS, "ahead_ms": AHEAD_MAX_MS})
]
"""A time that is over. [ms since 1970-01-01 UTC]"""
Wanted = Annotated[
    int, Meta(extra={"unit": "ms", "past_ms": BACK_MAX_MS, "ahead_ms": BACK_MAX_MS})
]
"""A time within a year of now. [ms since 1970-01-01 UTC]"""
MaybeFeel = Annotated[Feel | None, Meta(extra={"tidy": lambda text: text or None})]


class WaitRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a wait."""

    about: ClassVar[str] = About.WAIT
    key: ClassVar[str] = "wait"


class WaitFields(WaitRequest, frozen=True, kw_only=True):
    """The fields of a wait that can be corrected."""

    instrument: Line | UnsetType = UNSET
    what: Line | UnsetType = UNSET
    place: PlaceId | UnsetType = UNSET
    start_ms: PastTime | UnsetType = UNSET
    clamps: Clamps | UnsetType = UNSET
    wanted_ms: Wanted | UnsetType | None = UNSET
    note: Note | UnsetType = UNSET


class OpenWait(WaitFields, frozen=True, kw_only=True, tag="open"):
    """Open a wait of a type, or several at once. Its clock starts at `start_ms`, or now."""

    key: ClassVar[str] = "kind"
    kind: str
    place: PlaceId
    instrument: Line = ""
    what: Line = ""
    count: Count = 1
    glue: Line = ""
    """Id of the batch of glue."""


class CorrectWait(WaitFields, frozen=True, kw_only=True, tag="correct"):
    """Correct fields of a wait. `wanted_ms` None: no time is wanted any more."""

    wait: str


class TimedWaitRequest(WaitRequest, frozen=True, kw_only=True):
    """A request that takes effect at a time; without `at_ms`, now."""

    wait: str
    at_ms: PastTime | UnsetType = UNSET


class PauseWait(TimedWaitRequest, frozen=True, kw_only=True, tag="pause"):
    """Stop the clock of a wait."""


class ResumeWait(TimedWaitRequest, frozen=True, kw_only=True, tag="resume"):
    """Let the clock of a paused wait go on."""


class MoveWait(TimedWaitRequest, frozen=True, kw_only=True, tag="move"):
    """Move a wait to another place and its air."""

    place: PlaceId


class ReleaseWait(TimedWaitRequest, frozen=True, kw_only=True, tag="release"):
    """Release a wait: the clamps are off, the coat is sanded."""

    feel: MaybeFeel = None


class LoadWait(TimedWaitRequest, frozen=True, kw_only=True, tag="load"):
    """End the setting of a joint: it is worked, loaded or strung."""


class ReopenWait(WaitRequest, frozen=True, kw_only=True, tag="reopen"):
    """Undo the last of load and release."""

    wait: str


class FeelWait(WaitRequest, frozen=True, kw_only=True, tag="feel"):
    """Note how a released wait was; without `feel`, remove what was noted."""

    wait: str
    feel: MaybeFeel = None


REQUESTS = (
    OpenWait,
    PauseWait,
    ResumeWait,
    MoveWait,
    ReleaseWait,
    LoadWait,
    ReopenWait,
    CorrectWait,
    FeelWait,
)


class ExpectedAir(NamedTuple):
    """Air expected when a wait was opened, as means of equal steps: of each 10 %, median, 90 %.

    n steps of `step_s` [s] from `start_ms` on [ms since 1970-01-01 UTC]; temperatures in 0.1 °C
    [°C], whole % RH [%].
    """

    start_ms: int
    step_s: int
    temp_c: tuple[tuple[float, ...], ...]
    """(3, n)"""
    rh_pct: tuple[tuple[float, ...], ...]
    """(3, n)"""


class Expectation(NamedTuple):
    """Expectation of a wait when it is opened: its ready time [ms] and its air, where known."""

    ready_ms: tuple[int, int, int] | None
    air: ExpectedAir | None


@dataclass(frozen=True, kw_only=True)
class Wait:
    """A clamp-up, a coat or a rest, as its history makes it.

    Times in ms since 1970-01-01 UTC. `places` holds since when it was where, oldest first;
    `pauses` from when to when its clock stood, the last without an end while it stands. `kind` is
    the kind as it was when the wait was opened: what is changed later never rewrites an open wait.
    """

    id: str
    kind: Mapping[str, Any]
    instrument: str
    what: str
    places: tuple[tuple[int, str], ...]
    started_ms: int
    clamps: int = 0
    wanted_ms: int | None = None
    note: str = ""
    pauses: tuple[tuple[int, int | None], ...] = ()
    released_ms: int | None = None
    glue: str = ""
    """Id of the batch of glue, if it was named."""
    loaded_ms: int | None = None
    feel: Feel | None = None
    equivalent_s: float | None = None
    """Time in reference air until its release, if known. [s]"""
    series: str = ""
    """Id of the first wait of those that were opened with it at once."""
    foreseen_ms: tuple[int, int, int] | None = None
    """Ready time expected when it was opened: 10 %, median, 90 %. [ms]"""
    expected_air: ExpectedAir | None = field(default=None, repr=False)
    """Air expected when it was opened, for about the time it was expected to take."""
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def open(self) -> bool:
        return self.released_ms is None

    @property
    def setting(self) -> bool:
        """True if the clamps are off and it is not loaded yet."""
        due = bool(self.kind.get("load_s")) and not self.mistaken
        return due and not self.open and self.loaded_ms is None

    @property
    def mistaken(self) -> bool:
        return self.note.endswith(MISTAKE)

    @property
    def paused(self) -> bool:
        return self.open and bool(self.pauses) and self.pauses[-1][1] is None

    @property
    def place(self) -> str:
        return self.places[-1][1]

    @property
    def version(self) -> int:
        """Number of changes: rises with each event."""
        return len(self.events)


def opened(
    request: OpenWait, kind: Mapping[str, Any], now_ms: int, number: int = 1
) -> dict[str, Any]:
    """The body of the event that opens one wait of a request.

    Parameters
    ----------
    request : OpenWait
    kind : mapping
        Its type, as it is kept with the wait.
    now_ms : int
        [ms since 1970-01-01 UTC]
    number : int
        Which of the request's waits, from 1.
    """
    body = {"start_ms": now_ms} | fields_given(request, "kind", "count") | {"kind": dict(kind)}
    if request.count > 1:
        body["what"] = f"{request.what or kind['name']} {number} of {request.count}"
    return body


def decide(wait: Wait, request: WaitRequest, now_ms: int) -> dict[str, Any]:
    """The body of the event that carries a request out.

    Parameters
    ----------
    wait : Wait
    request : WaitRequest
        Any but `OpenWait`, for which there is `opened`.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    Rejected
        If the state of the wait does not allow it.
    """
    name = _name(wait)
    body = {k: v for k, v in fields_given(request, "wait").items() if (k, v) != ("feel", None)}
    if isinstance(request, TimedWaitRequest):
        if isinstance(request, LoadWait) and not wait.setting:
            raise Rejected(
                f"{name} is not setting: only a joint whose clamps are off can be loaded"
            )
        if not wait.open and not (wait.setting and isinstance(request, LoadWait | MoveWait)):
            raise Rejected(f"{name} is released: reopen it first")
        before_ms = [wait.started_ms, wait.released_ms]
        if isinstance(request, ResumeWait) and wait.paused:
            before_ms.append(wait.pauses[-1][0])
        if isinstance(request, MoveWait):
            before_ms.append(wait.places[-1][0])
        body["at_ms"] = at_ms = in_order(given(request.at_ms, now_ms), *before_ms)
        if at_ms < wait.started_ms:
            raise Rejected(Fault(f"is before the start of {name}", "at_ms"))
        if isinstance(request, PauseWait) and wait.paused:
            raise Rejected(f"{name} is already paused")
        if isinstance(request, ResumeWait):
            if not wait.paused:
                raise Rejected(f"{name} is not paused")
            if at_ms < wait.pauses[-1][0]:
                raise Rejected(Fault(f"is before {name} was paused", "at_ms"))
        if wait.released_ms is not None and at_ms < wait.released_ms:
            raise Rejected(Fault(f"is before the release of {name}", "at_ms"))
        if isinstance(request, MoveWait) and at_ms < wait.places[-1][0]:
            raise Rejected(Fault(f"is before the last move of {name}", "at_ms"))
    if isinstance(request, ReopenWait) and wait.open:
        raise Rejected(f"{name} is already open")
    if isinstance(request, FeelWait) and wait.open:
        raise Rejected(f"{name} is not released yet: note how it felt after its release")
    if isinstance(request, CorrectWait):
        if not body:
            raise Rejected("no field to correct was given")
        _check_start(wait, given(request.start_ms, wait.started_ms))
    return body


def _check_start(wait: Wait, start_ms: int) -> None:
    if wait.released_ms and start_ms > wait.released_ms:
        raise Rejected(Fault(f"is after the release of {_name(wait)}", "start_ms"))
    changes = [at for at, _ in (*wait.places[1:], *wait.pauses)]
    if changes and start_ms > min(changes):
        raise Rejected(Fault(f"is after {_name(wait)} was moved or paused", "start_ms"))


def apply(wait: Wait | None, event: Event) -> Wait:
    """A wait with one more event; None and an opening make a new one."""
    body = event.body
    if event.action == Action.OPEN:
        return Wait(
            id=event.subject,
            kind=body["kind"],
            instrument=body["instrument"],
            what=body["what"],
            places=((body["start_ms"], body["place"]),),
            started_ms=body["start_ms"],
            clamps=body.get("clamps", 0),
            wanted_ms=body.get("wanted_ms"),
            note=body.get("note", ""),
            glue=body.get("glue", ""),
            series=body.get("series", ""),
            foreseen_ms=tuple(foreseen) if (foreseen := body.get("foreseen_ms")) else None,
            expected_air=_expected_air(body.get("expected_air")),
            events=(event,),
        )
    if wait is None:
        raise Rejected(f"the history of wait {event.subject} does not begin with its opening")
    wait = replace(wait, events=(*wait.events, event))
    match event.action:
        case Action.PAUSE:
            return replace(wait, pauses=(*wait.pauses, (body["at_ms"], None)))
        case Action.RESUME:
            began, _ = wait.pauses[-1]
            return replace(wait, pauses=(*wait.pauses[:-1], (began, body["at_ms"])))
        case Action.MOVE:
            return replace(wait, places=(*wait.places, (body["at_ms"], body["place"])))
        case Action.RELEASE:
            feel = Feel(body["feel"]) if "feel" in body else None
            given = body.get("equivalent_s")
            return replace(wait, released_ms=body["at_ms"], feel=feel, equivalent_s=given)
        case Action.LOAD:
            return replace(wait, loaded_ms=body["at_ms"])
        case Action.REOPEN if wait.loaded_ms is not None:
            return replace(wait, loaded_ms=None)
        case Action.REOPEN:
            return replace(wait, released_ms=None, feel=None, equivalent_s=None)
        case Action.FEEL:
            return replace(wait, feel=Feel(body["feel"]) if "feel" in body else None)
        case Action.CORRECT:
            return _corrected(wait, body)
    raise Rejected(f"unknown action {event.action}")


def _expected_air(kept: Mapping[str, Any] | None) -> ExpectedAir | None:
    """The expected air as an event has it; None in those of earlier versions."""
    if kept is None:
        return None
    temp, rh = (tuple(map(tuple, kept[name])) for name in ("temp_c", "rh_pct"))
    return ExpectedAir(kept["start_ms"], kept["step_s"], temp, rh)


def held_s(wait: Wait, until_ms: int) -> float:
    """Duration of a wait until its release, or until a moment, without its pauses. [s]"""
    end = wait.released_ms or until_ms
    paused = sum(min(b or end, end) - a for a, b in wait.pauses if a < end)
    return (end - wait.started_ms - paused) / 1000


def is_early(wait: Wait, at_ms: int) -> bool:
    """True if a release at a moment would be before the safe minimum of its kind."""
    return wait.open and held_s(wait, at_ms) < float(wait.kind.get("minimum_s", 0))


def _corrected(wait: Wait, body: Mapping[str, Any]) -> Wait:
    plain = {
        k: v for k, v in body.items() if k in ("instrument", "what", "clamps", "wanted_ms", "note")
    }
    wait = replace(wait, **plain)
    if "place" in body:
        wait = replace(wait, places=(*wait.places[:-1], (wait.places[-1][0], body["place"])))
    if "start_ms" in body:
        first = (body["start_ms"], wait.places[0][1])
        wait = replace(wait, started_ms=body["start_ms"], places=(first, *wait.places[1:]))
    return wait


def _name(wait: Wait) -> str:
    return " ".join(filter(None, (wait.instrument, wait.what))) or f"wait {wait.id}"
