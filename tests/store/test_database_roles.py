"""Roles of a store in a database, tried by attack."""

from __future__ import annotations

from contextlib import closing

import pytest
from conftest import benchweather
from full_store import fill

from monitor.core.clock import EVER_MS
from monitor.core.errors import StoreFault
from monitor.core.measurements import Quantity, Reading, Series
from monitor.people import moving
from monitor.people.access_store import AccessStore
from monitor.people.entries import AuditEntry, EntryKind
from monitor.people.guesses import Guesses
from monitor.people.homes import PeopleDatabase, PeopleFolder
from monitor.people.roles import Role
from monitor.store import (
    Reader,
    Writer,
    client_sheets,
    documents,
    migrations,
    requests,
    roles,
    rollups,
)
from monitor.store.connection import opened

psycopg = pytest.importorskip("psycopg", reason="pip install '.[postgresql]'")
BENCH = Series("front-bench", "a1", Quantity.TEMPERATURE)
T0, MONTH_MS = 1_790_000_000_000, 31 * 86_400_000
DENIED = (psycopg.errors.InsufficientPrivilege,)
READS_ONLY = (
    "INSERT INTO series (place, sensor, quantity) VALUES ('x', 'x', 'x')",
    "UPDATE reading SET value = 0",
    "DELETE FROM rollup",
    "SELECT reading_month(0)",
    "SELECT * FROM reading FOR UPDATE",
    "DO $$ BEGIN LOCK TABLE turn IN ROW SHARE MODE; END $$",
    "SELECT client_id FROM ingest_worker",
    "SELECT client_id FROM lease",
    "UPDATE outlook SET body = ''",
    "DELETE FROM outlook_turn",
    "UPDATE document SET body = ''",
    "DELETE FROM document",
)
REQUESTS = (
    "INSERT INTO request (request_id, body) VALUES ('x', '{}')",
    "SELECT request_answer('x', true)",
)
NOT_IN_REQUESTS = (
    "DELETE FROM request",
    "SELECT request_id, answer FROM request",
    "SELECT request_id FROM request FOR UPDATE",
    "DO $$ BEGIN LOCK TABLE request IN ROW SHARE MODE; END $$",
    "SELECT body FROM request",
    "UPDATE request SET answer = '{}'",
    "INSERT INTO request (request_id, body, answer) VALUES ('x', '{}', '{}')",
    "INSERT INTO request (request_id, body, made_ms) VALUES ('x', '{}', 0)",
    "INSERT INTO request (request_id, body, made_by) VALUES ('x', '{}', 'owner')",
)
"""What even who may put requests cannot do with them."""
OF_PEOPLE = (
    "SELECT password FROM person",
    "SELECT secret FROM credential",
    "SELECT count(*) FROM credential",
    "SELECT content FROM secret_file",
    "SELECT * FROM guess",
    "SELECT * FROM audit",
    "COPY person TO STDOUT",
    "UPDATE person SET role = 'owner'",
    "INSERT INTO person (name, name_key, role, password, added_ms, changed_ms) "
    "VALUES ('x', 'x', 'owner', 'x', 0, 0)",
    "INSERT INTO secret_file VALUES ('secrets.json', '{}')",
    "DELETE FROM guess",
    "DELETE FROM audit",
    "SELECT setval('person_person_id_seq', 1)",
    "SET ROLE benchweather_people",
    "DO $$ BEGIN LOCK TABLE person IN EXCLUSIVE MODE; END $$",
)
OF_THE_STORE = (
    "SELECT * FROM reading",
    "SELECT * FROM event",
    "SELECT * FROM client_sheet",
    "INSERT INTO event SELECT * FROM event",
    "TRUNCATE person CASCADE",
    "DROP TABLE person CASCADE",
    "ALTER TABLE person ADD COLUMN more TEXT",
    "SET ROLE benchweather_reader",
)
NOBODY = (
    "DELETE FROM event",
    "UPDATE event SET body = '{}'",
    "DELETE FROM reading",
    "UPDATE reading SET value = 0",
    "TRUNCATE reading",
    "TRUNCATE event",
    "DELETE FROM reading_2026_09",
    "DROP TABLE reading_2026_09",
    "ALTER TABLE reading DETACH PARTITION reading_2026_09",
    "DROP TABLE reading",
    "DROP TABLE event CASCADE",
    "ALTER TABLE event DROP COLUMN body",
    "DELETE FROM series",
    "INSERT INTO schema_step VALUES (9999)",
    "CREATE TABLE mine (n int)",
    "CREATE OR REPLACE FUNCTION reading_month(bigint) RETURNS void LANGUAGE sql AS ''",
    "ALTER FUNCTION reading_month(bigint) SECURITY INVOKER",
    "SET ROLE benchweather_owner",
    "GRANT benchweather_owner TO CURRENT_USER",
    "COPY reading TO PROGRAM 'cat'",
    "CREATE ROLE more",
)


