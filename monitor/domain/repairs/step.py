"""A step of a repair: its work, its wait, what it must follow and what it needs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from graphlib import CycleError, TopologicalSorter
from typing import Annotated, Any, NamedTuple

from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault
from monitor.core.measurements import name_fault
from monitor.core.validation import LINE, NAME, Request
from monitor.domain.cautions import Caution
from monitor.domain.wait_types import WaitType


class StepKind(StrEnum):
    """Kind of work of a step. The value is the trade's word, in messages and on screen."""

    OPEN = "open"
    CLEAN = "clean"
    FIT = "fit"
    GLUE_CRACK = "glue crack"
    CLEAT = "cleat"
    FILL = "fill"
    CLOSE = "close"
    RETOUCH = "retouch"
    VARNISH = "varnish"
    POLISH = "polish"
    NECK_OR_BAR = "neck or bar"
    SET_UP = "set up"
    SETTLE = "settle"
    HAND_OUT = "hand out"


CLAMPED = {StepKind.GLUE_CRACK, StepKind.CLEAT, StepKind.CLOSE, StepKind.NECK_OR_BAR}
"""Kinds of work that end in clamps."""
COATED = {StepKind.RETOUCH, StepKind.VARNISH, StepKind.POLISH}
"""Kinds of work that end in a coat."""


class HandsOn(NamedTuple):
    """Hands-on time of a step: 10 %, usual, 90 %. [min]"""

    low: float
    usual: float
    high: float


HALF_AN_HOUR = HandsOn(20, 30, 45)


class StepState(StrEnum):
    """Condition of a step. The value is the word on screen."""

    PLANNED = "planned"
    STARTED = "started"
    WAITING = "waiting"
    FINISHED = "finished"


@dataclass(frozen=True, kw_only=True)
class Step:
    """A step of a repair, and what has been done of it. Times in ms since 1970-01-01 UTC.

    A step with a wait is started when the clamps or the coat are on, and is finished when its wait
    is released. `needs`: numbers of pieces of stock by their ids, from the beginning of the work
    until the step is finished. `overnight`, `weekend`: it may be left alone so long. `loads`: it
    works, loads or strings the joints before it, which must be ready for that and not only for
    their release. `place`: where it is done; empty: where the instrument is. `fixed_ms`: time at
    which a person wants it to start.
    """

    id: str
    kind: StepKind
    name: str = ""
    wait_kind: str = ""
    hands_on_min: HandsOn = HALF_AN_HOUR
    after: tuple[str, ...] = ()
    needs: Mapping[str, int] = field(default_factory=dict)
    place: str = ""
    overnight: bool = True
    weekend: bool = True
    loads: bool = False
    consent_awaited: bool = False
    fixed_ms: int | None = None
    started_ms: int | None = None
    wait: str = ""
    """Id of the wait that its start opened."""
    finished_ms: int | None = None
    taken_min: float | None = None
    """Hands-on time that it took, if it was noted. [min]"""

    @property
    def label(self) -> str:
        """Name in a few words: `Glue crack, bass side`."""
        return ", ".join(filter(None, (str(self.kind).capitalize(), self.name)))

    @property
    def state(self) -> StepState:
        if self.finished_ms is not None:
            return StepState.FINISHED
        if self.started_ms is None:
            return StepState.PLANNED
        return StepState.WAITING if self.wait_kind else StepState.STARTED

    @property
    def finished(self) -> bool:
        return self.finished_ms is not None


class StepDefaults(NamedTuple):
    """Default fields of a step. Common practice, no source."""

    hands_on_min: HandsOn
    wait_kind: str = ""
    needs: Mapping[str, int] = {}
    loads: bool = False
    cautions: tuple[Caution, ...] = ()


