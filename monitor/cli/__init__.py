"""The command line: parses, calls, prints. Exit codes: 0 done, 1 failed, 2 wrong use."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.table import Table

from monitor import __version__
from monitor import settings as settings_module
from monitor.cli import (
    advise,
    air,
    alerts,
    clients,
    climate,
    files,
    forecast,
    instruments,
    kinds,
    notices,
    outlook,
    records,
    replay,
    score,
    sensor,
    waits,
)
from monitor.cli.shared import Config, Data, Demo, exit_on, load, out
from monitor.core import logs

app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False)


def main() -> None:
    """Entry point of `benchweather` and `python -m monitor`."""
    app()


def _tell_version(wanted: bool) -> None:
    if wanted:
        out.print(__version__, highlight=False)
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_tell_version, is_eager=True, help="Show the version"),
    ] = False,
) -> None:
    """What the air of a violin repair shop does to glue, varnish and opened wood."""


@app.command()
def run(
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log each message")] = False,
) -> None:
    """Start everything: broker, store, ingest, jobs and board. Ctrl-C ends it."""
    from monitor.service.supervisor import Supervisor

    settings = load(data, config, demo=demo)
    with exit_on():
        logs.set_up(verbose=verbose, file=settings.data / "log" / "service.log")

    def ready() -> None:
        board = f"http://{settings.board.host}:{settings.board.port}"
        broker = settings.broker.url or f"mqtt://{settings.broker.host}:{settings.broker.port}"
        out.print(f"Board:  {board}")
        out.print(f"Broker: {broker}  topic benchweather/<place>/<sensor>")
        out.print(f"Data:   {settings.data}   Ctrl-C ends")

    with exit_on():
        Supervisor(settings).run(ready)


@app.command()
def check(data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Show every setting and where it came from, and probe every part."""
    from monitor.service import self_check
    from monitor.service.supervisor import broker_address

    settings = load(data, config, demo=demo)
    table = Table("setting", "value", "unit", "from")
    table.add_row("data folder", str(settings.data), "", "")
    table.add_row("settings file", str(settings.config or "none"), "", "")
    for row in settings_module.table(settings):
        origin = settings.origins.get(row.name, "default")
        table.add_row(row.name, str(row.value), row.unit, origin)
    out.print(table)
    with exit_on():
        verdicts = self_check.run(settings, broker_address(settings))
    for verdict in verdicts:
        out.print(
            f"{'good' if verdict.good else 'BAD '}  {verdict.part:<7} {verdict.text}",
            style="" if verdict.good else "bold red",
            highlight=False,
            soft_wrap=True,
        )
    if not all(verdict.good for verdict in verdicts):
        raise typer.Exit(1)


app.command("advise")(advise.advise)
app.command("now")(air.now)
app.command("record")(records.record)
app.command("verify-record")(records.verify_record)
app.command("import")(files.import_)
app.command("export")(files.export)
app.command("notify-test")(notices.notify_test)
app.command("climate")(climate.climate)
app.command("filled")(alerts.filled)
app.command("replay-rules")(replay.replay_rules)
app.command("score")(score.score)
app.command("outlook")(outlook.outlook)
app.add_typer(sensor.app, name="sensor")
app.add_typer(forecast.app, name="forecast")
app.add_typer(waits.app, name="wait")
app.add_typer(kinds.app, name="kind")
app.add_typer(instruments.app, name="instrument")
app.add_typer(clients.app, name="client")
app.add_typer(alerts.app, name="alert")
app.add_typer(alerts.rules, name="rule")
