"""`benchweather repair`: the steps of a repair."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from typing import Annotated, Any

import typer

from monitor.cli.asking import ask_sure
from monitor.cli.output import out, when
from monitor.cli.repairs import RepairId, app, ask_about, show_after
from monitor.cli.shared import ClockTime, command, journal_of, time_of, wrong
from monitor.domain.events import About
from monitor.settings import Settings

StepId = Annotated[str, typer.Argument(metavar="STEP", help="Number of the step")]
Taken = Annotated[str, typer.Option("--taken", help="Hands-on time that it took, in minutes")]
StepName = Annotated[str | None, typer.Option("--name", help="What exactly: bass side")]
WaitKind = Annotated[
    str | None, typer.Option("--wait", help="Kind of wait, from `kind list`; none for no wait")
]
Minutes = Annotated[
    str, typer.Option("--minutes", help="Hands-on time: 30, or low, usual and high as 20-30-45")
]
After = Annotated[
    str | None, typer.Option("--after", help="Steps that it must follow: 3, or 3,4; none for none")
]
Needs = Annotated[
    str | None,
    typer.Option("--needs", help="Stock that it needs: crack-clamps=4,deep-clamps=1; or none"),
]
StepPlace = Annotated[str | None, typer.Option("--place", help="Place, if not the instrument's")]
Overnight = Annotated[
    bool | None, typer.Option("--overnight/--not-overnight", help="May be left overnight")
]
Weekend = Annotated[
    bool | None, typer.Option("--weekend/--not-weekend", help="May be left over a weekend")
]
Loads = Annotated[
    bool | None,
    typer.Option("--loads/--not-loads", help="Works, loads or strings the joints before it"),
]
Sure = Annotated[
    bool,
    typer.Option(
        "--yes", help="Do it without asking, even if it is too early or the air is wrong for it"
    ),
]
Awaits = Annotated[
    bool | None, typer.Option("--consent/--no-consent", help="The client's consent is awaited")
]


OPTIONS: dict[str, tuple[Any, Any]] = {
    "name": (StepName, None),
    "after": (After, None),
    "wait": (WaitKind, None),
    "minutes": (Minutes, ""),
    "needs": (Needs, None),
    "place": (StepPlace, None),
    "overnight": (Overnight, None),
    "weekend": (Weekend, None),
    "loads": (Loads, None),
    "consent": (Awaits, None),
}
"""Options for the fields of a step: kind and default of each."""


def with_step_options(action: Callable[..., None]) -> Callable[..., None]:
    """A command whose parameter `fields` becomes the options for the fields of a step."""
    given = inspect.signature(action, eval_str=True)

    @functools.wraps(action)
    def run(**values: Any) -> None:
        fields = _fields(**{name: values.pop(name) for name in OPTIONS})
        action(fields=fields, **values)

    del run.__wrapped__
    parameters = [p for name, p in given.parameters.items() if name != "fields"]
    parameters += [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=kind)
        for name, (kind, default) in OPTIONS.items()
    ]
    run.__signature__ = given.replace(  # type: ignore[attr-defined] # as functools.wraps sets it
        parameters=[p.replace(kind=p.KEYWORD_ONLY) for p in parameters]
    )
    return run


@command(app)
@with_step_options
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
@with_step_options
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
    fields: dict[str, Any] = {"at_ms": time_of(at, settings)} if at else {}
    return fields | ({"taken_min": minutes_of(taken)[0]} if taken else {})


def _fields(
    name: str | None,
    after: str | None,
    wait: str | None,
    minutes: str,
    needs: str | None,
    place: str | None,
    overnight: bool | None,
    weekend: bool | None,
    loads: bool | None,
    consent: bool | None,
) -> dict[str, Any]:
    """The fields of a step that were given."""
    given = {
        "name": name,
        "after": None if after is None else _listed(after),
        "wait_kind": "" if wait == "none" else wait,
        "hands_on_min": minutes_of(minutes) if minutes else None,
        "needs": None if needs is None else needs_of(needs),
        "place": place,
        "overnight": overnight,
        "weekend": weekend,
        "loads": loads,
        "consent_awaited": consent,
    }
    return {key: value for key, value in given.items() if value is not None}


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
        out.print(f"Caution: {words}")
    if found:
        out.print(DEFERS)
