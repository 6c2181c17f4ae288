"""The file of a backup: a tar archive, compressed with gzip, encrypted if there is a passphrase.

It begins with `manifest.json`, which has the size and checksum of each file and the number of rows of
each table. Reading one trusts nothing in it: names, kinds and sizes are checked before a file is
written, and only into the folder that was asked for.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import io
import os
import tarfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any, BinaryIO, cast

import msgspec

from monitor.backup.contents import DATABASES, belongs
from monitor.backup.sealed import FIRST_LINE, NotOpened, Opener, Sealer
from monitor.core.errors import MonitorError
from monitor.core.files import open_plain

FORMAT = 1
"""Number of this format; a higher one is refused."""
MANIFEST, README = "manifest.json", "README.txt"
MANIFEST_MAX, FILES_MAX = 4_000_000, 20_000
"""Largest manifest [bytes], and most files of a backup."""
LEVEL = 3
"""Level of compression: a store becomes half a percent larger than at 6, in a third of the time."""
CHUNK = 1 << 20
"""Size of what is read at once. [bytes]"""
_SIZE_MAX = 1 << 60
MADE_MAX_MS = 1 << 47
"""Time before which each backup was made, in the year 6429. [ms since 1970-01-01 UTC]"""
_BROKEN = (tarfile.TarError, gzip.BadGzipFile, zlib.error, EOFError, msgspec.DecodeError)
HEADER_MAX = 65_536
"""Most bytes of a header that describes the next file: the library reads it into memory at once."""
TEXT = """\
This is a backup of Benchweather, software for violin repair shops.

With Benchweather:  benchweather backup restore THIS_FILE --data NEW_FOLDER

