"""`benchweather sensor send`: one reading to the broker, as a sensor would send it."""

from __future__ import annotations

import contextlib
from typing import Annotated

import typer

from monitor.cli.output import out
from monitor.cli.sending import ANSWER_S, Broker, PasswordFile, User, address_of
from monitor.cli.shared import wrong
from monitor.core.clock import now_ms
from monitor.settings import Settings


def send(
    settings: Settings,
    sensor: Annotated[str, typer.Argument(metavar="PLACE/SENSOR", help="Such as front-bench/a1")],
    temperature: Annotated[float | None, typer.Option(help="Air temperature [°C]")] = None,
    humidity: Annotated[float | None, typer.Option(help="Relative humidity [%]")] = None,
    broker: Broker = "",
    user: User = "",
    password_file: PasswordFile = None,
) -> None:
    """Send one reading over MQTT now, as a sensor would.

    The service must be running, or --broker must name another broker.
    """
    from monitor.core.errors import BadPayload
    from monitor.core.measurements import Quantity, Reading, Series, name_fault
    from monitor.mqtt.client import Publisher
    from monitor.readings.payload import Contract, reason_of
    from monitor.readings.replay import message

    place, _, name = sensor.partition("/")
    for what, part in (("place", place), ("sensor", name)):
        if fault := name_fault(part):
            wrong(f"{sensor!r}: its {what} {fault}; write PLACE/SENSOR, such as front-bench/a1")
    given = {Quantity.TEMPERATURE: temperature, Quantity.HUMIDITY: humidity}
    now = now_ms()
    readings = [
        Reading(Series(place, name, quantity), now, value)
        for quantity, value in given.items()
        if value is not None
    ]
    if not readings:
        wrong("There is nothing to send. Give --temperature, --humidity or both.")
    one = message(readings)
    try:
        if faults := Contract().decode(one.topic, one.payload, now).faults:
            wrong(reason_of(faults))
    except BadPayload as exc:
        wrong(str(exc))
    address = address_of(settings, broker, user, password_file)
    with contextlib.closing(Publisher(address)) as publisher:
        publisher.connect(ANSWER_S)
        publisher.publish(one.topic, one.payload)(ANSWER_S)
    out.print(f"Sent to {address}, topic {one.topic}")
