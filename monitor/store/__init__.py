"""The store in SQLite: readings, their rollups, rejected messages, the journal and the outbox.

All SQL is in this package. One writer (`Writer`), any number of readers (`Reader`, read-only). The
database is in WAL mode with full synchronisation: a write is on disk when it returns, and readers
never wait. The statements keep to what PostgreSQL also understands, but for the lines
marked `SQLite`.
"""

from monitor.store.reader import Latest, Reader
from monitor.store.rollups import HOUR_S, TEN_MINUTES_S
from monitor.store.writer import StoredCounts, Writer, until_stored

__all__ = ["HOUR_S", "TEN_MINUTES_S", "Latest", "Reader", "StoredCounts", "Writer", "until_stored"]
