"""`benchweather people`, `session`, `token` and `audit`: who may do what on the board, and who did."""

from __future__ import annotations

import getpass
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.output import local, out, print_json, print_table
from monitor.cli.shared import From, Json, To, command, read_secret, span_of, wrong
from monitor.core.clock import now_ms
from monitor.people.roles import Role
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.people.access_store import AccessStore
    from monitor.people.entries import Credential, EntryKind

people = typer.Typer(
    no_args_is_help=True,
    help="Manage the people who may sign in to the board. The role viewer can only read. The "
    "role bench can do the daily work. The role owner can do everything.",
)
sessions = typer.Typer(
    no_args_is_help=True, help="List and withdraw sessions of signed-in browsers."
)
tokens = typer.Typer(
    no_args_is_help=True,
    help="Add, list and withdraw tokens of scripts and links of wall screens.",
)

DAY_MS = 86_400_000

Name = Annotated[str, typer.Argument(metavar="NAME", help="Name of the person")]
Given = Annotated[Role, typer.Option("--role", help="What the person, or the script, may do")]
Ask = Annotated[
    bool, typer.Option("--ask", help="Type a password (default: a passphrase is made)")
]
PasswordFile = Annotated[
    Path | None, typer.Option(help="File with the password, which only you can read (chmod 600)")
]
Number = Annotated[int | None, typer.Argument(help="Its number, from `list`")]
Days = Annotated[float, typer.Option(help="Days for which it works", min=0.01, max=3660)]


def store_of_people(settings: Settings) -> AccessStore:
    """The database of people."""
    from monitor.people.access_store import store_of

    return store_of(settings)


def record(settings: Settings, action: str, detail: str) -> None:
    """Add what was done on the command line to the history."""
    from monitor.people.entries import AuditEntry

    entry = AuditEntry(now_ms(), getpass.getuser(), "command line", "", action, detail)
    store_of_people(settings).record(entry)


@command(people, "list")
def list_people(settings: Settings, as_json: Json = False) -> None:
    """List people and their roles."""
    found = store_of_people(settings).people()
    if as_json:
        rows = [{"name": p.name, "role": p.role, "added_ms": p.added_ms} for p in found]
        print_json(rows)
    elif not found:
        out.print("Nobody has been added. The link of `benchweather board` signs in the owner.")
    else:
        zone = settings.zone
        print_table(
            ("name", "role", "added"), [(p.name, p.role, local(p.added_ms, zone)) for p in found]
        )


