"""`benchweather wait`: clamp-ups, coats and rests."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.asking import ask, each, listed
from monitor.cli.field_options import FieldOption, or_none, with_fields
from monitor.cli.output import out, print_json, print_table, when
from monitor.cli.shared import (
    ClockTime,
    Json,
    at_field,
    command,
    failed,
    in_reader_unit,
    journal_of,
    known,
    last_beat,
    time_of,
)
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.core.steady_clock import cautious_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Iterable

    from monitor.domain.wait import Wait
    from monitor.waits.evaluation import WaitStatus

app = typer.Typer(no_args_is_help=True, help="Open, show, correct and release waits.")

WaitId = Annotated[str, typer.Argument(metavar="WAIT", help="Number of the wait")]
WaitRange = Annotated[
    str, typer.Argument(metavar="WAIT", help="Number of the wait, or a range such as 12-19")
]
WaitIds = Annotated[
    list[str],
    typer.Argument(metavar="WAIT...", help="Numbers of waits: 12, or 12 13 14, or 12-19"),
]


CORRECTIONS = {
    "instrument": FieldOption("Instrument or job", default=None),
    "what": FieldOption("What was glued, coated or set up", default=None),
    "place": FieldOption("Place since its last move, or since its start", default=None),
    "at": FieldOption("Time when it really started", field="start_ms", read=time_of),
    "wanted": FieldOption(
        "Time when it should be ready; none for no time", field="wanted_ms", read=or_none(time_of)
    ),
    "note": FieldOption("A note", default=None),
}
_TABLES = ("kind", "expected_air")
"""Fields of an event that are too long for a line."""


@command(app, "open")
def open_(
    settings: Settings,
    kind: Annotated[str, typer.Argument(help="Kind of wait, from `benchweather kind list`")],
    place: Annotated[str, typer.Argument(help="Place where the work is")],
    instrument: Annotated[str, typer.Option(help="Instrument or job")] = "",
    what: Annotated[str, typer.Option(help="What was glued, coated or set up")] = "",
    at: ClockTime = "",
    wanted: Annotated[str, typer.Option(help="Time when it should be ready")] = "",
    clamps: Annotated[int, typer.Option(min=0, help="Number of clamps on it")] = 0,
    count: Annotated[int, typer.Option(min=1, help="Number of such waits to open")] = 1,
    note: Annotated[str, typer.Option(help="A note")] = "",
    glue: Annotated[str, typer.Option(help="Number of the batch of glue")] = "",
    as_json: Json = False,
) -> None:
    """Open a wait. Its clock starts now, or at --at."""
    request: dict[str, Any] = {
        "kind": kind,
        "place": place,
        "instrument": instrument,
        "what": what,
        "clamps": clamps,
        "count": count,
        "note": note,
        "glue": glue,
    }
    if at:
        request["start_ms"] = time_of(at, settings)
    if wanted:
        request["wanted_ms"] = time_of(wanted, settings, "--wanted")
    numbers = ask(settings, "open", request)["waits"]
    if not as_json:
        out.print(f"opened {', '.join(numbers)}")
    _print_open(settings, set(numbers), as_json=as_json)
    if not as_json:
        _print_cautions(settings, numbers)


@command(app, "list")
def list_(
    settings: Settings,
    finished: Annotated[bool, typer.Option("--finished", help="Show released waits")] = False,
    as_json: Json = False,
) -> None:
    """Show the open waits by ready time, or the released ones."""
    if not finished:
        _print_open(settings, None, as_json=as_json)
        return
    with journal_of(settings) as (_, journal):
        released = [wait for wait in journal.waits.values() if not wait.open]
    if as_json:
        print_json([_record(wait) for wait in released])
        return
    print_table(
        ("wait", "what and where", "from and to", "result"),
        [
            (
                wait.id,
                _title(wait, wait.place),
                f"{when(wait.started_ms, settings)}\n{when(wait.released_ms, settings)}",
                wait.feel or "",
            )
            for wait in released
        ],
    )


@command(app)
def release(
    settings: Settings,
    waits: WaitIds,
    feel: Annotated[str, typer.Option(help="How it was: soft, right, or 'long before'")] = "",
    at: ClockTime = "",
    yes: Annotated[
        bool, typer.Option("--yes", help="Release before the safe minimum without asking")
    ] = False,
) -> None:
    """Release waits: the clamps are off, the coat is sanded."""
    if not yes:
        _ask_if_early(settings, waits, time_of(at, settings) if at else _cautious_now_ms(settings))
    each(settings, "release", waits, at_field(at, settings) | ({"feel": feel} if feel else {}))


@command(app)
def load(settings: Settings, waits: WaitIds, at: ClockTime = "") -> None:
    """End the setting of joints whose clamps are off: they are worked, loaded or strung."""
    each(settings, "load", waits, at_field(at, settings))


@command(app)
def feel(
    settings: Settings,
    wait: WaitRange,
    was: Annotated[
        str, typer.Argument(metavar="HOW", help="soft, right, 'long before', or none to undo")
    ],
) -> None:
    """Record how a released wait was. The usual time of its kind learns from this."""
    each(settings, "feel", [wait], {} if was == "none" else {"feel": was})
    if was != "soft":
        return
    with journal_of(settings) as (_, journal):
        sentences = {
            f"New waits of {found.kind['name']} use {formats.hours(taught[1])} as their usual time "
            f"(before: {formats.hours(taught[0])})."
            for one in listed([wait])
            if (found := journal.waits.get(one)) and (taught := journal.taught(found))
        }
    for text in sorted(sentences):
        out.print(text)


@command(app)
def pause(settings: Settings, waits: WaitIds, at: ClockTime = "") -> None:
    """Stop the clock of waits."""
    each(settings, "pause", waits, at_field(at, settings))


@command(app)
def resume(settings: Settings, waits: WaitIds, at: ClockTime = "") -> None:
    """Start the clock of paused waits again."""
    each(settings, "resume", waits, at_field(at, settings))


@command(app)
def move(
    settings: Settings,
    wait: WaitRange,
    place: Annotated[str, typer.Argument(help="Place where the work is now")],
    at: ClockTime = "",
) -> None:
    """Move a wait to another place and its air."""
    each(settings, "move", [wait], at_field(at, settings) | {"place": place})


@command(app)
def reopen(settings: Settings, waits: WaitIds) -> None:
    """Undo the release of waits."""
    each(settings, "reopen", waits, {})


@command(app)
@with_fields(CORRECTIONS)
def correct(
    settings: Settings,
    fields: dict[str, Any],
    wait: WaitId,
    clamps: Annotated[int | None, typer.Option(min=0, help="Number of clamps on it")] = None,
) -> None:
    """Correct an entry. The history keeps what was there before."""
    more = {} if clamps is None else {"clamps": clamps}
    ask(settings, "correct", {"wait": wait} | fields | more)
    out.print(f"Wait {wait} is corrected.")


@command(app)
def history(settings: Settings, wait: WaitId, as_json: Json = False) -> None:
    """Show who did what to a wait, and when."""
    with journal_of(settings) as (_, journal):
        events = journal.waits[known(wait, journal.waits, "wait")].events
    if as_json:
        print_json(events)
        return
    rows = []
    for event in events:
        shown = event.body.items()  # the air that was expected is for `--json`
        details = {k: v for k, v in shown if k not in _TABLES and v not in ("", None)}
        text = ", ".join(f"{k} {_value(k, v, settings)}" for k, v in details.items())
        rows.append((when(event.recorded_ms, settings), event.by, event.action, text))
    print_table(("when", "who", "action", "details"), rows)


def _ask_if_early(settings: Settings, numbers: list[str], at_ms: int) -> None:
    """Ask once before a wait is released earlier than the safe minimum of its kind."""
    from monitor.domain.wait import is_early

    with journal_of(settings) as (_, journal):
        found = [journal.waits[n] for n in listed(numbers) if n in journal.waits]
    early = [wait for wait in found if is_early(wait, at_ms)]
    if not early:
        return
    least = ", ".join(
        f"{wait.id}: {formats.hours(float(wait.kind['minimum_s']))}" for wait in early
    )
    if not typer.confirm(f"Release before the safe minimum ({least})?"):
        failed("Nothing is released. Add --yes to release without this question.")


def _cautious_now_ms(settings: Settings) -> int:
    """The machine's time, without a doubted jump ahead. [ms since 1970-01-01 UTC]"""
    beat = last_beat(settings)
    return cautious_ms(now_ms(), beat.clock if beat is not None else None)


