"""The whole store in open formats, to be read without this program, and imported again."""

from __future__ import annotations

import base64
import contextlib
import io
import json
import math
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from monitor import __version__
from monitor.backup import columns
from monitor.backup.archive import BackupFault
from monitor.core.clock import from_ms, now_ms, to_ms
from monitor.core.durable_file import rename_durably
from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.core.files import SETTINGS_MAX, FileFault, bounded_lines, open_plain, read_content
from monitor.core.measurements import MEASURES, Quantity
from monitor.domain.events import About
from monitor.settings.table import table
from monitor.store import HOUR_S, TEN_MINUTES_S, copying, migrations
from monitor.store.connection import StoreConnection, opened
from monitor.store.copying import TableSum
from monitor.store.sqlite import SqliteConnection

if TYPE_CHECKING:
    from monitor.settings import Settings

FORMAT, MANIFEST = 1, "manifest.json"
TABLES = ("series", "reading", "rollup", *copying.AT_ONCE)
"""Every table, after those that it refers to."""
CHUNK = 100_000
"""Rows of a transaction of an import."""
FILE_MAX = 1 << 50
"""Largest file of an export: any size, but no pipe and no device. [bytes]"""
LINE_MAX = 100_000_000
"""Longest line of a table of an export: a sheet with the air of a client's home. [characters]"""
_UNREADABLE = (ValueError, KeyError, TypeError, OSError, NotImplementedError, RecursionError)
"""What the libraries raise about a file that is not as it should be."""
OnRows = Callable[[int], object]


class ExportManifest(msgspec.Struct, frozen=True, kw_only=True):
    """Content of an export. `step`: last step of the schema; `tables`: in the order of an import."""

    format: int
    version: str
    made_ms: int
    demo: bool
    step: int
    tables: dict[str, TableSum]

    @property
    def rows(self) -> int:
        return sum(one.rows for one in self.tables.values())


def write(settings: Settings, folder: Path, on_rows: OnRows = lambda _: None) -> ExportManifest:
    """Write the whole store, as it is at one moment, into a folder that is empty or not there yet.

    Raises
    ------
    BackupFault, StoreFault
        If it cannot be written, or pyarrow is not installed.
    OSError
        If the disk cannot be written.
    """
    _arrow()
    folder = folder.expanduser().absolute()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BackupFault(f"{folder} is not empty: name a folder that is empty or not there yet")
    folder.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(suffix=".part", prefix=f"{folder.name}.", dir=folder.parent))
    before = os.umask(0o077)  # it has personal data
    try:
        with contextlib.closing(opened(settings.read_address, read_only=True)) as store:
            if store.is_unfinished():
                raise BackupFault(f"{store.name} is an unfinished copy: finish it first")
            with store.one_state():
                manifest = _written(store, part, on_rows, demo=settings.demo)
        text = columns.readme(settings.shop.name, manifest.made_ms, demo=settings.demo)
        (part / "README.txt").write_text(text, encoding="utf-8")
        (part / "settings.json").write_text(_settings_text(settings), encoding="utf-8")
        (part / MANIFEST).write_bytes(msgspec.json.format(msgspec.json.encode(manifest)))
        if folder.exists():
            folder.rmdir()
        rename_durably(part, folder)
    finally:
        os.umask(before)
        shutil.rmtree(part, ignore_errors=True)
    return manifest


def read(settings: Settings, folder: Path, on_rows: OnRows = lambda _: None) -> ExportManifest:
    """Make the store of a data folder that has none from an export, and compare every table with it.

    An export of an older version is read into a store of that version, which is then brought up to date.

    Raises
    ------
    BackupFault, StoreFault
        If it is not an export, was changed, is of a newer version, or the file exists.
    """
    _arrow()
    manifest, target = _manifest(folder), settings.store_path
    if manifest.demo and not settings.demo:
        raise BackupFault(f"{folder} is of the demo, whose readings are invented: add --demo")
    if settings.demo and not manifest.demo:
        raise BackupFault(f"{folder} is of a real shop: leave out --demo")
    if target.exists():
        raise BackupFault(f"{target} exists: import into a data folder without a store")
    part = target.with_name(f"{target.name}.part")
    _remove(part)
    try:
        with contextlib.closing(SqliteConnection(part, read_only=False)) as store:
            store.prepare(last=manifest.step)
            _check_tables(store, manifest, folder)
            for name, wanted in manifest.tables.items():
                for rows in _in_chunks(_rows_of(folder, name, store)):
                    try:
                        with store.transaction() as run:
                            store.put(run, name, rows)
                    except StoreUnavailable:
                        raise
                    except StoreFault as exc:
                        raise BackupFault(
                            f"{folder}: a row of {name} does not fit: {exc}"
                        ) from exc
                    on_rows(len(rows))
                if _sum_of(store, name) != wanted:
                    raise BackupFault(
                        f"{folder}: table {name} differs from the manifest: a file was changed, or "
                        "is missing"
                    )
            store.prepare()
            _check_history(store, folder)
            if damage := store.damage():
                raise BackupFault(f"{folder}: the rows do not fit together: {damage}")
        rename_durably(part, target)
    finally:
        _remove(part)
    return manifest


