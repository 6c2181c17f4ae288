"""The command line: parses, calls, prints. Exit codes: 0 done, 1 failed, 2 wrong use."""

from __future__ import annotations

import faulthandler
import os
from collections.abc import Callable
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

import typer

from monitor import __version__
from monitor import settings as settings_module
from monitor.cli import (
    advise,
    air,
    alerts,
    backup,
    clients,
    climate,
    clock,
    files,
    forecast,
    glue,
    ingest_worker,
    instruments,
    kinds,
    licences,
    look_ahead,
    notices,
    outlook,
    people,
    place,
    plan,
    proof,
    records,
    recount,
    repair_steps,
    repair_stock,
    replay,
    rules,
    score,
    sensor,
    service_unit,
    store,
    waits,
)
from monitor.cli.output import err, out, print_json, print_table
from monitor.cli.shared import (
    HELP_OPTIONS,
    Config,
    Json,
    Verbose,
    command,
    exit_on,
    last_beat,
    load,
    start_hint,
)
from monitor.core import logs
from monitor.core.clock import now_ms
from monitor.core.errors import SettingsFault
from monitor.core.imports import uncollected
from monitor.core.memory import return_large_blocks
from monitor.core.ports import is_listening
from monitor.core.systemd import Notifier, is_journal
from monitor.settings import Settings
from monitor.settings.table import table

app = typer.Typer(
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings=HELP_OPTIONS,
    epilog="Try it first: `benchweather demo` runs an invented shop. Add --demo to other commands "
    "to see its data. Exit codes: 0 done, 1 failed, 2 wrong use.",
)
BoardAddress = Annotated[
    str, typer.Option(help="Address of the board, for another computer: http://HOST:PORT")
]


def main() -> None:
    """Run the command that this process was started with."""
    app(prog_name="benchweather")


def _print_version(wanted: bool) -> None:
    if wanted:
        out.print(__version__)
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version"),
    ] = False,
) -> None:
    """Show what the air of a violin repair shop does to glue, varnish and opened wood."""


@command(app)
def run(
    settings: Settings,
    verbose: Verbose = False,
    standby: Annotated[
        bool, typer.Option("--standby", help="Wait while another computer works, and take over")
    ] = False,
) -> None:
    """Start the service: broker, store, alerts and board. Ctrl-C ends it."""
    _run(settings, verbose=verbose, standby=standby)


DemoData = Annotated[
    Path | None,
    typer.Option(help="Folder in which the demo makes the folder `demo` (default: as for `run`)"),
]


@command(app)
def demo(data: DemoData = None, config: Config = None, verbose: Verbose = False) -> None:
    """Start the demo: an invented shop with a year of readings. Ctrl-C ends it."""
    _run(load(data, config, demo=True), verbose=verbose)


def _run(settings: Settings, *, verbose: bool, standby: bool = False) -> None:
    return_large_blocks()
    with uncollected():
        from monitor.service.restarts import run_service

    logs.set_up(
        "service",
        verbose=verbose,
        file=settings.data / "log" / "service.log",
        as_json=settings.log.format == "json",
    )
    if settings.demo:
        mark = settings.data / settings_module.DEMO_MARK
        mark.write_text("The readings in this folder are invented: the demo made them.\n", "utf-8")

    def ready(settings: Settings) -> None:
        broker = settings.broker.url or f"mqtt://{settings.broker.host}:{settings.broker.port}"
        _print_board(settings)
        if not settings.places:
            out.print(
                "        Open this link on this computer. The guide leads you through the first steps."
            )
        out.print(f"Broker: {broker}  topic benchweather/<place>/<sensor>")
        out.print(f"Data:   {settings.data}   Ctrl-C ends")

    notifier = Notifier.taken_from(os.environ)
    if notifier.watchdog_s:
        faulthandler.enable()  # what each thread did when systemd ends us for a part that hangs
    run_service(settings, ready, notifier, standby=standby)


