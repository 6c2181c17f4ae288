"""Own proof: a guided small experiment, and the requests on it: start, add, correct, finish, withdraw.

A proof is the fold of its events, oldest first. It concludes nothing before it is finished, and a
result is used only if the person who finishes it says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from msgspec import UNSET, Meta, UnsetType

from monitor.core.errors import Fault, Rejected
from monitor.core.validation import LINE, PlaceId, Request, fields_given, given
from monitor.domain.events import About, Event
from monitor.domain.instrument import PastTime
from monitor.domain.own_proof_kinds import METHODS, Method, ProofKind
from monitor.science.calibration.salts import SALTS
from monitor.science.case.presets import PRESETS

MEASUREMENTS_MAX = 400
"""Most measurements of a proof."""
BEFORE_START_MS = 90 * 86_400_000
"""A measurement may lie so long before its proof was started here. [ms]"""


class Judgement(StrEnum):
    """Judgement of a joint."""

    SOFT = "soft"
    HELD = "held"


class ProofState(StrEnum):
    """Condition of a proof. The value is the word on screen."""

    RUNNING = "running"
    FINISHED = "finished"
    WITHDRAWN = "withdrawn"


GRAMS: dict[str, Any] = {"unit": "g"}
PCT: dict[str, Any] = {"unit": "%"}
Text = Annotated[str, Meta(max_length=80, extra=LINE)]
Mass = Annotated[float, Meta(ge=0.5, le=5000, extra=GRAMS)]
Fine = Annotated[float, Meta(ge=0.0001, le=5, extra=GRAMS)]
Moisture = Annotated[float, Meta(ge=0, le=28, extra=PCT)]
MoistureU = Annotated[float, Meta(ge=0.1, le=5, extra=PCT)]
Rh = Annotated[float, Meta(ge=30, le=100, extra=PCT)]
BoxTemp = Annotated[float, Meta(ge=5, le=30, extra={"unit": "°C"})]
SaltId = Annotated[str, Meta(extra={"one_of": tuple(SALTS)})]
CaseName = Annotated[str, Meta(extra={"one_of": tuple(PRESETS)})]
Number = Annotated[int, Meta(ge=1, le=MEASUREMENTS_MAX)]


class ProofRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a proof."""

    about: ClassVar[str] = About.PROOF
    key: ClassVar[str] = "proof"


class StartProof(ProofRequest, frozen=True, kw_only=True, tag="start"):
    """Start an experiment at a place.

    `dry_u_g`, `moisture_u_pct`, `balance_g`: uncertainties (k = 2). `wait_kind`: wait type of the
    joint. `room`: place of the room around the case.
    """

    key: ClassVar[str] = "kind"
    kind: ProofKind
    place: PlaceId
    name: Text | UnsetType = UNSET
    dry_g: Mass | UnsetType = UNSET
    dry_u_g: Fine | UnsetType = UNSET
    start_moisture_pct: Moisture | UnsetType = UNSET
    moisture_u_pct: MoistureU | UnsetType = UNSET
    balance_g: Fine | UnsetType = UNSET
    wait_kind: Text | UnsetType = UNSET
    room: PlaceId | UnsetType = UNSET
    case: CaseName | UnsetType = UNSET


class Measured(ProofRequest, frozen=True, kw_only=True):
    """The fields of a measurement. `at_ms`: time of the weighing, or of the release; `after_g`: mass
    of the humidifier once it was refilled."""

    proof: str
    at_ms: PastTime | UnsetType = UNSET
    mass_g: Mass | UnsetType = UNSET
    after_g: Mass | UnsetType = UNSET
    glued_ms: PastTime | UnsetType = UNSET
    judgement: Judgement | UnsetType = UNSET
    salt: SaltId | UnsetType = UNSET
    temp_c: BoxTemp | UnsetType = UNSET
    rh_pct: Rh | UnsetType = UNSET


class AddMeasurement(Measured, frozen=True, kw_only=True, tag="add"):
    """Add a measurement, now or at `at_ms`."""


class CorrectMeasurement(Measured, frozen=True, kw_only=True, tag="correct"):
    """Correct a measurement by its number, or strike it out with `strike`."""

    number: Number
    strike: bool = False


