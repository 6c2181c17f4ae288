-- Sheets made for clients: what was asked and what was advised. Personal: erased on request, for
-- which `store/client_sheets.py` writes this table anew. `typed` and `advised` are JSON; `air`
-- is JSON, compressed (zlib), empty where the home's air was typed. Times: ms since 1970-01-01 UTC.

CREATE TABLE client_sheet (
  sheet_id INTEGER PRIMARY KEY,
  client TEXT NOT NULL,
  made_ms INTEGER NOT NULL,
  typed TEXT NOT NULL,
  advised TEXT NOT NULL,
  air BLOB NOT NULL
) STRICT;
