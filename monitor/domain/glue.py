"""A batch of glue and the requests on it: mix, heat, correct, discard.

A batch is the fold of its events, oldest first. The hours that it was hot are counted from the pot's
"on" and "off", or typed. Limits on the maker's sheet win over the defaults.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault, Rejected
from monitor.core.validation import LINE, Request, fields_given, given
from monitor.domain.cautions import Caution
from monitor.domain.events import About, Event, in_order
from monitor.domain.glue_kinds import KINDS, SHEET, GlueKind, Limit
from monitor.domain.instrument import PastTime
from monitor.domain.wait import Note
from monitor.domain.wait_types import WaitType
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.timed_rest import FixedLaw

HOUR_MS = 3_600_000
TEXT_MAX = 80
"""Longest name, strength or place where it is kept. [characters]"""
HOT_MOST_H, KEEPS_MOST_H, CLAMP_MOST_H = 1_000.0, 87_600.0, 9_600.0
"""Most hours hot, most hours until it must be discarded, longest clamp time. [h]  Ours."""
LEAST_H = 1 / 60
"""Shortest of each limit. [h]"""


class GlueAction(StrEnum):
    """An action on a batch of glue, as events and messages have it."""

    MIX = "mix"
    POT_ON = "pot on"
    POT_OFF = "pot off"
    CORRECT = "correct"
    DISCARD = "discard"
    RESTORE = "restore"


class GlueState(StrEnum):
    """Condition of a batch. The value is the word on screen."""

    GOOD = "good"
    NEAR = "near its discard time"
    PAST = "past its discard time"
    UNKNOWN = "discard time not known"
    DISCARDED = "discarded"


Text = Annotated[str, Meta(max_length=TEXT_MAX, extra=LINE)]
KindId = Annotated[str, Meta(extra={"one_of": tuple(KINDS)})]
HOURS: dict[str, Any] = {"unit": "h"}
HotHours = Annotated[float, Meta(ge=0, le=HOT_MOST_H, extra=HOURS)]
HotLimit = Annotated[float, Meta(ge=LEAST_H, le=HOT_MOST_H, extra=HOURS)]
Keeps = Annotated[float, Meta(ge=LEAST_H, le=KEEPS_MOST_H, extra=HOURS)]
ClampTime = Annotated[float, Meta(ge=LEAST_H, le=CLAMP_MOST_H, extra=HOURS)]


class GlueRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a batch of glue."""

    about: ClassVar[str] = About.GLUE
    key: ClassVar[str] = "glue"


class GlueFields(GlueRequest, frozen=True, kw_only=True):
    """The fields of a batch that can be corrected; None: not on the maker's sheet.

    `hot_h`: hours that it has been hot until now. `hot_limit_h`, `keeps_h`, `clamp_h`,
    `load_h`: hours hot, hours since mixing, clamp time and time until the joint may be loaded, by the
    maker's sheet.
    """

    name: Text | UnsetType = UNSET
    strength: Text | UnsetType = UNSET
    kept: Text | UnsetType = UNSET
    mixed_ms: PastTime | UnsetType = UNSET
    hot_h: HotHours | UnsetType = UNSET
    hot_limit_h: HotLimit | UnsetType | None = UNSET
    keeps_h: Keeps | UnsetType | None = UNSET
    clamp_h: ClampTime | UnsetType | None = UNSET
    load_h: ClampTime | UnsetType | None = UNSET
    note: Note | UnsetType = UNSET


class MixGlue(GlueFields, frozen=True, kw_only=True, tag="mix"):
    """Record a batch that was mixed, or a bottle that was opened, at `mixed_ms` or now."""

    key: ClassVar[str] = "kind"
    kind: KindId


class CorrectGlue(GlueFields, frozen=True, kw_only=True, tag="correct"):
    """Correct fields of a batch."""

    glue: str


