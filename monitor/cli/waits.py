"""`benchweather wait`: clamp-ups, coats and rests from the terminal."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from monitor.cli.asking import ask, each, journal_of
from monitor.cli.shared import Config, Data, Demo, exit_on, load, moment_of, out
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.domain.wait import Wait

app = typer.Typer(no_args_is_help=True, help="Clamp-ups, coats and rests: open, show, release.")

WaitId = Annotated[str, typer.Argument(metavar="WAIT", help="Number of the wait")]
WaitIds = Annotated[
    list[str],
    typer.Argument(metavar="WAIT...", help="Numbers of waits: 12, or 12 13 14, or 12-19"),
]
At = Annotated[str, typer.Option("--at", help="When, if not now: 14:30 or 2026-01-31T14:30")]


@app.command("open")
def open_(
    kind: Annotated[str, typer.Argument(help="Kind, as `benchweather kind list` has them")],
    place: Annotated[str, typer.Argument(help="Place it stands in")],
    instrument: Annotated[str, typer.Option(help="Instrument or job")] = "",
    what: Annotated[str, typer.Option(help="What was glued, laid or set up")] = "",
    at: At = "",
    wanted: Annotated[str, typer.Option(help="When it should be ready")] = "",
    clamps: Annotated[int, typer.Option(min=0, help="How many clamps are on it")] = 0,
    count: Annotated[int, typer.Option(min=1, help="How many such waits at once")] = 1,
    note: Annotated[str, typer.Option(help="A note")] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Open a wait; its clock starts now or at --at."""
    settings = load(data, config, demo=demo)
    wish: dict[str, Any] = {
        "kind": kind,
        "place": place,
        "instrument": instrument,
        "what": what,
        "clamps": clamps,
        "count": count,
        "note": note,
    }
    if at:
        wish["start_ms"] = _time(at, settings, "--at")
    if wanted:
        wish["wanted_ms"] = _time(wanted, settings, "--wanted")
    answer = ask(settings, "open", wish)
    out.print(f"opened {', '.join(answer['waits'])}")
    _show(settings, set(answer["waits"]))


