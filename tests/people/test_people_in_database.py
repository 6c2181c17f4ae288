"""People in a database: the same at every board and standby, and nobody gets in while it is away."""

from __future__ import annotations

import contextlib
import shutil
import time

import dashboard_fixtures as shop_air
import psycopg
import pytest
from argon2 import PasswordHasher
from conftest import benchweather, until

from dashboard.access import throttle, visitor
from dashboard.app import create_app
from monitor.alerting.notifications import phones
from monitor.alerting.notifications.phones import Phones
from monitor.backup import making, restoring
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.people import guesses, moving, passwords
from monitor.people.access_store import AccessStore, store_of
from monitor.people.board_keys import make_board_keys, open_code
from monitor.people.entries import SESSIONS, TOKENS, EntryKind
from monitor.people.guesses import DatabaseCounts, MemoryCounts
from monitor.people.homes import PeopleDatabase, PeopleFolder, home_of
from monitor.people.roles import Role
from monitor.settings import load
from monitor.store import Writer, connection, secret_files

NAME, WORD = "Ina", "elf pipe nor sky"
HOST = "192.168.1.5:8050"
PAGE = {"Host": HOST, "Origin": f"http://{HOST}"}
DAY = 86_400_000


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch):
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(1, 64, 1))
    passwords._nobodys.cache_clear()
    yield
    passwords._nobodys.cache_clear()


@pytest.fixture
def computers(tmp_path, postgresql_server):
    """Settings of two computers with one database."""
    address = postgresql_server.emptied()
    Writer(address).close()
    found = []
    for name in ("quay", "mill"):
        (tmp_path / name).mkdir()
        config = tmp_path / name / "benchweather.toml"
        config.write_text(shop_air.CONFIG.format(port=8050))
        environ = {"BENCHWEATHER_STORE__URL": address, "BENCHWEATHER_BOARD__HOST": "0.0.0.0"}
        found.append(load(data=tmp_path / name, environ=environ))
        moving.make_ready(home_of(found[-1]), found[-1].data)
    return found


@pytest.fixture
def boards(computers, monkeypatch):
    """A browser at each of two boards; each has connections of its own, as two processes have."""
    made = []
    for one in computers:
        monkeypatch.setattr(
            "monitor.people.access_store.home_of", lambda s: PeopleDatabase(s.read_address)
        )
        made.append(create_app(one).server.test_client())
    yield made
    for client in made:
        client.application.extensions["benchweather-access"].store.home.close()


@pytest.fixture
def store(computers):
    found = store_of(computers[0])
    found.add_person(NAME, Role.OWNER, WORD, now_ms())
    return found


def enter(client, name=NAME, password=WORD, address="192.168.1.20"):
    return client.post(
        "/sign-in",
        data={"name": name, "password": password},
        headers=PAGE,
        environ_overrides={"REMOTE_ADDR": address},
    ).headers["Location"]


def share_cookies(one, other):
    """Let one browser's cookies be another's, as if both boards had one address."""
    for cookie in one._cookies.values():
        other.set_cookie(cookie.key, cookie.value, domain="192.168.1.5")


def may_manage(client, **headers):
    """Whether a board lets a browser, or a script with a token, do what the owner may."""
    cookies = "; ".join(f"{one.key}={one.value}" for one in client._cookies.values())
    sent = {"Host": HOST, "Cookie": cookies, **headers}
    with client.application.test_request_context("/", headers=sent, base_url=f"http://{HOST}"):
        return visitor.may_manage().allowed


def test_who_signs_in_at_one_board_is_signed_in_at_all(boards, store):
    one, other = boards
    assert enter(one) == "/bench"
    share_cookies(one, other)
    assert may_manage(one)
    assert may_manage(other)
    assert len(store.credentials(SESSIONS, now_ms())) == 1
    assert other.post("/sign-out", headers=PAGE).headers["Location"] == "/bench"
    assert not may_manage(one)


def test_a_person_who_is_removed_is_out_everywhere_at_once(boards, store):
    enter(boards[0])
    share_cookies(*boards)
    store.remove_person(NAME)
    assert not any(map(may_manage, boards))
    assert enter(boards[1]) == "/sign-in?said=none"


def test_a_link_of_any_computer_opens_every_board_and_calendars_keep_their_address(
    boards, computers
):
    keys = [make_board_keys(home_of(one).files) for one in computers]
    assert keys[0] == keys[1]
    link = f"/open/{open_code(keys[0], time.time())}"
    assert boards[1].get(link, headers=PAGE).headers["Location"] != "/sign-in?said=ended"
    share_cookies(boards[1], boards[0])
    assert all(map(may_manage, boards))
    for one in computers:
        assert not (one.data / "secrets.json").exists()


