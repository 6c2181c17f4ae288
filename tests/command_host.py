"""A process that has the command line loaded and carries out each command in a fork of itself.

A `benchweather` of its own spends 0.7 s of processor time on its imports; the texts have about
sixty. What a command is given and gives back is that of a process of its own: arguments, folder,
environment, input and output, exit code.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from conftest import ROOT, until

PROGRAM = """#!{python} -IS
import json, os, socket, sys
with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as host:
    host.connect({address!r})
    asked = json.dumps([sys.argv[1:], os.getcwd(), dict(os.environ)]).encode()
    socket.send_fds(host, [asked], [0, 1, 2])
    ended = host.recv(1)
sys.exit(ended[0] if ended else "the command was killed")
"""
"""The program that a shell finds: it hands the command over and ends as the command does."""


@contextlib.contextmanager
def command_host(program: Path, environment: dict[str, str]) -> Iterator[None]:
    """A host while it lasts; `program` becomes the `benchweather` that asks it."""
    address = program.with_suffix(".socket")
    program.write_text(PROGRAM.format(python=sys.executable, address=str(address)), "utf-8")
    program.chmod(0o755)
    command = [sys.executable, __file__, str(address)]
    paths = {"PYTHONPATH": f"{ROOT}:{ROOT / 'tests'}"}
    with subprocess.Popen(command, env=environment | paths) as host:
        try:
            until(lambda: address.exists() or host.poll(), within_s=200, what="the host listens")
            yield
        finally:
            host.terminate()


def _serve(address: str) -> None:
    import importlib
    import pkgutil

    import monitor

    for module in pkgutil.walk_packages(monitor.__path__, "monitor."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    importlib.import_module("monitor.cli.plan").LIMIT_S = 0.5  # any plan will do
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the ended ones need no wait
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as door:
        door.bind(address)
        door.listen()
        while True:
            asking, _ = door.accept()
            if os.fork() == 0:
                door.close()
                _carry_out(asking)
            asking.close()


def _carry_out(asking: socket.socket) -> None:
    import json

    from monitor import cli

    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    asked, streams, _, _ = socket.recv_fds(asking, 1 << 20, 3)
    arguments, folder, environment = json.loads(asked)
    for own, stream in enumerate(streams):
        os.dup2(stream, own)
        os.close(stream)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv[1:] = arguments
    code = 1
    try:
        cli.main()
    except SystemExit as ended:
        code = int(ended.code or 0)
    except BaseException:  # noqa: BLE001 - said, as the interpreter does it
        sys.excepthook(*sys.exc_info())
    finally:
        with contextlib.suppress(BrokenPipeError):
            sys.stdout.flush()
        sys.stderr.flush()
        asking.send(bytes([code]))
        os._exit(0)


if __name__ == "__main__":
    _serve(sys.argv[1])
