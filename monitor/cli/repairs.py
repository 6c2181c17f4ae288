"""`benchweather repair`: repairs and their steps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.asking import ask
from monitor.cli.output import out, print_json, print_table, when
from monitor.cli.shared import (
    ClockTime,
    Json,
    at_field,
    command,
    instrument_of,
    journal_of,
    known,
    time_of,
    wrong,
)
from monitor.domain.events import About
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.domain.repairs.repair import Repair
    from monitor.domain.repairs.step import HandsOn, Step

app = typer.Typer(no_args_is_help=True, help="Take in, show and work on repairs.")

RepairId = Annotated[str, typer.Argument(metavar="REPAIR", help="Number of the repair")]
PromisedBy = Annotated[
    str,
    typer.Option("--promise", help="Time promised: 2026-12-18 for closing time, 2026-12-18T12:00"),
]


@command(app, "list")
def list_(
    settings: Settings,
    finished: Annotated[
        bool, typer.Option("--finished", help="Show repairs that were handed out")
    ] = False,
    as_json: Json = False,
) -> None:
    """Show the open repairs, or those that were handed out."""
    from monitor.domain.repairs.learning import kept_promises

    with journal_of(settings) as (_, journal):
        repairs = [one for one in journal.repairs.values() if one.open is not finished]
        kept = kept_promises(journal.repairs.values())
    if as_json:
        print_json([_record(one, journal) for one in repairs])
        return
    if not repairs:
        word = "No repair was handed out." if finished else "No open repairs."
        out.print(word)
    else:
        print_table(
            (
                "repair",
                "instrument",
                "what",
                "steps done",
                "handed out" if finished else "promised",
            ),
            [_row(one, journal, settings) for one in repairs],
        )
    if finished and kept.promised:
        out.print(f"Promises kept: {kept.kept} of {kept.promised}, by the first promise of each.")


@command(app)
def show(settings: Settings, repair: RepairId, as_json: Json = False) -> None:
    """Show a repair with its steps."""
    with journal_of(settings) as (_, journal):
        found = journal.repairs[known(repair, journal.repairs, "repair")]
    if as_json:
        print_json(_record(found, journal) | {"history": found.events})
        return
    _print(found, journal, settings)


@command(app, "take-in")
def take_in(
    settings: Settings,
    instrument: Annotated[str, typer.Argument(help="Instrument in the shop, by its reference")],
    template: Annotated[
        str, typer.Option(help="Usual repair, from `benchweather template list`")
    ] = "",
    name: Annotated[str, typer.Option(help="Name, if not the template's")] = "",
    promise: PromisedBy = "",
    note: Annotated[str, typer.Option(help="A note")] = "",
) -> None:
    """Take in a repair, from a template or without steps."""
    reference = instrument_of(settings, instrument).reference
    fields: dict[str, Any] = {"instrument": reference, "template": template, "note": note}
    if name:
        fields["name"] = name
    if promise:
        fields["promised_ms"] = promised_of(promise, settings)
    show_after(settings, ask_about(settings, "take in", fields)["repair"])


@command(app)
def correct(
    settings: Settings,
    repair: RepairId,
    name: Annotated[str | None, typer.Option(help="Name of the repair")] = None,
    note: Annotated[str | None, typer.Option(help="A note")] = None,
) -> None:
    """Correct the name or the note of a repair."""
    given = {"name": name, "note": note}
    fields = {key: value for key, value in given.items() if value is not None}
    ask_about(settings, "correct", {"repair": repair} | fields)
    out.print(f"Repair {repair} is corrected.")


@command(app)
def promise(
    settings: Settings,
    repair: RepairId,
    by: Annotated[
        str,
        typer.Argument(
            metavar="DATE", help="2026-12-18 for closing time, or a time; none to undo"
        ),
    ],
) -> None:
    """Note the time that was promised to the client."""
    promised = None if by == "none" else promised_of(by, settings)
    ask_about(settings, "promise", {"repair": repair, "promised_ms": promised})
    word = "No time is promised." if promised is None else f"Promised: {when(promised, settings)}"
    out.print(word)


@command(app, "hand-out")
def hand_out(
    settings: Settings,
    repair: RepairId,
    at: ClockTime = "",
    unfinished: Annotated[
        bool, typer.Option("--unfinished", help="Although steps are not finished")
    ] = False,
) -> None:
    """Hand the instrument out. It leaves the shop."""
    fields = at_field(at, settings)
    ask_about(settings, "hand out", {"repair": repair, "unfinished": unfinished} | fields)
    out.print(f"Repair {repair} is handed out.")


def promised_of(text: str, settings: Settings) -> int:
    """A promised time: closing time of a day, or a time as given. [ms since 1970-01-01 UTC]"""
    from datetime import date, datetime

    from monitor.cli.shared import store_of
    from monitor.commands.closing import shop_hours
    from monitor.core.clock import to_ms
    from monitor.domain.opening_hours import of_date

    try:
        day = date.fromisoformat(text)
    except ValueError:
        return time_of(text, settings, "--promise")
    with store_of(settings) as reader:
        open_then = of_date(shop_hours(reader, settings), day)
    if open_then is None:
        wrong(f"{text}: the shop is closed then. Promise a day on which it is open, or a time.")
    return to_ms(datetime.combine(day, open_then[1], settings.zone))


def ask_about(settings: Settings, do: str, fields: dict[str, Any]) -> Any:
    """The answer of the service to a request on a repair."""
    return ask(settings, do, {"about": About.REPAIR} | fields)


def _row(one: Repair, journal: Journal, settings: Settings) -> tuple[str, ...]:
    done = sum(step.finished for step in one.steps)
    at = one.promised_ms if one.open else one.handed_out_ms
    return (
        one.id,
        _reference(one, journal),
        one.name,
        f"{done} of {len(one.steps)}",
        when(at, settings, ""),
    )


def _reference(one: Repair, journal: Journal) -> str:
    instrument = journal.instruments.get(one.instrument)
    return instrument.reference if instrument else one.instrument


def show_after(settings: Settings, repair: str) -> None:
    """Print a repair as it is after a request."""
    with journal_of(settings) as (_, journal):
        _print(journal.repairs[repair], journal, settings)


def _print(one: Repair, journal: Journal, settings: Settings) -> None:
    from monitor.domain.repairs.learning import LearnedHandsOn

    learned = LearnedHandsOn(journal.repairs.values())
    promised = when(one.promised_ms, settings, "no time")
    out.print(f"Repair {one.id}: {_reference(one, journal)}, {one.name}. Promised: {promised}.")
    if one.note:
        out.print(one.note)
    if not one.steps:
        out.print("It has no steps. Add one with `benchweather repair add`.")
        return
    print_table(
        ("step", "what", "after", "hands-on", "wait", "needs", "state"),
        [_step_row(step, learned.of(step), settings) for step in one.steps],
    )


def _step_row(step: Step, minutes: HandsOn, settings: Settings) -> tuple[str, ...]:
    state = str(step.state)
    if step.consent_awaited:
        state += "\nawaits the client's consent"
    if step.fixed_ms is not None:
        state += f"\nfixed: {when(step.fixed_ms, settings)}"
    if step.wait and not step.finished:
        state += f"\nwait {step.wait}"
    return (
        step.id,
        step.label,
        ", ".join(step.after),
        f"{minutes.usual:.0f} min ({minutes.low:.0f} to {minutes.high:.0f})",
        step.wait_kind,
        ", ".join(f"{count} {name}" for name, count in step.needs.items()),
        state,
    )


def _record(one: Repair, journal: Journal) -> dict[str, Any]:
    from monitor.domain.repairs.repair import as_record

    return as_record(one) | {"instrument": _reference(one, journal)}
