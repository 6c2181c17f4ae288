"""The service's heartbeat: a small file with its state, for the board and the command line.

It is written over in place, always the same size, so that it can still report a full disk. A
heartbeat that has not been renewed for `LATE_S` means that the service has stopped.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

import msgspec

from monitor.core.clock import now_ms
from monitor.core.steady_clock import ClockJump
from monitor.runtime.disk_space import DiskTrouble

SIZE = 4096
"""Size of the file. [bytes]"""
TEXT_MAX = (400, 100, 25)
"""Longest texts of a heartbeat that would not fit else, tried in turn. [characters]"""
BEAT_S = 2.0
"""Period of renewal. [s]"""
LATE_S = 10.0
"""A service whose heartbeat is older counts as stopped. [s]"""


class BrokerOutage(NamedTuple):
    """Time since which our own broker passed nothing on [ms since 1970-01-01 UTC], the reason, the
    number of starts since, and whether it answers again. It is over with the first reading."""

    since_ms: int
    reason: str
    restarts: int = 0
    answers: bool = False


class WorkerSign(NamedTuple):
    """An ingest worker: its name, when it was last seen [ms since 1970-01-01 UTC], messages that it
    stores a minute, and whether it is silent."""

    name: str
    seen_ms: int
    per_minute: int
    silent: bool


class Round(msgspec.Struct, frozen=True, kw_only=True):
    """Report of the last evaluation round. Times in ms since 1970-01-01 UTC.

    `waits`: open ones; `alerts`: open ones by urgency; `outbox_waiting`, `outbox_failing`: notices
    that wait, and those of them that failed at least once; `proofs`: experiments that run;
    `proof_trouble`: reason why a result cannot be calculated; `outlook_ms`: when the newest outlook was
    made; `log_from_ms`: while there is none, time of the first reading of humidity indoors;
    `outlook_apart`: `benchweather look-ahead` makes the outlooks; `newest_ms`: time of the newest
    reading of a sensor in the last two weeks. None where there is none.
    """

    ended_ms: int
    took_s: float
    waits: int = 0
    alerts: dict[int, int] = {}
    outbox_waiting: int = 0
    outbox_failing: int = 0
    outbox_oldest_ms: int | None = None
    proofs: int = 0
    proof_trouble: str = ""
    outlook_ms: int | None = None
    log_from_ms: int | None = None
    outlook_apart: bool = False
    newest_ms: int | None = None


class Heartbeat(msgspec.Struct, frozen=True, kw_only=True):
    """The service's state. An empty trouble is none; times in ms since 1970-01-01 UTC."""

    beat_ms: int
    started_ms: int
    pid: int
    demo: bool = False
    broker: str = ""
    broker_trouble: str = ""
    store_trouble: str = ""
    backup_trouble: str = ""
    """What is wrong with the backups, in words."""
    round_trouble: str = ""
    """Reason why waits and alerts are not published."""
    clock: ClockJump | None = None
    """Jump of the machine's clock that is to be reported."""
    outage: BrokerOutage | None = None
    disk: DiskTrouble | None = None
    settings_trouble: str = ""
    """Reason why changed settings could not be used, so that those before are back."""
    round: Round | None = None
    """The last evaluation round; None before the first."""
    rounds: int = 0
    rounds_s: float = 0.0
    """Number of rounds since the start, and their duration in all. [-], [s]"""
    notices_sent: int = 0
    notices_failed: int = 0
    """Notices that reached their channel since the start, and tries that failed."""
    stuck: tuple[str, ...] = ()
    """Parts that hang."""
    ended: tuple[str, ...] = ()
    """Parts that ended and are not running."""
    workers: tuple[WorkerSign, ...] = ()
    """Ingest workers that store readings beside the service."""
    since: dict[str, int] = {}
    """Time since which each part has its verdict."""

    def late(self, now: int | None = None) -> bool:
        """Return whether the service has stopped renewing it. [ms]"""
        age_ms = (now if now is not None else now_ms()) - self.beat_ms
        return abs(age_ms) > 1000 * LATE_S  # one from the future is of a clock that was set back


def write(path: Path, beat: Heartbeat) -> None:
    """Write the heartbeat, with texts cut to fit. The caller reports an OSError."""
    data = msgspec.json.encode(beat)
    for longest in TEXT_MAX:
        if len(data) <= SIZE:
            break
        data = msgspec.json.encode(_cut(beat, longest))
    handle = os.open(path, os.O_WRONLY | os.O_CREAT, 0o644)
    try:
        os.pwrite(handle, data.ljust(SIZE), 0)
        os.ftruncate(handle, SIZE)
    finally:
        os.close(handle)


def _cut(beat: Heartbeat, longest: int) -> Heartbeat:
    """The heartbeat with every text cut to so many characters."""
    texts = {
        name: value[:longest]
        for name in beat.__struct_fields__
        if isinstance(value := getattr(beat, name), str)
    }
    found, disk, outage = beat.round, beat.disk, beat.outage
    if found is not None:
        cut = found.proof_trouble[:longest]
        found = msgspec.structs.replace(found, proof_trouble=cut)
    return msgspec.structs.replace(
        beat,
        **texts,
        round=found,
        disk=disk and disk._replace(fault=disk.fault[:longest]),
        outage=outage and outage._replace(reason=outage.reason[:longest]),
    )


def read(path: Path) -> Heartbeat | None:
    """The last heartbeat; None if there is none, or it cannot be read."""
    try:
        return decoded(path.read_bytes())
    except OSError:
        return None


def decoded(text: bytes) -> Heartbeat | None:
    """A heartbeat as it was written; None if it is damaged."""
    try:
        return msgspec.json.decode(text, type=Heartbeat)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
