-- Waits as an append-only history: what was done to which wait, when, by whom. Nothing is deleted.

CREATE TABLE wait_event (
  event_id INTEGER PRIMARY KEY,
  wait_id TEXT NOT NULL,
  recorded_ms INTEGER NOT NULL,
  by TEXT NOT NULL,
  action TEXT NOT NULL,
  body TEXT NOT NULL
) STRICT;

CREATE INDEX wait_event_by_wait ON wait_event (wait_id, event_id);

-- A command that came with an id of its own is carried out once, however often it comes.
CREATE TABLE command_done (
  command_id TEXT PRIMARY KEY,
  recorded_ms INTEGER NOT NULL,
  answer TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Kinds of wait that the shop added or changed: every version is kept, the newest counts; a body of
-- null takes the kind off the list.
CREATE TABLE kind_version (
  version INTEGER PRIMARY KEY,
  kind_id TEXT NOT NULL,
  recorded_ms INTEGER NOT NULL,
  by TEXT NOT NULL,
  body TEXT NOT NULL
) STRICT;
