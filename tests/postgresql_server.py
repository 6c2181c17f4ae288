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

import pytest
from conftest import free_port, until

from monitor.mqtt.embedded_broker import is_listening

FAST = ("-c", "fsync=off", "-c", "full_page_writes=off", "-c", "max_connections=30")


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
        self._shared: str | None = None
        self._run("initdb", "--auth=trust", "--username=owner", "--no-sync", "-D", "data")

    def start(self) -> None:
        command = [self._bin / "postgres", "-D", "data", "-p", str(self.port), "-k", self.folder]
        self._child = subprocess.Popen(
            [*self._user, *command, "-h", "127.0.0.1", *FAST],
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(lambda: is_listening("127.0.0.1", self.port), what="PostgreSQL answers")
        until(lambda: self._ready(), what="PostgreSQL is ready")

    def stop(self) -> None:
        """Stop at once, as a crash does; what was committed is there at the next start."""
        self._child.send_signal(signal.SIGQUIT)
        self._child.wait(20)

    def remove(self) -> None:
        self.stop()
        shutil.rmtree(self.folder)

    def address(self) -> str:
        """URL of a new, empty store."""
        self._schemas += 1
        name = f"store{self._schemas}"
        self.sql(f"CREATE SCHEMA {name}")
        return f"{self._url}?options=-csearch_path%3D{name}"

    def emptied(self) -> str:
        """URL of a store without a row; each call empties the same."""
        import psycopg

        if self._shared is None:
            self._shared = self.address()
            return self._shared
        with psycopg.connect(self._shared, autocommit=True) as connection:
            tables = connection.execute(
                "SELECT tablename FROM pg_tables WHERE schemaname = current_schema() "
                "AND tablename <> 'schema_step'"
            ).fetchall()
            names = ", ".join(name for (name,) in tables)
            connection.execute(f"TRUNCATE {names} RESTART IDENTITY CASCADE".encode())
        return self._shared

    def sql(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(self._url, autocommit=True) as connection:
            connection.execute(statement)

    @property
    def _url(self) -> str:
        return f"postgresql://owner@127.0.0.1:{self.port}/postgres"

    def _ready(self) -> bool:
        import psycopg

        with contextlib.suppress(psycopg.OperationalError):
            self.sql("SELECT 1")
            return True
        return False

    def _run(self, program: str, *arguments: str) -> None:
        command = [*self._user, str(self._bin / program), *arguments]
        subprocess.run(command, cwd=self.folder, check=True, capture_output=True)


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[PostgresqlServer]:
    """One server for all tests of a process."""
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install '.[postgresql]'")
    server = PostgresqlServer()
    server.start()
    yield server
    server.remove()
