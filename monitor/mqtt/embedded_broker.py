"""The embedded MQTT broker: nats-server in its MQTT 3.1.1 mode, as a child process.

Everything it holds is on disk, so that a message it has acknowledged survives its own death and
ours. It listens on loopback unless told otherwise. Sensors may publish readings and nothing else.
"""

from __future__ import annotations

import contextlib
import ctypes
import http.client
import json
import secrets
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from monitor.core.errors import BrokerFault
from monitor.core.ports import becomes_free, is_listening, spare_port
from monitor.mqtt.accounts import AccessRules, May, bcrypt_hash, read_accounts, write_private
from monitor.mqtt.broker_program import shipped_program
from monitor.mqtt.stream_index import drop_false_indexes

START_WAIT_S = 10.0
"""Longest time for the broker to answer. [s]"""
STOP_WAIT_S = 2.0
"""Longest time for it to stop before it is killed. [s]"""
ACK_WAIT_S = 10
"""Time after which an unacknowledged message is sent again. [s]"""
INFLIGHT_MAX = 1000
"""Messages on their way to the ingest and not yet acknowledged; twice that per session."""

STORE_MB = 4096
"""Most that it keeps on disk. [MB]"""
SESSION_DAYS = 7
"""Time after which what waits for a client that stays away is dropped. [d]"""
HEADROOM_MB = 64
"""Step by which a full store is widened: at its limit the broker lets nobody in, also not the ingest,
which would empty it. [MB]"""
PROBE_TOPIC = "benchweather-probe/state"
"""Topic of the message by which the broker is tested; open to our own probe alone."""
_PROBE_SUBJECT = PROBE_TOPIC.replace("/", ".")
STATE_WAIT_S = 2.0
"""Longest time for its report of itself. [s]"""

RETAINED_MAX = 10_000
"""Most retained messages, each of a topic of its own and in its memory: a stranger can send any number.
Ours: states of ten thousand waits."""
_RETAINED = "$MQTT_rmsgs"
"""Its stream of retained messages."""

_ANONYMOUS = "benchweather-anonymous"
_INNER = ("$JS.>", "$MQTT.>", "$SYS.>", "$KV.>", "$O.>")
"""The broker's own subjects: nobody else's, whatever filters are open."""


@dataclass(frozen=True)
class BrokerAccount:
    """A user who may connect, and what the user may do."""

    user: str
    password: str = field(repr=False)
    may: May = May.READINGS


def ingest_account() -> BrokerAccount:
    """A user for our own ingest, with a password that lives as long as this run."""
    return BrokerAccount(
        f"benchweather-{secrets.token_hex(4)}", secrets.token_urlsafe(24), May.COMMANDS
    )


