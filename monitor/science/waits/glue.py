"""Water glues: the glue line's water activity follows the air's; it is hard once low enough.

The state equation is the model; `GlueLaw.relative_rate` is the quick card, its additive reading.
The two agree in constant air and part where the air changes: see `strict_and_additive_hours`.

What is physics: dried gelatin softens as it takes up water, water leaves in proportion to the
vapour-pressure difference. What is simplification: one first-order relaxation and one threshold.
Airflow, thickness of the glue line, end grain, cauls and plastic sheet are not in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked, in_blocks
from monitor.science.saturation import ln_water, ln_water_slope
from monitor.science.waits.open_time import GEL_TEMP_C
from monitor.science.waits.parameters import (
    REFERENCE_RH_PCT,
    REFERENCE_TEMP_C,
    Hold,
    check_parameters,
    parameter,
)
from monitor.science.waits.relaxation_time import AT_THE_LIMIT, relaxation_rate

_TG = (
    "inference: RH at which gelatin's glass transition (Gordon–Taylor through 34 °C at 20 % water; "
    "Rahman et al., Thermochimica Acta, 2010) is 10 K above room temperature, with the sorption "
    "table in Heritage Science 1:14, 2013. Second-hand"
)


@dataclass(frozen=True, kw_only=True)
class GlueLaw:
    """Glue law: da/dt = −k φ(T) (a − h), hard once a ≤ `hard_activity`.

    a is the glue line's water activity, from 1; h the air's; φ the saturation pressure relative to
    reference air.

    k follows from the basis, so that reference air takes exactly that long.
    """

    hard_activity: float = parameter(
        0.80, "0.55 to 0.95", "Water activity at which a glue line is hard", _TG
    )
    hard_activity_sd: float = parameter(
        0.025, "0 to 0.1", "Standard deviation of that", "ours: plausible span 0.75 to 0.85, k = 2"
    )
    reference_temp_c: float = parameter(REFERENCE_TEMP_C, "10 to 30 °C", "Reference air")
    reference_rh_pct: float = parameter(REFERENCE_RH_PCT, "20 to 65 %", "Reference air")
    most_rate: float = parameter(
        1.5, "1 to 5", "Most that good air counts for the advised wait, relative to reference air"
    )
    gel_temp_high_c: float = parameter(
        28.0,
        "20 to 60 °C",
        "Above: wet gel is soft; no more credit than here",
        "ours, below the gel's melting region of 30 to 35 °C (from memory)",
    )
    gel_melts_c: float = parameter(
        GEL_TEMP_C[0],
        "20 to 60 °C",
        "From here on: on hold, the wet gel melts again; 60 for a glue that does not gel",
        "the lower end of the melting region of 30 to 35 °C. Weak source, and from memory",
    )
    temp_low_c: float = parameter(5.0, "0 to 25 °C", "Below: on hold, too cold")
    slow_margin_pct: float = parameter(
        5.0, "0 to 20 %", "RH this close below the hold: the answer is sensor error"
    )
    wood_memory_h: float = parameter(
        0.0,
        "0 to 96 h",
        "The glue line sees the RH's exponential mean over this time, not the room's RH itself; "
        "6 for plates up to 4 mm, 24 for blocks, 0 for none",
        "ours, from the diffusion time of a plate (Crank, 1975, ch. 4) with D about 1e-10 m²/s",
    )
    valid_low_c: float = parameter(10.0, "0 to 25 °C", "Below: outside the model's claim")
    valid_high_c: float = parameter(28.0, "20 to 60 °C", "Above: outside the model's claim")

    needs_air: ClassVar[bool] = True
    start: ClassVar[float] = 1.0
    """Water activity of wet glue. [-]"""

    def __post_init__(self) -> None:
        check_parameters(self)
        least = self.reference_rh_pct / 100 + 0.02
        if self.hard_activity < least:
            raise OutOfRange("hard_activity", self.hard_activity, "", least, 0.95)

    @property
    def threshold(self) -> float:
        return self.hard_activity

    @property
    def threshold_sd(self) -> float:
        return self.hard_activity_sd

    @property
    def reference(self) -> float:
        """Balance of the state in reference air. [-]"""
        return self.reference_rh_pct / 100

    @property
    def basis_factor(self) -> float:
        return 1.0

    def speed(self, temp_c: Floats) -> Floats:
        """φ: relaxation rate relative to reference air; 0 where too cold, or the gel melts. [-]"""
        reference = float(ln_water(np.array(self.reference_temp_c)))

        def formula(t: Floats) -> Floats:
            phi = np.exp(ln_water(np.minimum(t, self.gel_temp_high_c)) - reference)
            return np.where((t < self.temp_low_c) | (t >= self.gel_melts_c), 0.0, phi)

        return in_blocks(formula, np.asarray(temp_c, dtype=np.float64))

    def speed_slope(self, temp_c: float) -> float:
        """d ln φ/dT. [1/K]"""
        return float(ln_water_slope(np.array(min(temp_c, self.gel_temp_high_c))))

    def drive(self, temp_c: Floats, rh_pct: Floats) -> Floats:
        """Water activity of the air, which the state tends to. [-]"""
        del temp_c
        return np.asarray(rh_pct, dtype=np.float64) / 100

    def drive_slope(self, temp_c: Floats, rh_pct: Floats) -> Floats:
        """d drive/dRH. [1/%]"""
        del temp_c
        return np.full(np.shape(rh_pct), 0.01)

    def hold(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.int64]:
        """`Hold` of each air; NONE where it is unknown."""
        t, rh = np.asarray(temp_c), np.asarray(rh_pct)
        damp = rh / 100 >= self.hard_activity - AT_THE_LIMIT
        hold = np.where(damp, Hold.DAMP, Hold.NONE)
        hold = np.where(t >= self.gel_melts_c, Hold.HOT, hold)
        return np.where(t < self.temp_low_c, Hold.COLD, hold)

    def slow(self, rh_pct: float) -> bool:
        """True if the air is so near the hold that sensor error decides."""
        return rh_pct >= 100 * self.hard_activity - self.slow_margin_pct

    def relative_rate(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
        """The quick card: how fast constant air is, relative to reference air.

        Parameters
        ----------
        temp_c : float or array_like
            Air temperature, −40 to 60. [°C]
        rh_pct : float or array_like, broadcast against `temp_c`
            Relative humidity, 0 to 100. [%]

        Returns
        -------
        float or ndarray of the broadcast shape
            φ(T) L(h_ref)/L(h), L(h) = ln[(1 − h)/(a_h − h)]; 0 on hold. [-]

        Raises
        ------
        OutOfRange
            If any value lies outside the ranges above.

        Examples
        --------
        >>> round(float(GlueLaw().relative_rate(15.0, 75.0)), 3)
        0.231
        """
        t = checked("temp_c", temp_c, "°C", -40, 60)
        rh = checked("rh_pct", rh_pct, "%", 0, 100)
        phi, _ = np.broadcast_arrays(self.speed(t), rh)
        rate = phi * relaxation_rate(self.start, self.threshold, self.reference, rh / 100)
        return rate[()]


HIDE_GLUE = GlueLaw()
HIDE_GLUE_THIN_PLATE = GlueLaw(wood_memory_h=6.0)
HIDE_GLUE_BLOCK = GlueLaw(wood_memory_h=24.0)
"""Hot hide glue; on plates up to 4 mm and on blocks, with the wood's memory of the air."""


