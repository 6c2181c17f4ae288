"""Several shops in one database, each in a schema of its own: tried by attack."""

from __future__ import annotations

import contextlib

import pytest
from full_store import fill

from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.domain.shop_state import ShopState
from monitor.store import Writer, connection, roles, shop_states

psycopg = pytest.importorskip("psycopg", reason="pip install '.[postgresql]'")


@pytest.fixture(
    scope="session"
)  # roles are of the whole server: once, even if a worker comes back
def shops(postgresql_server):
    """Addresses of two filled shops for the writer of each, and for one user of both overviews."""
    found = {}
    for name in ("quay", "mill"):
        address = postgresql_server.address()
        with contextlib.closing(Writer(address)) as writer:
            fill(writer)
            names = roles.make(writer.connection, f"apart_{name}")
            with writer.connection.transaction() as run:
                shop_states.keep(run, ShopState(name=name, made_ms=1))
        for user in (f"{name}_writer", f"{name}_board", "overview_user"):
            with contextlib.suppress(psycopg.errors.DuplicateObject):
                postgresql_server.sql(f"CREATE ROLE {user} LOGIN")
        postgresql_server.sql(f"GRANT {names[roles.WRITER]} TO {name}_writer")
        of_board = f"{names[roles.READER]}, {names[roles.PEOPLE]}"
        postgresql_server.sql(f"GRANT {of_board} TO {name}_board")
        postgresql_server.sql(f"GRANT {names[roles.OVERVIEW]} TO overview_user")
        schema = address.rpartition("%3D")[2]
        found[name] = (
            schema,
            address.replace("owner@", f"{name}_writer@"),
            address.replace("owner@", "overview_user@"),
        )
    return found


def _allowed(address, statements):
    """Statements that the server carries out for a user."""
    done = []
    with psycopg.connect(address, autocommit=True) as attacker:
        attacker.execute("SET default_transaction_read_only = off")
        for statement in statements:
            try:
                attacker.execute(statement)
            except (psycopg.errors.InsufficientPrivilege, psycopg.errors.UndefinedTable):
                continue
            done.append(statement)
    return done


def test_a_shop_can_neither_read_nor_change_another(shops):
    other = shops["mill"][0]
    assert (
        _allowed(
            shops["quay"][1],
            [
                f"SELECT * FROM {other}.reading",
                f"SELECT * FROM {other}.client_sheet",
                f"SELECT * FROM {other}.shop_state",
                f"SELECT count(*) FROM {other}.event",
                f"INSERT INTO {other}.series (place, sensor, quantity) VALUES ('x', 'x', 'x')",
                f"DELETE FROM {other}.notice",
                f"SELECT {other}.reading_month(0)",
                f"CREATE TABLE {other}.mine (n int)",
                f"SET search_path = {other}; SELECT * FROM event",
                "SET ROLE apart_mill_reader",
                "SET ROLE apart_mill_overview",
                f"COPY {other}.event TO STDOUT",
                f"DO $$ BEGIN LOCK TABLE {other}.turn IN ROW SHARE MODE; END $$",
                f"DO $$ BEGIN LOCK TABLE {other}.service IN ACCESS SHARE MODE; END $$",
                f"INSERT INTO {other}.service VALUES (pg_backend_pid(), 0, now(), false)",
            ],
        )
        == []
    )
    with psycopg.connect(shops["quay"][1]) as attacker:  # nor what the planner knows of it
        assert attacker.execute(
            "SELECT count(*) FROM pg_stats WHERE schemaname = %s", (other,)
        ).fetchone() == (0,)


@pytest.mark.parametrize("user", ["quay_writer", "quay_board", "overview_user"])
def test_nobody_of_another_shop_reads_or_changes_its_people(shops, user):
    """Nor does who sees all shops; each tries the tables, the keys, the lock and the role."""
    other, address, _ = shops["mill"]
    tables = ("person", "credential", "audit", "guess", "secret_file")
    attacks = [
        *(f"SELECT * FROM {other}.{table}" for table in tables),
        *(f"DELETE FROM {other}.{table}" for table in tables),
        *(f"COPY {other}.{table} TO STDOUT" for table in tables),
        f"UPDATE {other}.person SET password = ''",
        f"INSERT INTO {other}.secret_file VALUES ('secrets.json', '{{}}')",
        f"SET search_path = {other}; SELECT password FROM person",
        f"SELECT nextval('{other}.person_person_id_seq')",
        f"CREATE TEMP TABLE mine (LIKE {other}.person)",
        f"DO $$ BEGIN LOCK TABLE {other}.person IN ACCESS SHARE MODE; END $$",
        "SET ROLE apart_mill_people",
    ]
    assert _allowed(address.replace("mill_writer@", f"{user}@"), attacks) == []


def test_a_shop_cannot_keep_the_service_of_another_from_its_store(shops, monkeypatch):
    monkeypatch.setattr(connection, "BUSY_WAIT_S", 0.2)
    with psycopg.connect(shops["quay"][1]) as attacker:
        for lock in (1, 2):
            attacker.execute("SELECT pg_advisory_lock(%s, hashtext(%s))", (lock, shops["mill"][0]))
        with contextlib.closing(Writer(shops["mill"][1])) as writer:
            writer.claim()


def test_a_service_keeps_others_away_whose_users_may_not_look_at_its_own(shops):
    address = shops["mill"][1]
    with contextlib.closing(Writer(address.replace("mill_writer@", "owner@"))) as first:
        first.claim()
        with (
            contextlib.closing(Writer(address)) as second,
            pytest.raises(StoreUnavailable, match="another Benchweather"),
        ):
            second.claim()


def test_an_overview_reads_the_state_of_each_shop_and_nothing_else(shops):
    found = shop_states.read_all({name: one[2] for name, one in shops.items()})
    assert {name: one.name for name, one in found.items()} == {"quay": "quay", "mill": "mill"}
    schema, _, address = shops["quay"]
    tables = ("reading", "series", "event", "client_sheet", "notice", "refused", "rollup")
    assert (
        _allowed(
            address,
            [
                *(f"SELECT * FROM {schema}.{table}" for table in tables),
                f"UPDATE {schema}.shop_state SET body = '{{}}'",
                f"DELETE FROM {schema}.shop_state",
            ],
        )
        == []
    )


def test_a_store_that_cannot_be_read_does_not_hide_the_others(shops):
    away = shops["mill"][2].replace("overview_user@", "nobody@")
    found = shop_states.read_all({"quay": shops["quay"][2], "mill": away})
    assert found["quay"].name == "quay"
    assert isinstance(found["mill"], StoreFault)
