"""A board process under requests that never end or are far too large."""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import time
import urllib.request
from pathlib import Path

import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import served
from conftest import free_port, until

import dashboard as assets
from dashboard.access.guard import REQUEST_MAX
from dashboard.server import limits
from dashboard.server.limits import FairQueue, RequestRate
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


HURRIED = """from dashboard.server import limits
limits.HEADER_S = limits.BODY_S = limits.IDLE_S = limits.SEND_S = 3.0
limits.BURST, limits.RATE = 150, 5.0"""
"""A board with short times and few requests, so that the tests need not wait."""


@pytest.fixture(scope="module")
def hurried(tmp_path_factory):
    """A running board whose patience is short: its port, its log and its process."""
    folder = tmp_path_factory.mktemp("hurried")
    port = free_port()
    settings = shop_air.settings_in(folder, port=port)
    with (
        contextlib.closing(Writer(settings.store_path)),
        (folder / "log.txt").open("w") as log,
        served(folder, port, before=HURRIED, log=log) as child,
    ):
        yield port, folder / "log.txt", child


def connect(port, near="127.0.0.1"):
    """A connection from an address of this machine."""
    return socket.create_connection(("127.0.0.1", port), timeout=60, source_address=(near, 0))


def seconds_to_get(port, path="/here") -> float:
    began = time.monotonic()
    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=60) as answer:
        assert answer.status == 200
        answer.read()
    return time.monotonic() - began


def drip(lines, each_s, ends_s):
    """Send a byte on each line now and again, until the other side has ended them all or time is up;
    how long each has lived, and what it was told."""
    began, lived, told = time.monotonic(), {}, {}
    while len(lived) < len(lines) and time.monotonic() - began < ends_s:
        for line in lines:
            if line in lived:
                continue
            try:
                line.sendall(b"x")
                line.setblocking(False)
                told[line] = line.recv(4096)
            except BlockingIOError:
                continue
            except OSError:
                told.setdefault(line, b"")
            finally:
                line.settimeout(60)
            lived[line] = time.monotonic() - began
        time.sleep(each_s)
    return lived, list(told.values())


def held_of(port):
    """Ports of those whose connections the server on a port has not closed."""
    found = set()
    for row in Path("/proc/net/tcp").read_text().splitlines()[1:]:
        _, *ends, state = row.split()[:4]
        near, far = (int(end.rpartition(":")[2], 16) for end in ends)
        if near == port and state in ("01", "03"):  # established, or about to be
            found.add(far)
    return found


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
    # One of announced length is refused unread; one in parts, once it is as long as any may be.
    assert kept == 0  # no file at all
    assert kept <= 2 * (FILE_MAX if chunked else REQUEST_MAX)
    assert refused >= 1  # a reset can come before the answer is read


@pytest.mark.parametrize(
    "length",
    ["9" * 5000, "4\r\nTransfer-Encoding: chunked"],
    ids=["of thousands of digits", "beside chunks"],
)
def test_a_length_that_two_servers_may_read_in_two_ways_is_refused(board, length):
    with connect(board[0]) as line:
        line.sendall(f"{HEAD}Content-Length: {length}\r\n\r\n0\r\n\r\n".encode())
        line.sendall(b"GET /here HTTP/1.1\r\nHost: localhost\r\n\r\n")
        with line.makefile("rb") as answers:
            told = answers.read()
    assert told.startswith((b"HTTP/1.1 400 ", b"HTTP/1.0 400 "))
    assert told.count(b"HTTP/1.") == 1


@pytest.mark.parametrize(
    ("head", "part"),
    [
        ("", b"\r\n" * 10_000),
        (f"{HEAD}Transfer-Encoding: chunked\r\n\r\n", b"1\r\na\r\n" * 4_000),
        (f"{HEAD}Transfer-Encoding: chunked\r\n\r\n", b"\r\n" * 10_000),
        (f"{HEAD}Transfer-Encoding: chunked\r\n\r\n0\r\n", b"X: y\r\n" * 4_000),
        (f"{HEAD}Transfer-Encoding: chunked\r\n\r\n3;", b"a" * 20_000),
    ],
    ids=["blank lines", "short chunks", "blank chunks", "trailers", "extension of a chunk"],
)
def test_what_says_next_to_nothing_is_refused_soon(board, head, part):
    """900 kB, less than any limit of a body; reading it takes the one thread of all connections."""
    with connect(board[0]) as line:
        line.settimeout(60)
        with contextlib.suppress(OSError):
            line.sendall(head.encode())
            for _ in range(900_000 // len(part)):
                line.sendall(part)
                if select.select([line], [], [], 0)[0]:  # what is sent later may end in a reset
                    break
        told = b""
        with contextlib.suppress(OSError):
            told = line.recv(100)
    assert told[8:13] == b" 400 "
    assert seconds_to_get(board[0]) < limits.HEADER_S


def test_a_body_in_chunks_of_a_fair_size_is_read(board):
    with connect(board[0]) as line:
        body = b'{"do": "open", "kind": "cleat", "place": "front-bench", "by": "%s"}' % (
            b"x" * 900
        )
        parts = [body[i : i + 100] for i in range(0, len(body), 100)] + [b""]
        sent = b"".join(b"%x\r\n%s\r\n" % (len(part), part) for part in parts)
        line.sendall(f"{HEAD}Transfer-Encoding: chunked\r\n\r\n".encode() + sent)
        assert b" 403 " in line.recv(100)  # understood, and from nobody


def test_who_sends_nonsense_and_is_gone_leaves_no_traceback(hurried):
    port, log, _ = hurried
    for i in range(120):
        with connect(port, "127.0.0.7") as line:
            line.setsockopt(
                socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0)
            )  # a reset
            line.sendall(b"\r\n" * 600 if i % 2 else b"\xff\r\n\r\n")
            time.sleep(0.0005 * (i % 5))
    seconds_to_get(port)
    assert "Traceback" not in log.read_text()


