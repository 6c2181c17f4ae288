-- People, their sessions and tokens, and who got in. Secrets are kept hashed. Times: ms since
-- 1970-01-01 UTC. A session or token without a person has a name and a role of its own; until_ms: its
-- end; idle_ms: it ends also when it was not used for so long, 0: never for
-- that; mark: of the shared password or key that a session was opened with.

CREATE TABLE person (
  person_id INTEGER PRIMARY KEY AUTOINCREMENT,
  name TEXT NOT NULL,
  name_key TEXT NOT NULL UNIQUE,
  role TEXT NOT NULL,
  password TEXT NOT NULL,
  added_ms INTEGER NOT NULL,
  changed_ms INTEGER NOT NULL
) STRICT;

CREATE TABLE credential (
  credential_id INTEGER PRIMARY KEY AUTOINCREMENT,
  kind TEXT NOT NULL,
  secret BLOB NOT NULL UNIQUE,
  person_id INTEGER REFERENCES person ON DELETE CASCADE,
  parent_id INTEGER REFERENCES credential ON DELETE CASCADE,
  name TEXT NOT NULL,
  role TEXT NOT NULL,
  made_ms INTEGER NOT NULL,
  used_ms INTEGER NOT NULL,
  until_ms INTEGER NOT NULL,
  idle_ms INTEGER NOT NULL,
  mark TEXT NOT NULL,
  address TEXT NOT NULL,
  browser TEXT NOT NULL
) STRICT;

CREATE INDEX credential_of_person ON credential (person_id);
CREATE INDEX credential_of_parent ON credential (parent_id);

CREATE TABLE audit (
  audit_id INTEGER PRIMARY KEY AUTOINCREMENT,
  at_ms INTEGER NOT NULL,
  who TEXT NOT NULL,
  session TEXT NOT NULL,
  address TEXT NOT NULL,
  action TEXT NOT NULL,
  detail TEXT NOT NULL
) STRICT;