def _written(store: StoreConnection, part: Path, on_rows: OnRows, *, demo: bool) -> ExportManifest:
    """Write every table, and return how many rows each has and their checksum."""
    (step,) = store.row("SELECT max(number) FROM schema_step")
    if step != migrations.steps()[-1].number:
        raise BackupFault(
            f"{store.name} is a store of another version: start Benchweather once with it, then "
            "export it"
        )
    (part / "tables").mkdir()
    sums = {}
    series = {row[0]: row[1:] for row in store.rows("SELECT * FROM series")}
    for name in TABLES:
        if name in columns.PARQUET:
            written = _write_months(store, name, series, part / f"{name}s", on_rows)
        else:
            written = _write_lines(store, name, part / "tables" / f"{name}.jsonl", on_rows)
        sums[name] = _sum_of(store, name)
        if sums[name].rows != written:  # of a series that is not known, or a third period
            raise BackupFault(f"{store.name}: table {name} has rows that were not written")
    return ExportManifest(
        format=FORMAT,
        version=__version__,
        made_ms=now_ms(),
        demo=demo,
        step=int(step),
        tables=sums,
    )


def _write_lines(store: StoreConnection, name: str, path: Path, on_rows: OnRows) -> int:
    number, names = 0, _columns(store, name)
    with store.cursor(f"SELECT * FROM {name}") as found, path.open("w", encoding="utf-8") as file:  # noqa: S608 - a table of ours
        for row in found:
            cells = map(_to_json, row)
            line = json.dumps(dict(zip(names, cells, strict=True)), ensure_ascii=False)
            file.write(f"{line}\n")
            number += 1
    on_rows(number)
    return number


def _write_months(
    store: StoreConnection, name: str, series: dict[int, Any], folder: Path, on_rows: OnRows
) -> int:
    """Write a table of series as a Parquet file for each month that has rows."""
    pa, pq = _arrow()
    folder.mkdir()
    rest = _columns(store, name)
    number, time = 0, next(one for one in columns.PARQUET[name][1] if one.endswith("_at"))
    lows, highs = store.row(f"SELECT min(ts_ms), max(ts_ms) FROM {name}")  # noqa: S608 - a table of ours
    periods = (TEN_MINUTES_S, HOUR_S) if name == "rollup" else (None,)
    for begin, end in _months(lows, highs):
        writer = None
        try:
            for series_id, words in series.items():
                rows = [
                    row
                    for period in periods
                    for row in store.rows(
                        f"SELECT * FROM {name} WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ?"  # noqa: S608 - a table of ours
                        + (" AND period_s = ?" if period else ""),
                        (series_id, begin, end, *((period,) if period else ())),
                    )
                ]
                if not rows:
                    continue
                cells = dict(zip(rest, zip(*rows, strict=True), strict=True))
                same = (*words, MEASURES[Quantity(words[2])].unit)
                content = {
                    "series_id": pa.array(cells.pop("series_id"), pa.int64()),
                    **{
                        one: pa.DictionaryArray.from_arrays(
                            pa.array([0] * len(rows), pa.int8()), pa.array([text])
                        )
                        for one, text in zip(
                            ("place", "sensor", "quantity", "unit"), same, strict=True
                        )
                    },
                    time: pa.array(cells.pop("ts_ms"), pa.timestamp("ms", "UTC")),
                    **{one: pa.array(values) for one, values in cells.items()},
                }
                block = pa.table(content)
                if writer is None:
                    path = folder / f"{from_ms(begin):%Y-%m}.parquet"
                    writer = pq.ParquetWriter(path, block.schema, compression="zstd")
                writer.write_table(block)
                number += len(rows)
                on_rows(len(rows))
        finally:
            if writer is not None:
                writer.close()
    return number


def _months(low_ms: int | None, high_ms: int | None) -> Iterator[tuple[int, int]]:
    """Beginning and end of every month (UTC) from one time to another. [ms]"""
    if low_ms is None or high_ms is None:
        return
    first = from_ms(low_ms)
    year, month = first.year, first.month
    begin = to_ms(datetime(year, month, 1, tzinfo=UTC))
    while begin <= high_ms:
        year, month = (year, month + 1) if month < 12 else (year + 1, 1)
        end = to_ms(datetime(year, month, 1, tzinfo=UTC))
        yield begin, end
        begin = end


def _rows_of(folder: Path, name: str, store: StoreConnection) -> Iterator[Sequence[Any]]:
    """Rows of a table from its files, in the order of the store's columns."""
    names = _columns(store, name)
    try:
        if name in columns.PARQUET:
            yield from _rows_of_months(folder / f"{name}s", name, names)
            return
        path = folder / "tables" / f"{name}.jsonl"
        with io.TextIOWrapper(open_plain(path, FILE_MAX), encoding="utf-8") as file:
            for line in bounded_lines(file, path, LINE_MAX):
                found = json.loads(line)
                yield [_from_json(found[one]) for one in names]
    except _UNREADABLE as exc:
        raise BackupFault(f"{folder}: table {name} cannot be read: {exc}") from exc