@pytest.fixture
def ways(postgresql_server):
    """Addresses of one store for its owner and the other roles."""
    address = postgresql_server.address()
    writer = Writer(address)
    fill(writer)
    names = roles.make(writer.connection)
    assert roles.make(writer.connection) == names  # a second time changes nothing
    writer.close()
    for user in ("writer", "reader", "people", "requester"):
        postgresql_server.sql(f"DROP ROLE IF EXISTS {user}_user")
        postgresql_server.sql(f"CREATE ROLE {user}_user LOGIN IN ROLE {names[user]}")
    yield {
        part: address.replace("owner@", f"{part}_user@" if part != "owner" else "owner@")
        for part in names
    }
    postgresql_server.sql(f"DROP SCHEMA {_schema(address)} CASCADE")


@pytest.mark.slow
def test_roles_of_one_store_get_no_rights_in_another(ways, postgresql_server):
    postgresql_server.sql("CREATE DATABASE elsewhere")
    addresses = (postgresql_server.address(), postgresql_server.url(database="elsewhere"))
    for address in addresses:
        with closing(Writer(address)) as writer, pytest.raises(StoreFault, match="of its own"):
            roles.make(writer.connection)
    postgresql_server.sql("DROP DATABASE elsewhere WITH (FORCE)")


@pytest.mark.slow
def test_a_writer_stores_everything_and_a_reader_reads_it(ways):
    writer, reader = Writer(ways["writer"]), Reader(ways["reader"])
    writer.claim()
    batch = [Reading(BENCH, T0 + i * MONTH_MS, 20.0) for i in range(60)]
    assert writer.write(batch, lateness={("p", "s", 0): 1}) == (60, 0)  # five years of partitions
    assert client_sheets.erase(writer, "Mira") == 1
    writer.tidy()
    writer.prune_refused(0)
    writer.prune_commands(EVER_MS)
    assert len(reader.readings(reader.series()[BENCH], 0, EVER_MS)[0]) == 60
    assert client_sheets.all_of(reader) == []
    assert rollups.recount(reader, 0, EVER_MS).disagreements == []
    writer.close()
    reader.close()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("who", "statements"),
    [
        ("reader", READS_ONLY + NOBODY + OF_PEOPLE + REQUESTS + NOT_IN_REQUESTS),
        ("writer", NOBODY + OF_PEOPLE),
        ("people", READS_ONLY + NOBODY + OF_THE_STORE + REQUESTS + NOT_IN_REQUESTS),
        ("requester", READS_ONLY + NOBODY + OF_THE_STORE + OF_PEOPLE + NOT_IN_REQUESTS),
    ],
)
def test_no_role_can_do_more_than_it_must(ways, who, statements):
    done = []
    with psycopg.connect(ways[who], autocommit=True) as attacker:
        attacker.execute("SET default_transaction_read_only = off")
        for statement in statements:
            try:
                attacker.execute(statement)
            except DENIED:
                continue
            done.append(statement)
    assert done == []


@pytest.mark.slow
def test_a_board_signs_people_in_and_takes_them_in_with_the_role_for_people_alone(ways, tmp_path):
    files, home = PeopleFolder(tmp_path), PeopleDatabase(ways["people"])
    AccessStore(files).add_person("Ina", Role.OWNER, "elf pipe nor sky", 1)
    moving.make_ready(home, tmp_path)
    store = AccessStore(home)
    of = store.person("Ina").person_id
    secret, _ = store.issue(EntryKind.PASSWORD, Role.OWNER, 1, 10, person_id=of)
    assert store.credential(secret, [EntryKind.PASSWORD], 2).name == "Ina"
    store.record(AuditEntry(1, "Ina", "", "", "signed in", ""))
    with home.guesses.changing([("person", "Ina")]) as (now_s, held):
        held["person", "Ina"] = Guesses(1, now_s, now_s)
    home.guesses.forget([("person", "Ina")])
    store.remove_person("Ina")
    home.close()


