"""Templates of usual repairs, those that ship and the shop's own, and the requests on them.

Steps, times, waits and clamps of the templates that ship are common practice, no source. All of it is
the shop's to change.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, ClassVar, NamedTuple

from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault, Rejected
from monitor.core.validation import ID_ALLOWED, ID_PATTERN, Request, fields_given, read
from monitor.domain.cautions import PRACTICE
from monitor.domain.events import About, Event
from monitor.domain.repairs.repair import STEPS_MAX
from monitor.domain.repairs.step import (
    Known,
    Name,
    Step,
    StepFields,
    StepKind,
    as_mapping,
    from_mapping,
    order_faults,
    step_faults,
    step_of,
)

SET, RETIRE, RESTORE = "set", "retire", "restore"
"""Actions on a template, as events and messages have them."""
OWN = "the shop's own"


class Template(NamedTuple):
    """A usual repair: its steps, by ids from "1" on."""

    id: str
    name: str
    steps: tuple[Step, ...]
    source: str = PRACTICE


class TemplateStep(StepFields, frozen=True, kw_only=True):
    """A step of a template. Without `after` it follows the step before it."""

    kind: StepKind


class TemplateRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a template; `template` is its id."""

    about: ClassVar[str] = About.TEMPLATE
    key: ClassVar[str] = "template"
    template: str


Steps = Annotated[
    list[dict[str, Any]], Meta(extra={"allowed": "a list of steps, each with its fields by name"})
]


class SetTemplate(TemplateRequest, frozen=True, kw_only=True, tag=SET):
    """Change a template, or add one. `steps` are mappings of the fields of a step, numbered from 1;
    without them it has those of the template named by `like`."""

    template: Annotated[str, Meta(pattern=ID_PATTERN, extra={"allowed": ID_ALLOWED})]
    name: Name | UnsetType = UNSET
    like: str = ""
    steps: Steps | UnsetType = UNSET


class RetireTemplate(TemplateRequest, frozen=True, kw_only=True, tag=RETIRE):
    """Take a template off the list. Repairs taken in from it go on."""


class RestoreTemplate(TemplateRequest, frozen=True, kw_only=True, tag=RESTORE):
    """Put a retired template back on the list, as it last was."""


REQUESTS = (SetTemplate, RetireTemplate, RestoreTemplate)


def changed(
    templates: Mapping[str, Template], request: SetTemplate, known: Known, now_ms: int
) -> Template:
    """The template that a request adds or changes.

    Raises
    ------
    Rejected
        If there is none to start from, or it cannot be so; with every fault.
    """
    own = request.template
    base = templates.get(own) or TEMPLATES.get(own) or templates.get(request.like)
    if isinstance(request.steps, UnsetType):
        if base is None:
            allowed = f"one of {', '.join(templates)}, or give the steps"
            raise Rejected(Fault("", "like", request.like, allowed))
        steps = base.steps
    else:
        steps = tuple(_steps(request.steps, now_ms))
    faults = [*step_faults(steps, known, field="steps"), *order_faults(steps)]
    if not steps:
        faults.append(Fault("is empty: a repair needs something to do", "steps"))
    if len(steps) > STEPS_MAX:
        faults.append(Fault(f"has {len(steps)} steps: at most {STEPS_MAX}", "steps"))
    if faults:
        raise Rejected(*faults)
    name = fields_given(request).get("name") or (base.name if base else own.replace("-", " "))
    return Template(own, name, steps, OWN)


def _steps(given: Iterable[Mapping[str, Any]], now_ms: int) -> Iterable[Step]:
    faults: list[Fault] = []
    steps: list[Step] = []
    for i, one in enumerate(given):
        values = {k: v for k, v in one.items() if k != "id"}
        try:
            found = read(TemplateStep, values, now_ms, what="step")
        except Rejected as exc:
            faults += [
                Fault(f.problem, f"steps.{i}.{f.field}", f.value, f.allowed) for f in exc.faults
            ]
            continue
        fields = fields_given(found, "kind")
        fields.setdefault("after", [str(i)] if i else [])
        steps.append(step_of(str(i + 1), found.kind, fields, None))
    if faults:
        raise Rejected(*faults)
    return steps


def body_of(template: Template) -> dict[str, Any]:
    """A template as its event keeps it."""
    steps = [as_mapping(step) for step in template.steps]
    return {"name": template.name, "steps": steps, "source": template.source}


