"""`benchweather sensor`: the agent on a board, and the calibration of any sensor of the shop."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.cli.asking import ask, journal_of
from monitor.cli.shared import Config, Data, Demo, err, load, moment_of, out
from monitor.settings import Settings

app = typer.Typer(no_args_is_help=True, help="Read this machine's chips; calibrate any sensor.")
calibrate = typer.Typer(
    no_args_is_help=True, help="Prove a hygrometer over salts, or beside a reference read by hand."
)
app.add_typer(calibrate, name="calibrate")
_AGENT = {"allow_extra_args": True, "ignore_unknown_options": True}
Sensor = Annotated[str, typer.Argument(help="place/name of the topic it speaks on")]
LOOK_S = 15.0
"""How often a jar is looked at. [s]"""
CAUTION = (
    "Salts eat metal and electronics; label jars, keep them from food, children, tools and "
    "instruments; magnesium nitrate feeds fire. The supplier's safety data sheet decides."
)


def _agent(context: typer.Context) -> None:
    # The agent takes this process's place: what the command line needs must not stay in memory.
    path = os.pathsep.join([str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")])
    name = str(context.info_name)
    arguments = [sys.executable, "-P", "-m", "sensors.agent", name, *context.args]
    sys.stdout.flush()
    os.execve(sys.executable, arguments, os.environ | {"PYTHONPATH": path})  # noqa: S606 - our own module


for _name, _help in (
    ("run", "Read this machine's chips and publish them until stopped."),
    ("find", "List this machine's chips and what they read."),
    ("unit", "Print or write a systemd unit for the agent."),
):
    app.command(_name, add_help_option=False, context_settings=_AGENT, help=_help)(_agent)


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
def health(data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """How each sensor does: a score, and what is wrong."""
    from monitor.clock import now_ms
    from monitor.sensor_health import health as healths
    from monitor.sensor_health import sentence

    settings = load(data, config, demo=demo)
    with journal_of(settings) as (reader, _):
        found = healths(reader, settings, now_ms())
    for one in found:
        told = " ".join(map(sentence, one.found)) or "Nothing wrong."
        out.print(f"{one.place.id}/{one.sensor}: {one.score} of 100. {told}", highlight=False,
                  soft_wrap=True)  # fmt: skip


@calibrate.command()
def show(sensor: Sensor, data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Where it is, the points so far, what they make, which corrections hold."""
    from monitor.clock import from_ms, now_ms
    from monitor.jar_watch import settled, why
    from monitor.science.calibration.fit import BadFit, fitted
    from monitor.sensor_history import BOUNDS, SensorHistory

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
        out.print(f"  {p.name}: read {p.reading:.2f}, should be {p.reference:.2f} "
                  f"± {2 * p.u_reference:.2f}", highlight=False)  # fmt: skip
    for quantity, bounds in BOUNDS.items():
        if points := one.points(quantity):
            try:
                fit = fitted(points, bounds)
                told = f"{fit.offset:+.3f} + {fit.slope:.4f} × reading"
            except BadFit as exc:
                told = str(exc)
            out.print(f"  {quantity} would be: {told}", highlight=False, soft_wrap=True)
        for held in one.in_force(quantity):
            day = from_ms(held.from_ms).astimezone(settings.zone)
            out.print(
                f"  correction {held.number}, {quantity}, from {day:%Y-%m-%d %H:%M}, by "
                f"{held.by or 'nobody named'}: {held.fit.offset:+.3f} + {held.fit.slope:.4f} × reading",
                highlight=False, soft_wrap=True,
            )  # fmt: skip


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
    from monitor.clock import now_ms
    from monitor.jar_watch import settled, why
    from monitor.science.calibration.settling import Rest
    from monitor.sensor_history import SensorHistory

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