def test_a_token_that_is_withdrawn_is_refused_everywhere(boards, store):
    token, number = store.issue(EntryKind.SCRIPT, Role.OWNER, now_ms(), DAY, name="script")
    bearer = {"Authorization": f"Bearer {token}"}
    assert all(may_manage(one, **bearer) for one in boards)
    store.withdraw(number, now_ms(), TOKENS)
    assert not any(may_manage(one, **bearer) for one in boards)


def test_wrong_passwords_at_all_boards_count_together(boards, store, monkeypatch):
    monkeypatch.setattr(throttle, "WAIT_FIRST_S", 900.0)
    for i in range(throttle.LIMITS["pair"].free):
        assert enter(boards[i % 2], password="guess") == "/sign-in?said=wrong"
    for board in boards:
        assert enter(board).startswith("/sign-in?said=wait")
        assert enter(board, address="192.168.1.30") == "/bench"


@pytest.mark.parametrize("home", ["memory", "database"])
def test_counts_of_guesses_are_alike_in_both_homes(home, request, monkeypatch):
    monkeypatch.setattr(guesses, "SUBJECTS_MAX", 3)
    if home == "memory":
        counts, others = MemoryCounts(), None
    else:
        database = request.getfixturevalue("people_database")
        counts, others = database.guesses, DatabaseCounts(database.reading, database.writing)
    made = throttle.Throttle(counts)
    again = throttle.Throttle(others or counts)
    ina = [("pair", "Ina\n10.0.0.1"), ("person", "Ina")]
    for _ in range(throttle.LIMITS["pair"].free):
        assert made.wait_or_count(ina) == 0
    assert 0 < again.wait_or_count(ina) <= throttle.WAIT_FIRST_S
    assert again.wait_or_count([("person", "Ina")]) == 0
    again.passed(ina)
    assert made.wait_or_count(ina) == 0
    for i in range(3):
        made.wait_or_count([("pair", f"other {i}")])
    pairs = [("pair", "Ina\n10.0.0.1"), *(("pair", f"other {i}") for i in range(3))]
    with counts.changing(pairs) as (_, held):
        assert len(held) == 3  # which, is for the clock to say


def test_what_was_typed_as_a_name_is_not_kept(people_database):
    throttle.Throttle(people_database.guesses).wait_or_count([("person", WORD)])
    rows = people_database.writing().rows("SELECT * FROM guess")
    assert len(rows) == 1
    assert WORD not in repr(rows)


def test_a_server_whose_clock_was_ahead_does_not_lock_out(people_database):
    made = throttle.Throttle(people_database.guesses)
    for _ in range(throttle.LIMITS["pair"].free):
        made.wait_or_count([("pair", "Ina")])
    assert made.wait_or_count([("pair", "Ina")]) > 0
    with people_database.writing().transaction() as run:
        run.execute("UPDATE guess SET until_ms = until_ms + ?, last_ms = last_ms + ?", (DAY, DAY))
    assert made.wait_or_count([("pair", "Ina")]) == 0


def test_while_the_database_is_away_nobody_gets_in_and_afterwards_everybody_does(
    boards, store, postgresql_server
):
    one, other = boards
    assert enter(one) == "/bench"
    postgresql_server.stop()
    try:
        for name, password in ((NAME, WORD), (NAME, "guess"), ("", WORD), ("nobody", "")):
            assert enter(other, name, password) == "/sign-in?said=trouble"
        assert not may_manage(one)
        with other.application.test_request_context("/", base_url=f"http://{HOST}"):
            assert visitor.may_change().why == visitor.PEOPLE_AWAY
        assert visitor.PEOPLE_AWAY in other.get("/_dash-layout", headers=PAGE).text
        assert "without a password" not in other.get("/_dash-layout", headers=PAGE).text
        with pytest.raises(StoreUnavailable):
            store.people()
    finally:
        postgresql_server.start()
    assert may_manage(one)
    assert enter(other) == "/bench"


