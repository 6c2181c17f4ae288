"""`benchweather sensor calibrate`: hygrometers over salts, or beside a reference."""

from __future__ import annotations

import time
from typing import Annotated, Any

import typer

from monitor.cli.asking import ask
from monitor.cli.output import err, local, out, print_json
from monitor.cli.shared import Json, command, journal_of, moment_of
from monitor.core.clock import now_ms
from monitor.settings import Settings

app = typer.Typer(
    no_args_is_help=True, help="Calibrate a sensor over salts, or beside a reference."
)
SensorId = Annotated[
    str, typer.Argument(metavar="SENSOR", help="place/name of its topic, such as bench/sht31")
]
LOOK_S = 15.0
"""Time between two looks at a jar. [s]"""
CAUTION = (
    "Salts corrode metal and electronics. Label the jars. Keep them away from food, children, "
    "tools and instruments. Magnesium nitrate makes a fire fiercer: keep it away from solvents, "
    "rags and wood dust. Wear gloves and eye protection with lithium chloride, potassium carbonate "
    "and magnesium nitrate. Never calibrate inside an instrument case. Follow the supplier's safety "
    "data sheet."
)


@command(app)
def show(settings: Settings, sensor: SensorId, as_json: Json = False) -> None:
    """Show a sensor's place, calibration points, possible fit and corrections."""
    from monitor.domain.sensor import SensorHistory
    from monitor.domain.sensor_requests import BOUNDS
    from monitor.science.calibration.fit import BadFit, fitted
    from monitor.sensor_care.calibration import settled, why

    with journal_of(settings) as (reader, journal):
        one = journal.sensors.get(sensor, SensorHistory(sensor))
        state = f"at {one.home}"
        if one.jar is not None:
            found = settled(reader, one, now_ms())
            state = (
                f"over {one.jar.salt}, reads {found.rh_pct:.1f} % RH: {found.rest}, {why(found)}"
            )
    corrections = {quantity: one.in_force(quantity) for quantity in BOUNDS}
    if as_json:
        print_json(
            {
                "sensor": sensor,
                "state": state,
                "points": [taken.point for taken in one.taken],
                "corrections": corrections,
            }
        )
        return
    out.print(f"{sensor}: {state}")
    for taken in one.taken:
        p = taken.point
        out.print(
            f"  {p.name}: reading {p.reading:.2f}, reference {p.reference:.2f} "
            f"± {2 * p.u_reference:.2f}"
        )
    for quantity, bounds in BOUNDS.items():
        if points := one.points(quantity):
            try:
                fit = fitted(points, bounds)
                text = f"{fit.offset:+.3f} + {fit.slope:.4f} × reading"
            except BadFit as exc:
                text = str(exc)
            out.print(f"  fit of {quantity}: {text}")
        for held in corrections[quantity]:
            out.print(
                f"  correction {held.number}, {quantity}, "
                f"from {local(held.from_ms, settings.zone)}, by {held.by or 'somebody'}: "
                f"{held.fit.offset:+.3f} + {held.fit.slope:.4f} × reading"
            )


@command(app)
def seal(
    settings: Settings,
    sensor: SensorId,
    salt: Annotated[str, typer.Argument(help="Salt in the jar: MgCl2 or NaCl, in this order")],
) -> None:
    """Record that a sensor is in a sealed jar over a salt from now on."""
    request(settings, "seal", sensor, {"salt": salt})
    out.print(f"{sensor}: over {salt}. Until it is back, its readings are not used for its place.")
    err.print(CAUTION)


@command(app)
def take(
    settings: Settings,
    sensor: SensorId,
    wait: Annotated[bool, typer.Option("--wait", help="Wait until the reading is steady")] = False,
) -> None:
    """Take the steady reading in the jar as a calibration point."""
    from monitor.domain.sensor import SensorHistory
    from monitor.science.calibration.settling import SettlingStage
    from monitor.sensor_care.calibration import settled, why

    shown = ""
    while wait:
        with journal_of(settings) as (reader, journal):
            found = settled(reader, journal.sensors.get(sensor, SensorHistory(sensor)), now_ms())
        if found.rest is SettlingStage.STEADY:
            break
        if (text := f"{found.rest}: {why(found)}") != shown:
            out.print(text)
            shown = text
        time.sleep(LOOK_S)
    request(settings, "take", sensor, {})
    out.print(f"{sensor}: point taken")


@command(app)
def compare(
    settings: Settings,
    sensor: SensorId,
    value: Annotated[float, typer.Argument(help="Reading of the reference beside it")],
    u: Annotated[float, typer.Option(help="Expanded uncertainty of the reference (k = 2)")],
    with_: Annotated[str, typer.Option("--with", help="Name of the reference")] = "reference",
    temperature: Annotated[
        bool, typer.Option("--temperature", help="VALUE is in °C, not % RH")
    ] = False,
) -> None:
    """Take the reading of a reference beside the sensor as a calibration point."""
    given = {"quantity": _quantity(temperature), "value": value, "u": u, "with": with_}
    request(settings, "compare", sensor, given)
    out.print(f"{sensor}: point taken")


@command(app)
def back(settings: Settings, sensor: SensorId) -> None:
    """Record that a sensor is out of the jar and back at its place."""
    request(settings, "back", sensor, {})
    out.print(f"{sensor}: back at its place")


@command(app)
def fit(
    settings: Settings,
    sensor: SensorId,
    temperature: Annotated[
        bool, typer.Option("--temperature", help="Correct the temperature, not the humidity")
    ] = False,
    line: Annotated[
        bool | None,
        typer.Option("--line/--offset", help="Form of the fit (default: chosen from the points)"),
    ] = None,
    since: Annotated[
        str, typer.Option(help="Time from which the correction applies (default: now)")
    ] = "",
) -> None:
    """Fit a correction to the points. The sensor's own readings are kept unchanged."""
    given: dict[str, Any] = {"quantity": _quantity(temperature)}
    if line is not None:
        given["line"] = line
    if since:
        given["since_ms"] = moment_of(since, settings.zone, option="--since")
    request(settings, "fit", sensor, given)
    show(settings, sensor)


@command(app)
def abandon(settings: Settings, sensor: SensorId) -> None:
    """Discard the points of an unfinished calibration."""
    request(settings, "abandon", sensor, {})
    out.print(f"{sensor}: points discarded")


@command(app)
def void(
    settings: Settings,
    sensor: SensorId,
    number: Annotated[int, typer.Argument(help="Number of the correction")],
) -> None:
    """Void a wrong correction. It is no longer applied."""
    request(settings, "void", sensor, {"number": number})
    out.print(f"{sensor}: correction {number} is void")


def request(settings: Settings, do: str, sensor: str, given: dict[str, Any]) -> None:
    """Ask the service to change something about a sensor."""
    ask(settings, do, {"about": "sensor", "sensor": sensor} | given)


def _quantity(temperature: bool) -> str:
    return "temperature" if temperature else "humidity"
