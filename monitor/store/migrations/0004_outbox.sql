-- Notices and, for each channel one goes to, how far it has got. Times: ms since 1970-01-01 UTC.

CREATE TABLE notice (
  notice_id TEXT PRIMARY KEY,
  made_ms INTEGER NOT NULL,
  not_before_ms INTEGER NOT NULL,
  urgency INTEGER NOT NULL,
  title TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- An entry waits while it has no outcome: delivered, given up or withdrawn.
CREATE TABLE outbox (
  entry_id INTEGER PRIMARY KEY,
  notice_id TEXT NOT NULL REFERENCES notice,
  channel TEXT NOT NULL,
  attempts INTEGER NOT NULL DEFAULT 0,
  next_try_ms INTEGER NOT NULL,
  last_error TEXT NOT NULL DEFAULT '',
  outcome TEXT,
  ended_ms INTEGER,
  UNIQUE (notice_id, channel)
) STRICT;

CREATE INDEX outbox_waiting ON outbox (next_try_ms) WHERE outcome IS NULL;
