"""Joints that dry by laws of the scenes' own, in the air of the made shops.

Neither law is the product's: one lets water out by the vapour deficit of the air, without a limit of
humidity; the other lets it soak into the wood, by the temperature alone. Both are from memory and in
no way validated: they stand for the ways in which a real joint may differ from any model.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from scenes.climates import saturation_pa

REFERENCE_C, REFERENCE_PCT = 20.0, 50.0
ACTIVATION_J, GAS_J = 35_000.0, 8.314
"""Activation energy of water's way into wood [J/mol], from memory, 25 to 45 kJ/mol."""


class JointLaw(StrEnum):
    """How a joint loses its water."""

    DEFICIT = "by the vapour deficit"
    SOAKING = "into the wood"


def rate(law: JointLaw, temp_c: np.ndarray, rh_pct: np.ndarray) -> np.ndarray:
    """Drying in this air for each in air of 20 °C, 50 % RH. [-]"""
    if law is JointLaw.DEFICIT:
        deficit = saturation_pa(temp_c) * (1 - np.minimum(rh_pct, 100) / 100)
        return deficit / (saturation_pa(REFERENCE_C) * (1 - REFERENCE_PCT / 100))
    kelvin = temp_c + 273.15
    return np.exp(ACTIVATION_J / GAS_J * (1 / (REFERENCE_C + 273.15) - 1 / kelvin))


def dried(
    law: JointLaw, temp_c: np.ndarray, rh_pct: np.ndarray, hours: float, true_h: float
) -> float:
    """Share of its drying that a joint has had after some hours in air given by the hour. [-]

    `true_h`: the time that it takes in air of 20 °C, 50 % RH. [h]
    """
    along = np.concatenate([[0.0], np.cumsum(rate(law, temp_c, rh_pct))])
    return float(np.interp(hours, np.arange(along.size), along)) / true_h