Without it: the readings and everything else that was recorded are in readings.sqlite3, a database of
SQLite 3, which many programs read. Table reading: series_id, ts_ms (milliseconds since 1970-01-01 UTC),
value. Table series says for each series_id which place, sensor and quantity it is: temperature in
degrees Celsius, humidity in percent, pressure in pascal. Values are as the sensors sent them. Table
event has the history: what was done, when and by whom, as JSON. manifest.json has the size and the
SHA-256 checksum of each file. The other files are settings, accounts and keys: keep them secret.
"""


class BackupFault(MonitorError):
    """A backup cannot be made, read or restored."""


class Entry(msgspec.Struct, frozen=True):
    """A file of a backup: its size [bytes] and its SHA-256 checksum, hexadecimal."""

    name: str
    size: int
    sha256: str


class BackupManifest(msgspec.Struct, frozen=True, kw_only=True):
    """Content of a backup. `made_ms`: time of the store's copy [ms since 1970-01-01 UTC]; `steps`: last
    step of the schema, and `tables`: rows by table, of each database."""

    format: int
    version: str
    made_ms: int
    shop: str
    demo: bool
    steps: dict[str, int]
    tables: dict[str, dict[str, int]]
    files: list[Entry]

    @property
    def rows(self) -> int:
        return sum(sum(tables.values()) for tables in self.tables.values())

    @property
    def size(self) -> int:
        """Size of all files. [bytes]"""
        return sum(one.size for one in self.files)


class _Item(tarfile.TarInfo):
    """A file of an archive, whose headers must be small: a bomb is refused before it is read."""

    @classmethod
    def frombuf(cls, *given: Any) -> _Item:
        item = super().frombuf(*given)
        if not item.isreg() and item.size > HEADER_MAX:
            raise tarfile.ReadError("a header is too long")
        return item


def entry_of(name: str, path: Path) -> Entry:
    """Entry of a file as it is now."""
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as file:
        while data := file.read(CHUNK):
            digest.update(data)
            size += len(data)
    return Entry(name, size, digest.hexdigest())


def write(
    path: Path, manifest: BackupManifest, sources: Sequence[tuple[str, Path]], passphrase: str
) -> None:
    """Write a new file of a backup, on disk when this returns; encrypted unless `passphrase` is empty.

    Raises
    ------
    OSError
        If it cannot be written.
    BackupFault
        If a file has another size than the manifest says.
    """
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        sealer = Sealer(file, passphrase) if passphrase else None
        out = cast("BinaryIO", sealer or file)
        sizes = {one.name: one.size for one in manifest.files}
        with (
            gzip.GzipFile("", "wb", LEVEL, out, mtime=0) as packed,
            tarfile.open(fileobj=packed, mode="w|", format=tarfile.PAX_FORMAT) as tar,
        ):
            at_s = manifest.made_ms // 1000
            _add(tar, MANIFEST, at_s, io.BytesIO(msgspec.json.encode(manifest)))
            _add(tar, README, at_s, io.BytesIO(TEXT.encode()))
            for name, source in sources:
                with source.open("rb") as content:
                    if os.fstat(content.fileno()).st_size != sizes[name]:
                        raise BackupFault(f"{source} was changed meanwhile: try again")
                    _add(tar, name, at_s, content)
        if sealer is not None:
            sealer.close()
        file.flush()
        os.fsync(file.fileno())


def _add(tar: tarfile.TarFile, name: str, at_s: int, content: IO[bytes]) -> None:
    item = tarfile.TarInfo(name)
    item.size, item.mtime, item.mode = content.seek(0, os.SEEK_END), at_s, 0o600
    content.seek(0)
    tar.addfile(item, content)


def read_manifest(path: Path, passphrase: str) -> BackupManifest:
    """The manifest of a backup, of which the rest is not looked at; see `extract`."""
    with _opened(path, passphrase) as (_, tar):
        return _manifest(tar, path)


def extract(
    path: Path,
    folder: Path,
    passphrase: str,
    room: Callable[[BackupManifest], object] = lambda _: None,
) -> BackupManifest:
    """Write the files of a backup into an empty folder, each with its checksum compared.

    Parameters
    ----------
    path, folder : Path
    passphrase : str
    room : callable, optional
        Called with the manifest before anything is written; it may raise.

    Raises
    ------
    BackupFault
        If it is not a backup, cannot be decrypted, was changed or cut short, has a file that no backup
        has, or is of a newer version.
    OSError
        If it cannot be read, or the folder cannot be written.
    """
    with _opened(path, passphrase) as (packed, tar):
        manifest = _manifest(tar, path)
        room(manifest)
        wanted = {one.name: one for one in manifest.files}
        while (item := tar.next()) is not None:
            if item.name == README:
                continue
            entry = wanted.pop(item.name, None)
            if entry is None or not item.isreg() or item.size != entry.size:
                raise BackupFault(
                    f"{path} has {item.name!r:.80}, which its list does not have like that: it is "
                    "not used"
                )
            _put(tar, item, folder / item.name, entry, path)
        if wanted:
            raise BackupFault(f"{path} lacks {', '.join(sorted(wanted))[:200]}: it was changed")
        while packed.read(CHUNK):  # to the end, where its checksum is
            pass
    return manifest


def _put(
    tar: tarfile.TarFile, item: tarfile.TarInfo, target: Path, entry: Entry, path: Path
) -> None:
    content, digest = tar.extractfile(item), hashlib.sha256()
    assert content is not None  # noqa: S101 - a regular file
    target.parent.mkdir(mode=0o700, exist_ok=True)
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as out:
        while data := content.read(CHUNK):
            digest.update(data)
            out.write(data)
        out.flush()
        os.fsync(out.fileno())
    if digest.hexdigest() != entry.sha256:
        raise BackupFault(f"{path}: the checksum of {entry.name} differs: the file was changed")


@contextlib.contextmanager
def _opened(path: Path, passphrase: str) -> Iterator[tuple[IO[bytes], tarfile.TarFile]]:
    """The decompressed content of a backup, and its tar archive; errors as ours."""
    with open_plain(path, _SIZE_MAX) as file:
        source: Any = file
        try:
            if file.read(len(FIRST_LINE)) != FIRST_LINE:
                file.seek(0)
            elif passphrase:
                source = Opener(file, passphrase)
            else:
                raise BackupFault(
                    f"{path} is encrypted: give its passphrase with --passphrase-file FILE, or as "
                    "BENCHWEATHER_BACKUP__PASSPHRASE"
                )
            with (
                gzip.GzipFile(fileobj=source) as packed,
                tarfile.open(fileobj=packed, mode="r|", tarinfo=_Item) as tar,
            ):
                yield cast("IO[bytes]", packed), tar
        except NotOpened as exc:
            raise BackupFault(f"{path}: {exc}") from exc
        except _BROKEN as exc:
            raise BackupFault(f"{path} is not a backup, or it was changed or cut short") from exc


def _manifest(tar: tarfile.TarFile, path: Path) -> BackupManifest:
    item = tar.next()
    if item is None or item.name != MANIFEST or not item.isreg() or item.size > MANIFEST_MAX:
        raise BackupFault(f"{path} is not a backup of Benchweather")
    content = tar.extractfile(item)
    assert content is not None  # noqa: S101 - a regular file
    found = msgspec.json.decode(content.read(), type=BackupManifest)
    if found.format > FORMAT:
        raise BackupFault(
            f"{path} was made by a newer version, {found.version:.20}: install that version"
        )
    names = [one.name for one in found.files]
    if strange := [name for name in names if not belongs(name)]:
        raise BackupFault(f"{path} has {strange[0]!r:.80}, which no backup has: it is not used")
    if len(set(names)) != len(names) or len(names) > FILES_MAX:
        raise BackupFault(f"{path} has a file twice, or too many files: it is not used")
    if not 0 <= found.made_ms < MADE_MAX_MS or not found.version.isprintable():
        raise BackupFault(f"{path} has a time or version that no backup has: it is not used")
    if any(one.size < 0 for one in found.files):
        raise BackupFault(f"{path} has a size below 0: it is not used")
    if not {*found.steps} == {*found.tables} == {*names} & {*DATABASES}:
        raise BackupFault(f"{path}: its list of databases is wrong: it is not used")
    return found
