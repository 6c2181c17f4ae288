-- Members of a forecast, numbered from 1. Values: little-endian 32-bit floats, one for each of the
-- forecast's hours in their order, NaN where the member has none.

CREATE TABLE forecast_member (
  forecast_id INTEGER NOT NULL REFERENCES forecast,
  member INTEGER NOT NULL,
  temp_c BLOB NOT NULL,
  rh_pct BLOB NOT NULL,
  wind_m_s BLOB NOT NULL,
  PRIMARY KEY (forecast_id, member)
) STRICT;