def _print_open(settings: Settings, only: set[str] | None, *, as_json: bool) -> None:
    """Print the open waits, and the joints that are setting, by ready time."""
    from monitor.waits.evaluation import counting_in_doubt

    beat = last_beat(settings)
    with journal_of(settings) as (reader, journal):
        waits = [w for w in journal.waits.values() if only is None or w.id in only]
        jump = beat.clock if beat is not None else None
        found = counting_in_doubt(reader, settings, waits, now_ms(), jump)
    never = 2**62
    found.sort(key=lambda one: (one.readiness and one.readiness.ready_ms) or never)
    if as_json:
        print_json([_record(one.wait) | _readiness(one) for one in found])
    elif not found:
        out.print("No open waits.")
    else:
        print_table(
            ("wait", "what, where, since when", "clamps off or\nready about", "status"),
            [_row(one, settings) for one in found],
        )


def _print_cautions(settings: Settings, numbers: Iterable[str]) -> None:
    """Print the cautions of the kinds of waits, each once."""
    from monitor.domain.cautions import DEFERS, WORDS, Caution

    with journal_of(settings) as (_, journal):
        kinds = [journal.waits[number].kind for number in numbers if number in journal.waits]
    keys = dict.fromkeys(Caution(key) for kind in kinds for key in kind.get("cautions", ()))
    for key in keys:
        out.print(in_reader_unit(f"Caution: {WORDS[key]}", settings))
    if keys:
        out.print(DEFERS)


