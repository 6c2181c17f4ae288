-- Series whose old readings are cleared: those before `until_ms` are kept as rollups only.

CREATE TABLE retention (
  series_id INTEGER PRIMARY KEY REFERENCES series,
  until_ms INTEGER NOT NULL
) STRICT;
