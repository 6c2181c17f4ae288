"""A PostgreSQL server of the tests' own, on a free loopback port, as a user without privileges."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from conftest import free_port, until

from monitor.core.ports import is_listening

if TYPE_CHECKING:
    from monitor.people.homes import PeopleDatabase

SMALL_BYTES = 1_000_000
"""Tables up to this size are emptied row by row: TRUNCATE makes new files of each."""
FAST = ("-c", "fsync=off", "-c", "full_page_writes=off", "-c", "max_connections=100")


def programs() -> Path:
    """Folder of the newest PostgreSQL that is installed, or a skip that says how to get one."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[4]))
    if not found:
        pytest.skip("PostgreSQL is not installed: apt-get install postgresql")
    return found[-1].parent


class PostgresqlServer:
    """A server with an empty database; each `address` is a schema of its own in it."""

    def __init__(self) -> None:
        self._bin = programs()
        self._user: list[str] = []
        self.folder = Path(tempfile.mkdtemp(prefix="postgresql-"))
        if os.geteuid() == 0:  # the server refuses to run as root
            user = pwd.getpwnam("postgres")
            os.chown(self.folder, user.pw_uid, user.pw_gid)
            self._user = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"]
        self.port = free_port()
        self._schemas = 0
        self.shared = ""
        self._run("initdb", "--auth=trust", "--username=owner", "--no-sync", "-D", "data")

    def start(self) -> None:
        command = [self._bin / "postgres", "-D", "data", "-p", str(self.port), "-k", self.folder]
        self._child = subprocess.Popen(
            [*self._user, *command, "-h", "127.0.0.1", *FAST],
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(
            lambda: is_listening("127.0.0.1", self.port), within_s=120, what="PostgreSQL answers"
        )
        until(lambda: self._ready(), within_s=120, what="PostgreSQL is ready")

    def stop(self) -> None:
        """Stop at once, as a crash does; what was committed is there at the next start."""
        self._child.send_signal(signal.SIGQUIT)
        self._child.wait(60)

    def remove(self) -> None:
        self.stop()
        shutil.rmtree(self.folder)

    def address(self) -> str:
        """URL of a new, empty store."""
        self._schemas += 1
        name = f"store{self._schemas}"
        self.sql(f"CREATE SCHEMA {name}")
        return f"{self.url()}?options=-csearch_path%3D{name}"

    def emptied(self) -> str:
        """URL of a store without a row; each call empties the same."""
        import psycopg

        if not self.shared:
            self.shared = self.address()
            return self.shared
        with psycopg.connect(self.shared, autocommit=True) as connection, connection.transaction():
            connection.execute("SET LOCAL session_replication_role = replica")  # in any order
            sizes = connection.execute(
                "SELECT tablename, pg_table_size(quote_ident(tablename)::regclass) FROM pg_tables "
                "WHERE schemaname = current_schema() AND tablename <> 'schema_step'"
            ).fetchall()
            for name, size in sizes:
                statement = (
                    f"TRUNCATE {name} CASCADE" if size > SMALL_BYTES else f"DELETE FROM {name}"
                )
                connection.execute(statement.encode())
            connection.execute(
                "SELECT setval(format('%I.%I', schemaname, sequencename)::regclass, start_value, false) "
                "FROM pg_sequences WHERE schemaname = current_schema()"
            )
        return self.shared

    def sql(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self.url(), autocommit=True) as connection:
            connection.execute(statement)

    def url(self, user: str = "owner", database: str = "postgres") -> str:
        """URL of a database as a whole, not of a store."""
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"

    def cut(self, pid: int) -> None:
        """End a connection, and wait until it is gone."""
        import psycopg

        with psycopg.connect(self.url(), autocommit=True) as connection:
            connection.execute("SELECT pg_terminate_backend(%s, 5000)", (pid,))

    def until_left(self, address: str) -> None:
        """Wait until no service holds a store."""
        import psycopg

        held = "SELECT count(*) FROM service JOIN pg_stat_activity USING (pid)"
        with psycopg.connect(address, autocommit=True) as connection:
            until(lambda: connection.execute(held).fetchone() == (0,), what="the store is left")

    @contextlib.contextmanager
    def passwords_needed(self) -> Iterator[None]:
        """Let nobody but the owner in without a password."""
        file = self.folder / "data" / "pg_hba.conf"
        before = file.read_text()
        file.write_text(
            "host all owner 127.0.0.1/32 trust\nhost all all 127.0.0.1/32 scram-sha-256\n"
        )
        self.sql("SELECT pg_reload_conf()")
        try:
            yield
        finally:
            file.write_text(before)
            self.sql("SELECT pg_reload_conf()")

    def _ready(self) -> bool:
        import psycopg

        with contextlib.suppress(psycopg.OperationalError):
            self.sql("SELECT 1")
            return True
        return False

    def _run(self, program: str, *arguments: str) -> None:
        command = [*self._user, str(self._bin / program), *arguments]
        subprocess.run(command, cwd=self.folder, check=True, capture_output=True)


SERVER = pytest.StashKey[PostgresqlServer]()


@pytest.fixture(scope="session")
def postgresql_server(request: pytest.FixtureRequest) -> PostgresqlServer:
    """One server for all tests of a process, whichever module imports this."""
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install '.[postgresql]'")
    config = request.config
    if SERVER not in config.stash:
        config.stash[SERVER] = PostgresqlServer()
        config.add_cleanup(config.stash[SERVER].remove)
        config.stash[SERVER].start()
    return config.stash[SERVER]


@pytest.fixture
def people_database(postgresql_server: PostgresqlServer) -> Iterator[PeopleDatabase]:
    """Home of the people of an empty store."""
    from monitor.people.homes import PeopleDatabase
    from monitor.store import Writer

    address = postgresql_server.emptied()
    Writer(address).close()
    home = PeopleDatabase(address)
    yield home
    home.close()
