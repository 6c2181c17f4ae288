-- How the shop is, from its last evaluation, for an overview of several shops. One row.

CREATE TABLE shop_state (
  shop_state_id INTEGER PRIMARY KEY,
  made_ms INTEGER NOT NULL,
  body TEXT NOT NULL
) STRICT;
