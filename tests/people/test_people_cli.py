"""People, sessions, tokens and the history on the command line."""

from __future__ import annotations

import getpass
import json

import pytest
from argon2 import PasswordHasher
from typer.testing import CliRunner

from monitor.cli import app
from monitor.core.clock import now_ms
from monitor.people import passwords
from monitor.people.access_store import AccessStore
from monitor.people.entries import SESSIONS, EntryKind
from monitor.people.homes import PeopleFolder
from monitor.people.roles import Role

GOOD = "elf pipe nor sky"


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """Runs a command in a data folder of its own; argon2id with little memory, to be quick."""
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(1, 64, 1))
    monkeypatch.setenv("BENCHWEATHER_DATA", str(tmp_path))

    def run(*arguments, code=0, typed=""):
        done = CliRunner().invoke(app, list(arguments), input=typed)
        assert done.exit_code == code, done.output
        return done.output

    return run


@pytest.fixture
def store(tmp_path):
    return AccessStore(PeopleFolder(tmp_path))


def secret_file(tmp_path, text, mode=0o600):
    path = tmp_path / "password.txt"
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return str(path)


def test_a_person_is_added_listed_given_a_role_and_removed(shop, store):
    said = shop("people", "add", "Ina Holm", "--role", "owner")
    (line,) = [line for line in said.splitlines() if "Passphrase" in line]
    phrase = line.rpartition(" ")[2]
    assert len(phrase.split("-")) == passwords.PASSPHRASE_WORDS
    person, kept = store.password_of("ina holm")
    assert (person.name, person.role) == ("Ina Holm", Role.OWNER)
    assert passwords.matches(kept, phrase)
    (row,) = json.loads(shop("people", "list", "--json"))
    assert (row["name"], row["role"]) == ("Ina Holm", "owner")
    assert phrase not in shop("people", "list")
    assert "taken" in shop("people", "add", "INA HOLM", code=1)
    shop("people", "role", "ina holm", "viewer")
    assert store.person("Ina Holm").role is Role.VIEWER
    shop("people", "remove", "Ina Holm", code=1, typed="n\n")
    shop("people", "remove", "Ina Holm", typed="y\n")
    assert store.people() == []
    assert "There is no person" in shop("people", "role", "Ina Holm", "owner", code=1)


def test_a_password_comes_from_the_keyboard_or_a_file_of_ones_own(shop, store, tmp_path):
    shop("people", "add", "Jo", "--ask", typed=f"{GOOD}\n{GOOD}\n")
    assert passwords.matches(store.password_of("Jo")[1], GOOD)
    shop("people", "password", "Jo", "--password-file", secret_file(tmp_path, "fog under oar\r\n"))
    assert passwords.matches(store.password_of("Jo")[1], "fog under oar")
    for mode in (0o640, 0o604, 0o644):
        path = secret_file(tmp_path, GOOD, mode)
        assert "chmod 600" in shop("people", "password", "Jo", "--password-file", path, code=1)
    for text in ("password1234", "short", "", "\xff" * 200):
        path = secret_file(tmp_path, text)
        said = shop("people", "password", "Jo", "--password-file", path, code=1)
        assert not text or text not in said
    path = secret_file(tmp_path, GOOD)
    shop("people", "add", "Kim", "--ask", "--password-file", path, code=2)
    (tmp_path / "password.txt").write_bytes(b"\xff\xfe" + b"x" * 20)
    shop("people", "password", "Jo", "--password-file", path, code=1)
    assert passwords.matches(store.password_of("Jo")[1], "fog under oar")


def test_no_command_takes_a_password_as_an_argument(shop):
    for command in (["people", "add"], ["people", "password"]):
        assert "--password " not in shop(*command, "--help")
    shop("people", "add", "Ina", GOOD, code=2)