class TimedGlueRequest(GlueRequest, frozen=True, kw_only=True):
    """A request that takes effect at a time; without `at_ms`, now."""

    glue: str
    at_ms: PastTime | UnsetType = UNSET


class PotOn(TimedGlueRequest, frozen=True, kw_only=True, tag="pot on"):
    """Record that the pot of a batch was switched on."""


class PotOff(TimedGlueRequest, frozen=True, kw_only=True, tag="pot off"):
    """Record that the pot of a batch was switched off."""


class DiscardGlue(TimedGlueRequest, frozen=True, kw_only=True, tag="discard"):
    """Record that a batch was thrown out or used up."""


class RestoreGlue(GlueRequest, frozen=True, kw_only=True, tag="restore"):
    """Undo a discard."""

    glue: str


REQUESTS = (MixGlue, PotOn, PotOff, CorrectGlue, DiscardGlue, RestoreGlue)


@dataclass(frozen=True, kw_only=True)
class Glue:
    """A batch of glue, as its history makes it.

    Times in ms since 1970-01-01 UTC, limits in hours. `hot_typed`: time and hours of the last typed
    figure; `pot`: from when to when the pot was on, the last without an end while it is.
    """

    id: str
    kind_id: str
    mixed_ms: int
    name: str = ""
    strength: str = ""
    kept: str = ""
    note: str = ""
    hot_limit_h: float | None = None
    keeps_h: float | None = None
    clamp_h: float | None = None
    load_h: float | None = None
    hot_typed: tuple[int, float] = (0, 0.0)
    pot: tuple[tuple[int, int | None], ...] = ()
    discarded_ms: int | None = None
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def kind(self) -> GlueKind:
        return KINDS[self.kind_id]

    @property
    def here(self) -> bool:
        return self.discarded_ms is None

    @property
    def pot_on_ms(self) -> int | None:
        """Time since when the pot is recorded as on; None if it is off."""
        return self.pot[-1][0] if self.pot and self.pot[-1][1] is None else None

    @property
    def label(self) -> str:
        """Name of the batch in a few words: `Hide glue, jar A, 192 g`."""
        return ", ".join(filter(None, (self.kind.name, self.name, self.strength)))

    @property
    def version(self) -> int:
        """Rises with each event."""
        return len(self.events)

    def hot_h(self, now_ms: int) -> float:
        """Hours that it has been hot. [h]"""
        typed_ms, typed_h = self.hot_typed
        end = now_ms if self.discarded_ms is None else self.discarded_ms
        spells = (max(min(off or end, end) - max(on, typed_ms), 0) for on, off in self.pot)
        return typed_h + sum(spells) / HOUR_MS

    @property
    def hot_limit(self) -> Limit | None:
        """Limit of the hours hot; None where there is none."""
        return _sheet_or(self.hot_limit_h, self.kind.hot)

    @property
    def keeps_limit(self) -> Limit | None:
        """Limit of the hours since it was mixed; None where there is none."""
        return _sheet_or(self.keeps_h, self.kind.keeps)

    def discard_ms(self, now_ms: int) -> int | None:
        """Time at which it reaches the first of its limits, the pot as it is now; None: not known.

        A past time where a limit has been passed.
        """
        found = []
        if (keeps := self.keeps_limit) is not None:
            found.append(self.mixed_ms + round(keeps.usual_h * HOUR_MS))
        if (hot := self.hot_limit) is not None:
            left_h = hot.usual_h - self.hot_h(now_ms)
            if left_h <= 0 or self.pot_on_ms is not None:
                found.append(now_ms + round(left_h * HOUR_MS))
        return min(found, default=None)

    def state(self, now_ms: int) -> GlueState:
        """Condition at a moment."""
        if not self.here:
            return GlueState.DISCARDED
        used = (
            (self.hot_h(now_ms), self.hot_limit),
            ((now_ms - self.mixed_ms) / HOUR_MS, self.keeps_limit),
        )
        limited = [(hours, limit) for hours, limit in used if limit is not None]
        if any(hours >= limit.usual_h for hours, limit in limited):
            return GlueState.PAST
        if any(hours >= limit.low_h for hours, limit in limited):
            return GlueState.NEAR
        return GlueState.GOOD if limited else GlueState.UNKNOWN


