"""The supervisor's watch over its parts; whole services are in test_path."""

from __future__ import annotations

import socket
import threading
from types import SimpleNamespace

from monitor import settings
from monitor.service import supervisor
from monitor.service.supervisor import Supervisor


class Board:
    """A child that is looked at; it listens, and counts who connects."""

    def __init__(self):
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.connections, self.looks, self.looked = 0, 0, threading.Event()
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        while True:
            try:
                self.server.accept()[0].close()
            except OSError:
                return
            self.connections += 1

    def running(self):
        return True

    def restart_if_ended(self):
        self.looks += 1
        if self.looks == 50:
            self.looked.set()


def test_the_board_is_connected_to_only_until_it_answers(tmp_path, monkeypatch):
    monkeypatch.setattr(supervisor, "LOOK_S", 0.001)
    board = Board()
    environ = {"BENCHWEATHER_BOARD__PORT": str(board.port)}
    service = Supervisor(settings.load(data=tmp_path, environ=environ))
    subscription = SimpleNamespace(connected=True, trouble="", address="here")
    ingest = SimpleNamespace(running=lambda: True, store_trouble="")
    ready = []
    watch = threading.Thread(
        target=service._watch,
        args=(None, subscription, ingest, SimpleNamespace(failing={}), [board]),
        kwargs={"on_ready": lambda: ready.append(board.looks)},
    )
    watch.start()
    assert board.looked.wait(30)
    service.stop()
    watch.join(30)
    board.server.shutdown(socket.SHUT_RDWR)
    board.server.close()
    assert len(ready) == 1
    assert board.looks >= 50
    assert board.connections == 1
