"""`benchweather sensor`: the agent on a board, and the calibration of any sensor of the shop."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from monitor.cli.asking import ask, journal_of
from monitor.cli.listen import listen
from monitor.cli.send import send
from monitor.cli.sending import (
    Broker,
    Pace,
    PasswordFile,
    User,
    address_of,
    checked_pace,
    under_way,
)
from monitor.cli.shared import Config, Data, Demo, err, exit_on, load, moment_of, out, wrong
from monitor.core import formats
from monitor.settings import Settings

app = typer.Typer(no_args_is_help=True, help="Read this machine's chips; calibrate any sensor.")
calibrate = typer.Typer(
    no_args_is_help=True, help="Prove a hygrometer over salts, or beside a reference read by hand."
)
app.add_typer(calibrate, name="calibrate")
_ELSEWHERE = {"allow_extra_args": True, "ignore_unknown_options": True}
Sensor = Annotated[str, typer.Argument(help="place/name of the topic it speaks on")]
LOOK_S = 15.0
"""How often a jar is looked at. [s]"""
CAUTION = (
    "Salts eat metal and electronics; label jars, keep them from food, children, tools and "
    "instruments; magnesium nitrate feeds fire. The supplier's safety data sheet decides."
)


def _become(module: str, arguments: list[str]) -> NoReturn:
    """Let a program of `sensors` take this process's place: nothing here may import it, and what
    the command line needs does not stay in memory."""
    path = os.pathsep.join([str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")])
    sys.stdout.flush()
    command = [sys.executable, "-P", "-m", module, *arguments]
    os.execve(sys.executable, command, os.environ | {"PYTHONPATH": path})  # noqa: S606 - our own module


def _agent(context: typer.Context) -> None:
    _become("sensors.agent", [str(context.info_name), *context.args])


def _simulate(context: typer.Context) -> None:
    _become("sensors.simulator.simulate", context.args)


for _name, _help, _what in (
    ("run", "Read this machine's chips and publish them until stopped.", _agent),
    (
        "find",
        "List this machine's chips, or Bluetooth sensors in reach, and what they read.",
        _agent,
    ),
    ("unit", "Print or write a systemd unit for the agent.", _agent),
    ("simulate", "Publish invented readings of invented shops, for trials.", _simulate),
):
    app.command(_name, add_help_option=False, context_settings=_ELSEWHERE, help=_help)(_what)


app.command("listen")(listen)
app.command("send")(send)


def _do(settings: Settings, do: str, sensor: str, wish: dict[str, Any]) -> None:
    ask(settings, do, {"about": "sensor", "sensor": sensor} | wish)


@app.command()
def move(
    sensor: Sensor,
    place: str,
    at: Annotated[str, typer.Option(help="When, as 2026-01-31T14:30; else now")] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """It stands at PLACE since then, whatever its topic says; late readings go where it stood."""
    settings = load(data, config, demo=demo)
    wish: dict[str, Any] = {"place": place}
    if at:
        wish["at_ms"] = moment_of(at, settings.zone, option="--at")
    _do(settings, "move", sensor, wish)
    out.print(f"{sensor}: at {place}")


@app.command()
def inherit(
    sensor: Sensor, of: str, data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """SENSOR is the one that spoke as OF before: the corrections of that hold for it."""
    _do(load(data, config, demo=demo), "inherit", sensor, {"of": of})
    out.print(f"{sensor}: has the corrections of {of}")


@app.command()
def replay(
    file: Annotated[
        Path | None, typer.Argument(help="Made by export --raw; else the store's log")
    ] = None,
    place: Annotated[list[str] | None, typer.Option(help="Only this; repeat for more")] = None,
    sensor: Annotated[list[str] | None, typer.Option(help="Only this; repeat for more")] = None,
    start: Annotated[str, typer.Option("--from", help="First day or time")] = "",
    end: Annotated[
        str, typer.Option("--to", help="Up to this day (whole) or before this time")
    ] = "",
    broker: Broker = "",
    user: User = "",
    password_file: PasswordFile = None,
    as_now: Annotated[
        bool, typer.Option("--as-now", help="Shift the times so that the last is now")
    ] = False,
    pace: Pace = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Send what sensors told once more over MQTT, with its own times. Twice changes nothing."""
    from monitor.core.clock import now_ms
    from monitor.readings import replay as replaying
    from monitor.store import Reader

    settings = load(data, config, demo=demo)
    checked_pace(pace)
    if as_now and not broker:
        wrong(
            "--as-now makes readings of a time in which nothing was measured: name the broker "
            "that is to have them with --broker, best of a service for trials"
        )
    address = address_of(settings, broker, user, password_file)
    start_ms = moment_of(start, settings.zone, option="--from") if start else 0
    end_ms = moment_of(end, settings.zone, option="--to", whole_day=True) if end else 2**53
    if start_ms >= end_ms:
        wrong(f"--from {start} is not before --to {end}")
    with exit_on(), contextlib.ExitStack() as open_:
        wish: dict[str, Any] = {
            "start_ms": start_ms,
            "end_ms": end_ms,
            "places": place or (),
            "sensors": sensor or (),
        }
        if file is not None:
            stretch = replaying.of_file(file, **wish)
        else:
            reader = open_.enter_context(contextlib.closing(Reader(settings.store_path)))
            stretch = replaying.of_store(reader, **wish)
        by_ms = replaying.shift(stretch, now_ms(), as_now=as_now)
        to_send = replaying.messages(stretch, by_ms, in_order=pace is not None)
        publisher, bar, task = open_.enter_context(under_way(address, stretch.total))
        sent = replaying.send(publisher, to_send, lambda n: bar.advance(task, n), pace)
    out.print(f"{sent} readings sent to {address}", highlight=False, soft_wrap=True)