@app.command("list")
def list_(
    finished: Annotated[bool, typer.Option("--finished", help="Those released")] = False,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Show the open waits by ready time, or the finished ones."""
    settings = load(data, config, demo=demo)
    if not finished:
        _show(settings, None)
        return
    table = Table("wait", "what and where", "from and to", "it was")
    with journal_of(settings) as (_, journal):
        for wait in journal.waits.values():
            if not wait.open:
                table.add_row(
                    wait.id,
                    _what(wait, wait.place),
                    f"{_local(wait.started_ms, settings)}\n{_local(wait.released_ms, settings)}",
                    str(wait.feel or ""),
                )
    out.print(table)


@app.command()
def release(
    waits: WaitIds,
    feel: Annotated[str, typer.Option(help="How it was: soft, right, or 'long before'")] = "",
    at: At = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Release waits: the clamps are off, the coat is sanded."""
    settings = load(data, config, demo=demo)
    each(settings, "release", waits, _at(at, settings) | ({"feel": feel} if feel else {}))


@app.command()
def feel(
    wait: Annotated[str, typer.Argument(metavar="WAIT", help="Number of the wait, or 12-19")],
    was: Annotated[
        str, typer.Argument(metavar="HOW", help="soft, right, 'long before'; none takes it back")
    ],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Say, after its release, how a wait was; the kind's basis learns from it."""
    settings = load(data, config, demo=demo)
    each(settings, "feel", [wait], {} if was == "none" else {"feel": was})


@app.command()
def pause(
    waits: WaitIds, at: At = "", data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """Stop the clock of waits."""
    settings = load(data, config, demo=demo)
    each(settings, "pause", waits, _at(at, settings))


@app.command()
def resume(
    waits: WaitIds, at: At = "", data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """Let the clock of paused waits go on."""
    settings = load(data, config, demo=demo)
    each(settings, "resume", waits, _at(at, settings))


@app.command()
def move(
    wait: Annotated[str, typer.Argument(metavar="WAIT", help="Number of the wait, or 12-19")],
    place: Annotated[str, typer.Argument(help="Where it is now")],
    at: At = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Move a wait to another place and its air."""
    settings = load(data, config, demo=demo)
    each(settings, "move", [wait], _at(at, settings) | {"place": place})


@app.command()
def reopen(waits: WaitIds, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Take releases back."""
    each(load(data, config, demo=demo), "reopen", waits, {})


@app.command()
def correct(
    wait: WaitId,
    instrument: Annotated[str | None, typer.Option(help="Instrument or job")] = None,
    what: Annotated[str | None, typer.Option(help="What it is")] = None,
    place: Annotated[
        str | None, typer.Option(help="Where it has been since it came there")
    ] = None,
    at: Annotated[str, typer.Option("--at", help="When it really started")] = "",
    wanted: Annotated[
        str, typer.Option(help="When it should be ready; none takes the time away")
    ] = "",
    clamps: Annotated[int | None, typer.Option(min=0, help="How many clamps are on it")] = None,
    note: Annotated[str | None, typer.Option(help="A note")] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Put a mistake right; what stood there stays in the history."""
    settings = load(data, config, demo=demo)
    given = {
        "instrument": instrument,
        "what": what,
        "place": place,
        "clamps": clamps,
        "note": note,
    }
    wish: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    if at:
        wish["start_ms"] = _time(at, settings, "--at")
    if wanted:
        wish["wanted_ms"] = None if wanted == "none" else _time(wanted, settings, "--wanted")
    ask(settings, "correct", {"wait": wait} | wish)
    out.print("put right")


@app.command()
def history(wait: WaitId, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Show who did what to a wait, and when."""
    settings = load(data, config, demo=demo)
    table = Table("when", "who", "did", "with")
    with journal_of(settings) as (_, journal):
        found = journal.waits.get(wait)
        for event in found.events if found else ():
            told_of = {k: v for k, v in event.body.items() if k != "kind" and v not in ("", None)}
            table.add_row(
                _local(event.recorded_ms, settings),
                event.by,
                str(event.action),
                ", ".join(f"{k} {_value(k, v, settings)}" for k, v in told_of.items()),
            )
    if found is None:
        with exit_on():
            from monitor.domain.wait import WaitFault

            raise WaitFault(f"there is no wait {wait!r}")
    out.print(table)


def _at(at: str, settings: Settings) -> dict[str, int]:
    return {"at_ms": _time(at, settings, "--at")} if at else {}


def _time(text: str, settings: Settings, option: str) -> int:
    """A time of day today, or a whole time, in the shop's zone. [ms since 1970-01-01 UTC]"""
    if len(text) == len("14:30") and text[2] == ":":
        today = datetime.now(settings.zone).date().isoformat()
        text = f"{today}T{text}"
    return moment_of(text, settings.zone, option=option)


def _show(settings: Settings, only: set[str] | None) -> None:
    """The open waits by ready time."""
    from monitor.science.waits.wait import WaitState
    from monitor.waits.evaluation import standings

    table = Table("wait", "what, where, since when", "ready about", "how it stands")
    with journal_of(settings) as (reader, journal):
        open_waits = [
            w for w in journal.waits.values() if w.open and (only is None or w.id in only)
        ]
        found = standings(reader, settings, open_waits, now_ms())
    far = 2**62
    for one in sorted(found, key=lambda s: (s.readiness and s.readiness.ready_ms) or far):
        wait, how = one.wait, one.readiness
        ready, stands = "not known", "not known"
        if how is not None:
            ready = _local(how.ready_ms, settings)
            stands, had = str(how.state), how.progress.median
            if how.state is not WaitState.READY:
                stands += "" if math.isnan(had) else f", {100 * had:.0f} % had"
                low, high = (_local(ms, settings) for ms in (how.ready_low_ms, how.ready_high_ms))
                ready += f"\n{low} to {high}" if how.ready_low_ms or how.ready_high_ms else ""
        since = f"{wait.place}, since {_local(wait.started_ms, settings)}"
        if one.why_not:
            since += f"\n{one.why_not}"
        table.add_row(wait.id, _what(wait, since), ready, "paused" if wait.paused else stands)
    out.print(table)


def _what(wait: Wait, where: str) -> str:
    """Which instrument and what, and under it the kind and where."""
    name = ", ".join(filter(None, (wait.instrument, wait.what)))
    return "\n".join(filter(None, (name, f"{wait.kind['name']}, {where}")))


def _local(ms: int | None, settings: Settings) -> str:
    if ms is None:
        return "not known"
    return formats.brief(ms, now_ms(), settings.zone)


def _value(name: str, value: Any, settings: Settings) -> str:
    if isinstance(value, list):
        return " / ".join(_value(name, one, settings) for one in value)
    return _local(value, settings) if name.endswith("_ms") else str(value)
