"""`benchweather proof`: small experiments that prove the figures in your own shop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.asking import ask
from monitor.cli.output import out, print_json, print_table, when
from monitor.cli.shared import (
    ClockTime,
    Json,
    command,
    exit_on,
    journal_of,
    known,
    number_of,
    temp_c_of,
    time_of,
)
from monitor.core.clock import now_ms
from monitor.domain.events import About
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.domain.own_proof import Proof
    from monitor.own_proof.evaluation import ProofResult
    from monitor.store import Reader

app = typer.Typer(no_args_is_help=True, help="Prove the figures in your own shop.")

ProofId = Annotated[str, typer.Argument(metavar="PROOF", help="Number of the experiment")]
MassG = Annotated[str, typer.Option("--mass-g", help="Mass, in g")]
AfterG = Annotated[
    str, typer.Option("--after-g", help="Mass of the humidifier after refilling, in g")
]
Glued = Annotated[str, typer.Option(help="Time at which the joint was glued")]
Judged = Annotated[str, typer.Option("--judgement", help="soft or held")]
SaltName = Annotated[str, typer.Option("--salt", help="Salt in the box, such as NaCl")]
BoxTemp = Annotated[str, typer.Option("--temp", help="Temperature of the box, 20C or 68F")]
BoxRh = Annotated[str, typer.Option("--rh", help="RH of the box, where it has no salt [%]")]


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
def start(
    settings: Settings,
    kind: Annotated[str, typer.Argument(help="coupon, laps, softening or case-leak")],
    place: Annotated[str, typer.Argument(help="Place whose sensor logs the air beside it")],
    name: Annotated[str | None, typer.Option(help="A name for it")] = None,
    dry_g: Annotated[str, typer.Option("--dry-g", help="Oven-dry mass of the coupon, in g")] = "",
    dry_u_g: Annotated[str, typer.Option("--dry-u-g", help="Plus or minus of that, in g")] = "",
    start_moisture_pct: Annotated[
        str, typer.Option("--start-moisture", help="Or its moisture at the first weighing [% MC]")
    ] = "",
    moisture_u_pct: Annotated[
        str, typer.Option("--moisture-u", help="Plus or minus of that [% MC]")
    ] = "",
    balance_g: Annotated[
        str, typer.Option("--balance-g", help="Two weighings of one thing differ by up to, in g")
    ] = "",
    wait_kind: Annotated[
        str, typer.Option("--kind", help="Kind of wait, from `benchweather kind list`")
    ] = "",
    room: Annotated[str, typer.Option(help="Place of the room around the case")] = "",
    case: Annotated[str, typer.Option(help="Case, such as 'violin, hard case'")] = "",
) -> None:
    """Start an experiment, and show its steps and cautions."""
    numbers = {
        "dry_g": (dry_g, "--dry-g"),
        "dry_u_g": (dry_u_g, "--dry-u-g"),
        "start_moisture_pct": (start_moisture_pct, "--start-moisture"),
        "moisture_u_pct": (moisture_u_pct, "--moisture-u"),
        "balance_g": (balance_g, "--balance-g"),
    }
    texts = {"name": name, "wait_kind": wait_kind, "room": room, "case": case}
    fields: dict[str, Any] = {key: text for key, text in texts.items() if text}
    fields |= {key: number_of(*given) for key, given in numbers.items() if given[0]}
    asked = {"about": About.PROOF, "kind": kind, "place": place} | fields
    _show(settings, ask(settings, "start", asked)["proof"])


@command(app)
def add(
    settings: Settings,
    proof: ProofId,
    at: ClockTime = "",
    mass_g: MassG = "",
    after_g: AfterG = "",
    glued: Glued = "",
    judgement: Judged = "",
    salt: SaltName = "",
    temp: BoxTemp = "",
    rh: BoxRh = "",
) -> None:
    """Add a measurement; --at is when it was weighed or released."""
    fields = _fields(settings, at, mass_g, after_g, glued, judgement, salt, temp, rh)
    ask(settings, "add", {"about": About.PROOF, "proof": proof} | fields)
    _print_result(settings, proof)


@command(app)
def correct(
    settings: Settings,
    proof: ProofId,
    number: Annotated[int, typer.Argument(help="Number of the measurement")],
    at: ClockTime = "",
    mass_g: MassG = "",
    after_g: AfterG = "",
    glued: Glued = "",
    judgement: Judged = "",
    salt: SaltName = "",
    temp: BoxTemp = "",
    rh: BoxRh = "",
    strike: Annotated[bool, typer.Option("--strike", help="Strike it out")] = False,
) -> None:
    """Correct a measurement, or strike it out. The history keeps what was there before."""
    fields = _fields(settings, at, mass_g, after_g, glued, judgement, salt, temp, rh)
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


def _fields(
    settings: Settings,
    at: str,
    mass_g: str,
    after_g: str,
    glued: str,
    judgement: str,
    salt: str,
    temp: str,
    rh: str,
) -> dict[str, Any]:
    """The fields of a measurement that were given."""
    fields: dict[str, Any] = {}
    for field, text, option in (("at_ms", at, "--at"), ("glued_ms", glued, "--glued")):
        if text:
            fields[field] = time_of(text, settings, option)
    numbers = {"mass_g": (mass_g, "--mass-g"), "after_g": (after_g, "--after-g")}
    numbers["rh_pct"] = (rh, "--rh")
    fields |= {field: number_of(*given) for field, given in numbers.items() if given[0]}
    if temp:
        fields["temp_c"] = temp_c_of(temp, "--temp")
    return fields | {k: v for k, v in {"judgement": judgement, "salt": salt}.items() if v}


def _found(reader: Reader, proof: Proof) -> ProofResult:
    from monitor.own_proof.evaluation import result

    with exit_on():
        return result(reader, proof)


def _print_result(settings: Settings, number: str) -> None:
    with journal_of(settings) as (reader, journal):
        proof = journal.proofs[known(number, journal.proofs, "proof")]
        found = _found(reader, proof)
    _print_found(proof, found)


def _print_found(proof: Proof, found: ProofResult) -> None:
    from monitor.own_proof import text

    ranges = text.kept_ranges(proof) if proof.result else found.ranges
    missing = "" if proof.result else text.lacks(proof, found)
    for line in filter(None, (*text.conclusions(ranges), missing)):
        out.print(line)


def _show(settings: Settings, number: str, *, as_json: bool = False) -> None:
    from monitor.domain.cautions import DEFERS, WORDS
    from monitor.domain.own_proof import ProofState, as_record
    from monitor.own_proof import text
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
            out.print(f"{i}. {step}")
    if times:
        out.print(times)
    for caution in proof.method.cautions:
        out.print(f"Caution: {WORDS[caution]}")
    out.print(DEFERS)
    print_table(("what", "value"), text.inputs(proof))
    for one in proof.counted:
        out.print(text.measurement(one, now, settings.zone))
    _print_found(proof, found)
    out.print(text.bearing(proof))
