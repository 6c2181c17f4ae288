"""The database of people: sessions and tokens that end, names, and a history that stays small."""

from __future__ import annotations

import sqlite3
import threading

import pytest

from monitor.core.errors import Rejected, StoreFault
from monitor.people import access_store, passwords
from monitor.people.access_store import AccessStore
from monitor.people.entries import SESSIONS, TOKENS, AuditEntry, EntryKind, NoSuchEntry
from monitor.people.homes import PeopleDatabase, PeopleFolder
from monitor.people.roles import Role

NOW = 1_795_694_400_000
DAY = 86_400_000


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(passwords, "hashed", lambda password: f"hash of {len(password)}")


@pytest.fixture
def file_store(tmp_path, quick):
    return AccessStore(PeopleFolder(tmp_path / "shop"))


@pytest.fixture(params=["file", "database"])
def store(request):
    """Both homes, empty."""
    if request.param == "file":
        return request.getfixturevalue("file_store")
    request.getfixturevalue("quick")
    return AccessStore(request.getfixturevalue("people_database"))


def another(store):
    """The same people as another process has them."""
    home = store.home
    if isinstance(home, PeopleFolder):
        return AccessStore(PeopleFolder(home.path.parent))
    return AccessStore(PeopleDatabase(home._url))


def test_reading_makes_no_file_and_the_file_is_for_its_user_only(file_store):
    assert file_store.people() == []
    assert file_store.history(5) == []
    assert file_store.credential("x" * 43, SESSIONS, NOW) is None
    assert not file_store.home.path.exists()
    file_store.add_person("Ina", Role.OWNER, "elf pipe nor sky", NOW)
    made = sorted(file_store.home.path.parent.iterdir())
    assert len(made) == 3  # with the log of the database
    assert {path.stat().st_mode & 0o777 for path in made} == {0o600}
    assert file_store.home.path.parent.stat().st_mode & 0o077 == 0


def test_no_secret_is_in_the_files(file_store):
    secret, _ = file_store.issue(EntryKind.LINK, Role.OWNER, NOW, DAY, shared="horse hair bow")
    file_store.add_person("Ina", Role.OWNER, "elf pipe nor sky", NOW)
    content = b"".join(path.read_bytes() for path in file_store.home.path.parent.iterdir())
    assert b"Ina" in content
    for text in (secret, "horse hair bow", "elf pipe nor sky"):
        assert text.encode() not in content


def test_names_are_one_line_and_taken_once_whatever_their_capitals(store):
    store.add_person("  Ina   Holm ", Role.BENCH, "elf pipe nor sky", NOW)
    assert store.person("INA HOLM").name == "Ina Holm"
    for name in ("ina holm", "", "  ", "x" * 41, "a\0b", "a\x1bb"):
        with pytest.raises(Rejected):
            store.add_person(name, Role.BENCH, "elf pipe nor sky", NOW)
    with pytest.raises(NoSuchEntry, match="Ina Holm"):
        store.person("Jo")


def test_a_session_ends_by_age_and_by_lack_of_use(store):
    aged, _ = store.issue(EntryKind.LINK, Role.OWNER, NOW, 30 * DAY, idle_ms=14 * DAY)
    for day in range(1, 30):
        assert store.credential(aged, SESSIONS, NOW + day * DAY) is not None
    assert store.credential(aged, SESSIONS, NOW + 30 * DAY) is None
    idle, _ = store.issue(EntryKind.LINK, Role.OWNER, NOW, 30 * DAY, idle_ms=14 * DAY)
    assert store.credential(idle, SESSIONS, NOW + 14 * DAY - 1, used=False) is not None
    assert store.credential(idle, SESSIONS, NOW + 14 * DAY) is None
    wall, _ = store.issue(EntryKind.WALL_SESSION, Role.VIEWER, NOW, 3650 * DAY)
    assert store.credential(wall, SESSIONS, NOW + 3649 * DAY) is not None


def test_a_token_is_no_session_and_a_session_no_token(store):
    session, _ = store.issue(EntryKind.LINK, Role.OWNER, NOW, DAY)
    token, _ = store.issue(EntryKind.SCRIPT, Role.OWNER, NOW, DAY)
    assert store.credential(session, TOKENS, NOW) is None
    assert store.credential(token, SESSIONS, NOW) is None
    assert store.credential(session[:-1], SESSIONS, NOW) is None