def test_headers_without_end_are_refused(board):
    with connect(board[0]) as line:
        with contextlib.suppress(OSError):
            line.sendall(b"GET / HTTP/1.1\r\n" + b"X-Part: y\r\n" * 100_000)
        with contextlib.suppress(OSError):
            assert b" 431 " in line.recv(100)
    assert urllib.request.urlopen(f"http://localhost:{board[0]}/here", timeout=60).status == 200


def test_many_half_open_requests_do_not_keep_others_out(board):
    port = board[0]
    with contextlib.ExitStack() as lines:
        held = [lines.enter_context(connect(port)) for _ in range(HALF_OPEN)]
        for line in held:
            with contextlib.suppress(OSError):  # the oldest are closed for the newest
                line.sendall(HEAD.encode())
        assert seconds_to_get(port) < limits.IDLE_S  # the time of the held ones


def test_a_page_comes_while_many_requests_are_half_open_or_drip_in(hurried):
    """150 from one address: 90 stop in their headers, 30 drip headers, 30 drip a body."""
    port = hurried[0]
    with contextlib.ExitStack() as lines:
        stopped = [lines.enter_context(connect(port)) for _ in range(90)]
        headers = [lines.enter_context(connect(port)) for _ in range(30)]
        bodies = [lines.enter_context(connect(port)) for _ in range(30)]
        for line in stopped + headers:
            with contextlib.suppress(OSError):
                line.sendall(HEAD.encode())
        for line in bodies:
            line.sendall(f"{HEAD}Content-Length: 500\r\n\r\n".encode())
        seconds_to_get(port, "/")
        lived, told = drip(headers + bodies, 0.5, 60)
        assert len(lived) == 60  # the whole request's time, not a byte's
        assert sum(b" 408 " in answer for answer in told) >= 55  # some made room for the page


def test_who_never_takes_the_answer_does_not_keep_others_out(hurried):
    """Twelve lines ask for four megabytes each and read nothing: they are closed before the end."""
    port = hurried[0]
    ask = 4 * b"GET /assets/plotly-basic.min.js HTTP/1.1\r\nHost: localhost\r\n\r\n"
    size = Path(assets.__file__).with_name("assets") / "plotly-basic.min.js"
    with contextlib.ExitStack() as lines:
        held = []
        for _ in range(12):
            line = socket.socket()
            line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            line.bind(("127.0.0.3", 0))
            line.settimeout(60)
            line.connect(("127.0.0.1", port))
            line.sendall(ask)
            held.append(lines.enter_context(line))
        seconds_to_get(port)
        ours = {line.getsockname()[1] for line in held}
        until(lambda: not ours & held_of(port), what="they are closed")
        for line in held:
            got = 0
            with contextlib.suppress(ConnectionResetError):
                while part := line.recv(65_536):
                    got += len(part)
            assert got < 4 * size.stat().st_size


def test_who_asks_too_often_must_wait_and_others_need_not(hurried):
    port, log, _ = hurried
    codes = []
    for _ in range(300):
        with connect(port, "127.0.0.2") as line:
            line.sendall(b"GET /here HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
            codes.append(line.recv(4096).split(b" ")[1])
    assert codes[:100] == [b"200"] * 100
    assert codes.count(b"429") > 50
    assert seconds_to_get(port) < 5
    assert "Traceback" not in log.read_text()


def test_a_proxy_speaks_for_many_and_each_has_its_own_count():
    rate = RequestRate(2, 1.0)
    assert [rate.take("a", 0.0) for _ in range(4)] == [True, True, False, False]
    assert rate.take("b", 0.0)
    assert rate.take("a", 1.5)
    assert not rate.take("a", 1.6)
    for i in range(3 * limits.VISITORS_MAX):
        rate.take(f"c{i}", 2.0)
    assert len(rate) <= limits.VISITORS_MAX


@pytest.mark.parametrize(
    ("address", "visitor"),
    [
        ("192.168.1.20", "192.168.1.20"),
        ("::ffff:192.168.1.20", "192.168.1.20"),
        ("fe80::1%eth0", "fe80::1"),
        ("fd00::1", "fd00::1"),
        ("2a00:1450:4001:82a::5", "2a00:1450:4001:82a::/64"),
        ("nothing", "nothing"),
    ],
)
def test_a_visitor_is_an_address_or_a_home_network(address, visitor):
    assert limits.visitor_of_address(address) == visitor


def test_each_visitor_has_its_turn_and_none_takes_all_workers():
    class Line:
        def __init__(self, visitor):
            self.visitor = visitor

    queue = FairQueue(2)
    flood, other = [Line("flood") for _ in range(5)], Line("other")
    for line in [*flood, other]:
        queue.append(line)
    taken = [queue.popleft() for _ in range(3)]
    assert [line.visitor for line in taken] == ["flood", "other", "flood"]
    assert len(queue) == 0  # three wait until one of the two is done
    queue.done(taken[0])
    assert queue.popleft() is flood[2]