def test_a_sign_in_whose_connection_is_cut_is_whole_or_not_at_all(
    store, postgresql_server, monkeypatch
):
    ours = store.home.writing()
    real = ours.transaction

    @contextlib.contextmanager
    def cut_before_the_end():
        with real() as run:
            yield run
            postgresql_server.cut(ours.raw.info.backend_pid)

    monkeypatch.setattr(ours, "transaction", cut_before_the_end)
    with pytest.raises(StoreUnavailable):
        store.issue(EntryKind.LINK, Role.OWNER, now_ms(), DAY)
    monkeypatch.undo()
    assert store.credentials(SESSIONS, now_ms()) == []
    for each in (ours, store.home.reading()):  # while they do nothing
        postgresql_server.cut(each.raw.info.backend_pid)
    secret, _ = store.issue(EntryKind.LINK, Role.OWNER, now_ms(), DAY)
    assert store.credential(secret, SESSIONS, now_ms()) is not None


def test_a_board_that_hangs_in_a_change_keeps_nobody_else_from_reading(
    boards, store, postgresql_server, monkeypatch
):
    one, other = boards
    assert enter(one) == "/bench"
    monkeypatch.setattr(throttle, "WAIT_FIRST_S", 900.0)
    monkeypatch.setattr(connection, "BUSY_WAIT_S", 0.2)
    other.application.extensions["benchweather-access"].store.home.close()
    hanging = PeopleDatabase(store.home._url)
    for _ in range(throttle.LIMITS["pair"].free):
        enter(one, "Jo", "guess")
    with hanging.writing().transaction() as run:
        run.execute("UPDATE person SET role = 'viewer'")
        assert may_manage(one)
        assert enter(other) == "/sign-in?said=trouble"
        assert enter(other, "Jo").startswith("/sign-in?said=wait")
    hanging.close()
    assert not may_manage(one)
    assert enter(other) == "/bench"


def filled(folder):
    """A data folder with people, a session that was withdrawn, keys and phones."""
    home = PeopleFolder(folder)
    people = AccessStore(home)
    people.add_person(NAME, Role.OWNER, WORD, 1)
    people.add_person("Jo Ä", Role.BENCH, WORD, 2)
    of = people.person(NAME).person_id
    people.issue(EntryKind.PASSWORD, Role.OWNER, now_ms(), DAY, person_id=of)
    make_board_keys(home.files)
    home.files.change(secret_files.PHONES, lambda _: '{"phones": [], "gone": []}')
    home.files.change(secret_files.PUSH_KEY, lambda _: "a key\n")
    return home


def test_a_database_takes_in_the_people_of_a_data_folder_once(tmp_path, people_database):
    home = filled(tmp_path / "shop")
    moving.make_ready(people_database, tmp_path / "shop")
    assert moving.content(people_database) == moving.content(home)
    store = AccessStore(people_database)
    store.remove_person(NAME)
    store.remove_person("Jo Ä")
    moving.make_ready(people_database, tmp_path / "shop")
    assert store.people() == []
    store.add_person("Kim", Role.VIEWER, WORD, 3)
    assert store.person("Kim").person_id == 3


def test_keys_that_another_computer_made_first_keep_nobody_out(tmp_path, people_database):
    moving.make_ready(people_database, tmp_path / "standby")  # which has no people
    make_board_keys(people_database.files)
    home = filled(tmp_path / "shop")
    moving.make_ready(people_database, tmp_path / "shop")
    assert moving.content(people_database) == moving.content(home)


def test_keys_of_a_database_stay_if_a_folder_has_none(tmp_path, people_database):
    keys = make_board_keys(people_database.files)
    AccessStore(PeopleFolder(tmp_path)).add_person(NAME, Role.OWNER, WORD, 1)
    moving.make_ready(people_database, tmp_path)
    assert [one.name for one in AccessStore(people_database).people()] == [NAME]
    assert make_board_keys(people_database.files) == keys


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE person SET role = 'Owner'",
        "INSERT INTO credential (kind, secret, name, role, made_ms, used_ms, until_ms, idle_ms, mark, "
        "address, browser) VALUES ('odd', '', 'Ä', 'owner', 0, 0, 9000000000000000, 0, '', '', '')",
    ],
)
def test_a_word_that_is_unknown_lets_nobody_in_and_stops_no_board(boards, store, damage):
    enter(boards[0])
    with store.home.writing().transaction() as run:
        run.execute(damage)
    assert enter(boards[0]) == "/sign-in?said=trouble"
    assert boards[0].get("/_dash-layout", headers=PAGE).status_code == 200
    with pytest.raises(StoreFault, match="unknown"):
        store.people(), store.credentials(SESSIONS, now_ms())