@command(app)
def board(
    settings: Settings,
    wall: Annotated[
        bool, typer.Option("--wall", help="Print a read-only link for a wall screen")
    ] = False,
    address: BoardAddress = "",
    name: Annotated[str, typer.Option(help="Name of the wall screen")] = "wall screen",
    days: people.Days = 3650,
    serve: Annotated[
        bool,
        typer.Option("--serve", help="Serve the board here, for a service on another computer"),
    ] = False,
) -> None:
    """Print a link to the board; the browser that opens it may change things.

    The link of a wall screen is printed once. `benchweather token withdraw` withdraws it.

    With --serve, this computer serves the board until Ctrl-C, from a database (store.url). Give it a
    data folder of its own with --data.
    """
    if serve:
        _serve_board(settings)
        return
    base = _board_base(settings, address)
    print(_board_link(settings, people.wall_token(settings, name, days) if wall else "", base))
    beat = last_beat(settings)
    if beat is not None and not beat.late():
        if not address and not is_listening(settings.board.host, settings.board.port):
            err.print(
                f"No board answers at {base}, so this link does not work yet. If the service runs on "
                "another computer, open the board there, or serve one here with --serve.",
                soft_wrap=True,
            )
    else:
        err.print(
            f"Benchweather does not run with the data in {settings.data}, so this link does not work "
            f"yet. {start_hint(settings)} If it runs with the data of another folder, name that folder "
            "with --data.",
            soft_wrap=True,
        )


def _serve_board(settings: Settings) -> None:
    """Serve the board of a service on another computer."""
    with uncollected():
        from monitor.service.parts_apart import serve_board

    logs.set_up("board", as_json=settings.log.format == "json")

    def ready() -> None:
        _print_board(settings)
        out.print(f"Data:   {settings.data}   Ctrl-C ends", soft_wrap=True)

    with exit_on(wrong_use=SettingsFault):
        serve_board(settings, ready, Notifier.taken_from(os.environ))


@command(app, "wall-screen")
def wall_screen(
    settings: Settings,
    to: Annotated[Path, typer.Option("--to", help="Folder for the files")],
    address: BoardAddress = "",
    name: Annotated[str, typer.Option(help="Name of the wall screen")] = "wall screen",
    days: people.Days = 3650,
) -> None:
    """Write start-up files that show the wall page in full screen when a computer starts.

    They hold a read-only link of their own. `benchweather token withdraw` withdraws it.
    """
    from monitor.cli.startup_files import write

    base = _board_base(settings, address)
    script, page, entry = write(to, f"{base}/open/{people.wall_token(settings, name, days)}")
    out.print(f"Script: {script}", soft_wrap=True)
    out.print(f"Page:   {page}. It has the link in it: keep it to yourself", soft_wrap=True)
    out.print(f"Entry:  {entry}", soft_wrap=True)
    out.print(
        "To start it with the computer, copy the entry to ~/.config/autostart. "
        "To try it, run the script.",
        soft_wrap=True,
    )


def _board_base(settings: Settings, given: str) -> str:
    """Address of the board as it was given, else for a browser of this machine."""
    try:
        host = urlsplit(given).hostname
    except ValueError:
        host = None
    if given and (not given.startswith(("http://", "https://")) or not host):
        raise typer.BadParameter(f"{given!r}: must be http://HOST:PORT or https://HOST:PORT")
    return (given or _board_address(settings)).rstrip("/")


def _board_link(settings: Settings, token: str = "", base: str = "") -> str:
    """Address of the board with a token, or with a code that signs the owner in."""
    from monitor.people.board_keys import make_board_keys, open_code
    from monitor.people.homes import home_of

    code = token or open_code(make_board_keys(home_of(settings).files), now_ms() / 1000)
    return f"{base or _board_address(settings)}/open/{code}"


