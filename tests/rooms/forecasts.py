"""Archived forecasts with errors that grow with lead and go on from issue to issue."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.air import vapour_pressure
from monitor.science.saturation import saturation_vapour_pressure
from rooms.weather import HOUR_MS, START_MS, Weather

LEADS_H = np.array([0.0, 6.0, 48.0, 120.0, 240.0])
SD_K = np.array([0.8, 1.0, 2.0, 3.4, 4.5])
"""Standard deviation of the dew point's error by lead, and of the temperature's. [h], [K]"""


class Archive(NamedTuple):
    """Forecasts by issue and lead: times [ms], temperature [°C], RH [%], wind [m/s].

    `issued_ms` has shape (issues,), the rest (issues, leads); lead k is k hours after the issue.
    """

    issued_ms: np.ndarray
    temp_c: np.ndarray
    rh_pct: np.ndarray
    wind_m_s: np.ndarray


def archive(
    weather: Weather,
    seed: int,
    *,
    every_h: int = 6,
    leads_h: int = 126,
    along_h: float = 24.0,
    keep: float = 0.7,
) -> Archive:
    """Forecasts of `weather`, wrong by an error field.

    Errors are correlated along lead over `along_h`, and each issue keeps the part `keep` of the
    last one's error at the same valid time.
    """
    random = np.random.default_rng(seed)
    hours = len(weather.temp_c)
    issues = np.arange(0, hours - 1, every_h)
    lead = np.arange(leads_h)
    sd = np.interp(lead, LEADS_H, SD_K)
    temp, rh, wind = (np.full((len(issues), leads_h), np.nan) for _ in range(3))
    was: list[np.ndarray | None] = [None, None]
    for n, first in enumerate(issues.tolist()):
        fields = []
        for k in range(2):
            fresh = _along(random, leads_h, along_h)
            z = fresh
            if was[k] is not None:
                z = np.sqrt(1 - keep**2) * fresh
                old = np.append(was[k][every_h:], _along(random, every_h, along_h))
                z = z + keep * old
            was[k] = z
            fields.append(z)
        valid = np.minimum(first + lead, hours - 1)
        dew = weather.dew_point_c[valid] + sd * fields[0]
        t = np.maximum(weather.temp_c[valid] + sd * (0.4 * fields[0] + 0.92 * fields[1]), -43.0)
        dew = np.clip(dew, -44.0, t)
        temp[n] = t
        rh[n] = np.clip(100 * vapour_pressure(dew, 100) / saturation_vapour_pressure(t), 1, 100)
        gust = weather.wind_m_s[valid] * np.exp(random.normal(0, 0.1 + 0.003 * lead))
        wind[n] = np.minimum(gust, 60.0)
    return Archive(START_MS + HOUR_MS * issues, temp.round(1), rh.round(0), wind.round(1))


def _along(random: np.random.Generator, n: int, hold_h: float) -> np.ndarray:
    keep = np.exp(-1 / hold_h)
    kick = random.normal(0, np.sqrt(1 - keep**2), n)
    out, level = np.empty(n), random.normal()
    for i in range(n):
        level = keep * level + kick[i]
        out[i] = level
    return out
