"""`benchweather sensor send`: one reading to the broker, as a sensor would send it."""

from __future__ import annotations

import contextlib
from typing import Annotated

import typer

from monitor.cli.sending import ANSWER_S, Broker, PasswordFile, User, address_of
from monitor.cli.shared import Config, Data, Demo, exit_on, load, out, wrong


def send(
    sensor: Annotated[str, typer.Argument(metavar="PLACE/SENSOR", help="Such as front-bench/a1")],
    temperature: Annotated[float | None, typer.Option(help="Air temperature [°C]")] = None,
    humidity: Annotated[float | None, typer.Option(help="Relative humidity [%]")] = None,
    broker: Broker = "",
    user: User = "",
    password_file: PasswordFile = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Send one reading over MQTT now, as a sensor would.

    The service must run, or --broker name another broker.
    """
    from monitor.core.clock import now_ms
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
        wrong("nothing to send: give --temperature, --humidity or both")
    one = message(readings)
    with exit_on(wrong_use=BadPayload):
        if faults := Contract().decode(one.topic, one.payload, now).faults:
            wrong(reason_of(faults))
        address = address_of(load(data, config, demo=demo), broker, user, password_file)
        with contextlib.closing(Publisher(address)) as publisher:
            publisher.connect(ANSWER_S)
            publisher.publish(one.topic, one.payload)(ANSWER_S)
    out.print(f"Sent to {address}, topic {one.topic}", highlight=False, soft_wrap=True)