def test_people_are_copied_either_way_and_never_over_others(tmp_path, people_database):
    home, back = filled(tmp_path / "shop"), PeopleFolder(tmp_path / "back")
    moving.copy(home, people_database)
    moving.copy(home, people_database)  # an interrupted copy is run again
    moving.copy(people_database, back)
    assert moving.content(back) == moving.content(home)
    assert AccessStore(back).password_of("ina") == AccessStore(home).password_of("ina")
    AccessStore(back).set_role("Ina", Role.VIEWER)
    before = moving.content(people_database)
    with pytest.raises(StoreFault, match="has other people, keys or phones already"):
        moving.copy(back, people_database)
    assert moving.content(people_database) == before


def test_the_command_takes_people_along_both_ways(tmp_path, postgresql_server):
    url = postgresql_server.address()
    home = filled(tmp_path)
    Writer(tmp_path / "readings.sqlite3").close()
    environment = {"BENCHWEATHER_DATA": str(tmp_path), "BENCHWEATHER_STORE__URL": url}
    done = benchweather("store", "copy", "file", "server", environment=environment)
    assert done.returncode == 0, done.stderr
    database = PeopleDatabase(url)
    assert moving.content(database) == moving.content(home)
    done = benchweather("people", "remove", "Ina", "--yes", environment=environment)
    assert done.returncode == 0, done.stderr
    assert len(home.reading().rows("SELECT * FROM person")) == 2  # the file stays as it was
    wanted = moving.content(database)
    home.close()
    (tmp_path / "old").mkdir()
    for path in [*tmp_path.glob("*.sqlite3"), *map(tmp_path.joinpath, secret_files.NAMES)]:
        shutil.move(path, tmp_path / "old")
    done = benchweather("store", "copy", "server", "file", environment=environment)
    assert done.returncode == 0, done.stderr
    assert moving.content(PeopleFolder(tmp_path)) == wanted
    database.close()


def test_a_backup_of_a_database_has_its_people_and_no_old_files(computers, store, tmp_path):
    shop = computers[0]
    filled(shop.data).close()  # left over from before the database was used
    (tmp_path / "stick").mkdir()
    made = making.make(shop, tmp_path / "stick")
    restoring.restore(made.path, tmp_path / "new", "")
    assert moving.content(PeopleFolder(tmp_path / "new")) == moving.content(store.home)
    assert not (tmp_path / "new" / "phones.json").exists()


def test_a_service_that_takes_over_has_the_phones_of_the_other(computers):
    with contextlib.closing(Writer(computers[0].store_address)) as writer:
        first, second = (
            Phones(PeopleDatabase(one.read_address).files, writer) for one in computers
        )
        key = first.carry_out({"do": "key"}, 1)
        fields = {
            "endpoint": "https://push.example/x",
            "key": "B" + 86 * "A",
            "secret": 22 * "A",
            "name": "phone",
        }
        added = first.carry_out({"do": "add", **fields}, 1)["phone"]
        assert second.channels() == [f"phone-{added}"]
        assert second.carry_out({"do": "key"}, 2) == key
        second.carry_out({"do": "remove", "phone": added}, 3)
        assert first.channels() == []
    assert phones.read(home_of(computers[1]).files).phones == ()


def test_phones_stay_known_to_the_rules_while_the_database_is_away(
    computers, postgresql_server, monkeypatch
):
    book = Phones(home_of(computers[0]).files, None)
    text = (
        '{"phones": [{"id": "1", "name": "a", "by": "", "added_ms": 1, "endpoint": "", "key": "", '
    )
    home_of(computers[0]).files.change(
        secret_files.PHONES, lambda _: text + '"secret": ""}], "gone": []}'
    )
    assert book.channels() == ["phone-1"]
    postgresql_server.stop()
    try:
        assert book.channels() == ["phone-1"]
        with pytest.raises(phones.NotSent) as caught:
            book.send("phone-1", None, 1)
        assert caught.value.retryable
    finally:
        postgresql_server.start()
    until(lambda: book.channels() == ["phone-1"])


def test_a_database_without_the_role_stops_no_service_and_lets_nobody_in(
    computers, postgresql_server
):
    with contextlib.suppress(psycopg.errors.DuplicateObject):
        postgresql_server.sql("CREATE ROLE outsider LOGIN")
    url = computers[0].store_address
    schema = url.rpartition("%3D")[2]
    postgresql_server.sql(f"GRANT USAGE ON SCHEMA {schema} TO outsider")
    home = PeopleDatabase(url.replace("owner@", "outsider@"))
    moving.make_ready(home, computers[0].data)  # which logs it
    with pytest.raises(StoreFault, match="`benchweather store roles`"):
        AccessStore(home).people()
    home.close()