@app.command()
def health(data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """How each sensor does: a score, and what is wrong."""
    from monitor.core.clock import now_ms
    from monitor.sensor_care.health import health as healths
    from monitor.sensor_care.health import sentence

    settings = load(data, config, demo=demo)
    with journal_of(settings) as (reader, _):
        found = healths(reader, settings, now_ms())
    for one in found:
        exit_on = " ".join(map(sentence, one.found)) or "Nothing wrong."
        out.print(
            f"{one.place.id}/{one.sensor}: {one.score} of 100. {exit_on}",
            highlight=False,
            soft_wrap=True,
        )


@calibrate.command()
def show(sensor: Sensor, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Where it is, the points so far, what they make, which corrections hold."""
    from monitor.core.clock import now_ms
    from monitor.domain.sensor import BOUNDS, SensorHistory
    from monitor.science.calibration.fit import BadFit, fitted
    from monitor.sensor_care.calibration import settled, why

    settings = load(data, config, demo=demo)
    with journal_of(settings) as (reader, journal):
        one = journal.sensors.get(sensor, SensorHistory(sensor))
        state = f"at {one.home}"
        if one.jar is not None:
            found = settled(reader, one, now_ms())
            state = (
                f"over {one.jar.salt}, reads {found.rh_pct:.1f} % RH: {found.rest}, {why(found)}"
            )
    out.print(f"{sensor}: {state}", highlight=False)
    for taken in one.taken:
        p = taken.point
        out.print(
            f"  {p.name}: read {p.reading:.2f}, should be {p.reference:.2f} "
            f"± {2 * p.u_reference:.2f}",
            highlight=False,
        )
    for quantity, bounds in BOUNDS.items():
        if points := one.points(quantity):
            try:
                fit = fitted(points, bounds)
                exit_on = f"{fit.offset:+.3f} + {fit.slope:.4f} × reading"
            except BadFit as exc:
                exit_on = str(exc)
            out.print(f"  {quantity} would be: {exit_on}", highlight=False, soft_wrap=True)
        for held in one.in_force(quantity):
            out.print(
                f"  correction {held.number}, {quantity}, from "
                f"{formats.numeric(held.from_ms, settings.zone)}, by "
                f"{held.by or 'nobody named'}: {held.fit.offset:+.3f} + {held.fit.slope:.4f} × reading",
                highlight=False,
                soft_wrap=True,
            )


@calibrate.command()
def seal(
    sensor: Sensor, salt: str, data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """It is in a sealed jar over SALT from now on: MgCl2 and NaCl are advised, in that order."""
    _do(load(data, config, demo=demo), "seal", sensor, {"salt": salt})
    out.print(f"{sensor}: over {salt}; it tells nothing of its place meanwhile", highlight=False)
    err.print(CAUTION, highlight=False)


@calibrate.command()
def take(
    sensor: Sensor,
    wait: Annotated[bool, typer.Option(help="Watch until it is at rest")] = False,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """It has come to rest: take the point. With --wait, watch until it has."""
    from monitor.core.clock import now_ms
    from monitor.domain.sensor import SensorHistory
    from monitor.science.calibration.settling import Rest
    from monitor.sensor_care.calibration import settled, why

    settings, said = load(data, config, demo=demo), ""
    while wait:
        with journal_of(settings) as (reader, journal):
            found = settled(reader, journal.sensors.get(sensor, SensorHistory(sensor)), now_ms())
        if found.rest is Rest.RESTED:
            break
        if (now := f"{found.rest}: {why(found)}") != said:
            out.print(now, highlight=False)
            said = now
        time.sleep(LOOK_S)
    _do(settings, "take", sensor, {})
    out.print(f"{sensor}: point taken")


@calibrate.command()
def compare(
    sensor: Sensor,
    value: float,
    u: Annotated[float, typer.Option(help="Its expanded uncertainty (k = 2), in the same unit")],
    with_: Annotated[str, typer.Option("--with", help="The reference's mark")] = "reference",
    temperature: Annotated[bool, typer.Option(help="°C, not % RH")] = False,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """A reference beside it reads VALUE now: take that as a point."""
    quantity = "temperature" if temperature else "humidity"
    wish = {"quantity": quantity, "value": value, "u": u, "with": with_}
    _do(load(data, config, demo=demo), "compare", sensor, wish)
    out.print(f"{sensor}: point taken")


@calibrate.command()
def back(sensor: Sensor, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """It is out of the jar, at its place again."""
    _do(load(data, config, demo=demo), "back", sensor, {})
    out.print(f"{sensor}: back at its place")


@calibrate.command()
def fit(
    sensor: Sensor,
    temperature: Annotated[bool, typer.Option(help="Of the temperature")] = False,
    line: Annotated[
        bool | None, typer.Option("--line/--offset", help="Else by the points")
    ] = None,
    since: Annotated[str, typer.Option(help="Holds from then on; else from now")] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Make a correction of the points. What the sensor sent is never changed."""
    settings = load(data, config, demo=demo)
    wish: dict[str, Any] = {"quantity": "temperature" if temperature else "humidity"}
    if line is not None:
        wish["line"] = line
    if since:
        wish["since_ms"] = moment_of(since, settings.zone, option="--since")
    _do(settings, "fit", sensor, wish)
    show(sensor, data, config, demo)


@calibrate.command()
def abandon(sensor: Sensor, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Give the points up."""
    _do(load(data, config, demo=demo), "abandon", sensor, {})
    out.print(f"{sensor}: given up")


@calibrate.command()
def void(
    sensor: Sensor, number: int, data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """Correction NUMBER was wrong: it counts for nothing."""
    _do(load(data, config, demo=demo), "void", sensor, {"number": number})
    out.print(f"{sensor}: correction {number} counts for nothing")
