"""Link to the service: the board and the command line ask it here.

On the service's own computer by a loopback connection (`ipc.py`). Where the store is a database on a
server, by a table in it, from any computer: the database's password is what lets somebody ask, and the
request says who it is for. The service carries a request out once, however often it is killed meanwhile:
the answer is stored in the transaction of the change, and the command has an id.
"""

from __future__ import annotations

import contextlib
import json
import logging
import threading
import time
import uuid
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

from monitor.commands import ipc
from monitor.commands.request import Also
from monitor.core.errors import Rejected, StoreFault, StoreUnavailable
from monitor.core.json_documents import json_object
from monitor.domain.events import About
from monitor.store import heartbeats, requests
from monitor.store.connection import Cursor, StoreConnection, opened
from monitor.store.shared_home import shared_home

if TYPE_CHECKING:
    from monitor.runtime.heartbeat import Heartbeat
    from monitor.settings import Settings
    from monitor.store import Writer

log = logging.getLogger(__name__)

PAUSES_S = (0.005, 0.2)
"""Shortest and longest pause between two looks for an answer. [s]"""
CALL_S = 2.0
"""Longest wait for a call; then the table is looked at, and the heartbeat is renewed. [s]"""
AGAIN_S = 2.0
"""Time after which a store that cannot be used is tried again. [s]"""
AT_ONCE = 4
"""Requests carried out at a time: one may be a file of many readings."""
SETTINGS_HERE = (
    "Settings can be changed only on the board of the computer where Benchweather runs. Copy "
    "benchweather.toml from there to this computer, and start this board again"
)
NOT_KNOWN = "It is not known whether the change was stored: check before you repeat it"

Handler = Callable[[Mapping[str, Any], Also], Mapping[str, Any]]


def ask(
    settings: Settings, command: Mapping[str, Any], patience_s: float = ipc.PATIENCE_S
) -> Mapping[str, Any]:
    """Hand the service a command and return its answer.

    Raises
    ------
    ServiceUnavailable
        If no service answers in time.
    StoreFault
        If the database by which it is asked cannot be used.
    Rejected
        If it did not carry the command out, with every fault.
    """
    if not isinstance(settings.store_address, str):
        return ipc.ask(settings.command_link_path, command)
    store = shared_home(settings.read_address, settings.store_address).asking
    request_id = uuid.uuid4().hex
    requests.put(store, request_id, json.dumps(dict(command)))
    until, pause_s = time.monotonic() + patience_s, PAUSES_S[0]
    answer = None
    while time.monotonic() < until and answer is None:
        time.sleep(pause_s)
        pause_s = min(1.3 * pause_s, PAUSES_S[1])
        with contextlib.suppress(StoreUnavailable):  # it may answer again in time
            answer = requests.answer_to(store, request_id)
    if (answer := _withdrawn(store, request_id)) is None:
        raise ipc.ServiceUnavailable(
            f"no service answered within {patience_s:g} s: check that Benchweather runs on the "
            "shop's computer, and try again"
        )
    return ipc.done_of(json_object(answer.encode()))


def _withdrawn(store: StoreConnection, request_id: str) -> str | None:
    """Remove a request, and return its answer; None if it will never be carried out."""
    until = time.monotonic() + ipc.PATIENCE_S
    while True:
        try:
            return requests.withdraw(store, request_id)
        except StoreUnavailable as exc:
            if time.monotonic() > until:
                raise StoreUnavailable(f"{exc}. {NOT_KNOWN}") from None
        time.sleep(PAUSES_S[1])


def is_down(settings: Settings) -> bool:
    """True if it is known at once that no service would answer."""
    if isinstance(settings.store_address, str):
        beat = heartbeats.last(settings)
        return beat is None or beat.late()
    return not settings.command_link_path.exists()


class TableLink:
    """The service's side, where the store is a database on a server. `handle` is called in one of a few
    threads, and may raise `MonitorError`, as with `ipc.CommandLink`.

    `beat` returns the service's heartbeat, which is kept beside the requests; None before the first.
    """

    def __init__(
        self, writer: Writer, handle: Handler, beat: Callable[[], Heartbeat | None]
    ) -> None:
        self._writer, self._handle, self._beat = writer, handle, beat
        self._calls = opened(writer.address, read_only=False, turn="request")
        self._taken: dict[str, Future[bool]] = {}
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="request")
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="requests", daemon=True)

    @property
    def _store(self) -> StoreConnection:
        return self._writer.connection

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        with contextlib.suppress(StoreFault):  # or it looks up in a moment by itself
            requests.call(self._store)
        self._thread.join(CALL_S + ipc.PATIENCE_S)
        self._pool.shutdown(cancel_futures=True)
        self._calls.close()

    def _serve(self) -> None:
        trouble = ""
        next_beat_s = 0.0
        while not self._stopping.is_set():
            try:
                self._calls.wait_for_call(CALL_S)
                if time.monotonic() >= next_beat_s:
                    next_beat_s = time.monotonic() + CALL_S
                    self._keep_beat()
                self._take()
                trouble = ""
            except StoreFault as exc:
                if str(exc) != trouble:
                    trouble = str(exc)
                    log.warning("requests cannot be read reason=%s", exc)
                self._stopping.wait(AGAIN_S)
            except Exception:
                log.exception("requests cannot be taken")  # ours to mend; the service goes on
                self._stopping.wait(AGAIN_S)

    def _keep_beat(self) -> None:
        with self._store.transaction(beside=True) as run:
            if (beat := self._beat()) is not None:
                heartbeats.put(run, beat)
            requests.forget(run)

    def _take(self) -> None:
        """Begin each open request that nobody here has begun; one whose answer could not be stored,
        again."""
        taken = {}
        for one in requests.open_ones(self._store):
            begun = self._taken.get(one)
            if begun is None or (begun.done() and not begun.result()):
                begun = self._pool.submit(self._answer, one)
            taken[one] = begun
        self._taken = taken

    def _answer(self, request_id: str) -> bool:
        """Carry a request out and store its answer; False if the store cannot be written."""

        def also(run: Cursor, done: Mapping[str, Any]) -> None:
            requests.answer(run, request_id, json.dumps({"done": done}))

        def carried_out(command: Mapping[str, Any]) -> Mapping[str, Any]:
            if command.get("about") == About.SETTINGS and not of_our_user:
                raise Rejected(SETTINGS_HERE)
            return self._handle({"id": request_id} | dict(command), also)

        try:
            body, of_our_user = requests.body_of(self._store, request_id)
            answer = ipc.answer_to(body.encode(), carried_out)
            with self._store.transaction(beside=True) as run:
                requests.answer(run, request_id, json.dumps(answer))
        except requests.RequestWithdrawn:  # or it was answered with the change
            return True
        except StoreFault as exc:
            log.warning("request not answered reason=%s", exc)
            return False
        except Exception:
            log.exception("request not answered")  # ours to mend; the others are answered
        return True
