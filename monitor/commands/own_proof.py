"""Commands on own proof: start an experiment, add and correct measurements, finish, withdraw."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from msgspec import UNSET

from monitor.commands.projections import Journal
from monitor.commands.request import Command, Decision
from monitor.commands.waits import Equivalent
from monitor.core.errors import Fault, OutOfRange, Rejected, range_fault
from monitor.domain import own_proof
from monitor.domain import wait as waits
from monitor.domain.events import About, Event
from monitor.domain.own_proof import (
    CorrectMeasurement,
    FinishProof,
    Measured,
    Proof,
    ProofRequest,
    StartProof,
    WithdrawProof,
)
from monitor.domain.own_proof_kinds import ProofKind
from monitor.domain.wait import OpenWait, Wait
from monitor.domain.wait_type_registry import SET, as_mapping
from monitor.domain.wait_types import WaitType
from monitor.science.calibration.salts import reference_point
from monitor.science.own_proof.joints import ACTIVITY, narrowed
from monitor.science.quantiles import QuantileRange
from monitor.science.waits.glue import GlueLaw

Prove = Callable[[Proof], tuple[Mapping[str, Any], str]]
"""Result of a proof so far, and why it is not complete: "" if it is."""
BOX_U_TEMP_K = 0.5
"""Standard uncertainty of the temperature of a box of salts. [K]  Ours."""
HYGROMETER_U_PCT = 4.0
"""Expanded uncertainty (k = 2) of an RH that was read from a hygrometer. [%]  Ours."""


class DecideProof:
    """Carries out requests on proofs. `equivalent` is asked for laps, `prove` at the end."""

    def __init__(self, equivalent: Equivalent | None, prove: Prove | None) -> None:
        self._equivalent, self._prove = equivalent, prove

    def __call__(self, command: Command[ProofRequest]) -> Decision:
        request, journal = command.request, command.journal
        if isinstance(request, StartProof):
            body = own_proof.started(request, command.now_ms)
            if "wait_kind" in body:
                _joint_type(journal, body["wait_kind"])
            own = str(1 + max((int(i) for i in journal.proofs), default=0))
            return Decision([command.event(own, body)], {"proof": own})
        proof = proof_of(journal, request.subject)
        more: list[Event] = []
        body = own_proof.decide(proof, request, command.now_ms)
        if isinstance(request, Measured):
            if not (isinstance(request, CorrectMeasurement) and request.strike):
                body |= self._measured(command, proof, request)
        elif isinstance(request, FinishProof):
            body["result"] = self._finished(proof)
            if request.use:
                more = _used(command, proof, body)
        elif isinstance(request, WithdrawProof):
            more = _undone(command, proof)
        return Decision([command.event(proof.id, body), *more], {"proof": proof.id})

    def _finished(self, proof: Proof) -> Mapping[str, Any]:
        if self._prove is None:
            raise Rejected("the air of the places is not available here")
        result, lacks = self._prove(proof)
        if lacks:
            raise Rejected(f"{proof.label} cannot be finished yet. {lacks}")
        return result

    def _measured(
        self, command: Command[ProofRequest], proof: Proof, request: Measured
    ) -> dict[str, Any]:
        """Calculated fields of a measurement: time in reference air, or the RH of a box."""
        one = own_proof.corrected(proof, request, command.now_ms)
        if one.at_ms < proof.started_ms - own_proof.BEFORE_START_MS:
            raise Rejected(Fault("is more than 90 days before the start of the proof", "at_ms"))
        if proof.kind is ProofKind.LAPS:
            return self._lap(command.journal, proof, one)
        if proof.kind is ProofKind.SOFTENING:
            if one.salt and request.rh_pct is not UNSET:
                raise Rejected(Fault("is given by the salt: leave one of the two empty", "rh_pct"))
            return _box(one)
        return {}

    def _lap(self, journal: Journal, proof: Proof, one: own_proof.Measurement) -> dict[str, Any]:
        if one.glued_ms is None or one.glued_ms >= one.at_ms:
            raise Rejected(Fault("must be before the release", "glued_ms"))
        wait = lap_wait(journal, proof, one.glued_ms)
        equivalent_s = self._equivalent and self._equivalent(wait, one.at_ms)
        if not equivalent_s:
            raise Rejected(
                f"the air of {proof.place} between gluing and release is not known: "
                "correct the times, or glue where a sensor is"
            )
        return {"equivalent_s": equivalent_s, "usual_s": float(wait.kind["basis_s"])}


def lap_wait(journal: Journal, proof: Proof, glued_ms: int) -> Wait:
    """A lap as the wait that it would be on the bench.

    Raises
    ------
    Rejected
        If its type is no longer there.
    """
    kind = _joint_type(journal, proof.inputs["wait_kind"])
    learned = journal.learned(kind.id)
    kept = as_mapping(kind) | {"basis_s": learned.used_s if learned else kind.basis_s}
    request = OpenWait(kind=kind.id, place=proof.place, start_ms=glued_ms)
    body = waits.opened(request, kept, glued_ms)
    return waits.apply(None, Event(About.WAIT, "0", glued_ms, "", "open", body))


def _box(one: own_proof.Measurement) -> dict[str, Any]:
    """RH of a box and its uncertainty."""
    if one.salt:
        if one.temp_c is None:
            raise Rejected(Fault("is missing: the RH over a salt depends on it", "temp_c"))
        try:
            rh, u = reference_point(one.salt, one.temp_c, BOX_U_TEMP_K)
        except OutOfRange as exc:
            raise Rejected(range_fault("temp_c", exc.value, exc.low, exc.high, "°C")) from exc
        return {"rh_pct": rh, "u_rh_pct": 2 * u}
    if one.rh_pct is None:
        raise Rejected(
            Fault("is missing: give the RH of the box, or its salt and its temperature", "rh_pct")
        )
    return {"u_rh_pct": HYGROMETER_U_PCT}


def _joint_type(journal: Journal, kind_id: str) -> WaitType:
    """The wait type of a joint whose time can be learned."""
    kind = journal.book.get(kind_id)
    if kind is None or not isinstance(kind.law, GlueLaw) or not kind.spread:
        joints = [k.id for k in journal.book.values() if isinstance(k.law, GlueLaw) and k.spread]
        raise Rejected(Fault("", "wait_kind", kind_id[:40], f"one of {', '.join(joints)}"))
    return kind


def _used(command: Command[ProofRequest], proof: Proof, body: dict[str, Any]) -> list[Event]:
    """Further events that put a result to use.

    Raises
    ------
    Rejected
        If this result is not used by itself, or may not be.
    """
    if proof.kind is ProofKind.LAPS:
        return []  # the journal takes its evidence
    if proof.kind is not ProofKind.SOFTENING:
        raise Rejected(
            f"the result of {proof.method.name.lower()} changes nothing by itself: finish without use"
        )
    limit = QuantileRange(*body["result"]["rh_pct"])
    if not (ACTIVITY[0] <= limit.low / 100 and limit.high / 100 <= ACTIVITY[1]):
        raise Rejected(
            f"{limit.low:.0f} to {limit.high:.0f} % RH is not inside {100 * ACTIVITY[0]:.0f} to "
            f"{100 * ACTIVITY[1]:.0f} %: it can be kept, but not used. Finish without use"
        )
    kind = _joint_type(command.journal, proof.inputs["wait_kind"])
    law = kind.law
    if not isinstance(law, GlueLaw):
        raise Rejected(f"{kind.name} is not a joint of water glue")
    found = narrowed(law.hard_activity, law.hard_activity_sd, limit)
    if found is None:
        raise Rejected(
            f"{limit.low:.0f} to {limit.high:.0f} % RH is too far from the limit in use, "
            f"{100 * law.hard_activity:.0f} %: check the boxes. It can be kept. Finish without use"
        )
    try:
        changed = replace(law, hard_activity=found[0], hard_activity_sd=found[1])
    except OutOfRange as exc:
        raise Rejected(range_fault("rh_pct", exc.value, exc.low, exc.high, "")) from exc
    body["result"] = dict(body["result"]) | {
        "was": [law.hard_activity, law.hard_activity_sd],
        "set": [found[0], found[1]],
    }
    return [_kind_event(command, replace(kind, law=changed))]


def _undone(command: Command[ProofRequest], proof: Proof) -> list[Event]:
    """Events that undo what a used result changed, if nobody has changed it since."""
    kind = command.journal.book.get(proof.inputs.get("wait_kind", ""))
    was, now = proof.result.get("was"), proof.result.get("set")
    if not was or not now or kind is None or not isinstance(kind.law, GlueLaw):
        return []
    if [kind.law.hard_activity, kind.law.hard_activity_sd] != list(now):
        return []
    law = replace(kind.law, hard_activity=was[0], hard_activity_sd=was[1])
    return [_kind_event(command, replace(kind, law=law))]


def _kind_event(command: Command[ProofRequest], kind: WaitType) -> Event:
    return Event(About.KIND, kind.id, command.now_ms, command.by, SET, as_mapping(kind))


def proof_of(journal: Journal, proof_id: str) -> Proof:
    """The proof with an id.

    Raises
    ------
    Rejected
        If there is none.
    """
    found = journal.proofs.get(proof_id)
    if found is None:
        allowed = f"one of {', '.join(journal.proofs)}" if journal.proofs else "started first"
        raise Rejected(Fault("", "proof", proof_id[:40], allowed))
    return found