_GLUE = (Caution.HOT_GLUE_POT,)
_SOLVENTS = (Caution.SOLVENTS, Caution.OILY_RAGS)
DEFAULTS: Mapping[StepKind, StepDefaults] = {
    StepKind.OPEN: StepDefaults(HandsOn(30, 45, 90), cautions=(Caution.CLIMATE_SHOCK,)),
    StepKind.CLEAN: StepDefaults(HandsOn(20, 30, 60), cautions=(Caution.SOLVENTS,)),
    StepKind.FIT: StepDefaults(HandsOn(30, 60, 120), loads=True, cautions=(Caution.WOOD_DUST,)),
    StepKind.GLUE_CRACK: StepDefaults(
        HandsOn(20, 30, 45), "plate-crack", {"crack-clamps": 4}, cautions=_GLUE
    ),
    StepKind.CLEAT: StepDefaults(
        HandsOn(30, 45, 75), "cleat", {"crack-clamps": 2}, loads=True, cautions=_GLUE
    ),
    StepKind.FILL: StepDefaults(
        HandsOn(20, 30, 45), "crack-filler", cautions=(*_SOLVENTS, Caution.WOOD_DUST)
    ),
    StepKind.CLOSE: StepDefaults(
        HandsOn(30, 40, 60), "closing", {"spool-clamps": 32}, loads=True, cautions=_GLUE
    ),
    StepKind.RETOUCH: StepDefaults(HandsOn(20, 40, 80), "retouching", cautions=_SOLVENTS),
    StepKind.VARNISH: StepDefaults(
        HandsOn(20, 30, 45), "spirit-coat", {"drying-cupboard": 1}, cautions=_SOLVENTS
    ),
    StepKind.POLISH: StepDefaults(HandsOn(20, 40, 60), "polish-rest", cautions=_SOLVENTS),
    StepKind.NECK_OR_BAR: StepDefaults(
        HandsOn(60, 90, 150), "neck-or-block", {"deep-clamps": 2}, loads=True, cautions=_GLUE
    ),
    StepKind.SET_UP: StepDefaults(HandsOn(60, 90, 120), loads=True),
    StepKind.SETTLE: StepDefaults(HandsOn(10, 15, 20), "settling", loads=True),
    StepKind.HAND_OUT: StepDefaults(HandsOn(10, 20, 30), loads=True),
}
"""Defaults by kind of step."""

WHOLE_INSTRUMENT = (StepKind.CLOSE, StepKind.SET_UP, StepKind.SETTLE, StepKind.HAND_OUT)
"""Kinds of step that shut, string or hand over all of an instrument, whatever joints it has."""
NAME_MAX, HANDS_ON_MAX_MIN, NEED_MAX = 80, 480.0, 200
"""Longest name [characters], longest hands-on time of a step [min], most pieces of one stock."""
SPREAD = (2 / 3, 1.5)
"""10 % and 90 % of a hands-on time of which only the usual one is given. [-]  Ours."""


def _hands_on_fault(minutes: list[float]) -> str | None:
    if sorted(minutes) != minutes:
        return "must rise: low, usual, high"
    if minutes[0] <= 0 or minutes[-1] > HANDS_ON_MAX_MIN:
        return (
            f"must be above 0 and at most {HANDS_ON_MAX_MIN:g} min: split longer work into steps"
        )
    return None if len(minutes) in (1, 3) else "must be the usual time, or low, usual and high"


Name = Annotated[str, Meta(max_length=NAME_MAX, extra=LINE)]
Minutes = Annotated[
    list[float],
    Meta(extra={"fault": _hands_on_fault, "allowed": "minutes: the usual, or low, usual, high"}),
]
MaybePlace = Annotated[
    str, Meta(extra={**NAME, "fault": lambda name: name_fault(name) if name else None})
]
"""Id of a place; empty: where the instrument is."""
Pieces = Annotated[int, Meta(ge=1, le=NEED_MAX)]
Needs = Annotated[
    dict[str, Pieces],
    Meta(extra={"allowed": f"numbers from 1 to {NEED_MAX} by the id of the stock"}),
]
Ids = Annotated[list[str], Meta(extra={"allowed": "a list of ids of steps"})]


class StepFields(Request, frozen=True, kw_only=True):
    """The fields of a step that a person can set."""

    name: Name | UnsetType = UNSET
    wait_kind: Name | UnsetType = UNSET
    hands_on_min: Minutes | UnsetType = UNSET
    after: Ids | UnsetType = UNSET
    needs: Needs | UnsetType = UNSET
    place: MaybePlace | UnsetType = UNSET
    overnight: bool | UnsetType = UNSET
    weekend: bool | UnsetType = UNSET
    loads: bool | UnsetType = UNSET
    consent_awaited: bool | UnsetType = UNSET


FIELDS = StepFields.__struct_fields__


