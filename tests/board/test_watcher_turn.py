"""A program that watches the service waits for no page."""

from __future__ import annotations

import http.client
import threading

import pytest
from conftest import free_port

from dashboard.server.connections import Options, Server

THREADS = 8


@pytest.mark.real_clock
def test_health_is_answered_while_pages_of_the_same_computer_wait_for_the_store():
    locked, waiting = threading.Event(), threading.Semaphore(0)

    def app(environ, start_response):
        if environ["PATH_INFO"] != "/health":
            waiting.release()
            locked.wait(200)
        start_response("200 OK", [("Content-Length", "2")])
        return [b"ok"]

    port = free_port()
    server = Server(app, Options("127.0.0.1", port, THREADS, 1000, 1000, lambda *_: False))
    threading.Thread(target=server.run, daemon=True).start()
    pages = [http.client.HTTPConnection("127.0.0.1", port, timeout=60) for _ in range(2 * THREADS)]
    try:
        for page in pages:
            page.request("GET", "/")
        for _ in range(THREADS * 3 // 4):  # all that one visitor gets
            assert waiting.acquire(timeout=60)
        watcher = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        watcher.request("GET", "/health")
        answer = watcher.getresponse()
        assert (answer.status, answer.read()) == (200, b"ok")
        watcher.close()
        assert not waiting.acquire(blocking=False)
        locked.set()
        assert [page.getresponse().status for page in pages] == [200] * len(pages)
    finally:
        locked.set()
        for page in pages:
            page.close()
        for listener in list(server.map.values()):
            listener.close()
        server.dispatcher.shutdown()
