"""`benchweather wait` and `kind`: clamp-ups, coats and rests from the terminal.

What changes something is handed to the running service; what only shows is read from the store.
"""

from __future__ import annotations

import contextlib
import getpass
import uuid
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from monitor.cli.shared import Config, Data, Demo, load, moment_of, out, told
from monitor.clock import from_ms, now_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.store import Reader

app = typer.Typer(no_args_is_help=True, help="Clamp-ups, coats and rests: open, show, release.")
kinds = typer.Typer(no_args_is_help=True, help="Kinds of wait: their basis and every parameter.")

WaitId = Annotated[str, typer.Argument(metavar="WAIT", help="Number of the wait")]
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
        "kind": kind, "place": place, "instrument": instrument, "what": what,
        "clamps": clamps, "count": count, "note": note,
    }  # fmt: skip
    if at:
        wish["start_ms"] = _time(at, settings, "--at")
    if wanted:
        wish["wanted_ms"] = _time(wanted, settings, "--wanted")
    answer = _ask(settings, "open", wish)
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
    table = Table("wait", "kind", "instrument", "what", "place", "from", "to", "it was")
    with _journal(settings) as (_, journal):
        for wait in journal.waits.values():
            if not wait.open:
                table.add_row(
                    wait.id, str(wait.kind["name"]), wait.instrument, wait.what, wait.place,
                    _local(wait.started_ms, settings), _local(wait.released_ms, settings),
                    str(wait.feel or ""),
                )  # fmt: skip
    out.print(table)