def test_a_requester_puts_requests_and_the_writer_answers_them(ways):
    store = opened(ways["requester"], read_only=False, turn="request")
    with closing(store), closing(Writer(ways["writer"])) as service:
        requests.put(store, "x", "{}")
        assert requests.open_ones(service.connection) == ["x"]
        assert requests.body_of(service.connection, "x") == ("{}", False)
        with service.connection.transaction(beside=True) as run:
            requests.answer(run, "x", "done")
            documents.put(run, "plan.json", "{}")
        assert requests.answer_to(store, "x") == "done"
        assert requests.withdraw(store, "x") == "done"


def test_a_writer_cannot_lead_the_owner_s_function_astray(ways):
    with psycopg.connect(ways["writer"], autocommit=True) as attacker:
        attacker.execute(
            "CREATE TEMP TABLE reading (series_id bigint, ts_ms bigint, value float8)"
        )
        attacker.execute("SET search_path = pg_temp, " + _schema(ways["owner"]))
        attacker.execute("SET timezone = 'Pacific/Kiritimati'")
        attacker.execute("SELECT reading_month(1769904000000)")  # 2026-02-01 UTC
    with psycopg.connect(ways["owner"]) as owner:
        bound = owner.execute(
            "SELECT pg_get_expr(relpartbound, oid) FROM pg_class WHERE relname = 'reading_2026_02' "
            "AND relnamespace = current_schema()::regnamespace"
        ).fetchone()
    assert bound == ("FOR VALUES FROM ('1769904000000') TO ('1772323200000')",)


def _schema(address):
    return address.rpartition("%3D")[2]


def test_a_new_step_of_the_schema_is_the_owner_s_to_take(ways, monkeypatch):
    every = migrations.steps()
    more = migrations.Migration(99, "more", ["CREATE TABLE more (n INTEGER) STRICT;"])
    monkeypatch.setattr(migrations, "steps", lambda *_: [*every, more])
    with pytest.raises(StoreFault, match="`benchweather store roles`"):
        Writer(ways["writer"])
    Writer(ways["owner"]).close()
    Writer(ways["writer"]).close()


@pytest.mark.slow
def test_the_command_makes_the_roles_and_says_what_to_do(postgresql_server, tmp_path):
    environment = {"BENCHWEATHER_DATA": str(tmp_path), "COLUMNS": "250"}
    assert "store.url is not set" in benchweather("store", "roles", environment=environment).stderr
    postgresql_server.sql("CREATE ROLE plain_owner LOGIN CREATEROLE")
    postgresql_server.sql("CREATE DATABASE shop1 OWNER plain_owner")
    address = postgresql_server.url("plain_owner", "shop1")
    environment["BENCHWEATHER_STORE__URL"] = address
    Writer(address).close()
    postgresql_server.sql("ALTER ROLE plain_owner NOCREATEROLE")
    done = benchweather("store", "roles", "--prefix", "shop1", environment=environment)
    assert "run `ALTER ROLE plain_owner CREATEROLE`" in done.stderr
    postgresql_server.sql("ALTER ROLE plain_owner CREATEROLE")
    done = benchweather("store", "roles", "--prefix", "shop1", environment=environment)
    assert done.returncode == 0, done.stderr
    assert "IN ROLE shop1_writer;" in done.stdout
    assert "IN ROLE shop1_reader, shop1_people;" in done.stdout
    Writer(address).close()  # whose user is of the owner's role now
    bad = benchweather("store", "roles", "--prefix", "x; DROP", environment=environment)
    assert "must be at most 51 lower-case letters" in bad.stderr
    postgresql_server.sql("CREATE ROLE plain LOGIN")
    environment["BENCHWEATHER_STORE__URL"] = postgresql_server.address().replace(
        "owner@", "plain@"
    )
    assert (
        "does not have the rights"
        in benchweather("store", "roles", environment=environment).stderr
    )