def test_a_new_password_and_a_withdrawal_end_sessions(shop, store):
    shop("people", "add", "Ina")
    of = store.person("Ina").person_id
    store.issue(EntryKind.PASSWORD, Role.BENCH, now_ms(), 86_400_000, person_id=of, name="Ina")
    _, number = store.issue(EntryKind.LINK, Role.OWNER, now_ms(), 86_400_000, address="192.0.2.7")
    rows = json.loads(shop("session", "list", "--json"))
    assert {(row["kind"], row["name"]) for row in rows} == {("password", "Ina"), ("link", "")}
    assert "192.0.2.7" in shop("session", "list")
    shop("people", "password", "Ina")
    (left,) = store.credentials(SESSIONS, now_ms())
    assert left.credential_id == number
    shop("session", "withdraw", code=2)
    assert "There is no session 99" in shop("session", "withdraw", "99", code=1)
    shop("session", "withdraw", str(number))
    assert store.credentials(SESSIONS, now_ms()) == []
    for _ in range(3):
        store.issue(EntryKind.LINK, Role.OWNER, now_ms(), 86_400_000)
    shop("session", "withdraw", "--all")
    assert store.credentials(SESSIONS, now_ms()) == []


def test_a_token_is_shown_once_looks_only_and_is_withdrawn(shop, store, tmp_path):
    token = shop("token", "add", "graph").strip()
    found = store.credential(token, (EntryKind.SCRIPT,), now_ms())
    assert (found.name, found.role) == ("graph", Role.VIEWER)
    assert abs(found.until_ms - now_ms() - 365 * 86_400_000) < 60_000
    other = json.loads(shop("token", "add", "button", "--role", "bench", "--days", "7", "--json"))
    found = store.credential(other["token"], (EntryKind.SCRIPT,), now_ms())
    assert found.role is Role.BENCH
    assert store.credential(other["token"], (EntryKind.SCRIPT,), now_ms() + 8 * 86_400_000) is None
    listed = shop("token", "list") + shop("audit")
    content = b"".join(path.read_bytes() for path in tmp_path.glob("people.sqlite3*"))
    for secret in (token, other["token"]):
        assert secret not in listed
        assert secret.encode() not in content
    shop("token", "withdraw", str(found.credential_id))
    assert store.credential(other["token"], (EntryKind.SCRIPT,), now_ms()) is None
    shop("token", "add", "x" * 41, code=1)
    shop("token", "withdraw", code=2)


def link_in(said):
    (link,) = (line for line in said.splitlines() if "/open/" in line)
    return link


def test_the_link_of_a_wall_screen_holds_a_token_that_can_only_look(shop, store):
    link = link_in(shop("board", "--wall", "--name", "loft"))
    start, _, token = link.rpartition("/")
    assert start == "http://127.0.0.1:8050/open"
    found = store.credential(token, (EntryKind.WALL,), now_ms())
    assert (found.name, found.role) == ("loft", Role.VIEWER)
    assert found.until_ms - now_ms() > 3600 * 86_400_000
    assert "/open/" in shop("board")
    there = ("--address", "https://shop.local:8050/")
    far = link_in(shop("board", "--wall", "--name", "hall", *there))
    assert far.startswith("https://shop.local:8050/open/")
    assert store.credential(far.rpartition("/")[2], (EntryKind.WALL,), now_ms()).name == "hall"
    for wrong in ("shop.local", "ftp://shop.local", "http://", "http://[::1"):
        shop("board", "--wall", "--address", wrong, code=2)
    rows = json.loads(shop("token", "list", "--json"))
    assert {(row["kind"], row["name"]) for row in rows} == {("wall", "loft"), ("wall", "hall")}


def test_the_history_has_what_the_command_line_did_and_no_secret(shop):
    said = shop("people", "add", "Ina")
    phrase = said.rstrip().rpartition(" ")[2]
    token = shop("token", "add", "graph").strip()
    shop("people", "role", "Ina", "owner")
    shop("people", "password", "Ina")
    shop("people", "remove", "Ina", "--yes")
    rows = json.loads(shop("audit", "--json"))
    assert [row["action"] for row in rows] == [
        "person removed",
        "password changed",
        "role changed",
        "token made",
        "person added",
    ]
    assert {row["who"] for row in rows} == {getpass.getuser()}
    assert {row["session"] for row in rows} == {"command line"}
    text = shop("audit")
    assert phrase not in text
    assert token not in text
    assert json.loads(shop("audit", "--json", "--person", "nobody")) == []
    assert json.loads(shop("audit", "--json", "--to", "2020-01-01")) == []
    assert len(json.loads(shop("audit", "--json", "--most", "2"))) == 2