def step_with(step: Step, given: Mapping[str, Any]) -> Step:
    """A step with some of its `FIELDS` as plain values."""
    plain = {name: given[name] for name in FIELDS if name in given}
    if "hands_on_min" in plain:
        plain["hands_on_min"] = hands_on_of(plain["hands_on_min"])
    if "after" in plain:
        plain["after"] = tuple(dict.fromkeys(plain["after"]))
    return replace(step, **plain)


def hands_on_of(minutes: Sequence[float]) -> HandsOn:
    """Hands-on time from its three figures, or from the usual one."""
    if len(minutes) == 1:
        return HandsOn(minutes[0] * SPREAD[0], minutes[0], minutes[0] * SPREAD[1])
    return HandsOn(*minutes)


def step_of(step_id: str, kind: StepKind, given: Mapping[str, Any], like: Step | None) -> Step:
    """A new step of a kind: as given, else as another of its kind, else with the defaults."""
    usual = DEFAULTS[kind]
    base = Step(
        id=step_id,
        kind=kind,
        wait_kind=usual.wait_kind,
        hands_on_min=usual.hands_on_min,
        needs=usual.needs,
        loads=usual.loads,
    )
    if like is not None:
        names = ("wait_kind", "hands_on_min", "needs", "place", "overnight", "weekend", "loads")
        base = replace(base, **{name: getattr(like, name) for name in names})
    return step_with(base, given)


def as_mapping(step: Step) -> dict[str, Any]:
    """A step that nothing was done of, as a plain mapping that `from_mapping` reads back."""
    kept = {name: getattr(step, name) for name in FIELDS}
    lists = {"hands_on_min": list(step.hands_on_min), "after": list(step.after)}
    return {"id": step.id, "kind": str(step.kind)} | kept | lists | {"needs": dict(step.needs)}


def from_mapping(body: Mapping[str, Any]) -> Step:
    """The step of a mapping."""
    return step_with(Step(id=str(body["id"]), kind=StepKind(body["kind"])), body)


def as_record(step: Step) -> dict[str, Any]:
    """A step with what was done of it, as JSON has it."""
    minutes = step.hands_on_min._asdict()
    return asdict(step) | {"state": str(step.state), "hands_on_min": minutes}


class Known(NamedTuple):
    """Things that steps may refer to: wait types by id, and pieces of stock by id."""

    wait_kinds: Mapping[str, WaitType]
    stock: Mapping[str, int]


def step_faults(steps: Iterable[Step], known: Known, *, field: str = "") -> Iterator[Fault]:
    """Faults of steps that refer to what is not there, or need more than there is."""
    steps = list(steps)
    for i, step in enumerate(steps):
        at = f"{field}.{i}." if field else ""
        if step.wait_kind and step.wait_kind not in known.wait_kinds:
            allowed = f"one of {', '.join(known.wait_kinds)}, or empty for no wait"
            yield Fault("", f"{at}wait_kind", step.wait_kind, allowed)
        for stock, wanted in step.needs.items():
            if stock not in known.stock:
                there = ", ".join(known.stock) or "none: add it to the stock first"
                yield Fault("", f"{at}needs", stock, f"one of {there}")
            elif wanted > known.stock[stock]:
                yield Fault(
                    f"{step.label} needs {wanted} of {stock}, and the shop has "
                    f"{known.stock[stock]}: use fewer, or change the stock",
                    f"{at}needs",
                )


def order_faults(steps: Iterable[Step]) -> Iterator[Fault]:
    """Faults of what steps must follow: a step that is not there, or a circle."""
    by_id = {step.id: step for step in steps}
    missing = False
    for step in by_id.values():
        for one in step.after:
            if one not in by_id:
                missing = True
                yield Fault("", "after", one, f"one of {', '.join(by_id)}")
    if missing:
        return
    try:
        TopologicalSorter({step.id: step.after for step in by_id.values()}).prepare()
    except CycleError as exc:
        names = " follows ".join(by_id[one].label for one in reversed(exc.args[1]))
        yield Fault(f"goes in a circle: {names}", "after")


def cautions_of(step: Step, kind: WaitType | None) -> tuple[Caution, ...]:
    """Cautions to show when a step is started: those of its work, and of its type of wait."""
    of_wait = kind.cautions if kind is not None else ()
    of_work = DEFAULTS[step.kind].cautions
    if kind is not None and Caution.HOT_GLUE_POT not in of_wait:  # another glue
        of_work = tuple(one for one in of_work if one is not Caution.HOT_GLUE_POT)
    return tuple(dict.fromkeys((*of_work, *of_wait)))