def _sheet_or(typed_h: float | None, default: Limit | None) -> Limit | None:
    return default if typed_h is None else Limit(typed_h, typed_h, typed_h, SHEET)


def decide(glue: Glue, request: GlueRequest, now_ms: int) -> dict[str, Any]:
    """The body of the event that carries a request out.

    Parameters
    ----------
    glue : Glue
    request : GlueRequest
        Any but `MixGlue`, for which there is `mixed`.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    Rejected
        If the state of the batch does not allow it.
    """
    name, body = glue.label, fields_given(request, "glue")
    if isinstance(request, RestoreGlue):
        if glue.here:
            raise Rejected(f"{name} is not discarded")
        return body
    if not glue.here:
        raise Rejected(f"{name} is discarded: restore it first")
    if isinstance(request, CorrectGlue):
        if not body:
            raise Rejected("no field to correct was given")
        mixed_ms = given(request.mixed_ms, glue.mixed_ms)
        if glue.pot and mixed_ms > glue.pot[0][0]:
            raise Rejected(Fault(f"is after the pot of {name} was switched on", "mixed_ms"))
        _check_hot(given(request.hot_h, glue.hot_h(now_ms)), mixed_ms, now_ms)
        return body
    if not isinstance(request, TimedGlueRequest):
        raise Rejected(f"unknown action {request.__struct_config__.tag}")
    on_ms = glue.pot_on_ms
    last_pot_ms = glue.pot[-1] if glue.pot else ()
    body["at_ms"] = at_ms = in_order(given(request.at_ms, now_ms), glue.mixed_ms, *last_pot_ms)
    if at_ms < glue.mixed_ms:
        raise Rejected(Fault(f"is before {name} was mixed", "at_ms"))
    if isinstance(request, PotOn):
        if not glue.kind.heated:
            raise Rejected(f"{name} is not heated in a pot")
        if on_ms is not None:
            raise Rejected(f"the pot of {name} is already on")
        if glue.pot and at_ms < (glue.pot[-1][1] or 0):
            raise Rejected(Fault(f"is before the pot of {name} was switched off", "at_ms"))
    if isinstance(request, PotOff):
        if on_ms is None:
            raise Rejected(f"the pot of {name} is not on")
        if at_ms < on_ms:
            raise Rejected(Fault(f"is before the pot of {name} was switched on", "at_ms"))
    if isinstance(request, DiscardGlue):
        if on_ms is not None:
            raise Rejected(
                f"the pot of {name} is on: switch it off, unplug it and record it first"
            )
        if glue.pot and at_ms < (glue.pot[-1][1] or 0):
            raise Rejected(Fault(f"is before the pot of {name} was switched off", "at_ms"))
    return body


def mixed(request: MixGlue, now_ms: int) -> dict[str, Any]:
    """The body of the event that records a batch.

    Raises
    ------
    Rejected
        If it was hot for longer than it has existed.
    """
    body = {"mixed_ms": now_ms} | fields_given(request)
    _check_hot(given(request.hot_h, 0.0), body["mixed_ms"], now_ms)
    return body


def _check_hot(hot_h: float, mixed_ms: int, now_ms: int) -> None:
    age_h = max(now_ms - mixed_ms, 0) / HOUR_MS
    if hot_h > age_h + 0.05:
        raise Rejected(
            Fault(f"is more than the {age_h:.1f} h since it was mixed", "hot_h", round(hot_h, 2))
        )


