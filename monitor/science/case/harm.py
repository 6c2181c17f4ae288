"""Harm of a year's air to an instrument, on both sides of its band, in days.

A day on which the wood keeps an RH 10 % out of the band is one day of harm. Measures are ranked
by it. It is no forecast of damage.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.science.case.simulation import TOO_DAMP_PCT, CaseYear
from monitor.science.climate.mould import critical_surface_humidity
from monitor.science.ranges import Floats

HARM_PCT = 10.0
"""RH out of the band at which a day counts as one. [% RH]  EN 15757:2010 takes a swing of 10 % RH
around what an object is used to as harmless; from memory, unchecked."""

TOO_DAMP_DAYS, MOULD_DAYS = 1.0, 3.0
"""What a day with the air of the case above `TOO_DAMP_PCT`, and one on which mould can grow on
wood, count for more. [d]  Ours: with them, damp air at 10 and at 20 % RH above the usual band of
40 to 60 % weighs twice as much as dry air as far below. Mould: the limit of Hukka and Viitanen 1999.
Glue: gelatin films lose strength from 30 to 75 % RH (Lim and others 1999, second-hand), and at 20 °C
gelatin comes within 10 K of its glass transition at 79 % (calculated)."""


class Harm(NamedTuple):
    """Harm by dry and by damp air, for each member. (M,), (M,) [d]"""

    dry: Floats
    damp: Floats

    @property
    def total(self) -> Floats:
        return self.dry + self.damp


def harm_of(through: CaseYear, band_pct: tuple[float, float], days: NDArray[np.bool_]) -> Harm:
    """Harm of the air through a year, over the days that count.

    A day counts with the square of how far the wood's RH is out of the band, in `HARM_PCT`: the
    energy that a restrained plate stores, and that a crack sets free, goes with the square of its
    strain (Griffith's criterion, from memory). The RH that the wood keeps follows the air by days,
    so that a short spell counts for little and a long one for much. On the damp side, hours of too
    damp air count beside it.

    Parameters
    ----------
    through : CaseYear
        Of 365 days, by the hour.
    band_pct : (float, float)
        RH the wood should keep. [%]
    days : ndarray of bool, shape (365,)
        The days that count.
    """
    members = through.wood_pct.shape[1]
    wood = through.wood_pct.reshape(365, -1, members).mean(axis=1)[days]
    hours = np.repeat(days, 24)
    air, temp = through.air_pct[hours], through.room.temp_c[hours]
    too_damp = (air >= TOO_DAMP_PCT).sum(axis=0) / 24
    with np.errstate(invalid="ignore"):
        mould = (air >= critical_surface_humidity(temp)[:, None]).sum(axis=0) / 24
    dry = (np.maximum(band_pct[0] - wood, 0) / HARM_PCT) ** 2
    damp = (np.maximum(wood - band_pct[1], 0) / HARM_PCT) ** 2
    return Harm(dry.sum(axis=0), damp.sum(axis=0) + TOO_DAMP_DAYS * too_damp + MOULD_DAYS * mould)
