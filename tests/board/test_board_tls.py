"""A board process with a certificate of its own."""

from __future__ import annotations

import contextlib
import http.client
import shutil
import socket
import ssl
import time

import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import served
from certificates import make_certificate, trusting
from conftest import free_port, until

from dashboard.server import limits
from monitor.people.board_keys import make_board_keys, open_code
from monitor.store import Writer
from monitor.store.secret_files import FolderFiles

pytestmark = [pytest.mark.slow, pytest.mark.real_clock]


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    """A running board with TLS: its settings, and its certificate and key."""
    folder = tmp_path_factory.mktemp("tls")
    files = make_certificate(folder)
    config = shop_air.CONFIG.replace(
        "[board]", f'[board]\ncert_file = "{files[0]}"\nkey_file = "{files[1]}"'
    )
    settings = shop_air.settings_in(folder, port=free_port(), config=config)
    with contextlib.closing(Writer(settings.store_path)):
        make_board_keys(FolderFiles(settings.data))
        with served(folder, settings.board.port, tls=trusting(files[0])):
            yield settings


def https(settings, context=None) -> http.client.HTTPSConnection:
    context = context or trusting(settings.board.cert_file)
    return http.client.HTTPSConnection(
        "localhost", settings.board.port, context=context, timeout=60
    )


def ask(line, path, method="GET", body=None, **headers):
    line.request(method, path, body, headers)
    answer = line.getresponse()
    return answer, answer.read()


def opened(settings) -> str:
    """The cookie of a browser that opened the link of `benchweather board`."""
    code = open_code(make_board_keys(FolderFiles(settings.data)), time.time())
    with contextlib.closing(https(settings)) as line:
        answer, _ = ask(line, f"/open/{code}")
    return answer.headers["Set-Cookie"]


def test_pages_come_over_tls_with_a_secure_cookie_and_the_wish_to_stay_there(board):
    with contextlib.closing(https(board)) as line:
        answer, page = ask(line, "/")
        assert answer.status == 200
        assert b"</html>" in page
        assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"
        script, content = ask(line, "/assets/plotly-basic.min.js")
        assert len(content) == int(script.headers["Content-Length"]) > 300_000
    cookie = opened(board)
    assert "Secure" in cookie
    assert "HttpOnly" in cookie


def test_http_gets_a_plain_sentence_and_older_tls_nothing(board):
    with socket.create_connection(("127.0.0.1", board.board.port), timeout=60) as line:
        line.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nCookie: a=b\r\n\r\n")
        said = b"".join(iter(lambda: line.recv(4096), b""))
    assert said.startswith(b"HTTP/1.1 400 ")
    assert b"https:// before its address" in said
    old = trusting(board.board.cert_file)
    old.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning, match="deprecated"):
        old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
    with pytest.raises(ssl.SSLError, match="ALERT_PROTOCOL_VERSION"):
        https(board, old).connect()
    new = trusting(board.board.cert_file)
    new.maximum_version = ssl.TLSVersion.TLSv1_2
    with contextlib.closing(https(board, new)) as line:
        assert ask(line, "/here")[0].status == 200


def test_open_handshakes_and_half_requests_do_not_keep_others_out(board):
    """Ninety that say nothing, and sixty that stop within their headers, from one address."""
    port, context = board.board.port, trusting(board.board.cert_file)
    with contextlib.ExitStack() as lines:
        for _ in range(90):
            lines.enter_context(socket.create_connection(("127.0.0.1", port), timeout=60))
        for _ in range(60):
            raw = socket.create_connection(("127.0.0.1", port), timeout=60)
            half = lines.enter_context(context.wrap_socket(raw, server_hostname="localhost"))
            half.sendall(b"GET / HTTP/1.1\r\nHost: loc")
        began = time.monotonic()
        with contextlib.closing(https(board, context)) as line:
            assert ask(line, "/")[0].status == 200
        assert time.monotonic() - began < limits.HEADER_S  # the time of the held ones


def test_a_file_is_taken_only_from_who_may_send_one(board):
    """Three megabytes: more than any other request may have."""
    file, where = b"x" * 3_000_000, "/clients/file/weather"
    here = {"Origin": f"https://localhost:{board.board.port}", "Sec-Fetch-Site": "same-origin"}
    with contextlib.closing(https(board)) as line:
        assert ask(line, where, "POST", file, **here)[0].status == 413
    cookie = opened(board).partition(";")[0]
    with contextlib.closing(https(board)) as line:
        assert ask(line, where, "POST", file, Cookie=cookie, **here)[0].status == 422
        assert ask(line, "/here")[0].status == 200  # the same connection goes on
    with contextlib.closing(https(board)) as line:
        assert ask(line, "/bench/do", "POST", file, Cookie=cookie, **here)[0].status == 413


def test_a_renewed_certificate_is_used_without_a_restart(board, tmp_path):
    """It comes as two files, one after the other; a page that is open goes on meanwhile."""
    before = board.board.cert_file.read_bytes()
    cert, key = make_certificate(tmp_path, "renewed")
    with contextlib.closing(https(board)) as kept:
        assert ask(kept, "/here")[0].status == 200
        shutil.copy(cert, board.board.cert_file)
        time.sleep(1.5)  # long enough to look: the key does not fit yet
        old = ssl.create_default_context(cadata=before.decode())
        with contextlib.closing(https(board, old)) as line:
            assert ask(line, "/here")[0].status == 200
        shutil.copy(key, board.board.key_file)

        def renewed() -> bool:
            try:
                with contextlib.closing(https(board)) as line:
                    return ask(line, "/here")[0].status == 200
            except ssl.SSLCertVerificationError:
                return False

        until(renewed, what="the renewed certificate is used")
        assert ask(kept, "/here")[0].status == 200