def _rows_of_months(folder: Path, name: str, names: Sequence[str]) -> Iterator[Sequence[Any]]:
    pa, pq = _arrow()
    time = next(one for one in columns.PARQUET[name][1] if one.endswith("_at"))
    wanted = [time if one == "ts_ms" else one for one in names]
    for path in sorted(folder.glob("*.parquet")):
        with open_plain(path, FILE_MAX) as file:
            for batch in pq.ParquetFile(file).iter_batches(columns=wanted):
                cells = []
                for one in wanted:
                    cell = batch.column(one)
                    floating = pa.types.is_floating(cell.type)
                    cells.append(cell.cast(pa.float64() if floating else pa.int64()).to_pylist())
                yield from zip(*cells, strict=True)


def _manifest(folder: Path) -> ExportManifest:
    try:
        content = read_content(folder / MANIFEST, SETTINGS_MAX)
        found = msgspec.json.decode(content, type=ExportManifest)
    except (OSError, FileFault, msgspec.DecodeError) as exc:
        raise BackupFault(f"{folder} is not an export of Benchweather: {exc}") from exc
    newest = migrations.steps()[-1].number
    if found.format > FORMAT or found.step > newest:
        raise BackupFault(
            f"{folder} was made by a newer version of Benchweather, {found.version:.20}: install that "
            "version and import it there"
        )
    return found


def _check_tables(store: SqliteConnection, manifest: ExportManifest, folder: Path) -> None:
    there = set(store.counts()) - {"schema_step"}
    if there != set(manifest.tables):
        wrong = ", ".join(sorted(there ^ set(manifest.tables)))
        raise BackupFault(f"{folder} lacks a table, or has one too many: {wrong:.200}")


def _check_history(store: SqliteConnection, folder: Path) -> None:
    """Check that each event can be read, and each time shown: without that nothing starts."""
    for name, time in (("reading", "ts_ms"), ("rollup", "ts_ms"), ("event", "recorded_ms")):
        for ms in store.row(f"SELECT min({time}), max({time}) FROM {name}"):  # noqa: S608 - a table of ours
            if abs(ms or 0) >= 1 << 45:  # before the year 855, or after 3084
                raise BackupFault(f"{folder}: table {name} has a time that no calendar shows")
    try:
        with store.cursor("SELECT about, body FROM event") as found:
            for about, body in found:
                if not isinstance(json.loads(body), dict):
                    raise TypeError(
                        f"the details of an event about {about:.20} must be a JSON object"
                    )
                About(about)
    except (ValueError, TypeError, RecursionError) as exc:
        raise BackupFault(f"{folder}: table event cannot be used: {exc}") from exc


def _sum_of(store: StoreConnection, name: str) -> TableSum:
    with store.cursor(f"SELECT * FROM {name}") as found:  # noqa: S608 - a table of the schema
        return copying.summed(_in_chunks(found))


def _in_chunks(rows: Iterable[Any]) -> Iterator[list[Any]]:
    chunk: list[Any] = []
    for row in rows:
        chunk.append(row)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _columns(store: StoreConnection, name: str) -> list[str]:
    with store.cursor(f"SELECT * FROM {name} LIMIT 0") as found:  # noqa: S608 - a table of ours
        return [one[0] for one in found.description]  # type: ignore[attr-defined] # the cursor of either engine


def _to_json(cell: Any) -> Any:
    if isinstance(cell, bytes):
        return {"base64": base64.b64encode(cell).decode()}
    if isinstance(cell, float) and not math.isfinite(cell):
        return {"number": str(cell)}
    return cell


def _from_json(cell: Any) -> Any:
    if isinstance(cell, str):
        cell.encode()  # half a character cannot be stored
    elif isinstance(cell, dict):
        if "base64" in cell:
            return base64.b64decode(cell["base64"], validate=True)
        return float(cell["number"])
    elif isinstance(cell, bool | list) or (isinstance(cell, int) and cell.bit_length() > 63):
        raise ValueError(f"{cell!r:.40} must be text or a number that can be stored")
    return cell


def _settings_text(settings: Settings) -> str:
    """The settings without secrets, and the places, as JSON."""
    content = {
        "settings": {row.name: row.value for row in table(settings)},
        "places": [asdict(place) for place in settings.places],
    }
    return json.dumps(content, ensure_ascii=False, indent=1, default=str) + "\n"


def _remove(part: Path) -> None:
    for end in ("", "-wal", "-shm"):
        part.with_name(f"{part.name}{end}").unlink(missing_ok=True)


def _arrow() -> tuple[Any, Any]:
    """The library for Parquet."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as exc:
        raise BackupFault("Parquet needs pyarrow: pip install 'benchweather[parquet]'") from exc
    return pa, pq
