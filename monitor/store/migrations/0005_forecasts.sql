-- Forecasts of the outdoor air by source and issue, as they became known. Nothing in them is ever
-- changed. Times: ms since 1970-01-01 UTC.

CREATE TABLE forecast (
  forecast_id INTEGER PRIMARY KEY,
  source TEXT NOT NULL,
  issued_ms INTEGER NOT NULL,
  known_ms INTEGER NOT NULL,
  latitude REAL,
  longitude REAL,
  notes TEXT NOT NULL,
  doubt TEXT NOT NULL,
  UNIQUE (source, issued_ms)
) STRICT;

CREATE INDEX forecast_by_known ON forecast (known_ms);

CREATE TABLE forecast_hour (
  forecast_id INTEGER NOT NULL REFERENCES forecast,
  valid_ms INTEGER NOT NULL,
  temp_c REAL NOT NULL,
  rh_pct REAL NOT NULL,
  wind_m_s REAL,
  pressure_pa REAL,
  PRIMARY KEY (forecast_id, valid_ms)
) STRICT, WITHOUT ROWID;

-- How far we are with each source that is asked over the network, so that a restart asks no oftener.
CREATE TABLE forecast_asked (
  source TEXT PRIMARY KEY,
  tried_ms INTEGER NOT NULL,
  next_ms INTEGER NOT NULL,
  good_ms INTEGER,
  failures INTEGER NOT NULL,
  trouble TEXT NOT NULL,
  target TEXT NOT NULL,
  address TEXT NOT NULL,
  addressed_ms INTEGER NOT NULL,
  etag TEXT NOT NULL,
  last_modified TEXT NOT NULL
) STRICT, WITHOUT ROWID;
