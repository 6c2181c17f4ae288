"""Repairs of the demo's shop: their steps, which of its waits belong to them, and what was promised."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from monitor.domain.repairs.step import StepKind as K
from sensors.demo.past_jobs import (
    BASS,
    CELLO,
    GUESTS,
    SECOND_VIOLA,
    SECOND_VIOLIN,
    SET_UP,
    VARNISHED,
    VIOLA,
    VIOLIN,
)
from sensors.demo.shop import CORNER


class DemoStep(NamedTuple):
    """A step: `done_d` is how long ago it was finished, if it has no wait [d]. A step with the name
    of a job of its instrument is started as that job."""

    kind: K
    name: str = ""
    done_d: float | None = None
    more: dict[str, Any] | None = None


class DemoRepair(NamedTuple):
    """A repair: each step follows the one before it. `promised`: for the day it is due."""

    instrument: str
    name: str
    steps: tuple[DemoStep, ...]
    promised: bool = True


S = DemoStep
_SET_UP = (S(K.SET_UP), S(K.SETTLE), S(K.HAND_OUT))
_SEAM: dict[str, Any] = {"wait_kind": "rib-seam", "hands_on_min": [15, 25, 45]}
_CORNER: dict[str, Any] = {"place": CORNER}

REPAIRS = (
    DemoRepair(
        VIOLIN,
        "Top cracks",
        (
            S(K.OPEN, "top off", 3.2),
            S(K.FIT, "bass side", 2.3),
            S(K.GLUE_CRACK, "top crack, bass side"),
            S(K.CLEAT, "cleats, bass side"),
            S(K.GLUE_CRACK, "top crack, treble side", None, {"needs": {"crack-clamps": 5}}),
            S(K.CLEAT, "cleats, treble side"),
            S(K.CLOSE, "top"),
            S(K.RETOUCH),
            *_SET_UP,
        ),
    ),
    DemoRepair(
        VIOLA,
        "Open seams",
        (
            S(K.CLOSE, "upper bout seam", None, _SEAM | {"needs": {"spool-clamps": 5}}),
            S(K.CLOSE, "lower bout seam", None, _SEAM | {"needs": {"spool-clamps": 6}}),
            S(K.RETOUCH, "edges"),
            S(K.SET_UP, "check", None, {"hands_on_min": [10, 20, 40]}),
            S(K.HAND_OUT),
        ),
    ),
    DemoRepair(
        CELLO,
        "Cleats along the bar",
        (
            S(K.OPEN, "top off", 14.0),
            S(K.CLEAT, "cleats along the bar"),
            S(K.CLEAT, "cleat 1 of 2", None, {"needs": {"crack-clamps": 1}}),
            S(K.CLOSE, "top"),
            S(K.RETOUCH, "edges"),
            *_SET_UP,
        ),
    ),
    DemoRepair(
        SECOND_VIOLIN,
        "Neck reset",
        (
            S(K.OPEN, "neck out", 6.0),
            S(K.FIT, "neck", 1.2),
            S(K.NECK_OR_BAR, "neck set", None, {"needs": {"deep-clamps": 3}}),
            S(K.RETOUCH, "heel and button"),
            S(K.POLISH),
            *_SET_UP,
        ),
    ),
    DemoRepair(
        SECOND_VIOLA,
        "Back cracks",
        (
            S(K.OPEN, "back off", 5.0),
            S(K.CLEAN, "washed back", None, {"wait_kind": "washed-wood"}),
            S(K.GLUE_CRACK, "back crack"),
            S(K.CLEAT),
            S(K.CLOSE, "back"),
            S(K.RETOUCH, "whole back", None, {"consent_awaited": True}),
            *_SET_UP,
        ),
    ),
    DemoRepair(
        BASS,
        "Rib crack",
        (S(K.FILL, "rib crack"), S(K.RETOUCH), S(K.POLISH), S(K.HAND_OUT)),
        promised=False,
    ),
    DemoRepair(SET_UP, "Set-up", (S(K.SETTLE, "strung up, second check"), S(K.HAND_OUT))),
    DemoRepair(
        VARNISHED,
        "Varnish",
        (
            S(K.VARNISH, "first clear coat", None, _CORNER),
            S(K.VARNISH, "second clear coat", None, _CORNER | {"needs": {}}),
            S(K.VARNISH, "third clear coat", None, _CORNER),
            S(K.POLISH, "", None, _CORNER),
            *_SET_UP,
        ),
    ),
)

_CAME_D = {guest.reference: guest.came_d for guest in GUESTS}
NUMBERED = tuple(enumerate(sorted(REPAIRS, key=lambda one: -_CAME_D[one.instrument]), 1))
"""Repairs with their numbers, in the order in which they were taken in."""

Dated = tuple[float, dict[str, Any]]
"""A command, and how long ago it was given. [h]"""


def commands(due: Callable[[float], int]) -> list[Dated]:
    """Commands that take the repairs in, add their steps and finish those without a wait.

    `due` has the time at which something is due on a day counted from now. [d], [ms]
    """
    found: list[Dated] = []
    guests = {guest.reference: guest for guest in GUESTS}
    for number, repair in NUMBERED:
        guest = guests[repair.instrument]
        came_h = 24 * guest.came_d - 0.5
        taken_in = {"do": "take in", "instrument": repair.instrument, "name": repair.name}
        found.append((came_h, taken_in))
        for i, (kind, name, done_d, more) in enumerate(repair.steps, 1):
            of = {"repair": str(number)}
            after = [str(i - 1)] if i > 1 else []
            added = {
                "do": "add",
                "kind": str(kind),
                "name": name,
                "after": after,
                "between": False,
            }
            found.append((came_h, added | of | (more or {})))
            if done_d is not None:
                found.append((24 * done_d, {"do": "finish", "step": str(i)} | of))
        if repair.promised:
            promised = {"do": "promise", "repair": str(number), "promised_ms": due(guest.due_d)}
            found.append((came_h, promised))
    return [(ago_h, {"about": "repair"} | command) for ago_h, command in found]


def step_of(instrument: str, what: str) -> dict[str, str] | None:
    """The repair and the step of a job; None if it belongs to none."""
    for number, repair in NUMBERED:
        for i, step in enumerate(repair.steps, 1):
            if repair.instrument == instrument and step.name == what:
                return {"repair": str(number), "step": str(i)}
    return None
