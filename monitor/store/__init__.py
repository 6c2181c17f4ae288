"""The store: readings, their rollups, rejected messages, the journal and the outbox.

All SQL is in this package, written once with `?` for a value and run by SQLite and PostgreSQL alike;
what differs between them is in `sqlite.py` and `postgresql`. One writer (`Writer`), any number of
readers (`Reader`, read-only). A write is on disk when it returns, and readers never wait. Both engines
pass the same tests of the store (`tests/store/contract`). A new step of the schema has SQLite's types,
which `postgresql` puts into its own. SQLAlchemy was not taken: five types
and six statements differ, and its inserts run at 0.45 to 0.78 of the driver's pace.
"""

from monitor.store.connection import is_there
from monitor.store.reader import Latest, Reader
from monitor.store.rollups import HOUR_S, TEN_MINUTES_S
from monitor.store.writer import StoredCounts, Writer, until_stored

__all__ = [
    "HOUR_S",
    "TEN_MINUTES_S",
    "Latest",
    "Reader",
    "StoredCounts",
    "Writer",
    "is_there",
    "until_stored",
]
