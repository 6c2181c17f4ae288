"""Backups restored into a new folder, and the drill that tries it and compares with the live store."""

from __future__ import annotations

import contextlib
import glob
import math
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from monitor import settings as settings_module
from monitor.backup import archive
from monitor.backup.archive import BackupFault, BackupManifest
from monitor.backup.contents import DATABASES, STORE
from monitor.backup.making import DRILL, verify
from monitor.core.clock import EVER_MS
from monitor.core.durable_file import rename_durably
from monitor.store import migrations
from monitor.store.connection import StoreConnection, opened
from monitor.store.sqlite import SqliteConnection

if TYPE_CHECKING:
    from monitor.settings import Settings


class Restored(NamedTuple):
    """A backup that was restored, and the number of steps by which its schemas were brought up to
    date."""

    manifest: BackupManifest
    steps: int


class Compared(NamedTuple):
    """Rows of a table in a backup, and of the same span in the live store; `differ`: how many series
    have other values."""

    table: str
    kept: int
    live: int
    differ: int = 0

    @property
    def good(self) -> bool:
        return self.live >= self.kept and not self.differ


def restore(path: Path, target: Path, passphrase: str) -> Restored:
    """Restore a backup into a folder that is empty or not there yet.

    It is verified as a new backup is, an older schema is brought up to date, and the folder gets its
    name at the end: an interrupted restore leaves no data folder that looks whole.

    Raises
    ------
    BackupFault, StoreFault
        With the reason.
    """
    target = target.expanduser().absolute()
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise BackupFault(f"{target} is not a folder: name one that is empty or not there yet")
    if target.is_dir() and any(target.iterdir()):
        raise BackupFault(f"{target} is not empty: name a folder that is empty or not there yet")
    manifest = archive.read_manifest(path, passphrase)
    _check_steps(manifest, path)
    if manifest.demo and target.name != settings_module.DEMO:
        raise BackupFault(
            f"{path} is a backup of the demo, whose readings are invented: name a folder called "
            f"{settings_module.DEMO}, such as {target / settings_module.DEMO}"
        )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part = Path(tempfile.mkdtemp(suffix=".part", prefix=f"{target.name}.", dir=target.parent))
    except OSError as exc:
        raise BackupFault(f"{target.parent}: {exc.strerror}") from exc
    try:
        manifest = verify(path, passphrase, part)
        steps = sum(_brought_up_to_date(part / name) for name in manifest.steps)
        if target.exists():
            target.rmdir()
        rename_durably(part, target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Restored(manifest, steps)


def left_over(target: Path) -> list[Path]:
    """Folders that interrupted restores of a folder have left beside it. They have secrets in them."""
    return sorted(target.expanduser().absolute().parent.glob(f"{glob.escape(target.name)}.*.part"))


def drill(path: Path, settings: Settings, passphrase: str) -> tuple[Restored, list[Compared]]:
    """Restore a backup into a folder that is deleted again, and compare it with the live store.

    Raises
    ------
    BackupFault, StoreFault
        If it cannot be restored, or the live store cannot be read.
    """
    with tempfile.TemporaryDirectory(prefix=DRILL, dir=settings.data) as work:
        target = Path(work) / (settings_module.DEMO if settings.demo else "restored")
        restored = restore(path, target, passphrase)
        with (
            contextlib.closing(SqliteConnection(target / STORE, read_only=True)) as kept,
            contextlib.closing(opened(settings.read_address, read_only=True)) as live,
            live.one_state(),
        ):
            return restored, list(_compared(kept, live))


def _compared(kept: StoreConnection, live: StoreConnection) -> Iterator[Compared]:
    """Compare readings, from the live retention up to the last one of each series, and events, which
    are never deleted."""
    ids = {tuple(one): i for i, *one in live.rows("SELECT * FROM series")}
    cleared = dict(live.rows("SELECT series_id, until_ms FROM retention"))
    rows = found = differ = 0
    for series_id, *series in kept.rows("SELECT * FROM series"):
        live_id = ids.get(tuple(series), -1)
        first_ms = cleared.get(live_id, -EVER_MS)
        number, last_ms, total = kept.row(
            "SELECT count(*), coalesce(max(ts_ms), 0), coalesce(sum(value), 0) FROM reading "
            "WHERE series_id = ? AND ts_ms >= ?",
            (series_id, first_ms),
        )
        there, same = live.row(
            "SELECT count(*), coalesce(sum(value), 0) FROM reading "
            "WHERE series_id = ? AND ts_ms BETWEEN ? AND ?",
            (live_id, first_ms, last_ms),
        )
        rows, found = rows + number, found + there
        equal = math.isclose(total, same, rel_tol=1e-9, abs_tol=1e-6)  # added in any order
        differ += there < number or (there == number and not equal)
    yield Compared("readings", rows, found, differ)
    number, last = kept.row("SELECT count(*), coalesce(max(event_id), 0) FROM event")
    (there,) = live.row("SELECT count(*) FROM event WHERE event_id <= ?", (last,))
    yield Compared("entries of the history", number, there)


def _check_steps(manifest: BackupManifest, path: Path) -> None:
    for name, step in manifest.steps.items():
        known = migrations.steps(DATABASES[name])[-1].number if name in DATABASES else -1
        if step > known:
            raise BackupFault(
                f"{path} was made by a newer version of Benchweather, {manifest.version:.20} (step "
                f"{step} of {name}; this version knows {known}): install that version and restore it "
                "there"
            )


def _brought_up_to_date(path: Path) -> int:
    """Bring a database's schema up to date. Returns the number of steps."""
    before = "SELECT count(*) FROM schema_step"
    with contextlib.closing(SqliteConnection(path, read_only=False)) as database:
        done = database.row(before)[0]
        database.prepare(DATABASES[path.name])
        return int(database.row(before)[0] - done)