def _print_board(settings: Settings) -> None:
    """Print the link to a board that runs now."""
    if is_journal(1):  # a link that signs the owner in is not for its readers
        out.print(f"Board:  {_board_address(settings)}   Link: benchweather board")
    else:
        out.print(f"Board:  {_board_link(settings)}", soft_wrap=True)


def _board_address(settings: Settings) -> str:
    """Address of the board for a browser of this machine."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1", "": "127.0.0.1"}.get(  # noqa: S104 - not bound here
        settings.board.host, settings.board.host
    )
    address = f"[{host}]" if ":" in host else host
    scheme = "https" if settings.board.cert_file else "http"
    return f"{scheme}://{address}:{settings.board.port}"


@command(app)
def check(
    settings: Settings,
    correct: Annotated[
        bool,
        typer.Option(
            "--correct", help="First correct what is safe: rights of files, leftover files"
        ),
    ] = False,
    as_json: Json = False,
) -> None:
    """Show every setting and its origin, test every part, and advise what to do.

    `benchweather recount --correct` corrects wrong rollups. Readings are never changed.
    """
    from monitor.service import housekeeping, self_check
    from monitor.settings.shop_broker import broker_address

    rows = list(table(settings))
    corrected = housekeeping.correct(settings) if correct else []
    checks = self_check.run(settings, broker_address(settings))
    if as_json:
        print_json(
            {
                "data": settings.data,
                "config": settings.config,
                "settings": [
                    {
                        "name": row.name,
                        "value": row.value,
                        "unit": row.unit,
                        "from": settings.origins.get(row.name, "default"),
                    }
                    for row in rows
                ],
                "corrected": corrected,
                "checks": checks,
            }
        )
    else:
        print_table(
            ("setting", "value", "from"),
            [
                ("data folder", str(settings.data), ""),
                ("settings file", str(settings.config or "none"), ""),
                *(
                    (
                        row.name,
                        f"{row.value} {row.unit}".strip() if row.value != "" else "",
                        settings.origins.get(row.name, "default"),
                    )
                    for row in rows
                ),
            ],
        )
        for sentence in corrected:
            out.print(sentence, soft_wrap=True)
        for one in checks:
            out.print(
                f"{one.word}  {one.part:<7} {one.text}", style="" if one.good else "bold red"
            )
            if one.means:
                out.print(f"              For the shop: {one.means}")
            if one.do:
                out.print(f"              What to do: {one.do}")
    if not all(one.good for one in checks):
        raise typer.Exit(1)


_COMMANDS: dict[str, Callable[..., None]] = {
    "now": air.now,
    "outlook": outlook.outlook,
    "climate": climate.climate,
    "advise": advise.advise,
    "plan": plan.plan,
    "promise": plan.promise,
    "filled": alerts.filled,
    "humidifier": alerts.humidifier,
    "closed": alerts.closed,
    "record": records.record,
    "verify-record": records.verify_record,
    "import": files.import_,
    "export": files.export,
    "recount": recount.recount,
    "notify-test": notices.notify_test,
    "replay-rules": replay.replay_rules,
    "score": score.score,
    "unit": service_unit.unit,
    "ingest": ingest_worker.ingest,
    "look-ahead": look_ahead.look_ahead,
    "audit": people.audit,
    "licences": licences.licences,
}
for _name, _function in _COMMANDS.items():
    command(app, _name)(_function)
for _name, _group in {
    "wait": waits.app,
    "kind": kinds.app,
    "glue": glue.app,
    "proof": proof.app,
    "repair": repair_steps.app,
    "stock": repair_stock.stock,
    "template": repair_stock.template,
    "instrument": instruments.app,
    "client": clients.app,
    "alert": alerts.app,
    "rule": rules.app,
    "sensor": sensor.app,
    "place": place.app,
    "clock": clock.app,
    "store": store.app,
    "backup": backup.app,
    "forecast": forecast.app,
    "people": people.people,
    "session": people.sessions,
    "token": people.tokens,
}.items():
    app.add_typer(_group, name=_name)
