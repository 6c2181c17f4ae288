"""Monte Carlo draws of the unknowns of an instrument's wood, always the same."""

from __future__ import annotations

from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.science.plates.air_steps import INDOOR_PCT, HomeAir
from monitor.science.plates.diffusion import DIFFUSIVITY_FACTOR, DIFFUSIVITY_M2_S
from monitor.science.plates.faces import AIR_TRANSFER_M_S, ENCLOSED_LAG_S, SLOW_AIR_TRANSFER_M_S
from monitor.science.plates.restraint import COMPRESSION_YIELD, HELD_SHARE
from monitor.science.plates.species import MOVEMENT_SPREAD
from monitor.science.ranges import Floats, checked
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.wood import TEMP_C, equilibrium_moisture_content

COUNT = 60
"""Draws. [-]  Ours."""

SEED = 20_261_125

ENCLOSED_LAG_FACTOR = 2.0
"""How far the enclosed lag may lie off, times or divided by. [-]  Ours, so that a violin as a
whole lags by about 24 to 60 h."""

HYSTERESIS_PCT = 0.7
"""Drying wood holds up to this much more, wetting wood up to this much less, than the one curve.
[% MC]  Ours, from the spread of sorption data."""

HOME_U_RH_PCT = 5.0
"""Expanded uncertainty of a home's air as told, coverage factor 2. [% RH]  Ours."""

ARRIVAL_U_PCT = 1.3
"""Expanded uncertainty of the moisture that an instrument arrives with, against that of its home:
the weeks before and the way. Coverage factor 2. [% MC]  Ours: about 8 % RH."""

GAP_U_RH_PCT = 15.0
"""Expanded uncertainty of the air in a gap of the log, coverage factor 2. [% RH]  Ours."""


class PlateDraws(NamedTuple):
    """Values of each draw, of shape (`COUNT`,): [m²/s], [m/s], [s], [% MC], [-], [K], [% RH], [%
    RH], a standard normal score for the home; share of the movement that joints take [-], elastic
    limit of pressed wood [-], moisture on arrival against that of the home [% MC]."""

    diffusivity_m2_s: Floats
    air_m_s: Floats
    enclosed_lag_s: Floats
    hysteresis_pct: Floats
    movement: Floats
    temp_k: Floats
    rh_pct: Floats
    gap_rh_pct: Floats
    home: Floats
    held: Floats
    compression_yield: Floats
    arrival_pct: Floats


def plate_draws(sensor: SensorUncertainty) -> PlateDraws:
    """A Latin hypercube: each margin is its own distribution, always the same.

    D, S, the enclosed lag and the limit of pressed wood are spread evenly in the logarithm between
    their ends, hysteresis and restraint evenly, the rest normally.

    Raises
    ------
    OutOfRange
        If an uncertainty of the sensor is negative.
    """
    u_temp = float(checked("u_temp_k", sensor.u_temp_k, "K", 0))
    u_rh = float(checked("u_rh_pct", sensor.u_rh_pct, "%", 0))
    random = np.random.default_rng(SEED)
    even = (np.arange(COUNT) + 0.5) / COUNT
    share = [random.permutation(even) for _ in range(4)]
    scores = np.array([NormalDist().inv_cdf(u) for u in even.tolist()])
    score = [random.permutation(scores) for _ in range(5)]
    held, pressed = (random.permutation(even) for _ in range(2))
    arrival = random.permutation(scores)
    low, high = COMPRESSION_YIELD
    return PlateDraws(
        DIFFUSIVITY_M2_S * DIFFUSIVITY_FACTOR ** (2 * share[0] - 1),
        SLOW_AIR_TRANSFER_M_S * (AIR_TRANSFER_M_S / SLOW_AIR_TRANSFER_M_S) ** share[1],
        ENCLOSED_LAG_S * ENCLOSED_LAG_FACTOR ** (2 * share[2] - 1),
        HYSTERESIS_PCT * (2 * share[3] - 1),
        1 + MOVEMENT_SPREAD / 2 * score[0],
        u_temp / 2 * score[1],
        u_rh / 2 * score[2],
        GAP_U_RH_PCT / 2 * score[3],
        score[4],
        HELD_SHARE[0] + (HELD_SHARE[1] - HELD_SHARE[0]) * held,
        low * (high / low) ** pressed,
        ARRIVAL_U_PCT / 2 * arrival,
    )


def home_moistures(home: HomeAir, draws: PlateDraws) -> Floats:
    """Moisture at home, per draw. [%]

    A home that is not known lies below the dry and above the damp region in one draw of twenty
    each.
    """
    if home.rh_pct is None:
        dry, usual, damp = INDOOR_PCT
        one = NormalDist().inv_cdf(0.95)
        return usual + draws.home / one * np.where(draws.home < 0, usual - dry, damp - usual)
    home.home_moisture_pct()  # refuses impossible air before it is spread
    rh = np.clip(home.rh_pct + HOME_U_RH_PCT / 2 * draws.home, 0, 100)
    return equilibrium_moisture_content(home.temp_c, rh)


def moisture_offsets(temp_c: Floats, rh_pct: Floats, gap: Floats, draws: PlateDraws) -> Floats:
    """Change of the equilibrium moisture content per draw and step. (draws, steps) [% MC]"""
    rh_off = draws.rh_pct[:, None] + draws.gap_rh_pct[:, None] * gap
    t = np.clip(temp_c + draws.temp_k[:, None], TEMP_C[0], None)
    off = equilibrium_moisture_content(t, np.clip(rh_pct + rh_off, 0, 100))
    plain = equilibrium_moisture_content(np.maximum(temp_c, TEMP_C[0]), rh_pct)
    return np.asarray(off - plain + draws.hysteresis_pct[:, None])
