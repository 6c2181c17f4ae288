"""`benchweather glue`: batches of glue, their pot and their discard time."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.asking import ask
from monitor.cli.field_options import FieldOption, number, or_none, with_fields
from monitor.cli.output import out, print_json, print_table, when
from monitor.cli.shared import (
    AT_HELP,
    ClockTime,
    Json,
    at_field,
    command,
    exit_on,
    fahrenheit,
    in_reader_unit,
    instrument_of,
    journal_of,
    known,
    number_of,
    temp_c_of,
    time_of,
)
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.domain.events import About
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.domain.cautions import Caution
    from monitor.domain.glue import Glue
    from monitor.store import Reader
    from monitor.waits.glue_answer import WoodNow
    from monitor.waits.glue_now import GlueNow

app = typer.Typer(no_args_is_help=True, help="Record batches of glue; ask if you may glue now.")

GlueId = Annotated[str, typer.Argument(metavar="GLUE", help="Number of the batch")]
_LIMIT = or_none(number)
FIELDS = {
    "name": FieldOption("Name or label on the jar", default=None),
    "strength": FieldOption("Gram strength or ratio: '192 g', '1:2'", default=None),
    "kept": FieldOption("Place where it is kept, such as fridge", default=None),
    "at": FieldOption(AT_HELP, field="mixed_ms", read=time_of),
    "hot_h": FieldOption("Hours that it has been hot until now", read=number),
    "hot_limit_h": FieldOption(
        "Most hours hot, by the maker's sheet; none to remove", read=_LIMIT
    ),
    "keeps_h": FieldOption(
        "Hours it keeps once mixed or opened, by the maker's sheet", read=_LIMIT
    ),
    "clamp_h": FieldOption("Clamp time by the maker's sheet, in hours", read=_LIMIT),
    "load_h": FieldOption(
        "Time until it may be worked or loaded, by the maker's sheet, in hours", read=_LIMIT
    ),
    "note": FieldOption("A note", default=None),
}


@command(app)
@with_fields(FIELDS)
def mix(
    settings: Settings,
    fields: dict[str, Any],
    kind: Annotated[
        str,
        typer.Argument(help="hide, fish, liquid-hide, casein, aliphatic, epoxy or cyanoacrylate"),
    ],
    as_json: Json = False,
) -> None:
    """Record a batch that you mixed, or a bottle that you opened, now or at --at."""
    made = ask(settings, "mix", {"about": About.GLUE, "kind": kind} | fields)
    _show(settings, made["glue"], as_json=as_json)


@command(app, "list")
def list_(
    settings: Settings,
    discarded: Annotated[bool, typer.Option("--discarded", help="Show discarded batches")] = False,
    as_json: Json = False,
) -> None:
    """Show the batches of glue with their condition."""
    from monitor.domain.glue import as_record
    from monitor.waits import glue_text

    now = now_ms()
    with journal_of(settings) as (_, journal):
        found = [one for one in journal.glues.values() if one.here is not discarded]
    if as_json:
        print_json([as_record(one, now) for one in found])
    elif not found:
        out.print("No glue is recorded." if not discarded else "No glue was discarded.")
    else:
        print_table(
            ("glue", "batch", "mixed or opened", "condition"),
            [
                (
                    one.id,
                    "\n".join(filter(None, (one.label, one.kept))),
                    when(one.mixed_ms, settings),
                    "\n".join(
                        filter(
                            None,
                            (
                                glue_text.pot(one, now, settings.zone),
                                glue_text.condition(one, now, settings.zone),
                                glue_text.gaps(one),
                            ),
                        )
                    ),
                )
                for one in found
            ],
        )


@command(app)
def show(settings: Settings, glue: GlueId, as_json: Json = False) -> None:
    """Show a batch: its condition, the cautions and its history."""
    _show(settings, glue, as_json=as_json)


@command(app, "pot-on")
def pot_on(settings: Settings, glue: GlueId, at: ClockTime = "") -> None:
    """Record that the pot was switched on. Its hours hot are counted from then."""
    _act(settings, "pot on", glue, at)
    _print_cautions(_glue(settings, glue).kind.cautions, settings)


@command(app, "pot-off")
def pot_off(settings: Settings, glue: GlueId, at: ClockTime = "") -> None:
    """Record that the pot was switched off."""
    _act(settings, "pot off", glue, at)


@command(app)
def discard(settings: Settings, glue: GlueId, at: ClockTime = "") -> None:
    """Record that a batch was thrown out or used up."""
    _act(settings, "discard", glue, at)


@command(app)
def restore(settings: Settings, glue: GlueId) -> None:
    """Undo a discard."""
    _act(settings, "restore", glue, "")


@command(app)
@with_fields(FIELDS)
def correct(settings: Settings, fields: dict[str, Any], glue: GlueId) -> None:
    """Correct a batch; --at is when it was mixed. The history keeps what was there before."""
    ask(settings, "correct", {"about": About.GLUE, "glue": glue} | fields)
    out.print(f"Glue {glue} is corrected.")


@command(app)
def now(
    settings: Settings,
    place: Annotated[str, typer.Option(help="Place where the joint is made")],
    kind: Annotated[str, typer.Option(help="Kind of wait, from `benchweather kind list`")] = "",
    glue: Annotated[str, typer.Option(help="Number of the batch of glue")] = "",
    instrument: Annotated[
        str, typer.Option(help="Instrument whose wood counts: its reference, id, or a part of it")
    ] = "",
    parts_c: Annotated[
        str,
        typer.Option("--parts-c", help="Temperature of the parts, 21C or 70F, if not the room's"),
    ] = "",
    open_s: Annotated[
        str,
        typer.Option("--open-s", help="Time from spreading the glue to the closed joint, in s"),
    ] = "",
    as_json: Json = False,
) -> None:
    """Answer whether a joint may be glued at a place now, why not, and from when."""
    from monitor.waits.glue_now import GlueQuestion, glue_now

    question = GlueQuestion(
        place,
        kind,
        glue,
        temp_c_of(parts_c, "--parts-c") if parts_c else None,
        number_of(open_s, "--open-s") if open_s else None,
    )
    chosen = instrument_of(settings, instrument).id if instrument else ""
    at_ms = now_ms()
    with exit_on(), journal_of(settings) as (reader, journal):
        wood = _wood(reader, settings, journal, chosen, at_ms) if chosen else None
        found = glue_now(reader, settings, journal, question, at_ms, wood)
    _print_answer(settings, found, at_ms, as_json=as_json)


def _wood(
    reader: Reader, settings: Settings, journal: Journal, instrument_id: str, at_ms: int
) -> WoodNow:
    """The wood of an instrument for the answer."""
    from monitor.waits.glue_answer import WoodNow
    from monitor.wood.evaluation import instrument_statuses, instrument_temp_c

    one = journal.instruments[instrument_id]
    (found,) = instrument_statuses(reader, settings, [one], at_ms)
    temp_c = instrument_temp_c(reader, settings, one, at_ms)
    return WoodNow(one.reference, one.place, found.answer, found.why_not, temp_c)


def _print_answer(settings: Settings, found: GlueNow, at_ms: int, *, as_json: bool) -> None:
    from monitor.waits.glue_now_text import words

    unit = formats.unit_of(fahrenheit(settings))
    text = words(found, at_ms, settings.zone, unit)
    if as_json:
        ready = found.joint.readiness
        print_json(
            {
                "answer": text.word,
                "why": [one.why for one in found.findings],
                "sentence": text.sentence,
                "reasons": text.reasons,
                "facts": dict(text.facts),
                "cautions": text.cautions,
                "parts_temp_c": found.joint.parts_temp_c,
                "open_time_s": found.open_time,
                "ready_ms": ready and ready.ready_ms,
                "ready_low_ms": ready and ready.ready_low_ms,
                "ready_high_ms": ready and ready.ready_high_ms,
                "from_ms": found.start and found.start.at_ms,
            }
        )
        return
    out.print(f"{text.word}. {text.sentence}", style="bold")
    for reason in text.reasons:
        out.print(f"- {reason}")
    print_table(("what", "now"), text.facts)
    for caution in text.cautions:
        out.print(f"Caution: {caution}" if caution != text.cautions[-1] else caution)


def _act(settings: Settings, do: str, glue: str, at: str) -> None:
    ask(settings, do, {"about": About.GLUE, "glue": glue} | at_field(at, settings))
    out.print(f"{glue}: done")


def _glue(settings: Settings, number: str) -> Glue:
    with journal_of(settings) as (_, journal):
        return journal.glues[known(number, journal.glues, "glue")]


def _show(settings: Settings, number: str, *, as_json: bool) -> None:
    from monitor.domain.glue import as_record
    from monitor.waits import glue_text

    one, now = _glue(settings, number), now_ms()
    if as_json:
        print_json(as_record(one, now) | {"history": one.events})
        return
    kept = f" Kept: {one.kept}." if one.kept else ""
    out.print(f"Glue {one.id}: {one.label}. Mixed {when(one.mixed_ms, settings)}.{kept}")
    texts = (
        glue_text.pot(one, now, settings.zone),
        glue_text.condition(one, now, settings.zone),
        glue_text.gaps(one),
        f"Clamp time {glue_text.span(one.clamp_h)}, by the maker's sheet." if one.clamp_h else "",
        one.note,
    )
    for text in filter(None, texts):
        out.print(text)
    _print_cautions(one.kind.cautions, settings)
    print_table(
        ("when", "who", "what"),
        [
            (
                when(event.recorded_ms, settings),
                event.by,
                glue_text.action(event, now, settings.zone),
            )
            for event in one.events
        ],
    )


def _print_cautions(keys: Iterable[Caution], settings: Settings) -> None:
    from monitor.domain.cautions import DEFERS, WORDS

    for key in keys:
        out.print(in_reader_unit(f"Caution: {WORDS[key]}", settings))
    out.print(DEFERS)
