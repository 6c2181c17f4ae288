"""`benchweather sensor aside`: messages kept aside since the machine's clock had jumped."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.asking import ask
from monitor.cli.calibrate import SensorId
from monitor.cli.output import local, out, print_json, print_table
from monitor.cli.shared import Json, command, store_of
from monitor.settings import Settings

app = typer.Typer(
    no_args_is_help=True,
    help="Show, take in or dismiss readings kept aside because this machine's clock had jumped.",
)


@command(app, name="list")
def list_(settings: Settings, as_json: Json = False) -> None:
    """List what is kept aside of each sensor."""
    from monitor.store import aside

    with store_of(settings) as reader:
        found = aside.by_sensor(reader)
    if as_json:
        print_json([one._asdict() for one in found])
        return
    if not found:
        out.print("Nothing is kept aside.")
        return
    print_table(
        ("sensor", "readings", "dated from", "corrected: from"),
        [
            (
                one.sensor,
                str(one.readings),
                local(one.received_ms[0], settings.zone),
                local(one.steady_ms[0], settings.zone),
            )
            for one in found
        ],
    )


@command(app)
def take(
    settings: Settings,
    sensor: SensorId,
    as_dated: Annotated[
        bool, typer.Option("--as-dated", help="The clock was right (default: take its jump off)")
    ] = False,
) -> None:
    """Take in what is kept aside of SENSOR, with corrected times."""
    asked = {"about": "aside", "sensor": sensor, "as_dated": as_dated}
    done = ask(settings, "take", asked)
    out.print(f"{sensor}: {done['readings']} readings taken in")


@command(app)
def dismiss(settings: Settings, sensor: SensorId) -> None:
    """Dismiss what is kept aside of SENSOR. It stays in the store, unused."""
    done = ask(settings, "dismiss", {"about": "aside", "sensor": sensor})
    out.print(f"{sensor}: {done['readings']} readings dismissed")
