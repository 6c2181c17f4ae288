"""Guesses at a password of a running board over HTTP, from many addresses at once."""

from __future__ import annotations

import contextlib
import http.client
import threading
import time
from urllib.parse import urlencode

import dashboard_fixtures as shop_air
import pytest
from argon2 import PasswordHasher
from browser_fixtures import served
from conftest import free_port

from monitor.core.clock import now_ms
from monitor.people import passwords
from monitor.people.access_store import store_of
from monitor.people.board_keys import make_board_keys, open_code
from monitor.people.roles import Role
from monitor.store import Writer
from monitor.store.secret_files import FolderFiles

pytestmark = [pytest.mark.slow, pytest.mark.real_clock]

PASSWORD = "elf pipe nor sky"
CONFIG = shop_air.CONFIG.replace("[board]", '[board]\ntrusted_proxy = "127.0.0.1"')
GUESSERS, GUESSES = 3, 10
FREE = 20
"""Guesses at one person from everywhere before each must wait."""


LONG_WAIT_S = 60
WAITS_LONG = f"from dashboard.access import throttle; throttle.WAIT_FIRST_S = {LONG_WAIT_S}"
"""Statement of a board that makes a guesser wait longer than a busy machine takes for a request."""


class Browser:
    """A browser behind the trusted proxy, at an address of its own, with the cookies it was given."""

    def __init__(self, port, address):
        self.port, self.address, self.cookies = port, address, {}

    def ask(self, method, path, body=None, kind="application/x-www-form-urlencoded"):
        headers = {
            "Host": "localhost",
            "X-Forwarded-For": self.address,
            "Origin": "http://localhost",
            "Sec-Fetch-Site": "same-origin",
            "Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items()),
            "Content-Type": kind,
            "Connection": "close",
        }
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        with contextlib.closing(line):
            line.request(method, path, body, headers)
            answer = line.getresponse()
            answer.read()
        for one in answer.headers.get_all("Set-Cookie") or ():
            name, _, value = one.partition(";")[0].partition("=")
            self.cookies[name] = value
        return answer.status, answer.headers.get("Location", "")

    def enter(self, password):
        return self.ask("POST", "/sign-in", urlencode({"name": "Ina", "password": password}))[1]


def test_two_boards_with_one_database_have_the_same_people_and_count_guesses_together(
    tmp_path, monkeypatch, postgresql_server
):
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(1, 64, 1))
    url = postgresql_server.address()
    Writer(url).close()
    ports = [free_port(), free_port()]
    boards = contextlib.ExitStack()
    with boards:
        for port in ports:
            config = f'{CONFIG}\n[store]\nurl = "{url}"\n'
            settings = shop_air.settings_in(tmp_path / str(port), port=port, config=config)
            if port == ports[0]:
                store_of(settings).add_person("Ina", Role.OWNER, PASSWORD, now_ms())
            boards.enter_context(served(settings.data, port, before=WAITS_LONG))
        store = store_of(settings)
        for i in range(FREE):  # each from a network of its own
            guesser = Browser(ports[i % 2], f"198.51.100.{i}")
            assert guesser.enter(f"guess {i}") == "/sign-in?said=wrong"
        for port in ports:
            assert Browser(port, "192.0.2.200").enter(PASSWORD).startswith("/sign-in?said=wait")
        assert len(store.history(100, who="Ina")) == FREE
        store.home.guesses.forget([("person", "Ina")])
        owner = Browser(ports[0], "203.0.113.1")
        assert owner.enter(PASSWORD) == "/bench"
        postgresql_server.stop()
        try:
            for port in ports:
                entered = Browser(port, "203.0.113.2").enter(PASSWORD)
                assert entered == "/sign-in?said=trouble"
        finally:
            postgresql_server.start()
        assert Browser(ports[1], "203.0.113.3").enter(PASSWORD) == "/bench"
        postgresql_server.sql(f"DELETE FROM {url.rpartition('%3D')[2]}.person")
        for port in ports:
            assert Browser(port, "203.0.113.4").enter(PASSWORD) == "/sign-in?said=none"


def test_a_storm_of_guesses_shuts_out_neither_the_owners_browser_nor_the_link(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(1, 64, 1))  # a kept hash has its cost
    port = free_port()
    settings = shop_air.settings_in(tmp_path, port=port, config=CONFIG)
    store_of(settings).add_person("Ina", Role.OWNER, PASSWORD, now_ms())
    keys = make_board_keys(FolderFiles(settings.data))
    with served(tmp_path, port, before=WAITS_LONG):
        owner = Browser(port, "203.0.113.1")
        assert owner.enter(PASSWORD) == "/bench"
        assert owner.ask("POST", "/sign-out")[0] == 303
        said, begun = [], time.monotonic()

        def storm(n):
            for i in range(GUESSES):
                place = Browser(port, f"198.51.{n}.{i}").enter(f"guess {n} {i}")
                said.append(place)

        guessers = [threading.Thread(target=storm, args=(n,)) for n in range(GUESSERS)]
        for one in guessers:
            one.start()
        for _ in range(2):
            assert owner.enter(PASSWORD) == "/bench"  # also in the middle of it
        for one in guessers:
            one.join()
        took = time.monotonic() - begun
        assert len(said) == GUESSERS * GUESSES
        assert all(
            place.startswith(("/sign-in?said=wrong", "/sign-in?said=wait")) for place in said
        )
        tried = sum("wrong" in place for place in said)
        assert FREE <= tried <= FREE + took / LONG_WAIT_S
        stranger = Browser(port, "192.0.2.200")
        assert "said=wait" in stranger.enter(PASSWORD)  # has to wait, or to open the link
        assert stranger.ask("GET", f"/open/{open_code(keys, time.time())}") == (303, "/")
        tap = '{"about": "rule", "do": "reset"}'
        assert stranger.ask("POST", "/bench/do", tap, "application/json")[0] != 403
        failed = [
            one
            for one in store_of(settings).history(1000, who="Ina")
            if one.action == "failed sign-in"
        ]
        assert len(failed) == tried
        assert {one.address.rpartition(".")[0] for one in failed} <= {
            f"198.51.{n}" for n in range(GUESSERS)
        }