class FinishProof(ProofRequest, frozen=True, kw_only=True, tag="finish"):
    """Finish a proof and keep its result. `use`: from now on it narrows what it bears on."""

    proof: str
    use: bool = False


class WithdrawProof(ProofRequest, frozen=True, kw_only=True, tag="withdraw"):
    """Withdraw a proof: its result is no longer used."""

    proof: str


REQUESTS = (StartProof, AddMeasurement, CorrectMeasurement, FinishProof, WithdrawProof)


@dataclass(frozen=True, kw_only=True)
class Measurement:
    """A measurement. `equivalent_s`: time in reference air that a lap had; `usual_s`: the usual time
    then. [s]  `rh_pct`, `u_rh_pct`: RH of a box and its uncertainty (k = 2). [%]"""

    number: int
    at_ms: int
    mass_g: float | None = None
    after_g: float | None = None
    glued_ms: int | None = None
    judgement: Judgement | None = None
    equivalent_s: float | None = None
    usual_s: float | None = None
    salt: str = ""
    temp_c: float | None = None
    rh_pct: float | None = None
    u_rh_pct: float | None = None

    @property
    def soft(self) -> bool:
        return self.judgement == Judgement.SOFT

    @property
    def share(self) -> float:
        """Time that a lap had, relative to the usual time. [-]"""
        return (self.equivalent_s or math.nan) / (self.usual_s or math.nan)


@dataclass(frozen=True, kw_only=True)
class Proof:
    """A proof, as its history makes it. `result`: as kept when it was finished."""

    id: str
    kind: ProofKind
    place: str
    started_ms: int
    name: str = ""
    inputs: Mapping[str, Any] = field(default_factory=dict)
    measurements: tuple[Measurement, ...] = ()
    struck: frozenset[int] = frozenset()
    finished_ms: int | None = None
    used: bool = False
    result: Mapping[str, Any] = field(default_factory=dict)
    withdrawn: bool = False
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def method(self) -> Method:
        return METHODS[self.kind]

    @property
    def state(self) -> ProofState:
        if self.withdrawn:
            return ProofState.WITHDRAWN
        return ProofState.RUNNING if self.finished_ms is None else ProofState.FINISHED

    @property
    def label(self) -> str:
        """Name in a few words: `Weighed coupon, spruce A`."""
        return ", ".join(filter(None, (self.method.name, self.name)))

    @property
    def counted(self) -> list[Measurement]:
        """The measurements that are not struck out, by time."""
        kept = [one for one in self.measurements if one.number not in self.struck]
        return sorted(kept, key=lambda one: (one.at_ms, one.number))

    @property
    def version(self) -> int:
        """Rises with each event."""
        return len(self.events)


def started(request: StartProof, now_ms: int) -> dict[str, Any]:
    """The body of the event that starts a proof.

    Raises
    ------
    Rejected
        With every field that is missing, or that this kind does not have.
    """
    del now_ms
    method = METHODS[request.kind]
    body = fields_given(request)
    own = {"kind", "place", "name", *method.start_needs, *method.start_may}
    _check_fields(body, own, method.start_needs, method)
    if request.kind is ProofKind.COUPON:
        dry, moisture = "dry_g" in body, "start_moisture_pct" in body
        if dry is moisture:
            raise Rejected(
                Fault(
                    "is needed, or start_moisture_pct, the known moisture at the first weighing: "
                    "one of the two",
                    "dry_g",
                )
            )
    if request.kind is ProofKind.CASE_LEAK and request.room == request.place:
        raise Rejected(Fault("must be another place than the case", "room", request.room))
    return body