def apply(templates: Mapping[str, Template], event: Event) -> dict[str, Template]:
    """The templates in use after one more event: one set, retired or restored."""
    if event.action == RETIRE:
        return {own: one for own, one in templates.items() if own != event.subject}
    body = event.body
    steps = tuple(map(from_mapping, body["steps"]))
    return {
        **templates,
        event.subject: Template(event.subject, body["name"], steps, body["source"]),
    }


def _template(own: str, name: str, *steps: tuple[StepKind, dict[str, Any]]) -> Template:
    made = []
    for i, (kind, fields) in enumerate(steps):
        after = {"after": [str(i)] if i else []}
        made.append(step_of(str(i + 1), kind, after | fields, None))
    return Template(own, name, tuple(made))


_K = StepKind
_WASH: dict[str, Any] = {"name": "crack, with water", "wait_kind": "washed-wood"}
_FINISH: tuple[tuple[StepKind, dict[str, Any]], ...] = (
    (_K.SET_UP, {"hands_on_min": [60, 90, 120]}),
    (_K.SETTLE, {}),
    (_K.HAND_OUT, {}),
)
TEMPLATES: Mapping[str, Template] = {
    one.id: one
    for one in (
        _template(
            "top-cracks",
            "Top cracks",
            (_K.OPEN, {"name": "top off"}),
            (_K.CLEAN, _WASH),
            (_K.FIT, {"name": "middle crack"}),
            # The middle crack steadies the others, so it comes first.
            (_K.GLUE_CRACK, {"name": "middle crack"}),
            (_K.GLUE_CRACK, {"name": "side cracks"}),
            (_K.CLEAT, {}),
            (_K.FILL, {}),
            (_K.CLOSE, {"name": "top"}),
            (_K.RETOUCH, {}),
            (_K.POLISH, {}),
            *_FINISH,
        ),
        _template(
            "open-seams",
            "Open seams",
            (_K.CLEAN, {"name": "seams", "hands_on_min": [10, 20, 40]}),
            (
                _K.CLOSE,
                {
                    "name": "seams",
                    "wait_kind": "rib-seam",
                    "needs": {"spool-clamps": 8},
                    "hands_on_min": [15, 25, 45],
                },
            ),
            (_K.RETOUCH, {"name": "edges", "hands_on_min": [10, 20, 40]}),
            (_K.SET_UP, {"name": "check", "hands_on_min": [10, 20, 40]}),
            (_K.HAND_OUT, {}),
        ),
        _template(
            "neck-reset",
            "Neck reset",
            (_K.OPEN, {"name": "neck out"}),
            (_K.CLEAN, {"name": "mortise", "hands_on_min": [20, 40, 60]}),
            (_K.FIT, {"name": "neck", "hands_on_min": [90, 150, 240]}),
            (_K.NECK_OR_BAR, {"name": "neck"}),
            (_K.RETOUCH, {"name": "heel and button"}),
            (_K.POLISH, {}),
            *_FINISH,
        ),
        _template(
            "bar",
            "Bass bar",
            (_K.OPEN, {"name": "top off"}),
            (_K.FIT, {"name": "bar", "hands_on_min": [90, 150, 240]}),
            (_K.NECK_OR_BAR, {"name": "bar", "needs": {"crack-clamps": 7}}),
            (_K.FIT, {"name": "trim the bar", "hands_on_min": [30, 45, 75]}),
            (_K.CLOSE, {"name": "top"}),
            (_K.RETOUCH, {"name": "edges", "hands_on_min": [10, 20, 40]}),
            *_FINISH,
        ),
        _template(
            "bushing",
            "Peg-hole bushing",
            (_K.FIT, {"name": "bushings", "hands_on_min": [45, 75, 120]}),
            (
                _K.FILL,
                {
                    "name": "glue the bushings",
                    "wait_kind": "bushing",
                    "hands_on_min": [10, 20, 30],
                },
            ),
            (_K.FIT, {"name": "trim and ream", "hands_on_min": [45, 75, 120]}),
            (_K.RETOUCH, {"name": "pegbox"}),
            *_FINISH,
        ),
        _template(
            "retouch",
            "Retouch",
            (_K.CLEAN, {"hands_on_min": [20, 30, 60]}),
            (_K.VARNISH, {"name": "ground on the bare wood"}),
            (_K.RETOUCH, {"name": "first colour"}),
            (_K.RETOUCH, {"name": "second colour"}),
            (_K.VARNISH, {"name": "clear coat"}),
            (_K.POLISH, {}),
            (_K.HAND_OUT, {}),
        ),
    )
}
"""Templates that ship, by id."""