class EmbeddedBroker:
    """The broker's process.

    Attributes
    ----------
    opens_while_running : bool
        True if `open_topics` can be used.

    Parameters
    ----------
    folder : Path
        Where it keeps its messages, configuration and log.
    host, port
        Where it listens for MQTT.
    ingest : BrokerAccount
        The user of our own clients: may subscribe to readings and commands, and publish states.
    rules : AccessRules
        What the other accounts may publish and read.
    accounts : iterable of BrokerAccount
        Accounts of the settings and of this machine.
    anonymous : bool
        Let clients without a user publish readings.
    accounts_file : Path, optional
        Further accounts; see `follow_accounts`.
    cert_file, key_file : Path, optional
        With both, connections are TLS.
    store_mb : int
        Most that it may keep on disk. [MB]
    program : str
        Path of the program; empty: the one that is installed with us.
    sync_s : float
        Period of writing to the disk; 0: before each acknowledgement. [s]
    """

    opens_while_running = True

    def __init__(
        self,
        folder: Path,
        host: str,
        port: int,
        *,
        ingest: BrokerAccount,
        rules: AccessRules,
        accounts: Iterable[BrokerAccount] = (),
        anonymous: bool = False,
        accounts_file: Path | None = None,
        cert_file: Path | None = None,
        key_file: Path | None = None,
        store_mb: int = STORE_MB,
        program: str = "",
        sync_s: float = 0.0,
    ) -> None:
        self._sync = f'"{round(1000 * sync_s)}ms"' if sync_s else "always"
        self.folder, self.host, self.port = folder.absolute(), host, port
        self.store_mb, self._program = store_mb, program
        self.probe = ingest_account()
        """The user of the message by which the broker is tested."""
        self._health_port, self._health_path = spare_port(), secrets.token_hex(16)
        self._listens = port
        self._ingest, self._rules, self._anonymous = ingest, rules, anonymous
        # Hashed once: on a reload the broker ends the connections of a user whose hash is another.
        self._users = [
            (one.user, bcrypt_hash(one.password), one.may) for one in (ingest, *accounts)
        ]
        self._nobody, self._any_topic = secrets.token_urlsafe(24), False
        self._accounts_file, self._accounts_seen = accounts_file, 0
        self._tls = (cert_file, key_file) if cert_file and key_file else None
        self._child: subprocess.Popen[bytes] | None = None
        self._log, self._log_begins = self.folder / "broker.log", 0

    @property
    def program(self) -> str:
        """Path of its program."""
        return self._program or shipped_program()

    @property
    def kept(self) -> Path:
        """File or folder of what it keeps."""
        return self.folder / "jetstream"

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
        if is_listening("127.0.0.1", self._health_port):
            self._health_port = spare_port()
        try:
            self._launch()
        except OSError as exc:
            raise BrokerFault(
                f"the built-in broker cannot start in {self.folder}: {exc.strerror}"
            ) from exc
        deadline = time.monotonic() + START_WAIT_S
        while not is_listening(self.host, self._listens, wait_s=0.2):
            if not self.running() or time.monotonic() > deadline:
                self.stop()
                raise BrokerFault(f"the built-in broker did not start: {self._last_words()}")
            time.sleep(0.01)

    def _launch(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        drop_false_indexes(self.kept)
        configuration = self._write_configuration()
        with self._log.open("ab") as log:  # where it also says what it has against its settings
            self._log_begins = log.tell()
            self._child = subprocess.Popen(  # noqa: S603 - our own program
                self._command(configuration),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
                process_group=0,
                preexec_fn=die_with_parent if sys.platform == "linux" else None,
            )

    def _command(self, configuration: Path) -> list[str]:
        return [self.program, "-c", str(configuration), "-l", str(self._log)]

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

    def is_full(self) -> bool:
        """True if its store has reached its limit; False also if it does not answer."""
        kept = self._state("jsz").get("storage", 0)
        return isinstance(kept, int) and kept > (self.store_mb - 1) * 1_000_000

    def retained(self) -> int:
        """Number of retained messages that it holds; 0 also if it does not answer."""
        accounts = self._state("jsz?accounts=true&streams=true").get("account_details", [])
        streams = [
            one
            for account in (accounts if isinstance(accounts, list) else [])
            for one in account.get("stream_detail", ())
        ]
        return sum(one["state"]["messages"] for one in streams if one["name"] == _RETAINED)

    def drop_retained(self) -> None:
        """Forget all retained messages; only while it is stopped. What waits for the ingest stays."""
        for stream in self.kept.glob(f"*/streams/{_RETAINED}"):
            shutil.rmtree(stream)

    def fault(self) -> str:
        """Fault that it reports of itself; empty if none, or if it does not answer."""
        return str(self._state("healthz").get("error", ""))

    def _state(self, page: str) -> dict[str, object]:
        """A page of its own report; empty if it does not answer."""
        asked = http.client.HTTPConnection("127.0.0.1", self._health_port, timeout=STATE_WAIT_S)
        try:
            with contextlib.closing(asked):
                asked.request("GET", f"/{self._health_path}/{page}")
                found = json.load(asked.getresponse())
        except (OSError, ValueError, http.client.HTTPException):
            return {}
        return found if isinstance(found, dict) else {}

    def follow_accounts(self) -> None:
        """Let the running broker know the accounts, if their file has changed since."""
        if not self.running() or self._accounts_changed() == self._accounts_seen:
            return
        self._reload()

    def open_topics(self, any_topic: bool) -> None:
        """Let whoever may send readings publish on any topic but those of commands and states, and
        the ingest's account read them; or only on known topics again."""
        self._any_topic = any_topic
        if self.running():
            self._reload()

    def _reload(self) -> None:
        self._write_configuration()
        if self._child is not None and hasattr(signal, "SIGHUP"):
            self._child.send_signal(signal.SIGHUP)

    def _accounts_changed(self) -> int:
        """Time of the last change of the accounts' file; 0 while there is none. [ns]"""
        try:
            return self._accounts_file.stat().st_mtime_ns if self._accounts_file else 0
        except OSError:
            return 0

    def _write_configuration(self) -> Path:
        path = self.folder / "broker.conf"
        self._accounts_seen = self._accounts_changed()
        text = self._configuration()
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            write_private(path, text)  # otherwise left, as a full disk cannot take it again
        return path

    def _configuration(self) -> str:
        rules, (ingest, *users) = self._rules, self._users
        if self._accounts_file:
            known = read_accounts(self._accounts_file).values()
            users += [(one.name, one.bcrypt, one.may) for one in known]
        if self._anonymous:  # the broker itself signs these in, with the password in the clear
            users.append((_ANONYMOUS, self._nobody, May.READINGS))
        heard = _subjects((*rules.readings, *rules.commands))
        states = _subjects(rules.states)
        if self._any_topic:
            heard = _subjects(("#",))
        probe = self.probe
        written = [
            _user(ingest[0], ingest[1], states, heard),
            _user(probe.user, probe.password, [_PROBE_SUBJECT], [_PROBE_SUBJECT]),
        ]
        written += [
            _user(
                name,
                password,
                _subjects(("#",) if self._any_topic else rules.publishes(may)),
                _subjects(rules.reads(may)),
                () if may is May.COMMANDS or not self._any_topic else _subjects(rules.commands),
                (*states, _PROBE_SUBJECT) if self._any_topic else (),
            )
            for name, password, may in users
        ]
        anyone = f'no_auth_user: "{_ANONYMOUS}"' if self._anonymous else ""
        tls = ""
        if self._tls:
            cert, key = (json.dumps(str(path)) for path in self._tls)
            tls = f"tls {{ cert_file: {cert}, key_file: {key} }}"
        limits = (
            f"max_file_store: {self.store_mb * 1_000_000}, max_memory_store: 32MB, "
            f"sync_interval: {self._sync}"
        )
        return f"""server_name: benchweather
listen: "127.0.0.1:-1"
http: "127.0.0.1:{self._health_port}"
http_base_path: "/{self._health_path}"
max_payload: 1MB
logfile_size_limit: 10MB
logfile_max_num: 2
logtime_utc: true
jetstream {{ store_dir: {json.dumps(str(self.folder))}, {limits} }}
authorization {{ users = {json.dumps(written, ensure_ascii=False)} }}
mqtt {{
  listen: "{self.host}:{self._listens}"
  ack_wait: "{ACK_WAIT_S}s"
  max_ack_pending: {INFLIGHT_MAX}
  consumer_inactive_threshold: "{24 * SESSION_DAYS}h"
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


def _user(
    name: str, password: str, publish: list[str], read: list[str], *never: Iterable[str]
) -> dict[str, object]:
    """A user of the broker's configuration, who may publish and read on these subjects alone, and
    never publish on some of them."""
    denied = [*_INNER, *(subject for some in never for subject in some)]
    return {
        "user": name,
        "password": password,
        "allowed_connection_types": ["MQTT"],
        "permissions": {
            "publish": {"allow": publish, "deny": denied} if publish else {"deny": ">"},
            "subscribe": [*read, "$MQTT.sub.>"] if read else {"deny": ">"},
        },
    }


def _subjects(filters: Iterable[str]) -> list[str]:
    return [subject for one in filters for subject in subjects_of(one)]


def subjects_of(topic_filter: str) -> list[str]:
    """The broker's subjects for an MQTT topic filter: `a/#` is both `a` and `a.>`."""
    subject = topic_filter.translate({ord("."): "//", ord("/"): ".", ord("+"): "*", ord("#"): ">"})
    return [subject, subject.removesuffix(".>")] if subject.endswith(".>") else [subject]


def die_with_parent() -> None:
    """Ask Linux to end this process when the thread that started it ends."""
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)