def strict_and_additive_hours(
    law: GlueLaw, basis_h: float, pieces: Sequence[tuple[float, float, float]]
) -> tuple[float, float]:
    """Time that a wait takes by the state equation, and by the additive quick card. [h], [h]

    Parameters
    ----------
    law : GlueLaw
        Without wood memory; neither clock is capped.
    basis_h : float
        The wait in reference air, above 0. [h]
    pieces : sequence of (hours, temp_c, rh_pct)
        Constant air, one piece after the other; the last one lasts.

    Returns
    -------
    tuple of float
        Infinite where the last air never gets there.

    Notes
    -----
    Good air first, and the card is optimistic: it does not know that a late hour dries less the
    damper the air has become. Bad air first, and it is pessimistic.

    Examples
    --------
    >>> good_then_bad = [(2, 20, 50), (1, 14, 72)]
    >>> [round(h, 2) for h in strict_and_additive_hours(HIDE_GLUE, 4, good_then_bad)]
    [10.45, 9.18]
    """
    checked("basis_h", basis_h, "h", 0, low_open=True)
    k = math.log((1 - law.reference) / (law.threshold - law.reference)) / basis_h
    strict = additive = math.inf
    a, credit, elapsed = law.start, 0.0, 0.0
    for i, (hours, temp_c, rh_pct) in enumerate(pieces):
        lasts = math.inf if i == len(pieces) - 1 else hours
        rate = float(law.relative_rate(temp_c, rh_pct))
        phi, h = float(law.speed(np.array(temp_c))), rh_pct / 100
        if math.isinf(strict) and phi > 0 and h < law.threshold - AT_THE_LIMIT:
            needs = math.log((a - h) / (law.threshold - h)) / (k * phi)
            strict = elapsed + needs if needs <= lasts else strict
        if math.isinf(additive) and rate > 0 and (basis_h - credit) / rate <= lasts:
            additive = elapsed + (basis_h - credit) / rate
        if math.isfinite(lasts):
            a = h + (a - h) * math.exp(-k * phi * lasts)
            credit += rate * lasts
            elapsed += lasts
    return strict, additive
