"""A board process behind real forwarders on its own machine: TCP, TLS and a reverse proxy."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import ssl
import subprocess
import threading
import time

import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import served
from conftest import end_accepting, free_port, needs

from monitor.core.clock import now_ms
from monitor.people.board_keys import make_board_keys, open_code
from monitor.store import Writer
from monitor.store.secret_files import FolderFiles

pytestmark = [pytest.mark.slow, pytest.mark.real_clock]

TAP = json.dumps({"do": "open", "kind": "cleat", "place": "front-bench"})
PASSWORD = "horse hair bow"
CONFIG = shop_air.CONFIG.replace(
    "[board]", f'[board]\nnames = ["bench.test"]\ntrusted_proxy = "PROXY"\npassword = "{PASSWORD}"'
)


class Forwarder:
    """Passes connections on to a port; with `tls` it ends TLS, with `lines` it adds header lines."""

    def __init__(
        self, port: int, *, lines: bytes = b"", tls: ssl.SSLContext | None = None
    ) -> None:
        self._to, self._lines, self._tls = port, lines, tls
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                came, _ = self._listening.accept()
                threading.Thread(target=self._pass, args=(came,), daemon=True).start()

    def _pass(self, came: socket.socket) -> None:
        with contextlib.suppress(OSError):
            near = self._tls.wrap_socket(came, server_side=True) if self._tls else came
            with near, socket.create_connection(("127.0.0.1", self._to)) as far:
                head = b""
                while b"\r\n\r\n" not in head and (part := near.recv(65_536)):
                    head += part
                first, end, rest = head.partition(b"\r\n")
                far.sendall(first + end + self._lines + rest)
                back = threading.Thread(target=self._copy, args=(far, near), daemon=True)
                back.start()
                self._copy(near, far)
                back.join()

    @staticmethod
    def _copy(source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while part := source.recv(65_536):
                sink.sendall(part)
            sink.shutdown(socket.SHUT_WR)

    def close(self) -> None:
        end_accepting(self._listening, self._thread)


class Caller:
    """A browser that comes by a forwarder, with the cookies it was given."""

    def __init__(self, port: int, host: str, tls: ssl.SSLContext | None = None) -> None:
        self.port, self.host, self.tls, self.cookie = port, host, tls, ""
        self.cookies: dict[str, str] = {}
        self.headers: dict[str, str] = {}

    def ask(self, path: str, body: str | None = None, kind: str = "application/json") -> int:
        scheme = "https" if self.tls else "http"
        link = (
            http.client.HTTPSConnection("127.0.0.1", self.port, context=self.tls, timeout=60)
            if self.tls
            else http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        )
        headers = {"Host": self.host, "Connection": "close"}
        if body is not None:
            headers |= {
                "Content-Type": kind,
                "Origin": f"{scheme}://{self.host}",
                "Sec-Fetch-Site": "same-origin",
            }
        if self.cookies:
            headers["Cookie"] = "; ".join(f"{name}={of}" for name, of in self.cookies.items())
        with contextlib.closing(link):
            link.request("POST" if body is not None else "GET", path, body, headers)
            answer = link.getresponse()
            self.headers = dict(answer.getheaders())
            answer.read()
        for line in answer.headers.get_all("Set-Cookie") or ():
            self.cookie = line
            name, _, value = line.partition(";")[0].partition("=")
            self.cookies[name] = value
        return answer.status

    def sign_in(self) -> None:
        assert (
            self.ask("/sign-in", f"password={PASSWORD}", "application/x-www-form-urlencoded")
            == 303
        )
        assert self.headers["Location"] == "/bench"


@pytest.fixture(scope="module", params=["", "127.0.0.1"], ids=["no proxy", "trusted proxy"])
def board(request, tmp_path_factory):
    """A running board with a password; the forwarder's address is trusted or not."""
    folder = tmp_path_factory.mktemp("forwarded")
    port = free_port()
    settings = shop_air.settings_in(
        folder, port=port, config=CONFIG.replace("PROXY", request.param)
    )
    with contextlib.closing(Writer(settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now_ms() - 3_600_000, now_ms(), 60_000)
        commands = shop_air.commanded(writer, settings)
        with shop_air.command_link(settings, commands), served(folder, port):
            yield settings


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    openssl = needs("openssl", "openssl")
    folder = tmp_path_factory.mktemp("tls")
    request = "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=bench.test"
    subprocess.run(
        [openssl, *request.split(), "-keyout", "key.pem", "-out", "cert.pem"],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    near = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    near.load_cert_chain(folder / "cert.pem", folder / "key.pem")
    far = ssl.create_default_context(cafile=str(folder / "cert.pem"))
    far.check_hostname = False
    return near, far


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "bench.test"])
@pytest.mark.parametrize("way", ["tcp", "tls", "headers", "claims local"])
def test_no_forwarder_on_this_machine_opens_the_board_to_strangers(board, certificate, host, way):
    near, far = certificate if way == "tls" else (None, None)
    lines = {
        "headers": b"X-Forwarded-For: 203.0.113.9\r\nX-Forwarded-Proto: https\r\n",
        "claims local": b"X-Forwarded-For: 127.0.0.1\r\nX-Forwarded-Host: localhost\r\n",
    }.get(way, b"")
    with contextlib.closing(Forwarder(board.board.port, lines=lines, tls=near)) as forwarder:
        stranger = Caller(forwarder.port, host, far)
        assert stranger.ask("/bench/do", TAP) == 403
    with contextlib.closing(Forwarder(board.board.port)) as forwarder:
        friend = Caller(forwarder.port, "localhost")
        code = open_code(make_board_keys(FolderFiles(board.data)), time.time())
        assert friend.ask(f"/open/{code}") == 303
        assert friend.ask("/bench/do", TAP) == 200


def test_only_the_named_proxy_is_believed(board, certificate):
    """Its word that the visitor came by TLS makes the cookie secure; a stranger's word does not."""
    near, far = certificate
    lines = b"X-Forwarded-For: 203.0.113.9\r\nX-Forwarded-Proto: https\r\n"
    with contextlib.closing(Forwarder(board.board.port, lines=lines, tls=near)) as proxy:
        visitor = Caller(proxy.port, "bench.test", far)
        visitor.sign_in()
        trusted = bool(board.board.trusted_proxy)
        assert ("Secure" in visitor.cookie) == trusted
        assert ("Strict-Transport-Security" in visitor.headers) == trusted
        assert visitor.ask("/bench/do", TAP) == 200


def test_guesses_by_the_proxy_slow_down_who_guesses_and_nobody_else(board):
    """Behind a trusted proxy each visitor has an address of its own."""
    if not board.board.trusted_proxy:
        return

    def caller(address: bytes):
        lines = b"X-Forwarded-For: " + address + b"\r\n"
        forwarder = Forwarder(board.board.port, lines=lines)
        return forwarder, Caller(forwarder.port, "bench.test")

    bad, guesser = caller(b"203.0.113.77")
    good, owner = caller(b"203.0.113.78")
    with contextlib.closing(bad), contextlib.closing(good):
        for _ in range(6):
            guesser.ask("/sign-in", "password=guess", "application/x-www-form-urlencoded")
        assert "said=wait" in guesser.headers["Location"]
        owner.sign_in()
