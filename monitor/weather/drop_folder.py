"""Forecasts that somebody drops as files into the folder `forecasts` of the data folder."""

from __future__ import annotations

import logging
from pathlib import Path

from monitor.core.clock import from_ms
from monitor.core.errors import BadPayload
from monitor.domain.forecast import Forecast
from monitor.weather.formats import from_csv, from_json
from monitor.weather.intake import ForecastIntake

log = logging.getLogger(__name__)

FOLDER_SOURCE = "folder"
"""Source name of the dropped files."""
FILE_MAX = 8_000_000
"""Largest file accepted. [bytes]"""
TAKEN, REFUSED = "taken", "refused"
_UNDER_WAY = (".part", ".tmp")


class DropFolder:
    """Reads dropped files once they have stopped growing. For one thread.

    A file that was read is moved to `taken/`, a rejected one to `refused/`, with a text file beside it
    that says why. Names that begin with a dot or end in .part or .tmp are ignored.

    Parameters
    ----------
    path : Path
        Made if it is not there.
    intake : ForecastIntake
    """

    def __init__(self, path: Path, intake: ForecastIntake) -> None:
        self._path, self._intake = path, intake
        self._seen: dict[str, tuple[int, int]] = {}

    def take_files(self, now_ms: int) -> int:
        """Read each file that has not changed since the last call. Returns how many were read.

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
