"""Parts of the commands that send readings: the broker's address, the pace and the progress."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.progress import Progress, TaskID

from monitor.cli.output import err
from monitor.cli.shared import progress, wrong

if TYPE_CHECKING:
    from monitor.mqtt.client import Address, Publisher
    from monitor.settings import Settings

ANSWER_S = 5.0
"""Time within which a broker must answer. [s]"""
Broker = Annotated[
    str,
    typer.Option(
        metavar="URL", help="Broker, mqtt://host:port or mqtts://host:port (default: the shop's)"
    ),
]
User = Annotated[str, typer.Option(help="User name at --broker")]
PasswordFile = Annotated[Path | None, typer.Option(help="File with the password of --user")]
Pace = Annotated[float | None, typer.Option(help="Speed: 60 plays an hour in a minute")]


def checked_pace(pace: float | None) -> float | None:
    """A pace that time can keep."""
    if pace is not None and not (0 < pace < math.inf):
        wrong(f"--pace {pace:g}: must be above 0; 60 plays an hour in a minute")
    return pace


def address_of(settings: Settings, broker: str, user: str, password_file: Path | None) -> Address:
    """The address of the shop's broker, or of another, which never gets the shop's password."""
    from monitor.mqtt.client import Address
    from monitor.settings.addresses import mqtt_url
    from monitor.settings.shop_broker import broker_address

    if bool(user) != (password_file is not None) or (user and not broker):
        wrong("--user and --password-file must be given together, and only with --broker")
    if not broker:
        return broker_address(settings)
    try:
        url = mqtt_url(broker)
    except ValueError:
        wrong(
            "--broker must be mqtt://host:port or mqtts://host:port; a password goes into "
            "--password-file"
        )
    password = ""
    if password_file is not None:
        password = password_file.read_text("utf-8", "replace").rstrip("\r\n")
    return Address("", 0, user, password, ca_file=settings.broker.ca_file).at(url, None, None)


@contextlib.contextmanager
def under_way(address: Address, total: int | None) -> Iterator[tuple[Publisher, Progress, TaskID]]:
    """A connected publisher and a bar of acknowledged readings. If sending is interrupted, their
    number is printed. `total` is None for a run without an end."""
    from monitor.core.errors import BrokerUnavailable
    from monitor.mqtt.client import Publisher

    with contextlib.ExitStack() as open_:
        publisher = open_.enter_context(contextlib.closing(Publisher(address)))
        publisher.connect(ANSWER_S)
        bar = open_.enter_context(progress())
        task = bar.add_task("sending", total=total)
        try:
            yield publisher, bar, task
        except (BrokerUnavailable, KeyboardInterrupt) as exc:
            had, of = int(bar.tasks[task].completed), "" if total is None else f" of {total}"
            err.print(f"{had}{of} readings had arrived before this ended")
            if isinstance(exc, KeyboardInterrupt):
                raise typer.Exit(130) from None
            raise
