"""`benchweather sensor`: publish readings, find sensors, and record what was done with them."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from monitor.cli import accounts, aside, calibrate, hand_readings
from monitor.cli.asking import ask_or_raise
from monitor.cli.calibrate import SensorId, request
from monitor.cli.listen import listen
from monitor.cli.output import err, out, print_json, print_table
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
from monitor.cli.shared import (
    ClockTime,
    From,
    Json,
    ReplaceUnit,
    To,
    WriteUnit,
    command,
    journal_of,
    print_troubles,
    span_of,
    store_of,
    time_of,
    wrong,
)
from monitor.core.clock import EVER_MS, now_ms
from monitor.core.errors import Rejected
from monitor.domain.sensor import SensorHistory
from monitor.settings import Settings

app = typer.Typer(no_args_is_help=True, help="Publish, find, move and calibrate sensors.")
app.add_typer(calibrate.app, name="calibrate")
app.add_typer(aside.app, name="aside")
app.add_typer(accounts.app, name="account")

AgentConfig = Annotated[
    Path | None, typer.Option(help="Settings file (default: /etc/benchweather/sensor.toml)")
]
Root = Annotated[Path | None, typer.Option(hidden=True, help="Folder in place of /, for tests")]


def _become(module: str, arguments: list[str]) -> NoReturn:
    """Replace this process by a program of `sensors`, which no module here may import. The memory
    of the command line is freed by this."""
    path = os.pathsep.join([str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")])
    sys.stdout.flush()
    line = [sys.executable, "-P", "-m", module, *arguments]
    os.execve(sys.executable, line, os.environ | {"PYTHONPATH": path})  # noqa: S606 - our own module


def _agent(verb: str, **options: Path | str | bool | None) -> NoReturn:
    """Run the sensor agent with the options that were given."""
    arguments = [verb]
    for name, value in options.items():
        if value:
            arguments.append(f"--{name.replace('_', '-')}")
            arguments += [] if value is True else [str(value)]
    _become("sensors.agent", arguments)


@command(app)
def run(
    config: AgentConfig = None,
    data: Annotated[
        Path | None, typer.Option(help="Folder for readings that wait to be sent")
    ] = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log more")] = False,
    root: Root = None,
) -> None:
    """Read this machine's sensor chips and publish the readings until stopped."""
    _agent("run", config=config, data=data, verbose=verbose, root=root)


@command(app)
def find(
    config: AgentConfig = None,
    bluetooth: Annotated[
        bool, typer.Option("--bluetooth", help="Look for Bluetooth sensors too")
    ] = False,
    root: Root = None,
) -> None:
    """List this machine's sensor chips, or Bluetooth sensors in reach, with their readings."""
    _agent("find", config=config, bluetooth=bluetooth, root=root)


@command(app)
def unit(
    config: AgentConfig = None,
    user: Annotated[str, typer.Option(help="User to run as (default: systemd creates one)")] = "",
    password_file: Annotated[
        Path | None, typer.Option(help="File (mode 600) with the broker's password")
    ] = None,
    write: WriteUnit = False,
    force: ReplaceUnit = False,
    to: Annotated[
        Path | None, typer.Option(help="Folder of the unit (default: /etc/systemd/system)")
    ] = None,
) -> None:
    """Print or write a systemd unit, so that the agent starts with the machine."""
    _agent(
        "unit",
        config=config,
        user=user,
        password_file=password_file,
        write=write,
        force=force,
        to=to,
    )


@app.command(
    add_help_option=False,
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True},
)
def simulate(context: typer.Context) -> None:
    """Publish invented readings of invented shops, for trials."""
    _become("sensors.simulator.simulate", context.args)


command(app)(listen)
command(app)(hand_readings.read)
command(app)(hand_readings.withdraw)
command(app)(send)


@command(app)
def move(
    settings: Settings,
    sensor: SensorId,
    place: Annotated[str, typer.Argument(help="Place where the sensor is now")],
    at: ClockTime = "",
) -> None:
    """Record that a sensor moved. A late reading counts for the place where it was measured."""
    given: dict[str, Any] = {"place": place}
    if at:
        given["at_ms"] = time_of(at, settings)
    request(settings, "move", sensor, given)
    out.print(f"{sensor}: at {place}")


