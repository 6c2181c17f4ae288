"""Forecasts that somebody drops as files into the folder `forecasts` of the data folder."""

from __future__ import annotations

import logging
import os
from pathlib import Path

from monitor.core.clock import from_ms
from monitor.core.errors import BadPayload
from monitor.core.files import FileFault, read_content
from monitor.domain.forecast import Forecast
from monitor.outlook.weather.formats import from_csv, from_json
from monitor.outlook.weather.intake import ForecastIntake

log = logging.getLogger(__name__)

FOLDER_SOURCE = "folder"
"""Source name of the dropped files."""
FILE_MAX = 8_000_000
"""Largest file accepted. [bytes]"""
TAKEN, REFUSED = "taken", "refused"
REASON = ".reason.txt"
_UNDER_WAY = (".part", ".tmp")
NAME_KEPT = 160
"""Most of a file's name that is kept: with the time and the reason's ending it must fit. [bytes]"""
STUCK_S = 300
"""A file that lies longer than this is not being read. [s]"""
REFUSED_SHOWN_S = 86_400
"""Time for which a rejected file is named. [s]"""


class DropFolder:
    """Reads dropped files once they have stopped growing. For one thread.

    A file that was read is moved to `taken/`, a rejected one to `refused/`, with a text file beside it
    that says why. Names that begin with a dot or end in .part or .tmp are ignored. A file that can
    be neither read nor moved stays, is logged once, and keeps no other one from being read.

    Parameters
    ----------
    path : Path
        Made if it is not there.
    intake : ForecastIntake
    """

    def __init__(self, path: Path, intake: ForecastIntake) -> None:
        self._path, self._intake = path, intake
        self._seen: dict[str, tuple[int, int]] = {}
        self._stuck: dict[str, str] = {}

    def take_files(self, now_ms: int) -> int:
        """Read each file that has not changed since the last call. Returns how many were read.

        Raises
        ------
        OSError
            If the folder cannot be read.
        StoreUnavailable
            If the store cannot be written just now: the file stays where it is.
        """
        for folder in (TAKEN, REFUSED):
            (self._path / folder).mkdir(parents=True, exist_ok=True)
        before, self._seen, taken = self._seen, {}, 0
        stuck: dict[str, str] = {}
        for file in _dropped(self._path):
            try:
                if not _is_plain(file):
                    continue
                state = file.stat()
                now = (state.st_size, state.st_mtime_ns)
                if before.get(file.name) == now:
                    taken += self._take(file, now_ms)
                else:
                    self._seen[file.name] = now
            except OSError as exc:
                self._seen[file.name] = before.get(file.name, (0, 0))
                stuck[file.name] = exc.strerror or str(exc)
        for name in stuck.keys() - self._stuck.keys():
            log.warning("forecast file stays file=%s reason=%s", printable(name), stuck[name])
        self._stuck = stuck
        return taken

    def _take(self, file: Path, now_ms: int) -> bool:
        content = b""
        try:
            content = _content(file)
            found = read(file.name, content, FOLDER_SOURCE, now_ms)
            took = self._intake.keep(found, now_ms)
        except BadPayload as exc:
            topic = f"forecasts/{printable(file.name)}"[:500]
            self._intake.refuse(topic, content, str(exc), now_ms)
            target = self._moved(file, REFUSED, now_ms)
            target.with_name(target.name + REASON).write_text(f"{exc}\n", encoding="utf-8")
            return False
        self._moved(file, TAKEN, now_ms)
        log.info("forecast file taken new=%d repeated=%d", took.new, took.repeated)
        return True

    def _moved(self, file: Path, folder: str, now_ms: int) -> Path:
        """Move it, under the time of arrival, never over another."""
        name = printable(file.name).encode()[-NAME_KEPT:].decode("utf-8", "ignore")
        stem = f"{from_ms(now_ms):%Y%m%dT%H%M%S}Z-{name}"
        target, number = self._path / folder / stem, 1
        while target.exists():
            number += 1
            target = target.with_name(f"{number}-{stem}")
        file.rename(target)
        return target


def _dropped(folder: Path) -> list[Path]:
    """Entries of the folder that are not hidden, not being written, and not our own folders."""
    return sorted(
        file
        for file in folder.iterdir()
        if not file.name.startswith(".")
        and file.suffix not in _UNDER_WAY
        and file.name not in (TAKEN, REFUSED)
    )


def _is_plain(file: Path) -> bool:
    return not file.is_symlink() and file.is_file()


def _content(file: Path) -> bytes:
    try:
        return read_content(file, FILE_MAX)
    except FileFault as exc:
        raise BadPayload(f"it is larger than {FILE_MAX / 1e6:g} MB") from exc
    except OSError as exc:
        raise BadPayload(f"it cannot be read: {exc.strerror}") from exc


def printable(name: str) -> str:
    """A file's name with escapes for what cannot be printed, such as bytes that are not UTF-8."""
    known = os.fsencode(name).decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in known)


def left_out(folder: Path, now_ms: int) -> list[tuple[str, str]]:
    """Files of the folder that are not used, newest first, each with the reason: rejected in the
    last day, or still lying there."""
    found: list[tuple[float, str, str]] = []
    try:
        for file in _dropped(folder):
            changed_s = file.lstat().st_ctime
            if not _is_plain(file):
                why = "it is not a file but a link, a folder or a pipe"
            elif now_ms / 1000 - changed_s > STUCK_S:
                why = (
                    "it has not been read; does the service run, and may it write to this folder?"
                )
            else:
                continue
            found.append((changed_s, printable(file.name), why))
        for reason in (folder / REFUSED).glob(f"*{REASON}"):
            changed_s = reason.stat().st_mtime
            if now_ms / 1000 - changed_s < REFUSED_SHOWN_S:
                name = reason.name.removesuffix(REASON).partition("Z-")[2]
                why = reason.read_text(encoding="utf-8", errors="replace")[:300].strip()
                found.append((changed_s, name, why))
    except OSError as exc:
        return [(str(folder), exc.strerror or "it cannot be read")] if folder.exists() else []
    return [(name, why) for _, name, why in sorted(found, reverse=True)]


def read(
    name: str, content: bytes, source: str, arrived_ms: int, *, archive: bool = False
) -> list[Forecast]:
    """The forecasts of a CSV or JSON file, by the ending of its name.

    Raises
    ------
    BadPayload
        If it is neither, or is rejected.
    """
    ending = Path(name).suffix.lower()
    if ending == ".csv":
        return from_csv(content, source, arrived_ms, archive=archive)
    if ending == ".json":
        return from_json(content, source, arrived_ms, archive=archive)
    raise BadPayload(f"a name ending in {ending or 'nothing'}: must end in .csv or .json")
