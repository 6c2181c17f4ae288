"""The time grid on which rooms are simulated, and the stretches they are simulated in."""

from __future__ import annotations

from datetime import UTC, datetime

from monitor.core.clock import from_ms, to_ms

GRID_MS = 300_000
"""The rooms are stepped on multiples of this since 1970; between, they are interpolated. [ms]"""
SPIN_UP_MS = 28 * 86_400_000
"""Each quarter of a year is stepped on its own, from so long before it. [ms]

So a live reading needs no years before it, and is the back-filled one exactly. The rooms forget
their start within days (walls and wood take two to four); where quarters meet, what is left is
where the thermostat stands in its swing: up to 0.4 K and 0.6 % over ten years.
"""


def months_around(ts_ms: int, months: int) -> tuple[int, int]:
    """Start and end, UTC, of that part of a year of so many months that holds `ts_ms`. [ms]"""
    at = from_ms(ts_ms)
    first = at.year * 12 + (at.month - 1) // months * months
    start, end = (datetime(m // 12, m % 12 + 1, 1, tzinfo=UTC) for m in (first, first + months))
    return to_ms(start), to_ms(end)