@command(app)
def void(
    settings: Settings,
    sensor: SensorId,
    start: From = "",
    end: To = "",
    why: Annotated[str, typer.Option("--why", help="Reason, for the history")] = "",
    undo: Annotated[
        int | None, typer.Option("--undo", help="Number of the void to undo; see the history")
    ] = None,
) -> None:
    """Void wrong readings of a sensor, or undo it. They are kept, but counted nowhere."""
    if undo is not None:
        if start or end or why:
            wrong("--undo takes no other option")
        request(settings, "restore-readings", sensor, {"number": undo})
        out.print(f"{sensor}: void {undo} is undone; its readings count again")
        return
    start_ms, end_ms = span_of(start, end, settings.zone)
    given: dict[str, Any] = {"why": why}
    if start:
        given["from_ms"] = start_ms
    if end:
        given["until_ms"] = end_ms
    _void(settings, sensor, given)


def _void(settings: Settings, sensor: str, given: dict[str, Any]) -> None:
    """Void readings, and print the command that undoes this."""
    request(settings, "void-readings", sensor, given)
    with journal_of(settings) as (_, journal):
        histories = journal.sensors
        one = histories.get(sensor) or next(h for h in histories.values() if h.shown == sensor)
        number = one.voids[-1].number
    out.print(
        f"{sensor}: void {number} made. Undo it: benchweather sensor void {sensor} --undo {number}"
    )


@command(app)
def remove(
    settings: Settings,
    sensor: SensorId,
    why: Annotated[str, typer.Option("--why", help="Reason, for the history")] = "",
) -> None:
    """Remove a mistyped or unwanted sensor: void all its readings, past and future."""
    _void(settings, sensor, {"from_ms": -EVER_MS, "until_ms": EVER_MS, "why": why})


@command(app, name="remove-place")
def remove_place(
    settings: Settings,
    place: Annotated[str, typer.Argument(help="Place whose sensors are removed")],
    why: Annotated[str, typer.Option("--why", help="Reason, for the history")] = "",
) -> None:
    """Remove every sensor that sends on topics of a place, so that the place is gone."""
    with store_of(settings) as reader:
        histories = reader.histories()
        sensors = sorted(
            topic
            for topic in reader.topics()
            if topic.partition("/")[0] == place
            and not (topic in histories and histories[topic].removed)
        )
    if not sensors:
        wrong(f"no sensor sends on topics of {place!r}")
    for sensor in sensors:
        _void(settings, sensor, {"from_ms": -EVER_MS, "until_ms": EVER_MS, "why": why})


