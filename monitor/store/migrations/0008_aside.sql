-- Messages kept aside, since this machine's clock had jumped when they came: whole, until a person
-- takes them in or dismisses them, and after. received_ms: by the machine's clock, steady_ms: by the
-- one that does not jump. Times: ms since 1970-01-01 UTC.

CREATE TABLE aside (
  aside_id INTEGER PRIMARY KEY,
  received_ms INTEGER NOT NULL,
  steady_ms INTEGER NOT NULL,
  sensor TEXT NOT NULL,
  topic TEXT NOT NULL,
  payload BLOB NOT NULL,
  readings INTEGER NOT NULL,
  outcome TEXT
) STRICT;

CREATE INDEX aside_waiting ON aside (sensor) WHERE outcome IS NULL;
