"""`benchweather sensor account`: accounts of sensors and buttons at the broker."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.output import out, print_json, print_table
from monitor.cli.shared import Json, command, wrong
from monitor.settings import Settings

app = typer.Typer(
    no_args_is_help=True,
    help="Add, list and remove accounts at the broker, for sensors and for buttons that send commands.",
)
Name = Annotated[str, typer.Argument(help="Name of the account, such as attic")]
Chosen = Annotated[
    Path | None,
    typer.Option(
        "--password-file", help="File with a password of your own (default: a random one is made)"
    ),
]
To = Annotated[
    Path | None,
    typer.Option(
        "--to",
        help="Write the new password to this file, which only you can read, and do not print it",
    ),
]


@command(app)
def add(
    settings: Settings,
    name: Name,
    commands: Annotated[
        bool,
        typer.Option(
            "--commands",
            help="The account may also send commands and read states, for a button or a display",
        ),
    ] = False,
    password_file: Chosen = None,
    to: To = None,
) -> None:
    """Add an account and print its password once. Without --commands it may only publish readings."""
    from monitor.mqtt.accounts import May, add_account

    may, chosen = May.COMMANDS if commands else May.READINGS, _chosen(password_file)
    password = add_account(settings.broker_accounts_path, name, may, chosen)
    _show(settings, name, "" if chosen else password, to)


@command(app)
def password(settings: Settings, name: Name, password_file: Chosen = None, to: To = None) -> None:
    """Give an account another password. The built-in broker ends its connections."""
    from monitor.mqtt.accounts import change_password

    chosen = _chosen(password_file)
    changed = change_password(settings.broker_accounts_path, name, chosen)
    _show(settings, name, "" if chosen else changed, to)


@command(app)
def remove(settings: Settings, name: Name) -> None:
    """Remove an account. The built-in broker ends its connections."""
    from monitor.mqtt.accounts import remove_account

    remove_account(settings.broker_accounts_path, name)
    out.print(f"{name}: removed{_then(settings)}")


@command(app, name="list")
def list_(settings: Settings, as_json: Json = False) -> None:
    """List the accounts and what each may do."""
    from monitor.mqtt.accounts import read_accounts

    accounts = sorted(read_accounts(settings.broker_accounts_path).values())
    if as_json:
        print_json([{"name": one.name, "may": one.may} for one in accounts])
        return
    print_table(("account", "may send"), [(one.name, str(one.may)) for one in accounts])
    if not settings.broker.url:
        anybody = "may" if settings.broker.admits_anonymous else "may not"
        out.print(f"Sensors without an account {anybody} publish readings.")


@command(app)
def files(
    settings: Settings, to: Annotated[Path, typer.Option("--to", help="Folder for the files")]
) -> None:
    """Write the accounts into password and access files for mosquitto as an outside broker."""
    from monitor.mqtt.accounts import mosquitto_hash, read_accounts
    from monitor.mqtt.mosquitto_files import write_mosquitto_files
    from monitor.readings.payload import Contract
    from monitor.service.broker_access import access_rules

    broker = settings.broker
    own = (broker.user, broker.password.get_secret_value())
    if not all(own):
        wrong(
            "Set broker.user and broker.password first: the service signs in with them. Do not give "
            "them to a sensor."
        )
    accounts = read_accounts(settings.broker_accounts_path)
    if broker.user in accounts:
        wrong(
            f"broker.user = {broker.user}: a sensor has an account of this name; choose another user"
        )
    written = write_mosquitto_files(
        to,
        access_rules(Contract(settings.topics)),
        accounts.values(),
        (own[0], mosquitto_hash(own[1])),
        anonymous=broker.anonymous_sensors == "yes",
    )
    for path in written:
        out.print(str(path), soft_wrap=True)
    out.print(
        "Make mosquitto's user the owner of these files, name them in mosquitto's configuration, "
        "and reload mosquitto.",
        soft_wrap=True,
    )


def _chosen(path: Path | None) -> str:
    """The password in a file; empty if none is given."""
    if path is None:
        return ""
    try:
        return path.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as exc:
        wrong(f"{path}: {getattr(exc, 'strerror', None) or 'is not UTF-8 text'}")


def _show(settings: Settings, name: str, made: str, to: Path | None) -> None:
    """Print a new password once, or write it to a file."""
    if made and to is not None:
        from monitor.mqtt.accounts import write_private

        write_private(to, made + "\n")
        out.print(f"{name}: password written to {to}{_then(settings)}", soft_wrap=True)
    elif made:
        out.print(f"{name}: password (shown only now){_then(settings)}")
        print(made)
    else:
        out.print(f"{name}: now has the password in the file{_then(settings)}")


def _then(settings: Settings) -> str:
    """Remark on when the broker follows a change of accounts."""
    if settings.broker.url:
        return ". Now write the outside broker's files again: benchweather sensor account files"
    return ". A running broker follows within a second"
