"""State of the backups: the last one, whether one is due, and what is wrong with them."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import msgspec

from monitor.core import formats
from monitor.core.clock import AHEAD_MAX_MS, day_of, to_ms
from monitor.core.durable_file import write_durably
from monitor.core.formats import HOUR_MS
from monitor.domain.opening_hours import of_day

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.settings.keeping_groups import Backup

AGAIN_MS = HOUR_MS
"""Time before another try after one that failed. [ms]"""
OLD_MS = 36 * HOUR_MS
"""Age from which the last backup is too old: a night was missed. [ms]"""


class State(msgspec.Struct, frozen=True, kw_only=True):
    """The last good backup in a folder, and the last try. Times: ms since 1970-01-01 UTC, 0 for
    never."""

    folder: str = ""
    good_ms: int = 0
    path: str = ""
    size: int = 0
    rows: int = 0
    tried_ms: int = 0
    fault: str = ""
    """Reason why the last try failed; empty if it did not."""


def path_of(settings: Settings) -> Path:
    return settings.data / "backup.json"


def read(settings: Settings) -> State:
    """The state that was noted last; that of no backup if none was noted for the folder of the
    settings, or it cannot be read."""
    none = State(folder=str(settings.backup.folder or ""))
    try:
        found = msgspec.json.decode(path_of(settings).read_bytes(), type=State)
    except (OSError, msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return none
    return found if found.folder == none.folder else none


def note(settings: Settings, state: State) -> None:
    """Note the state. The caller reports an OSError."""
    write_durably(path_of(settings), msgspec.json.encode(state).decode())


def is_due(backup: Backup, zone: ZoneInfo, state: State, now_ms: int) -> bool:
    """Return whether a backup should be made now: the time of day has passed since the last one.

    A night on which the computer was off is made up for when it is on again. After a try that failed
    there is another one within the hour.
    """
    good_ms = state.good_ms if state.good_ms <= now_ms + AHEAD_MAX_MS else 0
    if state.fault and 0 <= now_ms - state.tried_ms < AGAIN_MS:
        return False
    return good_ms < _last_time(backup.at, zone, now_ms)


def _last_time(at: str, zone: ZoneInfo, now_ms: int) -> int:
    """The last moment at which it was this time of day. [ms]"""
    day = day_of(now_ms, zone)
    found = to_ms(datetime.combine(day, of_day(at), zone))
    if found > now_ms:
        found = to_ms(datetime.combine(day - timedelta(days=1), of_day(at), zone))
    return found


def trouble(backup: Backup, zone: ZoneInfo, state: State, since_ms: int, now_ms: int) -> str:
    """Trouble with the backups, in words; empty if there is none, or none are wanted.

    `since_ms`: since when somebody could have made one. [ms since 1970-01-01 UTC]
    """
    if backup.folder is None:
        return ""
    if state.good_ms:
        last = f"The last good backup is from {formats.when(state.good_ms, now_ms, zone)}."
    else:
        last = "There is no good backup yet."
    if state.fault:
        return f"The last backup failed: {state.fault.rstrip('.')}. {last}"
    if now_ms - max(state.good_ms, since_ms) > OLD_MS:
        return f"No backup was made last night. {last}" if state.good_ms else last
    return ""