@command(people)
def add(
    settings: Settings,
    name: Name,
    role: Given = Role.BENCH,
    ask: Ask = False,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> None:
    """Add a person. A new passphrase is printed, unless you give a password."""
    password, ours = _password(settings, name, ask, password_file)
    store_of_people(settings).add_person(name, role, password, now_ms())
    record(settings, "person added", f"{name}, {role}")
    _answer(f"{name} may sign in with the role {role}.", password if ours else "", as_json)
    if settings.board.password.get_secret_value() and not as_json:
        out.print(
            "Anyone who knows board.password can still do everything. Remove it from the settings when "
            "everybody has been added."
        )


@command(people)
def password(
    settings: Settings,
    name: Name,
    ask: Ask = False,
    password_file: PasswordFile = None,
    as_json: Json = False,
) -> None:
    """Give a person a new passphrase or password. All their sessions end."""
    store = store_of_people(settings)
    name = store.person(name).name
    new, ours = _password(settings, name, ask, password_file)
    store.set_password(name, new, now_ms())
    record(settings, "password changed", f"of {name}")
    _answer(f"{name} has a new password.", new if ours else "", as_json)


@command(people)
def role(
    settings: Settings,
    name: Name,
    role: Annotated[Role, typer.Argument(help="viewer, bench or owner")],
) -> None:
    """Give a person another role. It takes effect at once."""
    store_of_people(settings).set_role(name, role)
    record(settings, "role changed", f"{name} is {role}")
    out.print(f"{name} has the role {role} now.")


@command(people)
def remove(
    settings: Settings,
    name: Name,
    yes: Annotated[bool, typer.Option("--yes", help="Remove without asking")] = False,
) -> None:
    """Remove a person. All their sessions end; the history of access keeps the name."""
    store = store_of_people(settings)
    name = store.person(name).name
    if not yes and not typer.confirm(f"Remove {name}?"):
        raise typer.Exit(1)
    store.remove_person(name)
    record(settings, "person removed", name)
    out.print(f"{name} is removed.")


@command(sessions, "list")
def list_sessions(settings: Settings, as_json: Json = False) -> None:
    """List browsers that are signed in."""
    from monitor.people.entries import SESSIONS

    _list(settings, store_of_people(settings).credentials(SESSIONS, now_ms()), as_json)


@command(sessions, "withdraw")
def withdraw_session(
    settings: Settings,
    number: Number = None,
    everyone: Annotated[bool, typer.Option("--all", help="Withdraw every session")] = False,
) -> None:
    """Withdraw a session: its browser is signed out at once."""
    from monitor.people.entries import SESSIONS

    if (number is None) == (not everyone):
        wrong("Give the number of a session, or --all.")
    found = store_of_people(settings).credentials(SESSIONS, now_ms()) if everyone else []
    _withdraw(settings, [one.credential_id for one in found] if everyone else [number], SESSIONS)


@command(tokens, "add")
def add_token(
    settings: Settings,
    name: Annotated[str, typer.Argument(help="Name of the script")],
    role: Given = Role.VIEWER,
    days: Days = 365,
    as_json: Json = False,
) -> None:
    """Make a token for a script, and print it once.

    The script sends it with each request as `Authorization: Bearer TOKEN`.
    """
    from monitor.people.entries import EntryKind

    token = _issue(settings, EntryKind.SCRIPT, name, role, days)
    if as_json:
        print_json({"token": token})
    else:
        print(token)


@command(tokens, "list")
def list_tokens(settings: Settings, as_json: Json = False) -> None:
    """List tokens of scripts, and links of wall screens."""
    from monitor.people.entries import TOKENS

    _list(settings, store_of_people(settings).credentials(TOKENS, now_ms()), as_json)


@command(tokens, "withdraw")
def withdraw_token(settings: Settings, number: Number = None) -> None:
    """Withdraw the token of a script, or the link of a wall screen. It stops working at once."""
    from monitor.people.entries import TOKENS

    if number is None:
        wrong("Give the number of a token, from `benchweather token list`.")
    _withdraw(settings, [number], TOKENS)


def audit(
    settings: Settings,
    person: Annotated[str, typer.Option(help="Only entries about what this person did")] = "",
    start: From = "",
    end: To = "",
    most: Annotated[
        int, typer.Option(help="Largest number of entries", min=1, max=100_000)
    ] = 1_000,
    as_json: Json = False,
) -> None:
    """Print the history of access: who signed in and who changed what, the newest first."""
    start_ms, end_ms = span_of(start, end, settings.zone)
    found = store_of_people(settings).history(most, start_ms=start_ms, end_ms=end_ms, who=person)
    if as_json:
        print_json(found)
    elif not found:
        out.print("The history of access has no such entries.")
    else:
        print_table(
            ("time", "who", "session", "from", "what"),
            [
                (
                    local(one.at_ms, settings.zone),
                    one.who,
                    one.session,
                    one.address,
                    f"{one.action}: {one.detail}" if one.detail else one.action,
                )
                for one in found
            ],
        )


def wall_token(settings: Settings, name: str, days: float) -> str:
    """Token of a new wall screen, whose link can only look."""
    from monitor.people.entries import EntryKind

    return _issue(settings, EntryKind.WALL, name, Role.VIEWER, days)


def _issue(settings: Settings, kind: EntryKind, name: str, role: Role, days: float) -> str:
    from monitor.people.entries import checked_name

    name = checked_name(name)
    lasts_ms = round(days * DAY_MS)
    token, _ = store_of_people(settings).issue(kind, role, now_ms(), lasts_ms, name=name)
    record(settings, "token made", f"{name} ({kind}), {role}")
    return token


def _list(settings: Settings, found: Iterable[Credential], as_json: bool) -> None:
    rows: list[dict[str, Any]] = [
        {
            "number": one.credential_id,
            "kind": one.kind,
            "name": one.name,
            "role": one.role,
            "made_ms": one.made_ms,
            "used_ms": one.used_ms,
            "until_ms": one.until_ms,
            "address": one.address,
            "browser": one.browser,
        }
        for one in found
    ]
    if as_json:
        print_json(rows)
    elif not rows:
        out.print("None.")
    else:
        zone = settings.zone
        print_table(
            ("number", "kind", "name", "role", "last used", "until", "from"),
            [
                (
                    str(row["number"]),
                    row["kind"],
                    row["name"],
                    row["role"],
                    local(row["used_ms"], zone),
                    local(row["until_ms"], zone),
                    f"{row['address']} {row['browser']}".strip(),
                )
                for row in rows
            ],
        )


def _withdraw(settings: Settings, numbers: list[Any], kinds: tuple[EntryKind, ...]) -> None:
    store = store_of_people(settings)
    for number in numbers:
        one = store.withdraw(number, now_ms(), kinds)
        record(settings, "withdrawn", f"{one.label}, {one.name}")
        out.print(f"{one.label}: withdrawn")


def _password(settings: Settings, name: str, ask: bool, file: Path | None) -> tuple[str, bool]:
    """The password for a person, and whether it is a passphrase that we made."""
    from monitor.people import passwords

    if ask and file:
        wrong("Give --ask or --password-file, not both.")
    if file is not None:
        given = read_secret(file)
    elif ask:
        given = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
    else:
        return passwords.passphrase(), True
    passwords.check_password(given, (name, settings.shop.name))
    return given, False


def _answer(text: str, passphrase: str, as_json: bool) -> None:
    if as_json:
        print_json({"passphrase": passphrase} if passphrase else {})
        return
    out.print(text)
    if passphrase:
        out.print(f"Passphrase, shown only now: {passphrase}")