def test_a_role_holds_at_once_and_a_password_ends_all_sessions(store):
    store.add_person("Ina", Role.OWNER, "elf pipe nor sky", NOW)
    of = store.person("Ina").person_id
    secrets = [
        store.issue(EntryKind.PASSWORD, Role.OWNER, NOW, DAY, person_id=of, name="Ina")[0]
        for _ in range(3)
    ]
    other, _ = store.issue(EntryKind.LINK, Role.OWNER, NOW, DAY)
    store.set_role("ina", Role.VIEWER)
    assert {store.credential(one, SESSIONS, NOW).role for one in secrets} == {Role.VIEWER}
    store.set_password("Ina", "aubergine trapeze", NOW)
    assert [store.credential(one, SESSIONS, NOW) for one in secrets] == [None] * 3
    again, _ = store.issue(EntryKind.PASSWORD, Role.OWNER, NOW, DAY, person_id=of)
    store.remove_person("Ina")
    assert store.credential(again, SESSIONS, NOW) is None
    assert store.credential(other, SESSIONS, NOW).role is Role.OWNER


def test_a_password_that_another_board_has_just_changed_opens_nothing(store):
    store.add_person("Ina", Role.OWNER, "elf pipe nor sky", NOW)
    person, kept = store.password_of("Ina")
    given = {"person_id": person.person_id, "password": kept}
    assert store.issue(EntryKind.PASSWORD, Role.OWNER, NOW, DAY, **given)[0]
    another(store).set_password("Ina", "aubergine trapeze", NOW)
    with pytest.raises(NoSuchEntry):
        store.issue(EntryKind.PASSWORD, Role.OWNER, NOW, DAY, **given)
    another(store).remove_person("Ina")
    with pytest.raises(NoSuchEntry):
        store.issue(EntryKind.PASSWORD, Role.OWNER, NOW, DAY, **given)
    assert store.credentials(SESSIONS, NOW) == []


def test_a_withdrawn_wall_takes_its_screens_along(store):
    _, number = store.issue(EntryKind.WALL, Role.VIEWER, NOW, DAY, name="loft")
    screen, _ = store.issue(EntryKind.WALL_SESSION, Role.VIEWER, NOW, DAY, parent_id=number)
    with pytest.raises(NoSuchEntry):
        store.withdraw(number, NOW, SESSIONS)
    store.withdraw(number, NOW, TOKENS)
    assert store.credential(screen, SESSIONS, NOW) is None
    with pytest.raises(NoSuchEntry):
        store.withdraw(number, NOW, TOKENS)


def test_another_shared_password_ends_a_session(store):
    held, _ = store.issue(EntryKind.SHOP, Role.OWNER, NOW, DAY, shared="horse")
    assert store.credential(held, SESSIONS, NOW, shared={EntryKind.SHOP: "horse"}.get) is not None
    for shared in ({EntryKind.SHOP: "cow"}, {EntryKind.SHOP: ""}, {EntryKind.LINK: "horse"}, {}):
        assert (
            store.credential(held, SESSIONS, NOW, shared=lambda k, s=shared: s.get(k, "")) is None
        )


def test_sessions_and_history_stay_bounded(store, monkeypatch):
    monkeypatch.setattr(access_store, "CREDENTIALS_MAX", 20)
    monkeypatch.setattr(access_store, "AUDIT_MAX", 30)
    monkeypatch.setattr(access_store, "AUDIT_STEP", 1)
    token, _ = store.issue(EntryKind.SCRIPT, Role.VIEWER, NOW - DAY, 10 * DAY)
    for i in range(60):
        last, _ = store.issue(EntryKind.SHOP, Role.OWNER, NOW + i, DAY)
        store.record(AuditEntry(NOW + i, "Ina", "", "", "signed in", str(i)))
    assert len(store.credentials(SESSIONS, NOW + 60)) == 20
    assert store.credential(last, SESSIONS, NOW + 60) is not None
    assert store.credential(token, TOKENS, NOW + 60) is not None
    entries = store.history(1000)
    assert [int(one.detail) for one in entries] == list(range(59, 29, -1))
    assert store.history(1000, who="Jo") == []
    assert len(store.history(1000, start_ms=NOW + 50, end_ms=NOW + 55)) == 5