@command(app)
def rename(
    settings: Settings,
    sensor: SensorId,
    new: Annotated[str, typer.Argument(metavar="NEW", help="Its new place/name")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Undo the last new name")] = False,
) -> None:
    """Give a sensor another place and name, for past and future readings. Its topic stays the same."""
    if undo == bool(new):
        wrong("Give either the new place/name or --undo.")
    if undo:
        request(settings, "undo-rename", sensor, {})
        out.print(f"{sensor}: its last new name was undone")
        return
    request(settings, "rename", sensor, {"to": new})
    out.print(
        f"{sensor}: renamed to {new}, with its past and future readings. To undo this: "
        f"benchweather sensor rename {sensor} --undo"
    )
    _say_settings(settings, sensor.partition("/")[2])


@command(app, name="rename-place")
def rename_place(
    settings: Settings,
    old: Annotated[str, typer.Argument(metavar="OLD", help="Mistyped name of the place")],
    new: Annotated[str, typer.Argument(metavar="NEW", help="Its right name")],
) -> None:
    """Rename a place, with its past and future readings, open waits and instruments."""
    with journal_of(settings) as (reader, journal):
        topics, known = sorted(reader.topics()), dict(journal.sensors)
        waits = [
            one for one in journal.waits.values() if (one.open or one.setting) and one.place == old
        ]
        instruments = [o for o in journal.instruments.values() if o.here and o.place == old]
        rules = [i for i, rule in journal.rules.items() if f'"{old}"' in json.dumps(rule)]
    found = 0
    for topic in topics:
        one = known.get(topic, SensorHistory(topic))
        if one.removed or old not in (one.first_place, *(place for _, place in one.stays)):
            continue
        to = f"{new}/{one.name}" if one.first_place == old else one.shown
        request(settings, "rename", topic, {"to": to, "old_place": old, "new_place": new})
        out.print(
            f"{topic}: renamed to {to}. To undo this: benchweather sensor rename {topic} --undo"
        )
        found += 1
    if not found:
        wrong(f"No sensor is or was at {old!r}.")
    for about, what, since in [
        *(("wait", one.id, one.started_ms) for one in waits),
        *(("instrument", one.id, one.arrived_ms) for one in instruments),
    ]:
        try:
            ask_or_raise(
                settings, "move", {"about": about, about: what, "place": new, "at_ms": since}
            )
            out.print(f"{about} {what}: moved to {new}")
        except Rejected as exc:
            out.print(f"{about} {what}: not moved ({exc}). Move it: benchweather {about} move")
    if rules:
        out.print(f"These rules name {old}; change them with `rule set`: {', '.join(rules)}")
    _say_settings(settings, old)


def _say_settings(settings: Settings, name: str) -> None:
    """Print each line of the settings file that has a name in quotes: those do not follow."""
    if settings.config is None:
        return
    lines = settings.config.read_text(encoding="utf-8").splitlines()
    marks = (f'"{name}"', f"'{name}'", f".{name}]", f"/{name}")
    for number, line in enumerate(lines, 1):
        if any(mark in line for mark in marks):
            out.print(f"Change this line of {settings.config} yourself: {number}: {line.strip()}")


@command(app)
def inherit(
    settings: Settings,
    sensor: SensorId,
    of: Annotated[str, typer.Argument(metavar="OLD", help="Its earlier place/name")],
) -> None:
    """Give SENSOR the corrections of its old name."""
    request(settings, "inherit", sensor, {"of": of})
    out.print(f"{sensor}: has the corrections of {of}")


@command(app)
def replay(
    settings: Settings,
    file: Annotated[
        Path | None,
        typer.Argument(help="File made by `export --raw` (default: the stored readings)"),
    ] = None,
    place: Annotated[
        list[str] | None, typer.Option(help="Only this place; repeat for more")
    ] = None,
    sensor: Annotated[
        list[str] | None, typer.Option(help="Only this sensor; repeat for more")
    ] = None,
    start: From = "",
    end: To = "",
    broker: Broker = "",
    user: User = "",
    password_file: PasswordFile = None,
    as_now: Annotated[
        bool, typer.Option("--as-now", help="Shift the times so that the last is now")
    ] = False,
    pace: Pace = None,
) -> None:
    """Publish stored raw readings again, with their own times. Repeats are ignored."""
    from monitor.readings import left_out
    from monitor.readings import replay as replaying

    checked_pace(pace)
    if as_now and not broker:
        wrong(
            "--as-now invents readings for a time without measurements. Name another broker with "
            "--broker, such as that of a service for trials."
        )
    address = address_of(settings, broker, user, password_file)
    start_ms, end_ms = span_of(start, end, settings.zone)
    wanted: dict[str, Any] = {
        "start_ms": start_ms,
        "end_ms": end_ms,
        "places": place or (),
        "sensors": sensor or (),
    }
    with contextlib.ExitStack() as open_:
        if file is not None:
            plan = replaying.of_file(file, **wanted)
        else:
            reader = open_.enter_context(store_of(settings))
            plan = replaying.of_store(reader, **wanted)
            gone = (
                one
                for of in (left_out.deleted, left_out.voided)
                for one in of(reader, start_ms, end_ms)
                if one.place in (place or (one.place,)) and one.sensor in (sensor or (one.sensor,))
            )
            if notes := left_out.lines("Not sent:", gone, settings.zone, now_ms()):
                err.print("\n".join(notes))
        by_ms = replaying.shift(plan, now_ms(), as_now=as_now)
        to_send = replaying.messages(plan, by_ms, in_order=pace is not None)
        publisher, bar, task = open_.enter_context(under_way(address, plan.total))
        sent = replaying.send(publisher, to_send, lambda n: bar.advance(task, n), pace)
    out.print(f"{sent} readings sent to {address}")


@command(app)
def health(settings: Settings, as_json: Json = False) -> None:
    """Show each sensor's health, 0 to 100, and its faults."""
    from monitor.sensor_care.health import health as healths
    from monitor.sensor_care.health import sentence

    with journal_of(settings) as (reader, _):
        found = healths(reader, settings, now_ms())
    if as_json:
        print_json(
            [
                {
                    "place": one.place.id,
                    "sensor": one.sensor,
                    "score": one.score,
                    "faults": [sentence(fault) for fault in one.found],
                }
                for one in found
            ]
        )
        return
    print_troubles(settings)
    print_table(
        ("sensor", "health", "faults"),
        [
            (
                f"{one.place.id}/{one.sensor}",
                f"{one.score} of 100",
                "\n".join(map(sentence, one.found)) or "none",
            )
            for one in found
        ],
    )
