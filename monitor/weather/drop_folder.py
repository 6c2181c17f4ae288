"""Forecasts that somebody drops as files into the folder `forecasts` of the data folder."""

from __future__ import annotations

import logging
from pathlib import Path

from monitor.core.clock import from_ms
from monitor.core.errors import BadPayload
from monitor.domain.forecast import Forecast
from monitor.weather.formats import from_csv, from_json
from monitor.weather.intake import Intake

log = logging.getLogger(__name__)

FOLDER_SOURCE = "folder"
"""The source that what is dropped counts as."""
FILE_MAX = 8_000_000
"""Largest file taken. [bytes]"""
TAKEN, REFUSED = "taken", "refused"
_UNDER_WAY = (".part", ".tmp")


class Folder:
    """Takes what is dropped, once it has stopped growing. Not to be used by two threads at once.

    A file taken is moved to `taken/`, one that cannot be to `refused/`, with a text file beside it
    that says why. What begins with a dot or ends in .part or .tmp is left alone.

    Parameters
    ----------
    path : Path
        Made if it is not there.
    intake : Intake
    """

    def __init__(self, path: Path, intake: Intake) -> None:
        self._path, self._intake = path, intake
        self._seen: dict[str, tuple[int, int]] = {}

    def go(self, now_ms: int) -> int:
        """Take each file that is as it was at the last call. Returns how many were taken.

        Raises
        ------
        OSError
            If the folder cannot be read or files in it not be moved.
        StoreUnavailable
            If the store cannot be written just now: the file stays where it is.
        """
        for folder in (TAKEN, REFUSED):
            (self._path / folder).mkdir(parents=True, exist_ok=True)
        before, self._seen, taken = self._seen, {}, 0
        for file in sorted(self._path.iterdir()):
            if file.name.startswith(".") or file.suffix in _UNDER_WAY:
                continue
            if file.is_symlink() or not file.is_file():
                continue
            state = file.stat()
            now = (state.st_size, state.st_mtime_ns)
            if before.get(file.name) == now:
                taken += self._take(file, now_ms)
            else:
                self._seen[file.name] = now
        return taken

    def _take(self, file: Path, now_ms: int) -> bool:
        content = b""
        try:
            if file.stat().st_size > FILE_MAX:
                raise BadPayload(f"it is larger than {FILE_MAX / 1e6:g} MB")
            content = file.read_bytes()
            found = read(file.name, content, FOLDER_SOURCE, now_ms)
            took = self._intake.keep(found, now_ms)
        except BadPayload as exc:
            self._intake.refuse(f"forecasts/{file.name}"[:500], content, str(exc), now_ms)
            target = self._moved(file, REFUSED, now_ms)
            target.with_name(target.name + ".reason.txt").write_text(f"{exc}\n", encoding="utf-8")
            return False
        self._moved(file, TAKEN, now_ms)
        log.info("forecast file taken new=%d repeated=%d", took.new, took.repeated)
        return True

    def _moved(self, file: Path, folder: str, now_ms: int) -> Path:
        """Move it, under the time of arrival, never over another."""
        stem = f"{from_ms(now_ms):%Y%m%dT%H%M%S}Z-{file.name}"
        target, number = self._path / folder / stem, 1
        while target.exists():
            number += 1
            target = target.with_name(f"{number}-{stem}")
        file.rename(target)
        return target


def read(
    name: str, content: bytes, source: str, arrived_ms: int, *, archive: bool = False
) -> list[Forecast]:
    """The forecasts of a file, told by the ending of its name whether it is CSV or JSON.

    Raises
    ------
    BadPayload
        If it is neither, or cannot be taken.
    """
    ending = Path(name).suffix.lower()
    if ending == ".csv":
        return from_csv(content, source, arrived_ms, archive=archive)
    if ending == ".json":
        return from_json(content, source, arrived_ms, archive=archive)
    raise BadPayload(f"a name ending in {ending or 'nothing'}: must end in .csv or .json")
