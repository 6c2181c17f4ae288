"""`benchweather proof`: small experiments that prove the figures in your own shop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.asking import ask
from monitor.cli.field_options import FieldOption, number, temp_c, with_fields
from monitor.cli.output import out, print_json, print_table, when
from monitor.cli.shared import (
    AT_HELP,
    Json,
    command,
    exit_on,
    in_reader_unit,
    journal_of,
    known,
    time_of,
)
from monitor.core.clock import now_ms
from monitor.domain.events import About
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.domain.own_proof import Proof
    from monitor.store import Reader
    from monitor.waits.proof_evaluation import ProofResult

app = typer.Typer(no_args_is_help=True, help="Prove the figures in your own shop.")

ProofId = Annotated[str, typer.Argument(metavar="PROOF", help="Number of the experiment")]
FIELDS = {
    "at": FieldOption(AT_HELP, field="at_ms", read=time_of),
    "mass_g": FieldOption("Mass, in g", read=number),
    "after_g": FieldOption("Mass of the humidifier after refilling, in g", read=number),
    "glued": FieldOption("Time at which the joint was glued", field="glued_ms", read=time_of),
    "judgement": FieldOption("soft or held"),
    "salt": FieldOption("Salt in the box, such as NaCl"),
    "temp": FieldOption("Temperature of the box, 20C or 68F", field="temp_c", read=temp_c),
    "rh": FieldOption("RH of the box, where it has no salt [%]", field="rh_pct", read=number),
}
"""Fields of a measurement."""
START_FIELDS = {
    "name": FieldOption("A name for it"),
    "dry_g": FieldOption("Oven-dry mass of the coupon, in g", read=number),
    "dry_u_g": FieldOption("Plus or minus of that, in g", read=number),
    "start_moisture_pct": FieldOption(
        "Or its moisture at the first weighing [% MC]", "--start-moisture", read=number
    ),
    "moisture_u_pct": FieldOption("Plus or minus of that [% MC]", "--moisture-u", read=number),
    "balance_g": FieldOption("Two weighings of one thing differ by up to, in g", read=number),
    "wait_kind": FieldOption("Kind of wait, from `benchweather kind list`", "--kind"),
    "room": FieldOption("Place of the room around the case"),
    "case": FieldOption("Case, such as 'violin, hard case'"),
}


@command(app, "list")
def list_(settings: Settings, as_json: Json = False) -> None:
    """Show the experiments with their results."""
    from monitor.domain.own_proof import as_record

    with journal_of(settings) as (_, journal):
        found = list(journal.proofs.values())
    if as_json:
        print_json([as_record(one) for one in found])
    elif not found:
        out.print("No experiment was started. `benchweather proof start --help` has the kinds.")
    else:
        print_table(
            ("proof", "experiment", "started", "measurements", "state"),
            [
                (
                    one.id,
                    one.label,
                    when(one.started_ms, settings),
                    str(len(one.counted)),
                    str(one.state),
                )
                for one in found
            ],
        )


@command(app)
@with_fields(START_FIELDS)
def start(
    settings: Settings,
    fields: dict[str, Any],
    kind: Annotated[str, typer.Argument(help="coupon, laps, softening or case-leak")],
    place: Annotated[str, typer.Argument(help="Place whose sensor logs the air beside it")],
) -> None:
    """Start an experiment, and show its steps and cautions."""
    asked = {"about": About.PROOF, "kind": kind, "place": place} | fields
    _show(settings, ask(settings, "start", asked)["proof"])


@command(app)
@with_fields(FIELDS)
def add(settings: Settings, fields: dict[str, Any], proof: ProofId) -> None:
    """Add a measurement; --at is when it was weighed or released."""
    ask(settings, "add", {"about": About.PROOF, "proof": proof} | fields)
    _print_result(settings, proof)


@command(app)
@with_fields(FIELDS)
def correct(
    settings: Settings,
    fields: dict[str, Any],
    proof: ProofId,
    number: Annotated[int, typer.Argument(help="Number of the measurement")],
    strike: Annotated[bool, typer.Option("--strike", help="Strike it out")] = False,
) -> None:
    """Correct a measurement, or strike it out. The history keeps what was there before."""
    more = {"strike": True} if strike else {}
    own = {"about": About.PROOF, "proof": proof, "number": number}
    ask(settings, "correct", own | fields | more)
    _print_result(settings, proof)


@command(app)
def show(settings: Settings, proof: ProofId, as_json: Json = False) -> None:
    """Show an experiment: steps, cautions, measurements and result."""
    _show(settings, proof, as_json=as_json)


@command(app)
def finish(
    settings: Settings,
    proof: ProofId,
    use: Annotated[
        bool, typer.Option("--use", help="Use the result: see `proof show` for its effect")
    ] = False,
) -> None:
    """Finish an experiment and keep its result."""
    ask(settings, "finish", {"about": About.PROOF, "proof": proof, "use": use})
    _show(settings, proof)


@command(app)
def withdraw(settings: Settings, proof: ProofId) -> None:
    """Withdraw an experiment. Its result is no longer used; its history is kept."""
    ask(settings, "withdraw", {"about": About.PROOF, "proof": proof})
    out.print(f"Proof {proof} is withdrawn.")


def _found(reader: Reader, proof: Proof) -> ProofResult:
    from monitor.waits.proof_evaluation import result

    with exit_on():
        return result(reader, proof)


def _print_result(settings: Settings, number: str) -> None:
    with journal_of(settings) as (reader, journal):
        proof = journal.proofs[known(number, journal.proofs, "proof")]
        found = _found(reader, proof)
    _print_found(proof, found)


def _print_found(proof: Proof, found: ProofResult) -> None:
    from monitor.waits import proof_text as text

    ranges = text.kept_ranges(proof) if proof.result else found.ranges
    missing = "" if proof.result else text.lacks(proof, found)
    for line in filter(None, (*text.conclusions(ranges), missing)):
        out.print(line)


def _show(settings: Settings, number: str, *, as_json: bool = False) -> None:
    from monitor.domain.cautions import DEFERS, WORDS
    from monitor.domain.own_proof import ProofState, as_record
    from monitor.waits import proof_text as text
    from monitor.waits.lap_times import release_words

    now = now_ms()
    with journal_of(settings) as (reader, journal):
        proof = journal.proofs[known(number, journal.proofs, "proof")]
        found = _found(reader, proof)
        times = release_words(reader, settings, journal, proof, now)
    missing = "" if proof.result else text.lacks(proof, found)
    if as_json:
        ranges = {name: one._asdict() for name, one in found.ranges.items()}
        print_json(
            as_record(proof) | {"so_far": ranges, "lacks": missing, "history": proof.events}
        )
        return
    out.print(f"Proof {proof.id}: {proof.label}, at {proof.place}. {str(proof.state).title()}.")
    out.print(proof.method.aim)
    if proof.state is ProofState.RUNNING:
        for i, step in enumerate(proof.method.steps, 1):
            out.print(in_reader_unit(f"{i}. {step}", settings))
    if times:
        out.print(times)
    for caution in proof.method.cautions:
        out.print(in_reader_unit(f"Caution: {WORDS[caution]}", settings))
    out.print(DEFERS)
    print_table(("what", "value"), text.inputs(proof))
    for one in proof.counted:
        out.print(text.measurement(one, now, settings.zone))
    _print_found(proof, found)
    out.print(text.bearing(proof))
