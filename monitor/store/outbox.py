"""The outbox: every notice, each channel it goes to, and the outcome there.

An entry waits until it is delivered, withdrawn or given up, and stays on the list afterwards. A
channel that failed is tried again after 30 s, then after twice as long each time, up to an hour, for
three days. While a channel does not answer, one of its entries tries for all; once it gets through, the
others follow at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.core.backoff import doubled
from monitor.domain.notification import Notice
from monitor.store.connection import Cursor
from monitor.store.reader import Reader
from monitor.store.writer import Writer

FIRST_WAIT_MS, LAST_WAIT_MS = 30_000, 3_600_000
"""First and longest wait before another try, doubled from try to try. [ms]"""
GIVE_UP_MS = 3 * 86_400_000
"""A notice that fails so long after it was due is given up. [ms]"""


class Outcome(StrEnum):
    """Final outcome of an entry; the value as stored."""

    DELIVERED = "delivered"
    GIVEN_UP = "given up"
    WITHDRAWN = "withdrawn"


class OutboxEntry(NamedTuple):
    """A notice on its way through one channel. Times in ms since 1970-01-01 UTC.

    `attempts` counts every try; `last_error` is why the last one that failed did, also where a
    later one succeeded; `outcome` and `ended_ms` are None while it waits.
    """

    entry_id: int
    channel: str
    attempts: int
    next_try_ms: int
    last_error: str
    outcome: Outcome | None
    ended_ms: int | None
    notice: Notice


class OutboxTally(NamedTuple):
    """Waiting entries of one channel: their number, how many have failed at least once, and when
    the oldest was made. [ms since 1970-01-01 UTC]"""

    waiting: int
    failing: int
    oldest_ms: int


_ENTRY = (
    "SELECT entry_id, channel, attempts, next_try_ms, last_error, outcome, ended_ms, "
    "notice_id, made_ms, not_before_ms, urgency, title, text "
    "FROM outbox JOIN notice USING (notice_id) "
)


def add(run: Cursor, notices: Iterable[Notice], channels: Sequence[str]) -> int:
    """Within the caller's transaction: add notices for some channels.

    Parameters
    ----------
    channels : sequence of str
        Ids of the channels that each of the notices goes to.

    Returns
    -------
    int
        How many entries are new; one that is there already, by notice and channel, is left alone.
    """
    new = 0
    for notice in notices if channels else ():
        run.execute("INSERT INTO notice VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING", notice)
        for channel in channels:
            new += run.execute(
                "INSERT INTO outbox (notice_id, channel, next_try_ms) VALUES (?, ?, ?) "
                "ON CONFLICT DO NOTHING",
                (notice.notice_id, channel, notice.not_before_ms),
            ).rowcount
    return new


def withdraw(run: Cursor, notice_ids: Iterable[str], now_ms: int) -> int:
    """Within the caller's transaction: withdraw the undelivered entries of some notices.

    Returns
    -------
    int
        How many entries were withdrawn.
    """
    return sum(
        run.execute(
            "UPDATE outbox SET outcome = ?, ended_ms = ? WHERE notice_id = ? AND outcome IS NULL",
            (Outcome.WITHDRAWN, now_ms, notice_id),
        ).rowcount
        for notice_id in notice_ids
    )


def end_channel(
    writer: Writer, channel: str, outcome: Outcome, now_ms: int, reason: str = ""
) -> None:
    """End every waiting entry of a channel that is no more. `reason`: without secrets."""
    with writer.connection.transaction() as run:
        run.execute(
            "UPDATE outbox SET outcome = ?, ended_ms = ?, "
            "last_error = coalesce(nullif(?, ''), last_error) "
            "WHERE channel = ? AND outcome IS NULL",
            (outcome, now_ms, reason, channel),
        )


def known(store: Reader | Writer, notice_id: str) -> bool:
    """Return whether a notice was added before."""
    row = store.connection.row("SELECT 1 FROM notice WHERE notice_id = ?", (notice_id,))
    return row is not None


def due(store: Reader | Writer, now_ms: int) -> OutboxEntry | None:
    """The entry to be sent next, the most urgent first, then the oldest; None if none is due."""
    row = store.connection.row(
        f"{_ENTRY} WHERE outcome IS NULL AND next_try_ms <= ? "
        "ORDER BY urgency DESC, made_ms, entry_id LIMIT 1",
        (now_ms,),
    )
    return _entry(row) if row else None


def next_try_ms(store: Reader | Writer) -> int | None:
    """Time at which the next entry is due; None if none waits. [ms since 1970-01-01 UTC]"""
    row = store.connection.row("SELECT min(next_try_ms) FROM outbox WHERE outcome IS NULL")
    found: int | None = row[0]
    return found


def delivered(writer: Writer, entry: OutboxEntry, now_ms: int) -> None:
    """Note that an entry was delivered, and let the channel's other entries follow at once."""
    with writer.connection.transaction() as run:
        run.execute(
            "UPDATE outbox SET attempts = attempts + 1, outcome = ?, ended_ms = ? "
            "WHERE entry_id = ?",
            (Outcome.DELIVERED, now_ms, entry.entry_id),
        )
        _hurry(run, now_ms, entry.channel)


