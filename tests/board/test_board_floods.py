"""A board process under requests that never end or are far too large."""

from __future__ import annotations

import contextlib
import socket
import time
import urllib.request
from pathlib import Path

import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import served
from conftest import free_port

from dashboard.access.guard import REQUEST_MAX
from monitor.clients.weather_files import FILE_MAX
from monitor.store import Writer

pytestmark = [pytest.mark.slow, pytest.mark.real_clock]

HALF_OPEN = 300
"""Connections that have sent half of their headers: three times a server's usual limit."""
HEAD = "POST /bench/do HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    """A running board: its port and its process."""
    folder = tmp_path_factory.mktemp("flooded")
    port = free_port()
    settings = shop_air.settings_in(folder, port=port)
    with contextlib.closing(Writer(settings.store_path)), served(folder, port) as child:
        yield port, child


def connect(port):
    return socket.create_connection(("127.0.0.1", port), timeout=30)


def spooled_bytes(pid):
    """Bytes in deleted files that a process holds open, as a server spools what does not fit."""
    total = 0
    for link in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):
            if "(deleted)" in str(link.readlink()):
                total += link.stat().st_size
    return total


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="looks into /proc")
@pytest.mark.parametrize("chunked", [False, True])
def test_a_body_too_large_is_refused_before_it_is_kept(board, chunked):
    port, child = board
    kept, refused = 0, 0
    for _ in range(4):
        with connect(port) as line:
            kind = "Transfer-Encoding: chunked" if chunked else "Content-Length: 200000000"
            line.sendall(f"{HEAD}{kind}\r\n\r\n".encode())
            part = b"10000\r\n" + b"x" * 65_536 + b"\r\n" if chunked else b"x" * 65_536
            with contextlib.suppress(OSError):
                for _ in range(320):  # 21 MB
                    line.sendall(part)
                    kept = max(kept, spooled_bytes(child.pid))
            with contextlib.suppress(OSError):
                refused += b" 413 " in line.recv(100)
    # One of announced length is refused unread; one in parts may be as long as a client's file.
    assert kept <= 2 * (FILE_MAX if chunked else REQUEST_MAX)
    assert refused >= 1  # a reset can come before the answer is read


def test_headers_without_end_are_refused(board):
    with connect(board[0]) as line:
        with contextlib.suppress(OSError):
            line.sendall(b"GET / HTTP/1.1\r\n" + b"X-Part: y\r\n" * 100_000)
        with contextlib.suppress(OSError):
            assert b" 431 " in line.recv(100)
    assert urllib.request.urlopen(f"http://localhost:{board[0]}/here", timeout=10).status == 200


def test_many_half_open_requests_do_not_keep_others_out(board):
    port = board[0]
    with contextlib.ExitStack() as lines:
        held = [lines.enter_context(connect(port)) for _ in range(HALF_OPEN)]
        for line in held:
            line.sendall(HEAD.encode())
        began = time.monotonic()
        with urllib.request.urlopen(f"http://localhost:{port}/here", timeout=30) as answer:
            assert answer.status == 200
        assert time.monotonic() - began < 10  # not the idle time of the held ones
