"""Requests on repairs: take in, add and change steps, do them, promise, hand out."""

from __future__ import annotations

from typing import Annotated, ClassVar

from msgspec import UNSET, Meta, UnsetType

from monitor.core.validation import LINE, Request
from monitor.domain.events import About
from monitor.domain.repairs.step import HANDS_ON_MAX_MIN, Name, StepFields, StepKind
from monitor.domain.wait import BACK_MAX_MS, Line, MaybeFeel, Note, PastTime

AHEAD_MAX_MS = 2 * 366 * 86_400_000
"""Longest time ahead of a promise, or of the fixed time of a step. [ms]"""
Ahead = Annotated[
    int, Meta(extra={"unit": "ms", "past_ms": BACK_MAX_MS, "ahead_ms": AHEAD_MAX_MS})
]
"""A time that should lie ahead. [ms since 1970-01-01 UTC]"""
Taken = Annotated[float, Meta(ge=0, le=HANDS_ON_MAX_MIN, extra={"unit": "min"})]
Reference = Annotated[str, Meta(max_length=60, extra=LINE)]


class RepairRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a repair."""

    about: ClassVar[str] = About.REPAIR
    key: ClassVar[str] = "repair"


class TakeInRepair(RepairRequest, frozen=True, kw_only=True, tag="take in"):
    """Take in a repair of an instrument that is in the shop, from a template or empty."""

    key: ClassVar[str] = "instrument"
    instrument: Reference
    template: Name = ""
    name: Name | UnsetType = UNSET
    promised_ms: Ahead | UnsetType = UNSET
    note: Note = ""


class CorrectRepair(RepairRequest, frozen=True, kw_only=True, tag="correct"):
    """Correct the name or the note of a repair."""

    repair: str
    name: Name | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class StepRequest(StepFields, frozen=True, kw_only=True):
    """The fields of a step of a repair."""

    about: ClassVar[str] = About.REPAIR
    key: ClassVar[str] = "repair"
    repair: str


class AddStep(StepRequest, frozen=True, kw_only=True, tag="add"):
    """Add a step. What is not given is as in the last step of its kind, else the usual of its kind.

    `after`: without it, after the last step that is finished or started. Planned steps that
    followed those follow this one too, unless `between` is false.
    """

    kind: StepKind
    between: bool = True


class AddTemplate(RepairRequest, frozen=True, kw_only=True, tag="add template"):
    """Add the steps of a template to a repair. Its set-up, settling and handing out are those that
    the repair has, if they are not started."""

    repair: str
    template: Name


class ChangeStep(StepRequest, frozen=True, kw_only=True, tag="change"):
    """Change fields of a step that is not finished."""

    step: str


class OneStepRequest(RepairRequest, frozen=True, kw_only=True):
    """A request that concerns one step of a repair."""

    repair: str
    step: str


class DoubtedRequest(OneStepRequest, frozen=True, kw_only=True):
    """A start or a finish that may be too early. `sure`: the person was asked and does it."""

    sure: bool = False


class StartStep(DoubtedRequest, frozen=True, kw_only=True, tag="start"):
    """Start a step. A step with a wait starts when the clamps or the coat are on: its wait opens.

    `taken_min`: hands-on time so far; `glue`: id of the batch of glue.
    """

    at_ms: PastTime | UnsetType = UNSET
    taken_min: Taken | UnsetType = UNSET
    glue: Line = ""


class FinishStep(DoubtedRequest, frozen=True, kw_only=True, tag="finish"):
    """Finish a step. The wait of the step is released, with `feel`.

    `taken_min`: hands-on time of the whole step.
    """

    at_ms: PastTime | UnsetType = UNSET
    taken_min: Taken | UnsetType = UNSET
    feel: MaybeFeel = None


class ReopenStep(OneStepRequest, frozen=True, kw_only=True, tag="reopen"):
    """Undo the last of finish and start of a step; without `step`, undo the handing out."""

    step: str = ""


class MoveStep(OneStepRequest, frozen=True, kw_only=True, tag="move"):
    """Fix the start of a step at a time; None: the plan is free again."""

    fixed_ms: Ahead | None


class RemoveStep(OneStepRequest, frozen=True, kw_only=True, tag="remove"):
    """Remove a step that was not started. What followed it follows what it followed."""


class GiveConsent(RepairRequest, frozen=True, kw_only=True, tag="consent"):
    """Note the client's consent to a step; without `step`, to all that await it."""

    repair: str
    step: str | UnsetType = UNSET


class PromiseRepair(RepairRequest, frozen=True, kw_only=True, tag="promise"):
    """Note the time that was promised to the client; None: no time is promised any more."""

    repair: str
    promised_ms: Ahead | None


class HandOutRepair(RepairRequest, frozen=True, kw_only=True, tag="hand out"):
    """Hand the instrument out. `unfinished`: although steps are not finished."""

    repair: str
    at_ms: PastTime | UnsetType = UNSET
    unfinished: bool = False


REQUESTS = (
    TakeInRepair,
    CorrectRepair,
    AddStep,
    AddTemplate,
    ChangeStep,
    StartStep,
    FinishStep,
    ReopenStep,
    MoveStep,
    RemoveStep,
    GiveConsent,
    PromiseRepair,
    HandOutRepair,
)
