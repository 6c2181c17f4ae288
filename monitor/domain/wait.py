"""A wait, as what was done to it makes it: opened, paused, moved, released, put right.

A wait is the fold of its events, oldest first; nothing else is kept. `decide` turns a wish into
the event that would carry it out, or says why it cannot be; `apply` adds an event to a wait.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from monitor.core.errors import MonitorError
from monitor.core.measurements import name_fault, text_fault
from monitor.domain.events import Event


class WaitFault(MonitorError, ValueError):
    """What was asked of a wait cannot be done: what, why, and what is allowed."""


class Action(StrEnum):
    """What can be done to a wait."""

    OPEN = "open"
    PAUSE = "pause"
    RESUME = "resume"
    MOVE = "move"
    RELEASE = "release"
    REOPEN = "reopen"
    CORRECT = "correct"
    FEEL = "feel"


class Feel(StrEnum):
    """How a joint or coat was when it was released."""

    SOFT = "soft"
    RIGHT = "right"
    LONG_BEFORE = "long before"


TEXT_MAX = 200
"""Longest instrument, what, or name of a person. [characters]"""
NOTE_MAX = 2000
"""Longest note. [characters]"""
COUNT_MAX = 200
"""Most clamps on a wait, and most waits opened at once."""
AHEAD_MAX_MS = 60_000
"""How far a start or a release may lie ahead of the clock. [ms]"""
BACK_MAX_MS = 366 * 86_400_000
"""How far back one may lie. [ms]"""


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
    feel: Feel | None = None
    equivalent_s: float | None = None
    """Time in reference air it had had at its release, if that could be told. [s]"""
    series: str = ""
    """Id of the first wait of those that were opened with it at once."""
    foreseen_ms: tuple[int, int, int] | None = None
    """When it was opened, its ready time was foreseen so: 10 %, median, 90 %. [ms]"""
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def open(self) -> bool:
        return self.released_ms is None

    @property
    def paused(self) -> bool:
        return self.open and bool(self.pauses) and self.pauses[-1][1] is None

    @property
    def place(self) -> str:
        return self.places[-1][1]

    @property
    def version(self) -> int:
        """How often it has been changed: rises with each event."""
        return len(self.events)


def decide(
    wait: Wait | None, action: Action, wish: Mapping[str, Any], now_ms: int
) -> dict[str, Any]:
    """The body of the event that would carry out `action`.

    Parameters
    ----------
    wait : Wait, optional
        None only for `Action.OPEN`.
    action : Action
    wish : mapping
        OPEN: `kind` (a mapping), `instrument`, `what`, `place`, and if wanted `start_ms`,
        `clamps`, `wanted_ms`, `note`. MOVE: `place`, `at_ms`. PAUSE, RESUME, RELEASE: `at_ms`.
        RELEASE, FEEL: `feel`; FEEL without it takes it back. CORRECT: any of OPEN's but the kind.
        Times left out are now.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    WaitFault
        If it cannot be done, with what is wrong and what is allowed.
    """
    if action is Action.OPEN:
        return _opened(wish, now_ms)
    if wait is None:
        raise WaitFault("there is no such wait")
    known = _WISHES[action]
    if unknown := sorted(set(wish) - known):
        raise WaitFault(f"{action} knows no {', '.join(unknown)}: only {', '.join(sorted(known))}")
    if action not in (Action.REOPEN, Action.FEEL, Action.CORRECT) and not wait.open:
        raise WaitFault(f"{_name(wait)} is released: reopen it first")
    body: dict[str, Any] = {}
    if "at_ms" in known:
        body["at_ms"] = _moment("at", wish.get("at_ms", now_ms), now_ms)
        if body["at_ms"] < wait.started_ms:
            raise WaitFault(f"{action} of {_name(wait)} would lie before its start")
    if action is Action.PAUSE and wait.paused:
        raise WaitFault(f"{_name(wait)} is paused already")
    if action is Action.RESUME:
        if not wait.paused:
            raise WaitFault(f"{_name(wait)} is not paused")
        if body["at_ms"] < wait.pauses[-1][0]:
            raise WaitFault(f"{_name(wait)} cannot go on before it was paused")
    if action is Action.MOVE:
        body["place"] = _place(_text("place", wish.get("place", ""), needed=True))
        if body["at_ms"] < wait.places[-1][0]:
            raise WaitFault(f"{_name(wait)} was moved later than that already")
    if action is Action.REOPEN and wait.open:
        raise WaitFault(f"{_name(wait)} is open already")
    if action is Action.FEEL and wait.open:
        raise WaitFault(f"{_name(wait)} is not released yet: how it felt is known then")
    if action in (Action.RELEASE, Action.FEEL) and wish.get("feel"):
        body["feel"] = _feel(wish["feel"])
    if action is Action.CORRECT:
        body = _fields(wish, now_ms)
        if not body:
            raise WaitFault("nothing to correct was given")
        if "start_ms" in body and wait.released_ms and body["start_ms"] > wait.released_ms:
            raise WaitFault(f"{_name(wait)} cannot start after its release")
        first_change = min(
            [t for t, _ in wait.places[1:]] + [t for t, _ in wait.pauses], default=None
        )
        if "start_ms" in body and first_change is not None and body["start_ms"] > first_change:
            raise WaitFault(f"{_name(wait)} cannot start after it was moved or paused")
    return body


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
            series=body.get("series", ""),
            foreseen_ms=tuple(foreseen) if (foreseen := body.get("foreseen_ms")) else None,
            events=(event,),
        )
    if wait is None:
        raise WaitFault(f"history of {event.subject} does not begin with its opening")
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
        case Action.REOPEN:
            return replace(wait, released_ms=None, feel=None, equivalent_s=None)
        case Action.FEEL:
            return replace(wait, feel=Feel(body["feel"]) if "feel" in body else None)
        case Action.CORRECT:
            return _corrected(wait, body)
    raise WaitFault(f"unknown action {event.action}")


def fold(events: Iterable[Event]) -> dict[str, Wait]:
    """Every wait by its id, from all events, oldest first."""
    waits: dict[str, Wait] = {}
    for event in events:
        waits[event.subject] = apply(waits.get(event.subject), event)
    return waits


_WISHES: dict[Action, set[str]] = {
    Action.PAUSE: {"at_ms"},
    Action.RESUME: {"at_ms"},
    Action.MOVE: {"at_ms", "place"},
    Action.RELEASE: {"at_ms", "feel"},
    Action.REOPEN: set(),
    Action.FEEL: {"feel"},
    Action.CORRECT: {"instrument", "what", "place", "start_ms", "clamps", "wanted_ms", "note"},
}


def _opened(wish: Mapping[str, Any], now_ms: int) -> dict[str, Any]:
    kind = wish.get("kind")
    if not isinstance(kind, Mapping):
        raise WaitFault("a wait needs a kind")
    if unknown := sorted(set(wish) - _WISHES[Action.CORRECT] - {"kind"}):
        raise WaitFault(f"a wait knows no {', '.join(unknown)}")
    body = {"start_ms": now_ms, "instrument": "", "what": ""} | _fields(wish, now_ms)
    if "place" not in body:
        raise WaitFault("a wait needs a place: the air it is in decides it")
    return {"kind": dict(kind), **body}


def _fields(wish: Mapping[str, Any], now_ms: int) -> dict[str, Any]:
    """What was given, checked."""
    body: dict[str, Any] = {}
    for name in ("instrument", "what", "place"):
        if name in wish:
            body[name] = _text(name, wish[name], needed=name == "place")
    if "place" in body:
        body["place"] = _place(body["place"])
    if "note" in wish:
        body["note"] = _text("note", wish["note"], most=NOTE_MAX)
    if "start_ms" in wish:
        body["start_ms"] = _moment("start", wish["start_ms"], now_ms)
    if "clamps" in wish:
        body["clamps"] = _count("clamps", wish["clamps"], low=0)
    if "wanted_ms" in wish:
        wanted = wish["wanted_ms"]
        if wanted is not None and (
            isinstance(wanted, bool)
            or not isinstance(wanted, int)
            or not now_ms - BACK_MAX_MS <= wanted <= now_ms + BACK_MAX_MS
        ):
            raise WaitFault(f"wanted = {wanted!r:.40}: must be a time within a year of now")
        body["wanted_ms"] = wanted
    return body


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


def _place(name: str) -> str:
    if fault := name_fault(name):
        raise WaitFault(f"place {name!r} {fault}")
    return name


def _name(wait: Wait) -> str:
    return " ".join(filter(None, (wait.instrument, wait.what))) or f"wait {wait.id}"


def _text(name: str, value: Any, *, most: int = TEXT_MAX, needed: bool = False) -> str:
    if isinstance(value, str):
        lines = value.splitlines() if most == NOTE_MAX else [value]
        value = "\n".join(" ".join(line.split(" ")).strip() for line in lines).strip()
    for line in value.splitlines() if isinstance(value, str) and value else [value]:
        if fault := text_fault(line, most):
            raise WaitFault(f"{name} {fault}")
    if len(value) > most:
        raise WaitFault(f"{name} has {len(value)} characters: must be at most {most}")
    if needed and not value:
        raise WaitFault(f"{name} is empty")
    return str(value)


def _count(name: str, value: Any, *, low: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= COUNT_MAX:
        raise WaitFault(
            f"{name} = {value!r:.40}: must be a whole number from {low} to {COUNT_MAX}"
        )
    return value


def _moment(name: str, value: Any, now_ms: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise WaitFault(f"{name} = {value!r:.40}: must be a time")
    if value > now_ms + AHEAD_MAX_MS:
        raise WaitFault(f"{name} lies {(value - now_ms) / 60_000:.0f} min in the future")
    if value < now_ms - BACK_MAX_MS:
        raise WaitFault(f"{name} lies more than a year back")
    return value


def _feel(value: Any) -> str:
    try:
        return str(Feel(value))
    except ValueError:
        raise WaitFault(f"feel = {value!r:.40}: must be one of {', '.join(Feel)}") from None
