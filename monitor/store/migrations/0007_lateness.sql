-- How late the messages of each topic came: of each hour of arrival, the least that a message's
-- newest reading was measured before it arrived; below 0, its clock is fast. Times in ms.

CREATE TABLE lateness (
  place TEXT NOT NULL,
  sensor TEXT NOT NULL,
  hour_ms INTEGER NOT NULL,
  least_ms INTEGER NOT NULL,
  PRIMARY KEY (place, sensor, hour_ms)
) STRICT, WITHOUT ROWID;
