"""`benchweather sensor simulate`: invented shops whose sensors publish over MQTT, for trials."""

from __future__ import annotations

import threading
import time
from typing import Annotated

import typer

from monitor.cli.output import out
from monitor.cli.sending import Pace, PasswordFile, User, address_of, checked_pace, under_way
from monitor.cli.shared import HELP_OPTIONS, NO_END_MS, command, moment_of, wrong
from monitor.core.clock import now_ms
from monitor.core.signals import signals_call
from monitor.readings.payload.validation import EARLIEST_MS
from monitor.readings.replay import send
from monitor.settings import Settings
from sensors.simulator.messages import messages
from sensors.simulator.shops import PERIOD_MAX_MS, PLACES, SENSORS_MAX, Shops

app = typer.Typer(
    add_completion=False, pretty_exceptions_enable=False, context_settings=HELP_OPTIONS
)


def main() -> None:
    app(prog_name="benchweather sensor simulate")


@command(app)
def simulate(
    settings: Settings,
    shops: Annotated[int, typer.Option(min=1, max=SENSORS_MAX, help="Number of shops")] = 1,
    sensors: Annotated[
        int,
        typer.Option(
            min=1, max=SENSORS_MAX, help="Sensors in each shop, at bench, varnish and outdoors"
        ),
    ] = 4,
    seed: Annotated[
        int, typer.Option(min=0, help="Random seed: the same gives the same readings")
    ] = 1,
    period: Annotated[
        float,
        typer.Option(
            min=0.1, max=PERIOD_MAX_MS / 1000, help="Seconds between readings of a sensor"
        ),
    ] = 10.0,
    start: Annotated[str, typer.Option("--from", help="First day or time (default: now)")] = "",
    end: Annotated[
        str, typer.Option("--to", help="Last day, included, or end time (default: until Ctrl-C)")
    ] = "",
    broker: Annotated[
        str,
        typer.Option(metavar="URL", help="Broker for them, mqtt://host:port or mqtts://host:port"),
    ] = "",
    user: User = "",
    password_file: PasswordFile = None,
    pace: Pace = None,
    places: Annotated[
        bool,
        typer.Option("--places", help="Print the places for the trial's settings; send nothing"),
    ] = False,
) -> None:
    """Publish invented readings of invented shops to a service for trials.

    Past readings are sent at --pace, or as fast as the broker accepts them. Later readings are
    sent when their time comes: a service rejects readings more than 5 minutes ahead.
    """
    checked_pace(pace)
    if shops * sensors > SENSORS_MAX:
        wrong(
            f"--shops {shops} with --sensors {sensors} each make {shops * sensors} sensors: "
            f"at most {SENSORS_MAX} in all are allowed"
        )
    period_ms = round(1000 * period)
    made = Shops(seed, settings.zone, shops, sensors, period_ms)
    if places:
        _print_places(made)
        return
    if not broker:
        wrong(
            "These readings are invented. Name the broker for them with --broker, such as that of a "
            "service for trials."
        )
    address = address_of(settings, broker, user, password_file)
    now = now_ms()
    first = moment_of(start, settings.zone, option="--from") if start else now
    last = moment_of(end, settings.zone, option="--to", whole_day=True) if end else NO_END_MS
    if first < EARLIEST_MS:
        wrong(f"--from {start}: must not be before 2020, as a service rejects such times")
    if first > now:
        wrong(f"--from {start} is in the future. Leave it out to begin now.")
    first, last = first + -first % period_ms, last - last % period_ms
    if first >= last:
        wrong(
            f"No whole period of {period:g} s lies between --from {start or 'now'} and --to {end}."
        )
    total = (last - first) // period_ms * made.values_each_period if end else None
    stop, began, count = threading.Event(), time.monotonic(), 0

    with signals_call(stop.set), under_way(address, total) as (publisher, bar, task):
        rooms = bar.add_task("stepping the rooms", total=1.0)

        def stepped(share: float) -> None:
            nonlocal began
            began = began if count else time.monotonic()
            bar.update(rooms, completed=share)
            if stop.is_set():
                raise KeyboardInterrupt

        def arrived(readings: int) -> None:
            nonlocal count
            count += 1
            bar.advance(task, readings)

        to_send = messages(made, first, last, in_order=pace is not None, stepped=stepped)
        sent = send(publisher, to_send, arrived, pace, in_time=True, stop=stop)
    took_s = time.monotonic() - began  # without the steps before
    out.print(
        f"{sent} readings in {count} messages sent to {address}, all acknowledged, in "
        f"{took_s:.1f} s: {sent / took_s:.0f} readings a second"
    )
    if total is not None and sent < total:
        raise typer.Exit(130)


def _print_places(shops: Shops) -> None:
    """The places as lines of the settings file."""
    named = dict.fromkeys((one.place, one.shop, one.where) for one in shops.sensors)
    for name, shop, where in named:
        out.print(f'[[places]]\nid = "{name}"\nkind = "{PLACES[where].kind}"')
        if where < len(shops.volumes_m3):
            out.print(f"volume_m3 = {shops.volumes_m3[where][shop]:.0f}")
        out.print()


if __name__ == "__main__":
    main()
