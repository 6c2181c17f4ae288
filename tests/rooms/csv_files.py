"""A shop's log and forecasts as the CSV files that anyone would bring."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from monitor.science.saturation import saturation_vapour_pressure
from rooms.catalogue import Shop
from rooms.weather import HOUR_MS


def write(shop: Shop, folder: Path, first_day: int, days: int, *, outdoors: bool = True) -> None:
    """Writes `log.csv` and `forecasts.csv`; each 10 minutes, from `first_day` of the year on."""
    part = slice(144 * first_day, 144 * (first_day + days))
    ts = shop.ts_ms[part]
    frames = [
        pd.DataFrame(
            {"ts": ts, "place": "bench", "temp_c": shop.temp_c[part], "rh_pct": shop.rh_pct[part]}
        )
    ]
    if outdoors:
        random = np.random.default_rng(shop.number)
        at = (ts - shop.ts_ms[0]) / HOUR_MS
        grid = np.arange(len(shop.outdoors.temp_c))
        t = np.interp(at, grid, shop.outdoors.temp_c)
        dew = np.interp(at, grid, shop.outdoors.dew_point_c)
        rh = 100 * saturation_vapour_pressure(dew) / saturation_vapour_pressure(t)
        frames.append(
            pd.DataFrame(
                {
                    "ts": ts,
                    "place": "outdoors",
                    "temp_c": (t + 0.3 + random.normal(0, 0.1, t.size)).round(2),
                    "rh_pct": np.clip(rh + 1 + random.normal(0, 0.5, t.size), 1, 100).round(1),
                }
            )
        )
    log = pd.concat(frames)
    log.insert(0, "time", _iso(log.pop("ts").to_numpy()))
    log.to_csv(folder / "log.csv", index=False)
    f = shop.forecasts
    use = (f.issued_ms >= ts[0] - 24 * HOUR_MS) & (f.issued_ms <= ts[-1])
    issued = np.repeat(f.issued_ms[use], f.temp_c.shape[1])
    valid = issued + HOUR_MS * np.tile(np.arange(f.temp_c.shape[1]), int(use.sum()))
    pd.DataFrame(
        {
            "issued_at": _iso(issued),
            "valid_at": _iso(valid),
            "temp_c": f.temp_c[use].ravel(),
            "rh_pct": f.rh_pct[use].ravel(),
            "wind_m_s": f.wind_m_s[use].ravel(),
        }
    ).to_csv(folder / "forecasts.csv", index=False)


def _iso(ts_ms: np.ndarray) -> np.ndarray:
    moments = ts_ms.astype("datetime64[ms]").astype("datetime64[s]").astype(str)
    return np.char.add(moments, "Z")