def decide(proof: Proof, request: ProofRequest, now_ms: int) -> dict[str, Any]:
    """The body of the event that carries a request out.

    Parameters
    ----------
    proof : Proof
    request : ProofRequest
        Any but `StartProof`, for which there is `started`.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    Rejected
        If the state of the proof does not allow it.
    """
    name, body = proof.label, fields_given(request, "proof")
    if proof.withdrawn:
        raise Rejected(f"{name} is withdrawn")
    if isinstance(request, WithdrawProof):
        return body
    if proof.finished_ms is not None:
        raise Rejected(f"{name} is finished: withdraw it and start another")
    if isinstance(request, FinishProof):
        return {"use": request.use}
    if not isinstance(request, Measured):
        raise Rejected(f"unknown action {request.__struct_config__.tag}")
    method = proof.method
    own = {"at_ms", "number", "strike", *method.needs, *method.may}
    if isinstance(request, CorrectMeasurement):
        measurement_of(proof, request.number)
        if not request.strike and len(body) < 3:
            raise Rejected("no field to correct was given")
        _check_fields(body, own, (), method)
    else:
        if len(proof.measurements) >= MEASUREMENTS_MAX:
            raise Rejected(f"{name} has {MEASUREMENTS_MAX} measurements: finish it")
        _check_fields(body, own, method.needs, method)
        body["at_ms"] = given(request.at_ms, now_ms)
    return body


def corrected(proof: Proof, request: Measured, now_ms: int) -> Measurement:
    """The measurement that a request adds or changes, without what is calculated for it."""
    body = fields_given(request, "proof", "number", "strike")
    if isinstance(request, CorrectMeasurement):
        base = measurement_of(proof, request.number)
    else:
        base = Measurement(number=len(proof.measurements) + 1, at_ms=now_ms)
    return replace(base, **body)


def measurement_of(proof: Proof, number: int) -> Measurement:
    """A measurement by its number.

    Raises
    ------
    Rejected
        If there is none, or it is struck out.
    """
    for one in proof.counted:
        if one.number == number:
            return one
    numbers = ", ".join(str(one.number) for one in proof.counted)
    raise Rejected(Fault("", "number", number, f"one of {numbers or 'none yet'}"))


def _check_fields(
    body: Mapping[str, Any], own: set[str], needs: tuple[str, ...], method: Method
) -> None:
    faults = [
        Fault(f"is not a field of {method.name.lower()}", one) for one in body if one not in own
    ]
    faults += [Fault("is missing", one) for one in needs if one not in body]
    if faults:
        raise Rejected(*faults)


def apply(proof: Proof | None, event: Event) -> Proof:
    """A proof with one more event; None and a start make a new one."""
    body = dict(event.body)
    if event.action == "start":
        kind, place, name = body.pop("kind"), body.pop("place"), body.pop("name", "")
        return Proof(
            id=event.subject,
            kind=ProofKind(kind),
            place=place,
            name=name,
            started_ms=event.recorded_ms,
            inputs=body,
            events=(event,),
        )
    if proof is None:
        raise Rejected(f"the history of proof {event.subject} does not begin with its start")
    proof = replace(proof, events=(*proof.events, event))
    match event.action:
        case "add":
            number = len(proof.measurements) + 1
            new = Measurement(number=number, **_typed(body))
            return replace(proof, measurements=(*proof.measurements, new))
        case "correct":
            number, strike = body.pop("number"), body.pop("strike", False)
            if strike:
                return replace(proof, struck=proof.struck | {number})
            changed = tuple(
                replace(one, **_typed(body)) if one.number == number else one
                for one in proof.measurements
            )
            return replace(proof, measurements=changed)
        case "finish":
            return replace(
                proof, finished_ms=event.recorded_ms, used=body["use"], result=body["result"]
            )
        case "withdraw":
            return replace(proof, withdrawn=True)
    raise Rejected(f"unknown action {event.action}")


def _typed(body: dict[str, Any]) -> dict[str, Any]:
    if "judgement" in body:
        body["judgement"] = Judgement(body["judgement"])
    return body


def as_record(proof: Proof) -> dict[str, Any]:
    """A proof as JSON has it."""
    return {
        "proof": proof.id,
        "kind": str(proof.kind),
        "name": proof.name,
        "place": proof.place,
        "started_ms": proof.started_ms,
        "state": str(proof.state),
        "used": proof.used and not proof.withdrawn,
        "inputs": dict(proof.inputs),
        "measurements": [
            {k: v for k, v in asdict(one).items() if v not in (None, "")} for one in proof.counted
        ],
        "result": dict(proof.result),
    }