def _row(one: WaitStatus, settings: Settings) -> tuple[str, ...]:
    from monitor.science.waits.wait import WaitState

    wait, readiness = one.wait, one.readiness
    ready = status = "not known"
    if readiness is not None:
        if readiness.ready_ms is not None:
            ready = formats.ahead(readiness.ready_ms, now_ms(), settings.zone)
        status, progress = str(readiness.state), readiness.progress.median
        if readiness.state is not WaitState.READY and not math.isnan(progress):
            status += f", {100 * progress:.0f} % done"
        low_ms, high_ms = readiness.ready_low_ms, readiness.ready_high_ms
        if low_ms is not None and high_ms is not None:
            ready += f"\n{formats.between(low_ms, high_ms, now_ms(), settings.zone)}"
        elif low_ms is not None:
            ready += f"\nfrom {formats.ahead(low_ms, now_ms(), settings.zone)}"
    if wait.setting:
        status = "may be worked" if one.loadable else f"clamps off, {status}"
    elif one.load is not None:
        load_ms, word = one.load.ready_ms, "not known"
        if load_ms is not None:
            word = formats.ahead(load_ms, now_ms(), settings.zone)
        status += f"\nmay be worked {word}"
    since = f"{wait.place}, since {when(wait.started_ms, settings)}"
    if one.why_not:
        since += f"\n{one.why_not}"
    return wait.id, _title(wait, since), ready, "paused" if wait.paused else status


def _record(wait: Wait) -> dict[str, Any]:
    """A wait as JSON has it."""
    names = ("instrument", "what", "place", "started_ms", "released_ms", "loaded_ms", "wanted_ms")
    fields = (*names, "clamps", "note", "paused", "setting", "feel")
    return {"wait": wait.id, "kind": wait.kind["id"]} | {n: getattr(wait, n) for n in fields}


def _readiness(one: WaitStatus) -> dict[str, Any]:
    """The readiness of an open wait as JSON has it."""
    found = one.readiness
    names = ("state", "ready_ms", "ready_low_ms", "ready_high_ms")
    return {
        "done": found and found.progress.median,
        "why_not_known": one.why_not,
        **{name: found and getattr(found, name) for name in names},
        **{f"load_{name}": one.load and getattr(one.load, name) for name in names[1:]},
    }


def _title(wait: Wait, where: str) -> str:
    """Instrument and work, and under them the kind and the place."""
    name = ", ".join(filter(None, (wait.instrument, wait.what)))
    return "\n".join(filter(None, (name, f"{wait.kind['name']}, {where}")))


def _value(name: str, value: Any, settings: Settings) -> str:
    if isinstance(value, list):
        return " / ".join(_value(name, one, settings) for one in value)
    return when(value, settings) if name.endswith("_ms") else str(value)
