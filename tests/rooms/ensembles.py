"""Made forecasts with members, whose spread grows and shrinks with the weather.

Truth and members are equally likely ways on from one centre: distances of sd(lead) × a factor of the
issue, which lasts for days. So calibrated members tell how uncertain a forecast is. `scale` makes
them too alike or too different; `control` puts the single forecast off the centre.
"""

from __future__ import annotations

import numpy as np

from monitor.science.outlook.hourly_log import Issues, OutdoorHours
from rooms.forecasts import LEADS_H, SD_K
from rooms.weather import HOUR_MS, START_MS, Weather

FLOW_LN_SD, FLOW_KEEP = 0.5, 0.85
"""Standard deviation of ln of an issue's factor, and how much of it the next issue keeps. [-]"""


def ensemble_issues(
    weather: Weather,
    seed: int,
    count: int = 20,
    *,
    scale: float = 1.0,
    control: float = 0.5,
    every_h: int = 6,
    leads_h: int = 133,
    keep: float = 0.7,
    along_h: float = 24.0,
) -> Issues:
    """Issues of `weather` with `count` members each."""
    random = np.random.default_rng(seed)
    hours = len(weather.temp_c)
    issues = np.arange(0, hours - 1, every_h)
    lead = np.arange(leads_h)
    sd = np.interp(lead, LEADS_H, SD_K)
    shape = (len(issues), leads_h - 1)
    own = np.empty((3, *shape))
    members = np.empty((3, len(issues), count, leads_h - 1), np.float32)
    flow, was = random.normal(), np.zeros((count + 2, 2, leads_h + every_h))
    for n, first in enumerate(issues.tolist()):
        flow = FLOW_KEEP * flow + (1 - FLOW_KEEP**2) ** 0.5 * random.normal()
        factor = np.exp(FLOW_LN_SD * flow - FLOW_LN_SD**2)
        fresh = _along(random, (count + 2, 2, leads_h + every_h), along_h)
        shifted = np.concatenate([was[..., every_h:], fresh[..., -every_h:]], axis=-1)
        field = keep * shifted + (1 - keep**2) ** 0.5 * fresh
        was, z = field, field[..., :leads_h]
        off = sd * factor * np.stack([0.4 * z[:, 0] + 0.92 * z[:, 1], z[:, 0]], axis=1)
        valid = np.minimum(first + lead, hours - 1)
        truth = np.stack([weather.temp_c[valid], weather.dew_point_c[valid]])
        centre = truth + off[0]
        one = centre + control * off[1]
        many = centre[None] + scale * off[2:]
        wind = weather.wind_m_s[valid]
        for out, temp, dew in ((own[:, n], *one), (members[:, n], many[:, 0], many[:, 1])):
            out[0], out[1] = _hourly(temp), _hourly(np.minimum(dew, temp))
            out[2] = _hourly(wind)
    issued_h = (START_MS + HOUR_MS * issues) / HOUR_MS
    return Issues(issued_h, OutdoorHours(*own), OutdoorHours(*members))


def _hourly(values: np.ndarray) -> np.ndarray:
    return (values[..., 1:] + values[..., :-1]) / 2


def _along(random: np.random.Generator, shape: tuple[int, ...], hold: float) -> np.ndarray:
    keep = np.exp(-1 / hold)
    out = random.standard_normal(shape)
    out[..., 1:] *= np.sqrt(1 - keep**2)
    for i in range(1, shape[-1]):
        out[..., i] += keep * out[..., i - 1]
    return out
