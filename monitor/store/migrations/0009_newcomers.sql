-- Places and sensors that are new since this table was made: "place" or "place/sensor", when the first
-- message came (ms since 1970-01-01 UTC), whether it was taken at once, waits, or was admitted or
-- refused, and how many messages were not kept. waiting: messages of those that wait, whole.

CREATE TABLE newcomer (
  name TEXT PRIMARY KEY,
  first_ms INTEGER NOT NULL,
  state TEXT NOT NULL,
  unkept INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE TABLE waiting (
  waiting_id INTEGER PRIMARY KEY,
  name TEXT NOT NULL,
  received_ms INTEGER NOT NULL,
  topic TEXT NOT NULL,
  payload BLOB NOT NULL,
  readings INTEGER NOT NULL
) STRICT;

CREATE INDEX waiting_name ON waiting (name);