def failed(
    writer: Writer, entry: OutboxEntry, now_ms: int, reason: str, *, retryable: bool = True
) -> None:
    """Note that an entry failed, and when it is tried again, or that it is given up.

    Parameters
    ----------
    reason : str
        In words, without secrets: it is shown.
    retryable : bool
        Whether another try may help with nothing changed by hand. If so, whatever else waits for
        the same channel waits with it; if not, only this one, and for the longest time.
    """
    tries = entry.attempts
    wait_ms = round(doubled(FIRST_WAIT_MS, LAST_WAIT_MS, tries)) if retryable else LAST_WAIT_MS
    was_due_ms = max(entry.notice.made_ms, entry.notice.not_before_ms)
    given_up = now_ms - was_due_ms >= GIVE_UP_MS
    with writer.connection.transaction() as run:
        run.execute(
            "UPDATE outbox SET attempts = attempts + 1, next_try_ms = ?, last_error = ?, "
            "outcome = coalesce(outcome, ?), ended_ms = coalesce(ended_ms, ?) WHERE entry_id = ?",
            (
                now_ms + wait_ms,
                reason,
                Outcome.GIVEN_UP if given_up else None,
                now_ms if given_up else None,
                entry.entry_id,
            ),
        )
        if retryable:
            run.execute(
                "UPDATE outbox SET next_try_ms = ? "
                "WHERE channel = ? AND outcome IS NULL AND next_try_ms < ?",
                (now_ms + wait_ms, entry.channel, now_ms + wait_ms),
            )


def hurry(writer: Writer, now_ms: int) -> None:
    """Make every waiting entry due now, as after a start: settings may have been corrected."""
    with writer.connection.transaction() as run:
        _hurry(run, now_ms)


def recent(store: Reader | Writer, limit: int) -> list[OutboxEntry]:
    """The newest entries, newest first, with any outcome."""
    rows = store.connection.rows(f"{_ENTRY} ORDER BY entry_id DESC LIMIT ?", (limit,))
    return [_entry(row) for row in rows]


def tally(store: Reader | Writer) -> dict[str, OutboxTally]:
    """Waiting entries by channel; a channel without any is left out."""
    rows = store.connection.rows(
        "SELECT channel, count(*), count(nullif(attempts, 0)), min(made_ms) "
        "FROM outbox JOIN notice USING (notice_id) WHERE outcome IS NULL "
        "GROUP BY channel ORDER BY channel"
    )
    return {channel: OutboxTally(*counts) for channel, *counts in rows}


def _hurry(run: Cursor, now_ms: int, channel: str | None = None) -> None:
    run.execute(
        "UPDATE outbox SET next_try_ms = ? WHERE outcome IS NULL AND next_try_ms > ? "
        "AND channel = coalesce(?, channel) "
        "AND notice_id IN (SELECT notice_id FROM notice WHERE not_before_ms <= ?)",
        (now_ms, now_ms, channel, now_ms),
    )


def _entry(row: tuple[Any, ...]) -> OutboxEntry:
    outcome = row[5] and Outcome(row[5])
    return OutboxEntry._make((*row[:5], outcome, row[6], Notice._make(row[7:])))