def apply(glue: Glue | None, event: Event) -> Glue:
    """A batch with one more event; None and a mixing make a new one."""
    body = event.body
    if event.action == GlueAction.MIX:
        plain = {k: v for k, v in body.items() if k in _PLAIN}
        typed = (event.recorded_ms, body.get("hot_h", 0.0)) if "hot_h" in body else (0, 0.0)
        return Glue(
            id=event.subject, kind_id=body["kind"], hot_typed=typed, events=(event,), **plain
        )
    if glue is None:
        raise Rejected(f"the history of glue {event.subject} does not begin with its mixing")
    glue = replace(glue, events=(*glue.events, event))
    match event.action:
        case GlueAction.POT_ON:
            return replace(glue, pot=(*glue.pot, (body["at_ms"], None)))
        case GlueAction.POT_OFF:
            on_ms, _ = glue.pot[-1]
            return replace(glue, pot=(*glue.pot[:-1], (on_ms, body["at_ms"])))
        case GlueAction.DISCARD:
            return replace(glue, discarded_ms=body["at_ms"])
        case GlueAction.RESTORE:
            return replace(glue, discarded_ms=None)
        case GlueAction.CORRECT:
            glue = replace(glue, **{k: v for k, v in body.items() if k in _PLAIN})
            if "hot_h" in body:
                glue = replace(glue, hot_typed=(event.recorded_ms, body["hot_h"]))
            return glue
    raise Rejected(f"unknown action {event.action}")


_PLAIN = (
    "name",
    "strength",
    "kept",
    "mixed_ms",
    "hot_limit_h",
    "keeps_h",
    "clamp_h",
    "load_h",
    "note",
)


def takes_glue(kind: WaitType) -> bool:
    """True if a batch of glue can be named for a wait type."""
    return isinstance(kind.law, GlueLaw | FixedLaw)


def wait_type_with(kind: WaitType, glue: Glue) -> WaitType:
    """The wait type of a joint made with a batch of glue.

    Hide glue keeps the type's own law. Any other glue takes a plain fixed time, the clamp time of
    its maker's sheet, and brings its own cautions. Its id is apart, so that its releases teach the
    type nothing about hide glue.

    Raises
    ------
    Rejected
        If the type takes no glue, or the clamp time is missing.
    """
    if not takes_glue(kind):
        raise Rejected(Fault(f"is not for {kind.name.lower()}: it takes no glue", "glue"))
    of = glue.kind
    if of.air_sets:
        return kind
    if glue.clamp_h is None:
        raise Rejected(
            Fault(
                f"has no clamp time: {glue.label} takes the time on its maker's sheet; "
                "add it to the glue first",
                "glue",
            )
        )
    kept = [c for c in kind.cautions if c not in (Caution.HOT_GLUE_POT, Caution.CHILLED_JOINT)]
    return replace(
        kind,
        id=f"{kind.id}:{of.id}",
        law=FixedLaw(),
        basis_s=glue.clamp_h * 3600,
        minimum_s=glue.clamp_h * 3600,
        load_s=(glue.load_h or 0.0) * 3600,
        spread=0.0,
        cautions=tuple(dict.fromkeys((*of.cautions, *kept))),
        source=SHEET,
    )


def as_record(glue: Glue, now_ms: int) -> dict[str, Any]:
    """A batch with its condition, as JSON has it."""
    hidden = ("events", "id", "kind_id", "hot_typed", "pot")
    own = {k: v for k, v in asdict(glue).items() if k not in hidden}
    hot, keeps = glue.hot_limit, glue.keeps_limit
    return {
        "glue": glue.id,
        "kind": glue.kind_id,
        **own,
        "pot_on_ms": glue.pot_on_ms,
        "hot_h": round(glue.hot_h(now_ms), 3),
        "state": str(glue.state(now_ms)),
        "discard_ms": glue.discard_ms(now_ms),
        "hot_limit": hot and hot._asdict(),
        "keeps_limit": keeps and keeps._asdict(),
    }
