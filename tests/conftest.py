"""Fixtures of all tests: a clock, real brokers and services on free loopback ports; a strict mode.

With `TESTS_SKIP_NOTHING=1` (as CI sets it) a test that would be skipped fails. With
`--at 2027-03-28T23:59` the tests' clock starts each file at that time (UTC).
"""

from __future__ import annotations

import contextlib
import fcntl
import functools
import gc
import io
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import typer.main
import typer.testing
from hypothesis import HealthCheck, settings
from process_host import Forked, forked

from monitor.core import clock
from monitor.core.clock import to_ms
from monitor.core.ports import is_listening
from monitor.mqtt.accounts import LOCAL_USER, read_session_keys

pytest_plugins = ["idle_cores", "postgresql_server"]
ROOT = Path(__file__).parent.parent
STRICT = os.environ.get("TESTS_SKIP_NOTHING") == "1"

RAM_DISK, RAM_BYTES = Path("/dev/shm"), 4_000_000_000
if RAM_DISK.is_dir():  # waiting for the disk would take longer than most tests of the store work
    room = os.statvfs(RAM_DISK)
    if room.f_bavail * room.f_frsize > RAM_BYTES and not room.f_flag & os.ST_NOEXEC:
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(RAM_DISK))
gc.disable()  # until all is collected: it would look at all modules and tests again and again
os.environ.pop("COLUMNS", None)  # pytest's workers set it; our commands would believe it
# Compiled modules are kept: else each worker and each process of a test compiles all of them anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# On two shared cores the first draw of a text, which builds Unicode tables, can take seconds.
settings.register_profile("shared", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("shared")


put_together = functools.cache(typer.main.get_command)
"""A command line as it is run: putting ours together takes longer than most of its commands."""
typer.testing._get_command = put_together


NOW_MS = to_ms(datetime(2026, 12, 9, 9, 30, 30, tzinfo=UTC))
"""Start of the tests' clock, unless `--at` gives another: a Wednesday morning, half a minute into ten
minutes, so that no clock set back by a little makes their first reading one of the future. [ms]"""
REAL_CLOCK = ("browser", "broker", "real_clock")
"""Markers of tests that start processes of their own: those and the test share the machine's clock."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--at", metavar="2027-03-28T23:59", help="start of the tests' clock, UTC")


def pytest_configure(config: pytest.Config) -> None:
    if (
        config.option.markexpr == "quick"
    ):  # PsychroLib would compile itself: longer than its answers
        sys.modules.setdefault("numba", None)
    at = config.getoption("--at")
    start = to_ms(datetime.fromisoformat(at).replace(tzinfo=UTC)) if at else NOW_MS
    config.stash[CLOCK] = Clock(start)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Leave the browser's modules unread in a quick run, which has none of their tests."""
    quick = config.getoption("markexpr") == "quick"
    return True if quick and collection_path == ROOT / "tests/browser" else None


def pytest_collection_finish() -> None:
    """Take all that was imported and collected out of the garbage collector's sight."""
    gc.collect()
    gc.freeze()
    gc.enable()


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One worker a core; of the whole suite twice as many, as its slow tests wait a lot."""
    cores = min(os.cpu_count() or 1, 4)
    return cores if config.getoption("markexpr") == "quick" else 2 * cores


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if not any(item.get_closest_marker(name) for name in ("slow", "broker", "browser")):
            item.add_marker("quick")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    real = any(item.get_closest_marker(name) for name in REAL_CLOCK)
    item.config.stash[CLOCK].begin(item.path, real=real)


class Clock:
    """The program's clock in this process. It runs on from a fixed time, the same for each file.

    Processes that a test starts have the machine's clock, and so has a test that starts them.
    """

    def __init__(self, start_ms: int) -> None:
        self.start_ms = start_ms
        self._shift_ns = 0
        self._file: Path | None = None

    def begin(self, file: Path, *, real: bool) -> None:
        """Before each test: start anew in a new file, or undo what a test has moved."""
        if file != self._file:
            self._file, self._shift_ns = file, self.start_ms * 1_000_000 - time.time_ns()
        self.moved_ns = 0
        clock.time_ns = time.time_ns if real else self.time_ns

    def time_ns(self) -> int:
        return time.time_ns() + self._shift_ns + self.moved_ns

    def move(self, by_ms: int) -> None:
        """Let time pass, until the end of the test."""
        self.moved_ns += by_ms * 1_000_000


CLOCK = pytest.StashKey[Clock]()


@pytest.fixture
def moved_clock(request: pytest.FixtureRequest) -> Clock:
    """The program's clock, for a test that lets time pass."""
    return request.config.stash[CLOCK]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if STRICT and report.skipped:
        report.outcome, report.longrepr = "failed", f"skipped in strict mode: {report.longrepr}"
    return report


SHARES = 64
"""Shares of the ports, of which each process that runs tests has one."""


def _ports() -> Iterator[int]:
    """Ports of this process's own share, below those that the kernel deals out, none soon again. A
    lock keeps the share from all other processes that run tests here, of whatever run."""
    for number in range(SHARES):
        name = Path(tempfile.gettempdir(), f"benchweather-tests-{number}")
        with contextlib.suppress(OSError), name.open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            while True:
                yield from range(16_000 + number, 32_000, SHARES)
    raise AssertionError("every share of the ports is in use")


PORTS = _ports()


CLOCK_STEP_MS = 2_000
"""Most by which network time may set the machine's clock during a test: two looks at it are in order
only within so much. [ms]"""


def free_port() -> int:
    """A port that nothing listens on and that no other test will be given."""
    for port in PORTS:
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise AssertionError("unreachable")


def end_accepting(door: socket.socket, thread: threading.Thread) -> None:
    """Close a socket at which a thread accepts, once that thread has ended: its call goes on with the
    number of the socket, which may be another's by then, and takes what is not for it."""
    door.shutdown(socket.SHUT_RDWR)
    thread.join(60)
    door.close()


def until(condition: Callable[[], object], *, within_s: float = 60.0, what: str = "") -> None:
    """Wait until something outside this process has come about; what takes long is looked for less
    often, so that looking takes little of the processor. A shorter limit makes no test faster, only one
    fail on a busy machine."""
    deadline, pause_s = time.monotonic() + within_s, 0.01
    while not condition():
        assert time.monotonic() < deadline, f"not within {within_s} s: {what or condition}"
        time.sleep(pause_s)
        pause_s = min(1.2 * pause_s, 0.1)


def needs(program: str, package: str) -> str:
    """Path of a program that a test needs, or a skip that says how to get it."""
    found = shutil.which(program) or shutil.which(program, path="/usr/sbin")
    if not found:
        pytest.skip(f"{program} is not installed: apt-get install {package}")
    return found


def mosquitto_pub(
    port: int, topic: str, payload: str, *options: str, account: tuple[str, str] | None = None
) -> None:
    """Send a message by a client that is not ours, and wait for the broker's acknowledgement."""
    program = needs("mosquitto_pub", "mosquitto-clients")
    login = ["-u", account[0], "-P", account[1]] if account else []
    command = [program, "-p", str(port), *login, "-q", "1", *options, "-t", topic, "-m", payload]
    subprocess.run(command, check=True)


class Mosquitto:
    """A mosquitto of the test's own, set up so that nothing acknowledged is lost by a kill of the
    ingest."""

    def __init__(self, folder: Path, *extra: str) -> None:
        self.port = free_port()
        self.url = f"mqtt://127.0.0.1:{self.port}"
        lines = [
            f"listener {self.port} 127.0.0.1",
            "max_inflight_messages 1000",
            "max_queued_messages 1000000",
            "persistence true",
            f"persistence_location {folder}/",
            "user root",
            *(extra or ("allow_anonymous true",)),
        ]
        self._file = folder / "mosquitto.conf"
        self._file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._program = needs("mosquitto", "mosquitto")

    def start(self) -> None:
        self._child = subprocess.Popen(
            [self._program, "-c", str(self._file)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(lambda: is_listening("127.0.0.1", self.port), what="mosquitto answers")

    def stop(self) -> None:
        self._child.terminate()
        self._child.wait(60)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture(scope="session")
def tls_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """cert.pem and other.pem with their keys, users of a broker, and files `right` and `wrong` with
    passwords."""
    openssl, hasher = needs("openssl", "openssl"), needs("mosquitto_passwd", "mosquitto")
    folder = tmp_path_factory.mktemp("tls")
    request = ["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"]
    request += ["-nodes", "-days", "2", "-subj", "/CN=localhost"]
    for name in ("cert", "other"):
        files = ["-keyout", str(folder / f"{name}.key"), "-out", str(folder / f"{name}.pem")]
        subprocess.run(
            [openssl, *request, "-addext", "subjectAltName=DNS:localhost", *files],
            check=True,
            capture_output=True,
        )
    subprocess.run([hasher, "-b", "-c", str(folder / "users"), "shop", "right"], check=True)
    for name in ("right", "wrong"):
        (folder / name).write_text(f"{name}\n")
        (folder / name).chmod(0o600)
    return folder


@pytest.fixture
def guarded(tmp_path: Path, tls_folder: Path) -> Iterator[Mosquitto]:
    """A mosquitto with TLS and a password; `folder` has the files of `tls_folder`."""
    (tmp_path / "guarded").mkdir()
    broker = Mosquitto(
        tmp_path / "guarded",
        f"password_file {tls_folder}/users",
        "allow_anonymous false",
        f"certfile {tls_folder}/cert.pem",
        f"keyfile {tls_folder}/cert.key",
    )
    broker.folder = tls_folder
    broker.start()
    yield broker
    broker.stop()


class RunningService:
    """`benchweather run` as a user starts it, in a process of its own; `board=False` for a test
    that asks its board for nothing: `tests/no_board.py` takes its place. With `fork` it is split off
    from a process that has its modules loaded (`process_host.py`)."""

    def __init__(
        self,
        folder: Path,
        *,
        broker_url: str = "",
        demo: bool = False,
        board: bool = True,
        fork: bool = True,
    ) -> None:
        self.data, self.demo, self.board, self.fork = folder, demo, board, fork
        self.before = ""
        """Statements that its process runs first, such as one that shortens a period."""
        self._child: subprocess.Popen[bytes] | Forked | None = None
        self.broker_port, self.board_port = free_port(), free_port()
        self.environment = {
            k: v for k, v in os.environ.items() if not k.startswith("BENCHWEATHER_")
        } | {
            "BENCHWEATHER_BROKER__PORT": str(self.broker_port),
            "BENCHWEATHER_BROKER__URL": broker_url,
            "BENCHWEATHER_BOARD__PORT": str(self.board_port),
            "BENCHWEATHER_DATA": str(folder),
            "PYTHONUNBUFFERED": "1",
        }
        self.port = int(broker_url.rpartition(":")[2]) if broker_url else self.broker_port
        self.log = folder.with_name(folder.name + ".log")

    @property
    def store(self) -> Path:
        return self.data / ("demo" if self.demo else "") / "readings.sqlite3"

    @property
    def own_account(self) -> tuple[str, str]:
        """User and password of this machine's own commands at the embedded broker."""
        keys = read_session_keys(self.data / ("demo" if self.demo else "") / "broker-keys.json")
        return LOCAL_USER, keys.local_password

    @property
    def without_board(self) -> str:
        """Statements that leave the board out: something that listens takes its place."""
        return f"""
from monitor.service import supervisor
class Child(supervisor.ChildProcess):
    def start(self):
        if self.name == "board":
            self.arguments = ["tests.no_board", "{self.board_port}"]
        super().start()
supervisor.ChildProcess = Child
"""

    def start(self, *, within_s: float = 200.0) -> None:
        """Start it, and wait until the board answers and the ingest is at the broker."""
        before = self.before if self.board else f"{self.without_board}\n{self.before}"
        code = f"{before}\nfrom monitor.__main__ import main; main()"
        arguments = ["run", *(["--demo"] if self.demo else [])]
        with self.log.open("w") as log:
            if self.fork:
                self._child = forked(code, ["benchweather", *arguments], self.environment, log)
            else:
                program = ["-c", code] if before.strip() else ["-m", "monitor"]
                self._child = subprocess.Popen(
                    [sys.executable, *program, *arguments],
                    cwd=ROOT,
                    env=self.environment,
                    stdout=log,
                    stderr=subprocess.STDOUT,
                )
        until(lambda: self._says("Board: "), within_s=within_s, what="the service is ready")
        found = subprocess.run(
            ["pgrep", "-P", str(self.pid), "-f", "dashboard"], capture_output=True, text=True
        )
        for board in found.stdout.split():  # behind other work on the machine it hardly ever runs
            with contextlib.suppress(PermissionError, ProcessLookupError):
                os.setpriority(os.PRIO_PGRP, int(board), 0)

    def _says(self, sign: str) -> bool:
        text = self.log.read_text()
        assert self._child.poll() is None, f"the service ended:\n{text}"
        return sign in text

    @property
    def pid(self) -> int:
        return self._child.pid

    def running(self) -> bool:
        return self._child is not None and self._child.poll() is None

    def kill(self) -> None:
        """As the machine would: at once, without a word."""
        self._child.kill()
        self._child.wait()

    def interrupt(self) -> float:
        """As Ctrl-C does. Returns how long it took to end. [s]"""
        import signal

        began = time.monotonic()
        self._child.send_signal(signal.SIGINT)
        assert self._child.wait(60) == 0
        return time.monotonic() - began

    def stop(self) -> None:
        if self.running():
            self.interrupt()

    def clear(self) -> None:
        """Leave nothing running, however the test went."""
        if self.running():
            self._child.terminate()
            try:
                self._child.wait(60)
            except subprocess.TimeoutExpired:
                self.kill()

    def command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Another `benchweather` command on the same data."""
        return benchweather(*arguments, environment=self.environment)


def benchweather(
    *arguments: str, environment: dict[str, str] | None = None, app: typer.Typer | None = None
) -> subprocess.CompletedProcess[str]:
    """A `benchweather` command's exit code and what it printed; `app` is what would take the
    process's place.

    In this process: a new one spends a second on its imports.
    """
    from monitor import cli  # not above, where `COLUMNS` is still set
    from monitor.cli import shared

    with (
        pytest.MonkeyPatch.context() as patch,
        contextlib.redirect_stdout(io.StringIO()) as printed,
        contextlib.redirect_stderr(io.StringIO()) as told,
    ):
        patch.chdir(ROOT)
        for name in [n for n in os.environ if n.startswith("BENCHWEATHER_")]:
            patch.delenv(name)
        for name, value in (environment or {}).items():
            patch.setenv(name, value)
        if "COLUMNS" in os.environ:  # which was read when the command line was imported
            for console in (shared.out, shared.err):
                patch.setattr(console, "_width", int(os.environ["COLUMNS"]))
        try:
            put_together(app or cli.app)(list(arguments), prog_name="benchweather")
            code = 0
        except SystemExit as ended:
            code = int(ended.code or 0)
    return subprocess.CompletedProcess(arguments, code, printed.getvalue(), told.getvalue())


@pytest.fixture
def make_service(
    request: pytest.FixtureRequest, tmp_path: Path
) -> Iterator[Callable[..., RunningService]]:
    """Services of the test's own, not yet started; whatever becomes of the test, they end."""
    made: list[RunningService] = []
    how = {"fork": not request.node.get_closest_marker("real_start")}

    def make(**more: object) -> RunningService:
        made.append(RunningService(tmp_path / f"shop{len(made)}", **how | more))
        return made[-1]

    yield make
    for one in made:
        one.clear()


@pytest.fixture
def service(make_service: Callable[..., RunningService]) -> RunningService:
    """A service without a board."""
    running = make_service(board=False)
    running.start()
    return running


@pytest.fixture
def whole_service(make_service: Callable[..., RunningService]) -> RunningService:
    running = make_service()
    running.start()
    return running


@pytest.fixture(scope="module")
def module_service(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[RunningService]:
    """A service of the module, not yet started."""
    fork = not request.node.get_closest_marker("real_start")
    made = RunningService(tmp_path_factory.mktemp("lasting") / "shop", fork=fork)
    yield made
    made.clear()


@pytest.fixture
def lasting_service(module_service: RunningService) -> RunningService:
    """One service for those tests of a module that leave it as it is, or ended."""
    if not module_service.running():
        module_service.start()
    return module_service
