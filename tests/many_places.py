"""Stores of many places, filled by the engine itself so that it is quick."""

from __future__ import annotations

from monitor.core.measurements import Quantity, Series
from monitor.store import HOUR_S, TEN_MINUTES_S, Writer

DAY_MS, STEP_MS = 86_400_000, 300_000
_WAVE = "(abs((k + 7 * series_id) % 96 - 48) / 24.0 - 1.0)"
"""From -1 to 1 and back in eight hours, and never quite still."""
_READINGS = f"""
INSERT INTO reading (series_id, ts_ms, value)
WITH RECURSIVE step (k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM step WHERE k < ?)
SELECT series_id, ? + {STEP_MS} * k, CASE quantity
  WHEN '{Quantity.HUMIDITY}' THEN 50.0 + series_id % 9 + 4 * {_WAVE}
  WHEN '{Quantity.TEMPERATURE}' THEN 21.0 + series_id % 3 + {_WAVE}
  WHEN '{Quantity.SURFACE_TEMPERATURE}' THEN 17.0 + {_WAVE}
  ELSE 80.0 END
FROM series CROSS JOIN step WHERE true ON CONFLICT DO NOTHING
"""
_ROLLUPS = """
INSERT INTO rollup (series_id, period_s, ts_ms, n, low, total, high)
SELECT series_id, {s}, ts_ms - ts_ms % {ms} AS window_ms,
  count(*), min(value), sum(value), max(value)
FROM reading GROUP BY series_id, window_ms
"""
_LATENESS = """
INSERT INTO lateness (place, sensor, hour_ms, least_ms)
SELECT DISTINCT place, sensor, ts_ms - ts_ms % 3600000, 900 FROM series JOIN reading
USING (series_id) WHERE quantity = 'humidity'
"""


def fill(writer: Writer, places: int, until_ms: int) -> int:
    """A day of readings up to `until_ms`, by 5 minutes, of three or four series at each place. Returns
    the number of series."""
    every = [
        Series(f"room-{i:04}", f"s{i:04}", quantity)
        for i in range(places)
        for quantity in (
            Quantity.TEMPERATURE,
            Quantity.HUMIDITY,
            Quantity.BATTERY,
            *([Quantity.SURFACE_TEMPERATURE] if i % 2 else []),
        )
    ]
    steps = DAY_MS // STEP_MS - 1
    start_ms = until_ms - STEP_MS * steps
    store = writer.connection
    with store.transaction() as run:
        rows = [(i, one.place, one.sensor, one.quantity) for i, one in enumerate(every, 1)]
        store.put(run, "series", rows)
        store.free_ids(run)
        store.put(run, "reading", [(1, at, 22.0) for at in (start_ms, until_ms)])  # and its months
        run.execute(_READINGS, (steps, start_ms))
        for period_s in (TEN_MINUTES_S, HOUR_S):
            run.execute(_ROLLUPS.format(s=period_s, ms=1000 * period_s))
        run.execute(_LATENESS)
    writer.tidy()
    return len(every)
