"""Sends what waits in the outbox, in a thread of its own, at least once.

No transaction is open while a notice is on its way. A notice that was sent, but whose outcome was not
written before the process died, is sent again with the same id.
"""

from __future__ import annotations

import functools
import logging
import threading
import time
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, TypeVar

from monitor.alerting.notifications import sender
from monitor.alerting.notifications.web_push import SubscriptionGone
from monitor.core.clock import now_ms
from monitor.core.errors import Fault, StoreUnavailable
from monitor.store import Writer, outbox, until_stored
from monitor.store.outbox import Outcome

if TYPE_CHECKING:
    from monitor.alerting.notifications.phones import Phones
    from monitor.settings import Settings
    from monitor.settings.outside_groups import NoticeChannel
    from monitor.store.outbox import OutboxEntry

log = logging.getLogger(__name__)

LOOK_S = 30.0
"""Longest rest before the clock is read again: it may have been set. [s]"""

_T = TypeVar("_T")


def channel_faults(settings: Settings) -> list[str]:
    """Faults of the channels' URLs, each as a sentence that names the setting."""
    origin = settings.origins.get("channels", "default")
    return [
        f"{fault.field} (from {origin}): {fault.problem}" for fault in channel_details(settings)
    ]


def channel_details(settings: Settings) -> list[Fault]:
    """Faults of the channels' URLs, each at its field."""
    return [
        Fault(fault, f"channels.{number}.url")
        for number, channel in enumerate(settings.channels)
        if (fault := sender.fault_of(channel.url.get_secret_value()))
    ]


class OutboxWorker:
    """Takes due notices from the outbox and sends them, the most urgent first.

    Parameters
    ----------
    writer : Writer
    channels : iterable of Channel
        As the settings have them.
    phones : Phones, optional
        Phones that get notices by web push.
    """

    def __init__(
        self, writer: Writer, channels: Iterable[NoticeChannel], phones: Phones | None = None
    ) -> None:
        self._writer, self._phones = writer, phones
        self._urls = {channel.id: channel.url for channel in channels}
        self.sent = self.failed = 0
        """Notices that reached their channel since the start, and tries that failed."""
        self._stop, self._wake = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="sender", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def running(self) -> bool:
        return self._thread.is_alive()

    def wake(self) -> None:
        """Look at the outbox now: something was put in."""
        self._wake.set()

    def stop(self, wait_s: float) -> None:
        """Write the outcome of what is under way, if it comes within `wait_s`, and end. [s]"""
        self._stop.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(wait_s)

    def send_next(self, now: int) -> bool:
        """Send the next notice that is due and write what became of it.

        Parameters
        ----------
        now : int
            The present. [ms since 1970-01-01 UTC]

        Returns
        -------
        bool
            Whether one was due.
        """
        entry = self._with_store(functools.partial(outbox.due, self._writer, now))
        if entry is None:
            return False
        if not self._with_store(self._writer.connection.check_lease):  # at the last moment
            return False
        named = f"channel={entry.channel} notice={entry.notice.notice_id}"
        note: Callable[..., None] = outbox.delivered
        began = time.monotonic()
        try:
            self._send(entry, now)
        except SubscriptionGone as exc:
            self.failed += 1
            log.warning("notices to a phone given up %s reason=%s", named, exc)
            note = functools.partial(_given_up, reason=str(exc))
        except sender.NotSent as exc:
            self.failed += 1
            log.warning("notice not sent %s try=%d reason=%s", named, entry.attempts + 1, exc)
            note = functools.partial(outbox.failed, reason=str(exc), retryable=exc.retryable)
        else:
            self.sent += 1
            log.info("notice sent %s try=%d", named, entry.attempts + 1)
        ended = now + int(1000 * (time.monotonic() - began))
        self._with_store(functools.partial(note, self._writer, entry, ended))
        return True

    def _send(self, entry: OutboxEntry, now: int) -> None:
        if self._phones is not None and self._phones.has(entry.channel):
            self._phones.send(entry.channel, entry.notice, now)
            return
        if entry.channel not in self._urls:
            raise sender.NotSent("the settings have no such channel", retryable=False)
        sender.send(self._urls[entry.channel].get_secret_value(), entry.notice)

    def _run(self) -> None:
        try:
            self._with_store(lambda: outbox.hurry(self._writer, now_ms()))
            while not self._stop.is_set():
                self._wake.clear()
                if not self.send_next(now_ms()):
                    self._wake.wait(self._rest_s())
        except Exception:
            # The outermost loop: the service sees the thread gone.
            log.exception("sender stopped")

    def _rest_s(self) -> float:
        """Time until something is due, at most `LOOK_S`. [s]"""
        next_ms = self._with_store(functools.partial(outbox.next_try_ms, self._writer))
        return LOOK_S if next_ms is None else min(max(0, next_ms - now_ms()) / 1000, LOOK_S)

    def _with_store(self, work: Callable[[], _T]) -> _T | None:
        """Do something with the store, however long it is away; None if asked to stop before."""

        def away(exc: StoreUnavailable, failures: int) -> None:
            if not failures:
                log.warning("store away reason=%s", exc)

        return until_stored(work, lambda wait_s: not self._stop.wait(wait_s), away)


def _given_up(writer: Writer, entry: OutboxEntry, now_ms: int, reason: str) -> None:
    """End all that waits for the channel of an entry."""
    outbox.end_channel(writer, entry.channel, Outcome.GIVEN_UP, now_ms, reason)
