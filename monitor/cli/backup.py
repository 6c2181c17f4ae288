"""`benchweather backup`: backups made, listed, verified, restored, and the drill."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.output import err, local, out, print_json, print_table
from monitor.cli.shared import HELP_OPTIONS, Json, command, failed, progress, read_secret, wrong
from monitor.core import formats
from monitor.core.errors import SettingsFault
from monitor.core.files import size_text
from monitor.settings import Settings
from monitor.settings.keeping_groups import PASSPHRASE_MIN

if TYPE_CHECKING:
    from monitor.backup.making import BackupFile
    from monitor.backup.restoring import Compared

app = typer.Typer(
    no_args_is_help=True,
    context_settings=HELP_OPTIONS,
    help="Make, verify and restore backups of the data folder. Benchweather may run meanwhile.",
)
PassphraseFile = Annotated[
    Path | None,
    typer.Option(
        "--passphrase-file",
        help="File with the passphrase of an encrypted backup, which only you can read "
        "(default: backup.passphrase)",
    ),
]
Of = Annotated[Path, typer.Argument(metavar="PATH", help="File of the backup")]


@command(app, "make")
def make(
    settings: Settings,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", help="Folder for the backup (default: backup.folder of the settings)"
        ),
    ] = None,
    passphrase_file: PassphraseFile = None,
) -> None:
    """Make a backup now and verify it. In backup.folder, older backups are then deleted by rule."""
    from monitor.backup import making

    settings = _with_passphrase(settings, passphrase_file)
    with progress() as bar:
        task = bar.add_task("copying", total=None)

        def on_pages(done: int, of: int) -> None:
            bar.update(task, completed=done, total=of)

        if to is not None:
            made = making.make(settings, to, on_pages)
        else:
            made = making.nightly(settings, on_pages, emptied=True)
    out.print(f"Backup: {made.path}", soft_wrap=True)
    out.print(
        f"{size_text(made.path.stat().st_size)}, {formats.grouped(made.manifest.rows)} rows, "
        f"{'encrypted' if made.path.suffix == '.age' else 'not encrypted'}. It was read again and "
        "verified."
    )
    for path in made.deleted:
        out.print(f"Deleted by rule: {path.name}")
    if made.path.stat().st_dev == settings.data.stat().st_dev:
        err.print(
            "It is on the same disk as the data folder. If that disk fails, both are lost: choose a "
            "folder on another disk."
        )


@command(app, "list")
def list_(
    settings: Settings,
    folder: Annotated[
        Path | None, typer.Option("--in", help="Folder (default: backup.folder of the settings)")
    ] = None,
    as_json: Json = False,
) -> None:
    """Show the backups of this shop in a folder, the newest first."""
    found = _backups(settings, folder, "a folder with --in")
    if as_json:
        print_json(
            [
                {"made_ms": one.made_ms, "path": one.path, "size": one.path.stat().st_size}
                for one in found
            ]
        )
        return
    print_table(
        ("made", "size", "file"),
        [
            (local(one.made_ms, settings.zone), size_text(one.path.stat().st_size), str(one.path))
            for one in found
        ],
    )
    if not found:
        out.print("There are no backups of this shop there.")


@command(app, "verify")
def verify(settings: Settings, path: Of, passphrase_file: PassphraseFile = None) -> None:
    """Read a whole backup: compare every checksum, check its databases and count their rows."""
    import tempfile

    from monitor.backup import making

    passphrase = _passphrase(settings, passphrase_file)
    where = settings.data if settings.data.is_dir() else None
    with tempfile.TemporaryDirectory(prefix=making.DRILL, dir=where) as work:
        manifest = making.verify(path, passphrase, Path(work))
    out.print(
        f"{path} is whole: made {local(manifest.made_ms, settings.zone)} by version "
        f"{manifest.version}.",
        soft_wrap=True,
    )
    print_table(
        ("table", "rows"),
        [
            (f"{name.partition('.')[0]} {table}", f"{rows}")
            for name, tables in manifest.tables.items()
            for table, rows in tables.items()
            if rows
        ],
    )
    out.print(f"{len(manifest.files)} files, each with the right checksum.")


@command(app, "restore")
def restore(settings: Settings, path: Of, passphrase_file: PassphraseFile = None) -> None:
    """Restore a backup into the folder of --data, which must be empty or not there yet."""
    from monitor import settings as settings_module
    from monitor.backup import restoring

    done = restoring.restore(path, settings.data, _passphrase(settings, passphrase_file))
    faults, restored = [], None
    try:
        restored = settings_module.load(data=settings.data)
    except SettingsFault as exc:
        faults = exc.faults
    made = local(done.manifest.made_ms, (restored or settings).zone)
    out.print(
        f"{settings.data} has the state of {made}: {formats.grouped(done.manifest.rows)} rows.",
        soft_wrap=True,
    )
    if done.steps:
        out.print(f"It was of an older version and was brought up to date ({done.steps} steps).")
    out.print(
        "What is newer than that is not in it. Stop the other Benchweather before you start this one: "
        "sensors must reach one of them only."
    )
    for folder in restoring.left_over(settings.data):
        err.print(
            f"{folder} is left from a restore that was interrupted. It has passwords and clients' data "
            "in it. If no other restore runs, delete it.",
            soft_wrap=True,
        )
    ask, data = ("demo", settings.data.parent) if done.manifest.demo else ("run", settings.data)
    out.print(
        f"Start it with `benchweather {ask} --data {shlex.quote(str(data))}`.", soft_wrap=True
    )
    if restored is None:
        err.print("Its settings cannot be used on this computer as they are:", style="bold red")
        for fault in faults:
            err.print(f"  {fault}")
    elif restored.store_address != restored.store_path:
        out.print(
            "Its settings name a database server (store.url). To use the restored file, remove "
            "store.url, store.read_url and broker.group. To fill an empty database from it, set "
            "store.url to the owner of that database and run `benchweather store copy file server`."
        )


@command(app, "drill")
def drill(
    settings: Settings,
    path: Annotated[
        Path | None,
        typer.Argument(metavar="[PATH]", help="File of the backup (default: the newest)"),
    ] = None,
    passphrase_file: PassphraseFile = None,
) -> None:
    """Try a backup: restore it into a temporary folder and compare that with the live store.

    The temporary folder is then deleted. The backup and the live store are not changed.
    """
    from monitor.backup import restoring

    if path is None:
        found = _backups(settings, None, "the file of a backup")
        if not found:
            failed(
                f"There are no backups in {settings.backup.folder}. Run `benchweather backup make`."
            )
        path = found[0].path
    passphrase = _passphrase(settings, passphrase_file)
    done, compared = restoring.drill(path, settings, passphrase)
    out.print(
        f"{path}, made {local(done.manifest.made_ms, settings.zone)}, was restored into a temporary "
        "folder and opened. The temporary folder is deleted; the backup is not changed.",
        soft_wrap=True,
    )
    if done.steps:
        out.print(f"It was of an older version and was brought up to date ({done.steps} steps).")
    for one in compared:
        out.print(f"{'good' if one.good else 'BAD '}  {_sentence(one)}")
    if not all(one.good for one in compared):
        failed("The live store lacks what the backup has: keep this backup, and look at the log.")
    out.print("This backup can be restored.")


def _sentence(one: Compared) -> str:
    """Comparison of a table with the live store, in words."""
    kept = f"{formats.grouped(one.kept)} {one.table} in the backup"
    if one.live < one.kept:
        return f"{kept}; the live store lacks {formats.grouped(one.kept - one.live)} of them"
    if one.differ:
        return f"{kept}; in the live store {one.differ} series up to then differ"
    if one.live > one.kept:
        later = formats.grouped(one.live - one.kept)
        return f"{kept}; the live store has them, and {later} more that arrived later"
    return f"{kept}; the live store has the same number up to then"


def _backups(settings: Settings, folder: Path | None, instead: str) -> list[BackupFile]:
    """Backups in a folder, else in that of the settings."""
    from monitor.backup import making

    folder = folder or settings.backup.folder
    if folder is None:
        wrong(f"backup.folder is not set: set it, or name {instead}")
    if not folder.is_dir():
        failed(f"There is no folder {folder}: connect its disk, or name another folder")
    return making.backups(settings, folder)


def _passphrase(settings: Settings, file: Path | None) -> str:
    return read_secret(file) if file else settings.backup.passphrase.get_secret_value()


def _with_passphrase(settings: Settings, file: Path | None) -> Settings:
    """The settings with the passphrase of a file, if one is named."""
    if file is None:
        return settings
    if len(passphrase := read_secret(file)) < PASSPHRASE_MIN:
        wrong(f"{file}: a passphrase must have at least {PASSPHRASE_MIN} characters")
    return settings.with_backup_passphrase(passphrase)
