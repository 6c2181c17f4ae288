"""Backups made while the service writes: copied, counted, packed, verified, and only then named."""

from __future__ import annotations

import contextlib
import hashlib
import re
import shutil
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from monitor import __version__
from monitor.backup import archive, rotation, state
from monitor.backup.archive import BackupFault, BackupManifest
from monitor.backup.contents import KINDS, OUTLOOK, PEOPLE, STORE, chosen
from monitor.core.clock import from_ms, now_ms, to_ms
from monitor.core.durable_file import give_to_owner, rename_durably
from monitor.core.errors import MonitorError
from monitor.core.file_lock import held
from monitor.people import moving
from monitor.people.homes import PeopleFolder, home_of
from monitor.runtime.disk_space import shortage
from monitor.store import copying, outlooks, secret_files
from monitor.store.connection import StoreAddress, is_there, opened
from monitor.store.sqlite import SqliteConnection

if TYPE_CHECKING:
    from monitor.settings import Settings

WORK, LOCK = "backup.work", "backup.lock"
"""Folder in the data folder in which a backup is made, and the file that keeps a second one away."""
DRILL, DRILL_LEFT_S = "backup-drill-", 86_400.0
"""Beginning of the name of a folder in which a backup is tried, and the age from which it is left over.
[-], [s]"""
ROW_BYTES = 50
"""Size of a row of a store's file, rather more than less. [bytes]"""
_STAMP = "%Y%m%dT%H%M%SZ"
OnPages = Callable[[int, int], object]
"""Called with the number of pages that are copied, and of all; it may raise."""


class BackupFile(NamedTuple):
    """File of a backup, and when it was made. [ms since 1970-01-01 UTC]"""

    made_ms: int
    path: Path


class Made(NamedTuple):
    """A new backup: its file, what it has, and older ones that were deleted for it."""

    path: Path
    manifest: BackupManifest
    deleted: tuple[Path, ...] = ()


def make(settings: Settings, folder: Path, on_pages: OnPages = lambda *_: None) -> Made:
    """Make a backup in a folder that is there already, encrypted if the settings have a passphrase.

    It gets its name once it is whole and was read again: its databases opened and checked, the rows of
    every table counted, each file's checksum compared.

    Raises
    ------
    BackupFault, StoreFault
        With the reason, and what to do.
    """
    if not is_there(settings.store_address):
        raise BackupFault(f"There are no readings in {settings.data} to back up")
    folder = folder.expanduser().absolute()
    if folder.resolve().is_relative_to(settings.data.resolve()):
        raise BackupFault(
            f"{folder} is in the data folder: choose a folder on another disk, or on another computer"
        )
    if not folder.is_dir():
        raise BackupFault(f"There is no folder {folder}: connect its disk, or make the folder")
    with _errors(folder), _work(settings) as work:
        for left in _found(settings, folder, r"\.part"):
            left.path.unlink()  # of a backup that was killed
        return _made(settings, folder, work, on_pages)


def _made(settings: Settings, folder: Path, work: Path, on_pages: OnPages) -> Made:
    databases: dict[str, StoreAddress] = {STORE: settings.read_address}
    people, files = settings.data / PEOPLE, list(chosen(settings))
    if isinstance(settings.read_address, str):  # where they are files, they are chosen
        with contextlib.closing(opened(settings.read_address, read_only=True)) as store:
            kept = outlooks.write_files(store, work / OUTLOOK, KINDS)
        written = {f"{OUTLOOK}/{path.name}": path for path in kept}
        people = _people_in_files(settings, work / "people")
        written |= {name: people.with_name(name) for name in secret_files.NAMES}
        files = [(n, p) for n, p in files if n not in written] + list(written.items())
        files = [(name, path) for name, path in files if path.exists()]
    if people.exists():
        databases[PEOPLE] = people
    large = sum(_size(address) for address in databases.values())
    small = sum(path.stat().st_size for _, path in files)
    if lacking := shortage([(work, large + small), (folder, large + small)]):
        raise BackupFault(f"There is not enough space: {lacking}")
    made_ms, steps, tables = now_ms(), {}, {}
    for name, address in databases.items():
        steps[name], tables[name] = _save(address, work / name, on_pages)
    for name, path in files:
        (work / name).parent.mkdir(exist_ok=True)
        if path != work / name:
            shutil.copyfile(path, work / name)
    names = [*databases, *(name for name, _ in files)]
    manifest = BackupManifest(
        format=archive.FORMAT,
        version=__version__,
        made_ms=made_ms,
        shop=settings.shop.name,
        demo=settings.demo,
        steps=steps,
        tables=tables,
        files=[archive.entry_of(name, work / name) for name in names],
    )
    passphrase = settings.backup.passphrase.get_secret_value()
    stamp = f"{from_ms(made_ms):{_STAMP}}"
    path = folder / f"{_prefix(settings)}{stamp}.tar.gz{'.age' if passphrase else ''}"
    part = path.with_name(f"{path.name}.part")
    try:
        archive.write(part, manifest, [(name, work / name) for name in names], passphrase)
        shutil.rmtree(work)
        work.mkdir(mode=0o700)
        verify(part, passphrase, work)
        give_to_owner(part, settings.data)
        rename_durably(part, path)
    finally:
        part.unlink(missing_ok=True)
    return Made(path, manifest)


