"""`benchweather repair`: the steps of a repair."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from monitor.cli.asking import ask_sure
from monitor.cli.field_options import FieldOption, with_fields
from monitor.cli.output import out, when
from monitor.cli.repairs import RepairId, app, ask_about, show_after
from monitor.cli.shared import (
    ClockTime,
    at_field,
    command,
    in_reader_unit,
    journal_of,
    time_of,
    wrong,
)
from monitor.domain.events import About
from monitor.settings import Settings

StepId = Annotated[str, typer.Argument(metavar="STEP", help="Number of the step")]
Taken = Annotated[str, typer.Option("--taken", help="Hands-on time that it took, in minutes")]
Sure = Annotated[
    bool,
    typer.Option(
        "--yes", help="Do it without asking, even if it is too early or the air is wrong for it"
    ),
]


def _switch(option: str, help_text: str, field: str = "") -> FieldOption:
    return FieldOption(help_text, option, field, default=None, kind=bool)


FIELDS = {
    "name": FieldOption("What exactly: bass side", default=None),
    "after": FieldOption(
        "Steps that it must follow: 3, or 3,4; none for none",
        read=lambda text, *_: _listed(text),
        default=None,
    ),
    "wait": FieldOption(
        "Kind of wait, from `kind list`; none for no wait",
        field="wait_kind",
        read=lambda text, *_: "" if text == "none" else text,
        default=None,
    ),
    "minutes": FieldOption(
        "Hands-on time: 30, or low, usual and high as 20-30-45",
        field="hands_on_min",
        read=lambda text, *_: minutes_of(text),
    ),
    "needs": FieldOption(
        "Stock that it needs: crack-clamps=4,deep-clamps=1; or none",
        read=lambda text, *_: needs_of(text),
        default=None,
    ),
    "place": FieldOption("Place, if not the instrument's", default=None),
    "overnight": _switch("--overnight/--not-overnight", "May be left overnight"),
    "weekend": _switch("--weekend/--not-weekend", "May be left over a weekend"),
    "loads": _switch("--loads/--not-loads", "Works, loads or strings the joints before it"),
    "consent": _switch(
        "--consent/--no-consent", "The client's consent is awaited", "consent_awaited"
    ),
}
"""Options for the fields of a step."""


@command(app)
@with_fields(FIELDS)
def add(
    settings: Settings,
    fields: dict[str, Any],
    repair: RepairId,
    kind: Annotated[str, typer.Argument(help="Kind of step, such as 'glue crack' or cleat")],
    aside: Annotated[bool, typer.Option("--aside", help="No other step has to follow it")] = False,
) -> None:
    """Add a step that was found on the way. The steps that followed now follow it too."""
    asked = {"repair": repair, "kind": kind, "between": not aside} | fields
    ask_about(settings, "add", asked)
    show_after(settings, repair)


@command(app, "add-template")
def add_template(
    settings: Settings,
    repair: RepairId,
    template: Annotated[str, typer.Argument(help="Usual repair, from `template list`")],
) -> None:
    """Add the steps of a template to an open repair."""
    ask_about(settings, "add template", {"repair": repair, "template": template})
    show_after(settings, repair)


@command(app)
@with_fields(FIELDS)
def change(settings: Settings, fields: dict[str, Any], repair: RepairId, step: StepId) -> None:
    """Change a step that is not finished."""
    ask_about(settings, "change", {"repair": repair, "step": step} | fields)
    show_after(settings, repair)


@command(app)
def start(
    settings: Settings,
    repair: RepairId,
    step: StepId,
    at: ClockTime = "",
    taken: Taken = "",
    glue: Annotated[str, typer.Option(help="Number of the batch of glue")] = "",
    yes: Sure = False,
) -> None:
    """Start a step: with a wait, when the clamps or the coat are on. Its wait opens by itself."""
    fields = _done(settings, at, taken) | ({"glue": glue} if glue else {})
    asked = {"about": About.REPAIR, "repair": repair, "step": step} | fields
    answer = ask_sure(settings, "start", asked, yes=yes)
    waits = "".join(f" Wait {number} is open." for number in answer.get("waits", ()))
    out.print(f"Step {step} is started.{waits}")
    _print_cautions(settings, repair, step)


@command(app)
def finish(
    settings: Settings,
    repair: RepairId,
    step: StepId,
    at: ClockTime = "",
    taken: Taken = "",
    feel: Annotated[str, typer.Option(help="How it was: soft, right, or 'long before'")] = "",
    yes: Sure = False,
) -> None:
    """Finish a step. Its wait is released."""
    fields = _done(settings, at, taken) | ({"feel": feel} if feel else {})
    asked = {"about": About.REPAIR, "repair": repair, "step": step} | fields
    ask_sure(settings, "finish", asked, yes=yes)
    out.print(f"Step {step} is finished.")


@command(app)
def reopen(
    settings: Settings,
    repair: RepairId,
    step: Annotated[
        str, typer.Argument(metavar="[STEP]", help="Without it, undo the handing out")
    ] = "",
) -> None:
    """Undo the last of finish and start of a step, or the handing out."""
    ask_about(settings, "reopen", {"repair": repair, "step": step})
    show_after(settings, repair)


@command(app)
def move(
    settings: Settings,
    repair: RepairId,
    step: StepId,
    to: Annotated[str, typer.Argument(metavar="TIME", help="Time when it starts; free to undo")],
) -> None:
    """Fix the start of a step at a time, or let the plan choose again."""
    fixed = None if to == "free" else time_of(to, settings, "TIME")
    ask_about(settings, "move", {"repair": repair, "step": step, "fixed_ms": fixed})
    out.print("The plan chooses its time." if fixed is None else f"Fixed: {when(fixed, settings)}")


@command(app)
def remove(settings: Settings, repair: RepairId, step: StepId) -> None:
    """Remove a step that was not started."""
    ask_about(settings, "remove", {"repair": repair, "step": step})
    show_after(settings, repair)


@command(app)
def consent(
    settings: Settings,
    repair: RepairId,
    step: Annotated[
        str, typer.Argument(metavar="[STEP]", help="Without it, all that await consent")
    ] = "",
) -> None:
    """Note that the client has given consent."""
    ask_about(settings, "consent", {"repair": repair} | ({"step": step} if step else {}))
    out.print("Consent is noted.")


def _done(settings: Settings, at: str, taken: str) -> dict[str, Any]:
    return at_field(at, settings) | ({"taken_min": minutes_of(taken)[0]} if taken else {})


def _listed(text: str) -> list[str]:
    return [] if text == "none" else [one.strip() for one in text.split(",")]


def minutes_of(text: str) -> list[float]:
    """Hands-on time as typed: 30, or 20-30-45. [min]"""
    try:
        return [float(one) for one in text.split("-")]
    except ValueError:
        wrong(f"{text!r}: must be minutes such as 30, or low, usual and high such as 20-30-45")


def needs_of(text: str) -> dict[str, int]:
    """Numbers of pieces of stock as typed: crack-clamps=4,deep-clamps=1."""
    found = {}
    for one in _listed(text):
        name, equals, count = one.rpartition("=")
        if not equals or not count.strip().isdecimal():
            wrong(f"{one!r}: must be a stock and a number such as crack-clamps=4")
        found[name.strip()] = int(count)
    return found


def _print_cautions(settings: Settings, repair: str, step: str) -> None:
    from monitor.domain.cautions import DEFERS
    from monitor.planning.step_check import start_cautions

    with journal_of(settings) as (_, journal):
        own = journal.repairs[repair]
        found = start_cautions(journal, own, own.step(step))
    for words in found:
        out.print(in_reader_unit(f"Caution: {words}", settings))
    if found:
        out.print(DEFERS)
