"""A process that has the program's modules loaded and starts services and boards in forks of itself.

On its own each spends most of the processor time of its start on imports. What is forked is a process
with its own arguments, environment, output and exit code, and ends as any other. Tests of the start
itself (`readings/test_path`, `service/test_restarts`) do without.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import IO

LOADED = ("dashboard.app", "dashboard.server.connections", "monitor.cli", "monitor.service")
"""Packages and modules of services and boards; of a package all modules."""
LOOK_S = 10.0
"""Interval between checks whether the tests' process is still there. [s]"""


class Forked:
    """A process started by the host, with the part of `subprocess.Popen` that the tests use."""

    def __init__(self, line: socket.socket, pid: int) -> None:
        self._line, self.pid = line, pid
        self.returncode: int | None = None

    def poll(self) -> int | None:
        return self._ended(0)

    def wait(self, timeout: float | None = None) -> int:
        code = self._ended(timeout)
        if code is None:
            raise subprocess.TimeoutExpired("a forked process", timeout or 0)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def _ended(self, within_s: float | None) -> int | None:
        if self.returncode is None and select.select([self._line], [], [], within_s)[0]:
            answer = self._line.recv(64)
            self._line.close()
            assert answer, "the host of the processes has ended"
            self.returncode = int(answer)
        return self.returncode


def forked(code: str, arguments: list[str], environment: dict[str, str], log: IO) -> Forked:
    """Run Python statements as a program with these arguments; it prints to `log`."""
    line = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    line.connect(_host())
    asked = json.dumps([code, arguments, environment]).encode()
    socket.send_fds(line, [asked], [log.fileno()])
    return Forked(line, int(line.recv(64)))


@functools.cache
def _host() -> str:
    """Address of this process's host, which it starts."""
    folder = tempfile.TemporaryDirectory(prefix="host-")
    address = f"{folder.name}/socket"
    root = Path(__file__).parent.parent
    more = {
        "PYTHONPATH": str(root),
        "PYTHONUNBUFFERED": "1",
        "OPENBLAS_NUM_THREADS": "1",  # a process that is to fork has one thread
    }
    child = subprocess.Popen(
        [sys.executable, "-P", __file__, address],
        cwd=root,
        env=os.environ | more,
        stdin=subprocess.DEVNULL,
        process_group=0,
    )

    def end() -> None:
        child.terminate()
        child.wait()
        folder.cleanup()

    atexit.register(end)
    until = time.monotonic() + 200  # its imports take seconds of processor time
    while not Path(address).exists():
        assert child.poll() is None
        assert time.monotonic() < until
        time.sleep(0.02)
    return address


def _load() -> None:
    import importlib
    import pkgutil

    from monitor.core.imports import uncollected

    with uncollected():
        for name in LOADED:
            package = importlib.import_module(name)
            for module in pkgutil.iter_modules(getattr(package, "__path__", ()), f"{name}."):
                importlib.import_module(module.name)


def _serve(address: str) -> str:
    """Wait for work. It returns in each process that is to be a service, with its statements."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as door:
        door.bind(f"{address}.part")
        door.listen()
        Path(f"{address}.part").rename(address)
        tests = os.getppid()
        while os.getppid() == tests:
            if select.select([door], [], [], LOOK_S)[0]:
                line, _ = door.accept()
                with line:
                    if os.fork() == 0:
                        door.close()
                        return _keep(line)
            with contextlib.suppress(ChildProcessError):  # there are no keepers
                while os.waitpid(-1, os.WNOHANG)[0]:
                    pass
    sys.exit(0)


def _keep(line: socket.socket) -> str:
    """Start a process and tell how it ended. It returns in the process that was started."""
    asked, (log,), _, _ = socket.recv_fds(line, 1 << 20, 1)
    pid = os.fork()
    if pid:
        os.close(log)
        line.send(str(pid).encode())
        _, status = os.waitpid(pid, 0)
        with contextlib.suppress(BrokenPipeError):  # nobody waits any more
            line.send(str(os.waitstatus_to_exitcode(status)).encode())
        os._exit(0)
    line.close()
    code, arguments, environment = json.loads(asked)
    for stream in (1, 2):
        os.dup2(log, stream)
    os.close(log)
    os.environ.clear()
    os.environ.update(environment)
    time.tzset()
    sys.argv = arguments
    return code


if __name__ == "__main__":
    _load()
    exec(_serve(sys.argv[1]), {"__name__": "__main__"})
