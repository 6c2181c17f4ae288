"""A believable store for the board's tests and pictures: seeded, written by the real writer."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from monitor import pulse
from monitor.clock import now_ms
from monitor.records import Quantity, Reading, Series
from monitor.settings import Settings, load
from monitor.store import Writer

DAY_MS = 86_400_000
SEED = 20261125
CONFIG = """
[shop]
name = "Kestrel Row Strings"
time_zone = "Europe/Paris"
altitude_m = 120
[board]
stale_after_s = 300
port = {port}
[[places]]
id = "front-bench"
name = "Front bench"
[[places]]
id = "varnish-room"
name = "Varnish room"
kind = "varnish"
[[places]]
id = "outdoors"
name = "Outdoors"
kind = "outdoors"
"""
PLACES = {
    "front-bench": ("fb-1", 20.8, 1.2, 47.0, 6.0),
    "varnish-room": ("vr-1", 21.6, 0.8, 52.0, 5.0),
    "outdoors": ("out-1", 4.0, 5.0, 78.0, 14.0),
}
"""Sensor, mean and daily swing of temperature [°C], mean and swing of RH [%]."""


def settings_in(folder: Path, *, port: int = 8050, config: str = CONFIG) -> Settings:
    """Settings of an invented shop whose data are in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "benchweather.toml"
    path.write_text(config.format(port=port), encoding="utf-8")
    return load(data=folder, config=path, environ={})


def air(place: str, at_ms: np.ndarray, shift_pct: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Temperature [°C] and RH [%] of a place: a year's and a day's swing, and slow weather."""
    _, temp, temp_swing, rh, rh_swing = PLACES[place]
    rng = np.random.default_rng(SEED + len(place))
    day = 2 * np.pi * at_ms / DAY_MS
    year = 2 * np.pi * at_ms / (365.25 * DAY_MS)
    weather = sum(
        a * np.sin(2 * np.pi * at_ms / (p * DAY_MS) + rng.uniform(0, 6))
        for a, p in ((1.0, 3.7), (0.7, 6.1), (0.5, 1.3), (0.9, 11.0))
    )
    out = 2.0 if place == "outdoors" else 0.4
    t = temp + temp_swing * np.sin(day - 2.2) + out * weather * 0.7
    t -= (4.0 if place == "outdoors" else 0.8) * np.cos(year - 0.3)
    h = rh + shift_pct - rh_swing * 0.6 * np.sin(day - 1.9) + rh_swing * 0.5 * weather
    h += rh_swing * 0.7 * np.sin(year - 1.9)
    t += rng.normal(0, 0.03, len(at_ms))
    h += rng.normal(0, 0.25, len(at_ms))
    return t.round(2), np.clip(h, 5, 99).round(1)


def fill(
    writer: Writer,
    place: str,
    start_ms: int,
    end_ms: int,
    step_ms: int,
    *,
    shift_pct: float = 0.0,
    gap: tuple[int, int] | None = None,
) -> None:
    """Write a place's readings in [start, end), leaving out `gap`."""
    at_ms = np.arange(start_ms - start_ms % step_ms + step_ms, end_ms, step_ms)
    temp, rh = air(place, at_ms, shift_pct)
    if gap:
        kept = (at_ms < gap[0]) | (at_ms >= gap[1])
        at_ms, temp, rh = at_ms[kept], temp[kept], rh[kept]
    sensor = PLACES[place][0]
    t = Series(place, sensor, Quantity.TEMPERATURE)
    h = Series(place, sensor, Quantity.HUMIDITY)
    for i in range(0, len(at_ms), 20_000):
        part = slice(i, i + 20_000)
        times = at_ms[part].tolist()
        writer.write(
            [Reading(t, ms, v) for ms, v in zip(times, temp[part].tolist(), strict=True)]
            + [Reading(h, ms, v) for ms, v in zip(times, rh[part].tolist(), strict=True)],
            tallies={"messages": len(times)},
        )


def beat(settings: Settings, **values: object) -> None:
    """Write a pulse of a service that is well, but for `values`."""
    now = now_ms()
    told = {"beat_ms": now, "started_ms": now - DAY_MS, "pid": 1, "broker": "127.0.0.1:1883"}
    pulse.write(settings.pulse_path, pulse.Pulse(**(told | values)))  # type: ignore[arg-type]
