"""Command link: other processes on this machine hand the service a command and get its answer.

Where the store is a database, they ask by a table in it instead: see `link.py`.
The service alone writes the store; the board and the command line ask it here. One JSON line each
way over a loopback connection, with a token that only this user's processes can read.
"""

from __future__ import annotations

import contextlib
import hmac
import json
import logging
import os
import secrets
import socket
import socketserver
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from monitor.core.errors import BadPayload, Fault, MonitorError, Rejected, StoreUnavailable
from monitor.core.json_documents import json_object

log = logging.getLogger(__name__)

LINE_MAX = 1_000_000
"""Longest command or answer. [bytes]"""
PATIENCE_S = 10.0
"""Time that either side waits for the other. [s]"""

Handler = Callable[[Mapping[str, Any]], Mapping[str, Any]]


class ServiceUnavailable(MonitorError):
    """The service does not answer: it is not running, or busy beyond patience."""

    retryable = True


class CommandLink:
    """The service's side. `handle` is called in a thread per connection and may raise
    `MonitorError`: the answer is the faults of a `Rejected`, or that the store is away."""

    def __init__(self, path: Path, handle: Handler) -> None:
        self.path = path
        self._token = secrets.token_urlsafe(32)
        token = self._token

        class CommandConnection(socketserver.StreamRequestHandler):
            timeout = PATIENCE_S

            def handle(self) -> None:
                try:
                    line = self.rfile.readline(LINE_MAX)
                    answer = _answer(line, token, handle)
                    self.wfile.write(json.dumps(answer).encode() + b"\n")
                except OSError as exc:  # whoever asked has gone
                    log.debug("command link lost its caller reason=%s", exc)

        self._server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), CommandConnection)
        self._server.daemon_threads = True
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="command-link", daemon=True)

    def start(self) -> None:
        """Open the link and leave its address and token where our processes look."""
        port = self._server.server_address[1]
        self.path.unlink(missing_ok=True)
        handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"port": port, "token": self._token}, file)
        self._thread.start()

    def _serve(self) -> None:
        """Wait for callers without polling: `serve_forever` would look twice a second."""
        while not self._stopping.is_set():
            self._server.handle_request()

    def stop(self) -> None:
        self.path.unlink(missing_ok=True)
        self._stopping.set()
        with contextlib.suppress(OSError):  # a last caller, who has nothing to ask
            port = self._server.server_address[1]
            socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S).close()
        self._thread.join(PATIENCE_S)
        self._server.server_close()


def ask(path: Path, command: Mapping[str, Any]) -> Mapping[str, Any]:
    """Hand the service on this computer a command and return its answer; see `link.ask`.

    Raises
    ------
    ServiceUnavailable
        If the service is not running or does not answer.
    Rejected
        If it did not carry the command out, with every fault.
    """
    try:
        place = json_object(path.read_bytes())
        port = place["port"]
        if not isinstance(port, int) or not 0 < port < 65_536:
            raise ValueError(f"port {port}")
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as line:
            line.sendall(
                json.dumps({"token": place["token"], "command": command}).encode() + b"\n"
            )
            with line.makefile("rb") as answers:
                answer = json.loads(answers.readline(LINE_MAX))
    except (OSError, ValueError, KeyError, TypeError) as exc:
        raise ServiceUnavailable(
            "the service does not answer: start it with `benchweather run` and try again"
        ) from exc
    return done_of(answer)


def done_of(answer: Mapping[str, Any]) -> Mapping[str, Any]:
    """Content of an answer of the service; raises what the service raised."""
    if "unavailable" in answer:
        raise StoreUnavailable(answer["unavailable"])
    if "rejected" in answer:
        raise Rejected(*(Fault(**fault) for fault in answer["rejected"]))
    done: Mapping[str, Any] = answer["done"]
    return done


def _answer(line: bytes, token: str, handle: Handler) -> dict[str, Any]:
    def checked(asked: Mapping[str, Any]) -> Mapping[str, Any]:
        given, command = asked.get("token"), asked.get("command")
        if not isinstance(given, str) or not hmac.compare_digest(given.encode(), token.encode()):
            raise Rejected("wrong token")
        if not isinstance(command, dict):
            raise Rejected("not a command")
        return handle(command)

    return answer_to(line, checked)


def answer_to(text: bytes, handle: Handler) -> dict[str, Any]:
    """The answer to a command, both as JSON has them."""
    try:
        command = json_object(text)
    except BadPayload:
        return _rejected(Rejected("not a command"))
    try:
        return {"done": handle(command)}
    except Rejected as exc:
        return _rejected(exc)
    except StoreUnavailable as exc:
        return {"unavailable": str(exc)}
    except MonitorError as exc:
        return _rejected(Rejected(str(exc)))
    except Exception as exc:
        log.exception("command failed")  # ours to mend; the caller hears that it was not done
        return _rejected(Rejected(f"it could not be carried out: {exc!r}"))


def _rejected(exc: Rejected) -> dict[str, Any]:
    return {"rejected": [vars(fault) for fault in exc.faults]}
