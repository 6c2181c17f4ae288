"""A browser and its push service for tests: an HTTPS server, and keys that decrypt what it gets."""

from __future__ import annotations

import base64
import contextlib
import json
import secrets
import ssl
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import NamedTuple

import http_ece
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from monitor.alerting.notifications.web_push import Browser


def text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


class Device:
    """A browser's half of a subscription."""

    def __init__(self, url: str) -> None:
        self.private = ec.generate_private_key(ec.SECP256R1())
        self.secret = secrets.token_bytes(16)
        point = self.private.public_key().public_bytes(
            serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
        )
        self.browser = Browser(url, text(point), text(self.secret))

    def read(self, body: bytes) -> dict[str, str]:
        plain = http_ece.decrypt(
            body, private_key=self.private, auth_secret=self.secret, version="aes128gcm"
        )
        return json.loads(plain)


class Push(NamedTuple):
    path: str
    headers: dict[str, str]
    body: bytes


class PushService:
    """Keeps what it is sent, then answers by the next of `answers`, or 201."""

    def __init__(self, cert, key) -> None:
        self.pushes: list[Push] = []
        self.answers: list[int] = []
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                service.pushes.append(Push(self.path, dict(self.headers), body))
                code = service.answers.pop(0) if service.answers else 201
                while code == 100:  # for as long as the other side listens
                    time.sleep(0.01)
                    try:
                        self.wfile.write(b"HTTP/1.1 100 Continue\r\n\r\n")
                    except OSError:
                        return
                self.send_response(code)
                if code == 307:
                    self.send_header("Location", f"https://localhost:{service.port}/elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(cert, key)
        self.server.socket = context.wrap_socket(self.server.socket, server_side=True)

    @property
    def url(self) -> str:
        return f"https://localhost:{self.port}/push/{'a' * 40}?v=1"

    @contextlib.contextmanager
    def open(self) -> Iterator[PushService]:
        thread = threading.Thread(target=self.server.serve_forever, args=(0.02,))
        thread.start()
        yield self
        self.server.shutdown()
        thread.join()
        self.server.server_close()