@app.command()
def release(
    wait: WaitId,
    feel: Annotated[str, typer.Option(help="How it was: soft, right, or 'long before'")] = "",
    at: At = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Release a wait: the clamps are off, the coat is sanded."""
    _at(load(data, config, demo=demo), "release", wait, at, {"feel": feel} if feel else {})


@app.command()
def feel(
    wait: WaitId,
    was: Annotated[
        str, typer.Argument(metavar="HOW", help="soft, right, 'long before'; none takes it back")
    ],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Say, after its release, how a wait was; the kind's basis learns from it."""
    settings = load(data, config, demo=demo)
    _ask(settings, "feel", {"wait": wait} | ({} if was == "none" else {"feel": was}))
    out.print("noted")


@app.command()
def pause(
    wait: WaitId, at: At = "", data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """Stop a wait's clock."""
    _at(load(data, config, demo=demo), "pause", wait, at, {})


@app.command()
def resume(
    wait: WaitId, at: At = "", data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """Let a paused wait's clock go on."""
    _at(load(data, config, demo=demo), "resume", wait, at, {})


@app.command()
def move(
    wait: WaitId,
    place: Annotated[str, typer.Argument(help="Where it is now")],
    at: At = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Move a wait to another place and its air."""
    _at(load(data, config, demo=demo), "move", wait, at, {"place": place})


@app.command()
def reopen(wait: WaitId, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Take a release back."""
    _ask(load(data, config, demo=demo), "reopen", {"wait": wait})
    out.print(f"{wait} is open again")


@app.command()
def correct(
    wait: WaitId,
    instrument: Annotated[str | None, typer.Option(help="Instrument or job")] = None,
    what: Annotated[str | None, typer.Option(help="What it is")] = None,
    place: Annotated[
        str | None, typer.Option(help="Where it has been since it came there")
    ] = None,
    at: Annotated[str, typer.Option("--at", help="When it really started")] = "",
    note: Annotated[str | None, typer.Option(help="A note")] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Put a mistake right; what stood there stays in the history."""
    settings = load(data, config, demo=demo)
    given = {"instrument": instrument, "what": what, "place": place, "note": note}
    wish: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    if at:
        wish["start_ms"] = _time(at, settings, "--at")
    _ask(settings, "correct", {"wait": wait} | wish)
    out.print("put right")


@app.command()
def history(wait: WaitId, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Show who did what to a wait, and when."""
    settings = load(data, config, demo=demo)
    table = Table("when", "who", "did", "with")
    with _journal(settings) as (_, journal):
        found = journal.waits.get(wait)
        for event in found.events if found else ():
            told_of = {k: v for k, v in event.body.items() if k != "kind" and v not in ("", None)}
            table.add_row(
                _local(event.recorded_ms, settings), event.by, str(event.action),
                ", ".join(f"{k} {_value(k, v, settings)}" for k, v in told_of.items()),
            )  # fmt: skip
    if found is None:
        with told():
            from monitor.waits import WaitFault

            raise WaitFault(f"there is no wait {wait!r}")
    out.print(table)


@kinds.command("list")
def list_kinds(
    kind: Annotated[str, typer.Argument(help="One kind, with every parameter")] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Show the kinds of wait; with a name, everything that kind rests on."""
    from monitor.kind_book import KindFault
    from monitor.science.waits.parameters import parameters

    settings = load(data, config, demo=demo)
    with _journal(settings) as (_, journal):
        book = journal.book
        learned = journal.learned(kind) if kind else None
    if not kind:
        table = Table("kind", "name", "basis h", "least h", "rests on")
        for one in book.values():
            table.add_row(one.id, one.name, f"{one.basis_s / 3600:g}", f"{one.minimum_s / 3600:g}",
                          one.source)  # fmt: skip
        out.print(table)
        return
    with told():
        if kind not in book:
            raise KindFault(f"there is no kind {kind!r}: it must be one of {', '.join(book)}")
    one = book[kind]
    out.print(f"{one.name}: basis {one.basis_s / 3600:g} h at 20 °C and 50 % RH, never below "
              f"{one.minimum_s / 3600:g} h ({one.source})", highlight=False)  # fmt: skip
    if learned is not None and learned.evidence:
        out.print(
            f"What {len(learned.evidence)} release(s) taught: {learned.basis_s / 3600:.1f} h "
            f"({learned.low_s / 3600:.1f} to {learned.high_s / 3600:.1f})", highlight=False,
        )  # fmt: skip
    table = Table("parameter", "value", "unit", "from", "to", "what it is", "source")
    for p in parameters(one.law):
        table.add_row(
            p.name, f"{p.value:g}", p.unit, f"{p.low:g}", f"{p.high:g}", p.help, p.source
        )
    out.print(table)


@kinds.command("set")
def set_kind(
    kind: Annotated[str, typer.Argument(help="Kind to change, or a new one's id")],
    like: Annotated[str, typer.Option(help="For a new one: the kind it is like")] = "",
    name: Annotated[str, typer.Option(help="Name on screen")] = "",
    basis_h: Annotated[float | None, typer.Option(help="Wait at 20 °C and 50 % RH [h]")] = None,
    least_h: Annotated[float | None, typer.Option(help="Never below this [h]")] = None,
    parameter: Annotated[
        list[str] | None, typer.Option(help="name=value of the law; repeat")
    ] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Change a kind, or add one like another. Open waits keep what they were opened with."""
    from monitor.kind_book import KindFault

    settings = load(data, config, demo=demo)
    wish: dict[str, Any] = {}
    if like:
        wish["like"] = like
    if name:
        wish["name"] = name
    if basis_h is not None:
        wish["basis_s"] = 3600 * basis_h
    if least_h is not None:
        wish["minimum_s"] = 3600 * least_h
    with told(wrong_use=KindFault):
        law = {}
        for item in parameter or ():
            key, sign, value = item.partition("=")
            try:
                law[key] = float(value)
            except ValueError:
                sign = ""
            if not sign:
                raise KindFault(f"--parameter {item!r}: must be name=number")
    if law:
        wish["law"] = law
    _ask(settings, "kind", {"kind": kind} | wish)
    out.print(f"{kind} is set")


@kinds.command("retire")
def retire_kind(
    kind: Annotated[str, typer.Argument(help="Kind to take off the list")],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Take a kind off the list. Waits opened under it go on."""
    _ask(load(data, config, demo=demo), "retire", {"kind": kind})
    out.print(f"{kind} is off the list")


def _ask(settings: Settings, do: str, wish: dict[str, Any]) -> Any:
    from monitor.desk import ask

    with told():
        return ask(
            settings.desk_path,
            {"do": do, "by": getpass.getuser(), "id": uuid.uuid4().hex} | wish,
        )


def _at(settings: Settings, do: str, wait: str, at: str, wish: dict[str, Any]) -> None:
    if at:
        wish["at_ms"] = _time(at, settings, "--at")
    _ask(settings, do, {"wait": wait} | wish)
    out.print(f"{wait}: done")


def _time(text: str, settings: Settings, option: str) -> int:
    """A time of day today, or a whole time, in the shop's zone. [ms since 1970-01-01 UTC]"""
    if len(text) == len("14:30") and text[2] == ":":
        today = datetime.now(settings.zone).date().isoformat()
        text = f"{today}T{text}"
    return moment_of(text, settings.zone, option=option)


@contextlib.contextmanager
def _journal(settings: Settings) -> Iterator[tuple[Reader, Journal]]:
    from monitor.commands import Journal
    from monitor.store import Reader

    with told(), contextlib.closing(Reader(settings.store_path)) as reader:
        yield reader, Journal(reader)


def _show(settings: Settings, only: set[str] | None) -> None:
    """The open waits by ready time."""
    from monitor.standings import standings

    table = Table("wait", "kind", "instrument", "what", "place", "since", "ready about", "between",
                  "done", "how it stands")  # fmt: skip
    with _journal(settings) as (reader, journal):
        open_waits = [
            w for w in journal.waits.values() if w.open and (only is None or w.id in only)
        ]
        found = standings(reader, settings, open_waits, now_ms())
    far = 2**62
    for one in sorted(found, key=lambda s: (s.readiness and s.readiness.ready_ms) or far):
        wait, how = one.wait, one.readiness
        told_of = (
            ("", "", "", one.why_not)
            if how is None
            else (
                _local(how.ready_ms, settings),
                f"{_local(how.ready_low_ms, settings)} to {_local(how.ready_high_ms, settings)}",
                f"{100 * how.progress.median:.0f} %",
                str(how.state),
            )
        )
        table.add_row(wait.id, one.kind.name, wait.instrument, wait.what, wait.place,
                      _local(wait.started_ms, settings), *told_of)  # fmt: skip
    out.print(table)


def _local(ms: int | None, settings: Settings) -> str:
    if ms is None:
        return "not known"
    moment = from_ms(ms).astimezone(settings.zone)
    today = datetime.now(settings.zone).date()
    return f"{moment:%H:%M}" if moment.date() == today else f"{moment:%a %d %b %H:%M}"


def _value(name: str, value: Any, settings: Settings) -> str:
    if isinstance(value, list):
        return " / ".join(_value(name, one, settings) for one in value)
    return _local(value, settings) if name.endswith("_ms") else str(value)
