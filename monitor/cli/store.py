"""`benchweather store`: the store copied to another engine, exported and imported; roles."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.output import out
from monitor.cli.shared import HELP_OPTIONS, command, exit_on, failed, progress, store_of, wrong
from monitor.core import formats
from monitor.settings import Settings
from monitor.settings.addresses import database_fault

if TYPE_CHECKING:
    from monitor.people.homes import PeopleHome
    from monitor.store.connection import StoreAddress

app = typer.Typer(
    no_args_is_help=True,
    context_settings=HELP_OPTIONS,
    help="Copy, export and import the whole store, and make roles of a database.",
)
FILE, SERVER = "file", "server"
_WHERE = f"`{FILE}`, `{SERVER}` (store.url), a file's name, or postgresql://user@host/database"


@command(app, "copy")
def copy(
    settings: Settings,
    source: Annotated[str, typer.Argument(metavar="FROM", help=_WHERE)],
    target: Annotated[str, typer.Argument(metavar="TO", help=_WHERE)],
) -> None:
    """Copy the store into an empty one, with the people and phones of the shop, and compare every row.

    Stop Benchweather first.
    """
    from monitor.backup import contents
    from monitor.people import moving
    from monitor.service.sole_use import sole_use
    from monitor.store import copying, outlooks
    from monitor.store.connection import opened

    here, there = _address(source, settings), _address(target, settings)
    if isinstance(here, Path) and not here.is_file():
        failed(f"{here}: there is no such file: name the file of a store, or write `{FILE}`")
    with exit_on(), sole_use(settings.data), contextlib.ExitStack() as both, progress() as bar:
        stores = []
        for address, read_only in ((here, True), (there, False)):
            stores.append(opened(address, read_only=read_only))
            both.callback(stores[-1].close)
            stores[-1].claim()
        of, to = stores
        task = bar.add_task("copying", total=copying.size(of))
        ends = [_people_at(address, settings) for address in (here, there)]

        def with_people() -> None:
            if ends[0] is not None and ends[1] is not None:
                moving.copy(ends[0], ends[1])

        found = copying.copy(of, to, lambda rows: bar.advance(task, rows), with_people)
        folder = settings.data / "outlook"
        if there == settings.store_path and isinstance(here, str):
            outlooks.write_files(of, folder, contents.KINDS)
    rows = formats.grouped(sum(one.rows for one in found.values()))
    out.print(f"{rows} rows of {len(found)} tables are in {to.name}, each as in {of.name}.")
    out.print("Set store.url to the store that you want to use, and start Benchweather.")


@command(app, "export")
def export(
    settings: Settings,
    folder: Annotated[Path, typer.Argument(help="Folder that is empty or not there yet")],
) -> None:
    """Write the whole store in open formats that can be read without Benchweather, and imported.

    Parquet files of every month for readings, JSON for everything else, and README.txt, which explains
    every column. Benchweather may run meanwhile.
    """
    from monitor.backup import shop_export
    from monitor.store import copying

    with store_of(settings) as reader, progress() as bar:
        task = bar.add_task("writing", total=copying.size(reader.connection))
        done = shop_export.write(settings, folder, lambda rows: bar.advance(task, rows))
    out.print(
        f"{formats.grouped(done.rows)} rows of {len(done.tables)} tables are in {folder}. "
        "It has personal data, but no passwords and keys.",
        soft_wrap=True,
    )


@command(app, "import")
def import_(
    settings: Settings,
    folder: Annotated[Path, typer.Argument(help="Folder that `store export` made")],
) -> None:
    """Make a store from an export in the folder of --data, which must not have one, and compare it."""
    from monitor.backup import shop_export
    from monitor.service.sole_use import sole_use

    if settings.store_address != settings.store_path:
        wrong(
            "store.url is set: remove it to import into a file, then run `benchweather store copy file "
            "server` to fill the database"
        )
    with sole_use(settings.data), progress() as bar:
        task = bar.add_task("importing", total=None)
        done = shop_export.read(settings, folder, lambda rows: bar.advance(task, rows))
    out.print(
        f"{formats.grouped(done.rows)} rows of {len(done.tables)} tables are in "
        f"{settings.store_path}, each as in the export.",
        soft_wrap=True,
    )
    out.print("Settings, people and keys are not in an export: set them anew.")


@command(app, "roles")
def make_roles(
    settings: Settings,
    prefix: Annotated[
        str, typer.Option(help="Beginning of the names of the roles")
    ] = "benchweather",
) -> None:
    """Make six roles in the database of store.url, each with the least rights."""
    from monitor.store import Writer, roles

    if not settings.store.url.get_secret_value():
        wrong(
            "store.url is not set: set it to the database, with the database's owner as the user"
        )
    with exit_on(), contextlib.closing(Writer(settings.store_address)) as writer:
        names = roles.make(writer.connection, prefix)
    out.print(f"Roles made in {writer.connection.name}: {', '.join(names.values())}.")
    out.print("Make two users on the server, and set store.url and store.read_url to them:")
    of_board = f"{names[roles.READER]}, {names[roles.PEOPLE]}"
    for user, part in (("service", names[roles.WRITER]), ("board", of_board)):
        out.print(f"  CREATE ROLE {prefix}_{user} LOGIN PASSWORD '...' IN ROLE {part};")
    out.print("If the user of store.read_url is there already, give it the role that is new:")
    out.print(f"  GRANT {names[roles.PEOPLE]} TO {prefix}_board;")


def _people_at(address: StoreAddress, settings: Settings) -> PeopleHome | None:
    """Home of the people who belong to a store; None for a file that is not in a data folder."""
    from monitor.people.homes import PeopleDatabase, PeopleFolder

    if isinstance(address, str):
        own = address == settings.store.url.get_secret_value()
        read_url = settings.store.read_url.get_secret_value() if own else ""
        return PeopleDatabase(read_url or address)
    in_folder = address.name == settings.store_path.name
    return PeopleFolder(address.absolute().parent) if in_folder else None


def _address(given: str, settings: Settings) -> StoreAddress:
    """The store that a word, a file's name or a URL means."""
    if given == FILE:
        return settings.store_path
    if given == SERVER:
        if url := settings.store.url.get_secret_value():
            return url
        wrong(
            "store.url is not set: set it, or name a database as postgresql://user@host/database"
        )
    if "://" not in given:
        return Path(given)
    if fault := database_fault(given):
        wrong(f"The URL of a database {fault}.")
    who = given.removeprefix("postgresql://").partition("/")[0].rpartition("@")[0]
    if ":" in who or "password=" in given:
        wrong(
            "A password in a command can be read by others on this computer: use a password file "
            "(passfile=...), or set store.url and write `server` here."
        )
    return given