def _people_in_files(settings: Settings, folder: Path) -> Path:
    """Write the people of a database, their keys and phones as the files of a data folder, and return
    their database."""
    with contextlib.closing(PeopleFolder(folder)) as target:
        moving.copy(home_of(settings), target)
        return target.path


def nightly(
    settings: Settings, on_pages: OnPages = lambda *_: None, *, emptied: bool = False
) -> Made:
    """Make a backup in the folder of the settings, delete those that are no longer kept, and note it.

    With `emptied` the folder may have lost all earlier backups; else it is taken for the place where a
    disk that is not connected belongs.

    Raises
    ------
    BackupFault, StoreFault
        With the reason, which is noted too.
    """
    folder, before, tried_ms = settings.backup.folder, state.read(settings), now_ms()
    if folder is None:
        raise BackupFault("backup.folder is not set: set it, or name a folder with --to")
    try:
        with _errors(folder):  # also of a disk that is still mounted but does not answer
            if not emptied:
                _check_disk(folder, before)
            made = make(settings, folder, on_pages)
    except MonitorError as exc:
        failed = msgspec.structs.replace(before, tried_ms=tried_ms, fault=str(exc))
        with contextlib.suppress(OSError):  # a full disk, which is reported anyway
            state.note(settings, failed)
        raise
    with _errors(folder):
        good = state.State(
            folder=before.folder,
            good_ms=made.manifest.made_ms,
            path=str(made.path),
            size=made.path.stat().st_size,
            rows=made.manifest.rows,
            tried_ms=tried_ms,
        )
        state.note(settings, good)
        return made._replace(deleted=tuple(_rotate(settings, folder, good.good_ms)))


def _check_disk(folder: Path, before: state.State) -> None:
    """Refuse a folder that is there but has no backup any more, as one whose disk is away."""
    if before.good_ms and folder.is_dir() and not any(folder.glob("*.tar.gz*")):
        raise BackupFault(
            f"{folder} is empty, but had backups: connect its disk. If you emptied it, run "
            "`benchweather backup make`"
        )


def backups(settings: Settings, folder: Path) -> list[BackupFile]:
    """Backups of this shop in a folder, the newest first."""
    return _found(settings, folder)


def _found(settings: Settings, folder: Path, ending: str = "") -> list[BackupFile]:
    """Files of this shop's backups whose names have an ending (a pattern), the newest first."""
    found = []
    name = re.compile(rf"{_prefix(settings)}(\d{{8}}T\d{{6}}Z)\.tar\.gz(\.age)?{ending}")
    for path in folder.iterdir():
        if (match := name.fullmatch(path.name)) and path.is_file():
            with contextlib.suppress(ValueError):  # a day that is none: not ours
                at = datetime.strptime(match[1], _STAMP).replace(tzinfo=UTC)
                found.append(BackupFile(to_ms(at), path))
    return sorted(found, reverse=True)


