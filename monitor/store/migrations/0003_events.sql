-- One journal for all that is done in the shop. Nothing in it is ever changed or deleted.

CREATE TABLE event (
  event_id INTEGER PRIMARY KEY,
  about TEXT NOT NULL,
  subject TEXT NOT NULL,
  recorded_ms INTEGER NOT NULL,
  by TEXT NOT NULL,
  action TEXT NOT NULL,
  body TEXT NOT NULL
) STRICT;

INSERT INTO event (about, subject, recorded_ms, by, action, body)
  SELECT 'wait', wait_id, recorded_ms, by, action, body FROM wait_event ORDER BY event_id;

INSERT INTO event (about, subject, recorded_ms, by, action, body)
  SELECT 'kind', kind_id, recorded_ms, by,
    CASE body WHEN 'null' THEN 'retire' ELSE 'kind' END,
    CASE body WHEN 'null' THEN '{}' ELSE body END
  FROM kind_version ORDER BY version;

DROP TABLE wait_event;
DROP TABLE kind_version;

CREATE INDEX event_by_subject ON event (about, subject, event_id);

-- How far each rule has got with what it watches: since when it holds, whether it is on.
CREATE TABLE latch (
  rule TEXT NOT NULL,
  subject TEXT NOT NULL,
  body TEXT NOT NULL,
  PRIMARY KEY (rule, subject)
) STRICT, WITHOUT ROWID;