def test_nobody_ends_anothers_session_by_signing_in_again_and_again(store, monkeypatch):
    monkeypatch.setattr(access_store, "CREDENTIALS_MAX", 60)
    store.add_person("Kim", Role.VIEWER, "elf pipe nor sky", NOW)
    kim = store.person("Kim").person_id
    owners, _ = store.issue(EntryKind.LINK, Role.OWNER, NOW, DAY)
    _, wall = store.issue(EntryKind.WALL, Role.VIEWER, NOW, DAY, name="loft")
    for i in range(1, 70):
        screen, _ = store.issue(EntryKind.WALL_SESSION, Role.VIEWER, NOW + i, DAY, parent_id=wall)
        kims, _ = store.issue(EntryKind.PASSWORD, Role.VIEWER, NOW + i, DAY, person_id=kim)
    for one in (owners, screen, kims):
        assert store.credential(one, SESSIONS, NOW + 70, used=False) is not None
    assert len(store.credentials(SESSIONS, NOW + 70)) == 1 + 2 * access_store.SESSIONS_EACH


def test_nobody_pushes_out_of_the_history_what_others_did(store, monkeypatch):
    monkeypatch.setattr(access_store, "AUDIT_MAX", 250)
    monkeypatch.setattr(access_store, "AUDIT_EACH", 40)
    for who, entries in (("Ina", 30), ("Kim", 400)):
        for i in range(entries):
            store.record(AuditEntry(NOW + i, who, "", "", "denied", f"POST /{i}"))
    assert [one.detail for one in store.history(1000, who="Ina")] == [
        f"POST /{i}" for i in range(29, -1, -1)
    ]
    kims = store.history(1000, who="Kim")
    assert kims[0].detail == "POST /399"
    assert 40 <= len(kims) < 40 + access_store.AUDIT_STEP


def test_numbers_of_what_was_withdrawn_are_not_given_again(store):
    numbers = []
    for _ in range(5):
        _, number = store.issue(EntryKind.LINK, Role.OWNER, NOW, DAY)
        store.withdraw(number, NOW)
        numbers.append(number)
    assert len(set(numbers)) == 5


def test_a_deleted_file_means_that_nobody_is_signed_in(file_store):
    secret, _ = file_store.issue(EntryKind.LINK, Role.OWNER, NOW, DAY)
    for path in list(file_store.home.path.parent.iterdir()):
        path.unlink()
    assert file_store.credential(secret, SESSIONS, NOW) is None
    again, _ = file_store.issue(EntryKind.LINK, Role.OWNER, NOW, DAY)
    assert file_store.credential(again, SESSIONS, NOW) is not None


def test_a_file_that_is_no_database_is_a_fault_and_lets_nobody_in(file_store):
    file_store.home.path.parent.mkdir(mode=0o700)
    file_store.home.path.write_bytes(b"this is no database " * 500)
    with pytest.raises(StoreFault):
        file_store.credential("x" * 43, SESSIONS, NOW)


def test_two_processes_worth_of_connections_write_beside_each_other(store):
    other, made = another(store), []
    store.people()

    def work(one):
        for i in range(20):
            made.append(one.issue(EntryKind.LINK, Role.OWNER, NOW + i, DAY)[0])
            one.record(AuditEntry(NOW, "Ina", "", "", "signed in", ""))

    threads = [threading.Thread(target=work, args=(one,)) for one in (store, other) * 2]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(made)) == len(store.credentials(SESSIONS, NOW + 1)) == 80
    assert len(store.history(1000)) == 80


def test_a_full_disk_does_not_sign_out_who_is_signed_in(file_store):
    secret, _ = file_store.issue(EntryKind.LINK, Role.OWNER, NOW, 30 * DAY)
    lock = sqlite3.connect(file_store.home.path, isolation_level=None)
    file_store.home.writing().raw.execute("PRAGMA busy_timeout = 10")
    lock.execute("BEGIN EXCLUSIVE")
    try:
        assert file_store.credential(secret, SESSIONS, NOW + DAY) is not None
    finally:
        lock.close()