def verify(path: Path, passphrase: str, work: Path) -> BackupManifest:
    """Read a whole backup: each checksum, and each database opened, checked and counted.

    Parameters
    ----------
    path : Path
    passphrase : str
    work : Path
        An empty folder, where its files stay.

    Raises
    ------
    BackupFault
        If anything differs.
    """
    with _errors(path):
        manifest = archive.extract(path, work, passphrase, lambda one: _check_room(one, work))
    if STORE not in manifest.tables:
        raise BackupFault(f"{path} has no readings: it is not a backup")
    for name, tables in manifest.tables.items():
        with contextlib.closing(SqliteConnection(work / name, read_only=True)) as database:
            found, damage = database.counts(), database.damage()
        if damage or found != tables:
            wrong = [one for one in {*found, *tables} if found.get(one) != tables.get(one)]
            raise BackupFault(
                f"{path}: {name} is damaged: {damage or ', '.join(sorted(wrong))}. Use another backup"
            )
    return manifest


def _check_room(manifest: BackupManifest, work: Path) -> None:
    if lacking := shortage([(work, manifest.size)]):
        raise BackupFault(f"There is not enough space to read the backup: {lacking}")


def _save(address: StoreAddress, target: Path, on_pages: OnPages) -> tuple[int, dict[str, int]]:
    """Save a database into a new file. Returns the last step of its schema, and its tables' rows."""
    with contextlib.closing(opened(address, read_only=True)) as source:
        if isinstance(source, SqliteConnection):
            source.save(target, on_pages)
        else:
            with contextlib.closing(opened(target, read_only=False)) as copy, source.one_state():
                copying.copy(source, copy)
    with contextlib.closing(SqliteConnection(target, read_only=True)) as saved:
        if damage := saved.damage():
            raise BackupFault(f"{source.name} is damaged ({damage}): restore an older backup")
        step = saved.row("SELECT max(number) FROM schema_step")[0]
        return int(step or 0), saved.counts()


def _rotate(settings: Settings, folder: Path, now_ms: int) -> Iterator[Path]:
    """Delete the backups that the settings no longer keep.

    Later ones than now are of a clock that was or is wrong. They neither go nor count: else the backup
    that was just made could go for them.
    """
    group = settings.backup
    found = [one for one in backups(settings, folder) if one.made_ms <= now_ms]
    keep = rotation.kept(
        (one.made_ms for one in found),
        settings.zone,
        daily=group.daily,
        weekly=group.weekly,
        monthly=group.monthly,
    )
    for one in found:
        if one.made_ms not in keep:
            one.path.unlink(missing_ok=True)
            yield one.path


@contextlib.contextmanager
def _work(settings: Settings) -> Iterator[Path]:
    """An empty folder to work in, for one process at a time; deleted afterwards."""
    work = settings.data / WORK
    with held(settings.data / LOCK) as alone:
        if not alone:
            raise BackupFault("Another backup is being made: wait until it has ended")
        shutil.rmtree(work, ignore_errors=True)
        for left in settings.data.glob(f"{DRILL}*"):
            if time.time() - left.lstat().st_mtime > DRILL_LEFT_S:  # of one that was killed
                shutil.rmtree(left, ignore_errors=True)
        work.mkdir(mode=0o700)
        try:
            yield work
        finally:
            shutil.rmtree(work, ignore_errors=True)


@contextlib.contextmanager
def _errors(where: Path) -> Iterator[None]:
    """Errors of the system as ours."""
    try:
        yield
    except OSError as exc:
        raise BackupFault(f"{exc.filename or where}: {exc.strerror or exc}") from exc


def _prefix(settings: Settings) -> str:
    """Beginning of the names of this shop's backups: two shops may share a folder."""
    given = settings.shop.name
    name = re.sub(r"[^a-z0-9]+", "-", given.lower()).strip("-") or "shop"
    if not given.isascii():  # two names may differ only in what is left out
        name += f"-{hashlib.sha256(given.encode()).hexdigest()[:6]}"
    return f"benchweather-{name}-"


def _size(address: StoreAddress) -> int:
    """Size of a database with its log; of one on a server by its number of rows. [bytes]"""
    if isinstance(address, str):
        with contextlib.closing(opened(address, read_only=True)) as database:
            return ROW_BYTES * copying.size(database)
    log = address.with_name(f"{address.name}-wal")
    return address.stat().st_size + (log.stat().st_size if log.exists() else 0)
