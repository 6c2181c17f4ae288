"""Roles of a store in a database, each with the least rights."""

from __future__ import annotations

import re

from monitor.core.errors import StoreFault
from monitor.store import copying, documents, outlooks
from monitor.store.connection import StoreConnection

PREFIX = "benchweather"
OWNER, WRITER, READER, PEOPLE, OVERVIEW = "owner", "writer", "reader", "people", "overview"
REQUESTER = "requester"
"""Role of boards on other computers: may ask the service for changes. Other roles let them read."""
PARTS = (OWNER, WRITER, READER, PEOPLE, OVERVIEW, REQUESTER)
_PREFIX = re.compile(r"[a-z_][a-z0-9_]{0,50}")
_MORE = {
    "schema_step": "",
    "series": "INSERT, UPDATE",
    "reading": "INSERT",
    "event": "INSERT",
    "client_sheet": "INSERT, UPDATE, DELETE, TRUNCATE",
}
"""What a writer may do besides reading a table; other tables it may change as it likes."""


_ELSEWHERE = (
    "SELECT relnamespace::regnamespace::text FROM pg_class JOIN pg_roles ON relowner = pg_roles.oid "
    "WHERE rolname = ? AND relname = 'reading' AND relnamespace <> current_schema()::regnamespace "
    "UNION SELECT datname::text FROM pg_shdepend JOIN pg_database ON dbid = pg_database.oid "
    "JOIN pg_roles ON refobjid = pg_roles.oid "
    "WHERE rolname = ? AND deptype = 'o' AND datname <> current_database() LIMIT 1"
)
"""Finds a schema or database of another store whose tables a role owns."""
_NOT_READ = dict.fromkeys(
    ("ingest_worker", "lease", "turn", "service", "request"), "INSERT, UPDATE, DELETE"
)
"""What a writer may do with tables that no reader may see, besides reading them."""
OF_PEOPLE = ("person", "credential", "audit", "guess", "secret_file")
"""Tables with hashes of passwords, keys and phones: neither a writer nor a reader may see them."""
_IDS_OF_PEOPLE = "SEQUENCE person_person_id_seq, credential_credential_id_seq, audit_audit_id_seq"


def make(connection: StoreConnection, prefix: str = PREFIX) -> dict[str, str]:
    """Make the roles, or give them their rights again, and hand the tables to the owner.

    Parameters
    ----------
    connection : StoreConnection
        Of a user who owns the tables, or the database, and may make roles.
    prefix : str
        Beginning of the roles' names: lower-case letters, digits and `_`.

    Returns
    -------
    dict of part to name of its role

    Raises
    ------
    StoreFault
        If the user may not, the prefix is not one, or its roles are those of another store.
    """
    if not _PREFIX.fullmatch(prefix):
        raise StoreFault(
            f"--prefix {prefix!r:.60}: must be at most 51 lower-case letters, digits and _, and not "
            "begin with a digit"
        )
    names = {part: f"{prefix}_{part}" for part in PARTS}
    owner, writer, reader, people, overview, requester = names.values()
    others = f"{writer}, {reader}, {people}, {overview}, {requester}"
    if other := connection.row(_ELSEWHERE, (owner, owner)):
        raise StoreFault(
            f"--prefix {prefix}: {owner} owns the store in {other[0]}, and who may read that one could "
            "read this one too: give each store a prefix of its own"
        )
    schema, database, user, may_make = connection.row(
        "SELECT quote_ident(current_schema()), quote_ident(current_database()), "
        "quote_ident(current_user), rolcreaterole OR rolsuper "
        "FROM pg_roles WHERE rolname = current_user"
    )
    parts = connection.rows(
        "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'reading'::regclass"
    )
    tables = ("schema_step", "series", *copying.BY_SERIES, *copying.AT_ONCE)
    tables += (*outlooks.TABLES, *documents.TABLES)
    with connection.transaction() as run:
        for name in names.values():
            run.execute("SELECT 1 FROM pg_roles WHERE rolname = ?", (name,))
            if run.fetchone() is None:
                if not may_make:
                    raise StoreFault(
                        f"{user} may not make roles: as an administrator of the server, run "
                        f"`ALTER ROLE {user} CREATEROLE`"
                    )
                run.execute(f"CREATE ROLE {name} NOLOGIN")
        for statement in (
            f"GRANT {owner} TO {user}",
            f"GRANT CONNECT ON DATABASE {database} TO {owner}, {others}",
            f"GRANT USAGE, CREATE ON SCHEMA {schema} TO {owner}",
            f"GRANT USAGE ON SCHEMA {schema} TO {others}",
            "ALTER FUNCTION reading_month OWNER TO " + owner,
            "ALTER FUNCTION clear_readings OWNER TO " + owner,
            "ALTER FUNCTION request_answer OWNER TO " + owner,
            f"GRANT EXECUTE ON FUNCTION reading_month, clear_readings TO {writer}",
            f"GRANT EXECUTE ON FUNCTION request_answer TO {writer}, {requester}",
        ):
            run.execute(statement)
        for table in (*tables, *_NOT_READ, *OF_PEOPLE, *(name for (name,) in parts)):
            run.execute(f"ALTER TABLE {table} OWNER TO {owner}")
            run.execute(f"REVOKE ALL ON {table} FROM PUBLIC, {others}")
        for table in tables:
            run.execute(f"GRANT SELECT ON {table} TO {writer}, {reader}")
            if more := _MORE.get(table, "INSERT, UPDATE, DELETE"):
                run.execute(f"GRANT {more} ON {table} TO {writer}")
        run.execute(f"GRANT SELECT ON shop_state TO {overview}")
        for table, more in _NOT_READ.items():
            run.execute(f"GRANT SELECT, {more} ON {table} TO {writer}")
        run.execute(f"GRANT INSERT (request_id, body) ON request TO {requester}")
        for table in OF_PEOPLE:
            run.execute(f"GRANT SELECT, INSERT, UPDATE, DELETE ON {table} TO {people}")
        run.execute(f"GRANT UPDATE ON {_IDS_OF_PEOPLE} TO {people}")
    return names
