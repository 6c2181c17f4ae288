-- Readings by series and time, their rollups, and what was refused. Times: ms since 1970-01-01 UTC.

CREATE TABLE series (
  series_id INTEGER PRIMARY KEY,
  place TEXT NOT NULL,
  sensor TEXT NOT NULL,
  quantity TEXT NOT NULL,
  UNIQUE (place, sensor, quantity)
) STRICT;

CREATE TABLE reading (
  series_id INTEGER NOT NULL REFERENCES series,
  ts_ms INTEGER NOT NULL,
  value REAL NOT NULL,
  PRIMARY KEY (series_id, ts_ms)
) STRICT, WITHOUT ROWID;

CREATE TABLE rollup (
  series_id INTEGER NOT NULL REFERENCES series,
  period_s INTEGER NOT NULL,
  ts_ms INTEGER NOT NULL,
  n INTEGER NOT NULL,
  low REAL NOT NULL,
  total REAL NOT NULL,
  high REAL NOT NULL,
  PRIMARY KEY (series_id, period_s, ts_ms)
) STRICT, WITHOUT ROWID;

-- Messages whose readings have no time of their own, or that were refused: by MQTT packet id, so
-- that a repeat of one after a crash is known and not taken twice.
CREATE TABLE delivered (
  packet_id INTEGER PRIMARY KEY,
  digest BLOB NOT NULL
) STRICT;

CREATE TABLE refused (
  refused_id INTEGER PRIMARY KEY,
  received_ms INTEGER NOT NULL,
  topic TEXT NOT NULL,
  payload BLOB NOT NULL,
  size INTEGER NOT NULL,
  reason TEXT NOT NULL
) STRICT;

CREATE INDEX refused_by_topic ON refused (topic);

CREATE TABLE tally (
  name TEXT PRIMARY KEY,
  n INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
