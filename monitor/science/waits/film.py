"""Films that set by reaction or slow loss of solvent: varnish, retouching, oil, epoxy.

Arrhenius in temperature; a ramp in humidity that is policy, chosen to meet the limits of coating
work, with no kinetic data behind it. Thickness, recipe and driers change the time by more than
the air does: say "compared with your usual wait".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked
from monitor.science.saturation import KELVIN, ln_water
from monitor.science.waits.parameters import (
    GAS,
    REFERENCE_TEMP_C,
    Hold,
    check_parameters,
    parameter,
)


@dataclass(frozen=True, kw_only=True)
class FilmLaw:
    """Film law: r = exp[−(E/R)(1/T − 1/T_ref)] g(RH) × light."""

    activation_kj_mol: float = parameter(
        50.0,
        "0 to 120 kJ/mol",
        "Activation energy: how much warmth speeds it",
        "from memory: 40 to 60 for a spirit varnish; ethanol's vapour pressure alone gives 43",
    )
    activation_sd_kj_mol: float = parameter(
        5.0, "0 to 30 kJ/mol", "Standard deviation of that", "ours: half of the range either side"
    )
    reference_temp_c: float = parameter(REFERENCE_TEMP_C, "10 to 30 °C", "Reference air")
    rh_full_pct: float = parameter(
        65.0, "20 to 100 %", "Up to here humidity does not slow it", "ours, to meet blush advice"
    )
    rh_stop_pct: float = parameter(
        85.0,
        "30 to 120 %",
        "From here on hold; above 100: humidity never matters",
        "ours, to meet the usual limit of coating work (common reading of ISO 12944-7)",
    )
    dew_margin_k: float = parameter(
        3.0,
        "0 to 10 K",
        "Air closer than this to its dew point: on hold; 0: never",
        "common reading of ISO 8502-4",
    )
    most_rate: float = parameter(2.0, "1 to 5", "Most that warm air counts for the advised wait")
    light_factor: float = parameter(
        1.0,
        "0.1 to 10",
        "Light: 1 bench, 1.5 bright window, 3 UV cabinet",
        "ours; that light speeds oxidation is known, by how much is not",
    )
    air_exchange: float = parameter(
        1.0,
        "0 to 1",
        "1: air reaches the film; 0: shut away, on hold",
        "ours: oil takes up oxygen",
    )
    valid_low_c: float = parameter(12.0, "0 to 25 °C", "Below: outside the model's claim")
    valid_high_c: float = parameter(28.0, "20 to 60 °C", "Above: outside the model's claim")

    needs_air: ClassVar[bool] = True

    def __post_init__(self) -> None:
        check_parameters(self)
        if self.rh_stop_pct <= self.rh_full_pct:
            raise OutOfRange(
                "rh_stop_pct", self.rh_stop_pct, "%", self.rh_full_pct, 120, low_open=True
            )

    @property
    def basis_factor(self) -> float:
        return 1.0

    def rate(
        self, temp_c: Floats, rh_pct: Floats, *, capped: bool = False, z: ArrayLike = 0.0
    ) -> Floats:
        """The rate relative to reference air, unchecked. [-]

        `z` is how many standard deviations the activation energy lies off, broadcast.
        """
        energy = self.activation_kj_mol + self.activation_sd_kj_mol * np.asarray(z)
        inverse = 1 / (self.reference_temp_c + KELVIN) - 1 / (temp_c + KELVIN)
        rate = np.exp(np.maximum(energy, 0.0) / GAS * inverse)
        rate = rate * np.clip(
            (self.rh_stop_pct - rh_pct) / (self.rh_stop_pct - self.rh_full_pct), 0.0, 1.0
        )
        if capped:
            rate = np.minimum(rate, self.most_rate)
        stopped = self._near_dew_point(temp_c, rh_pct)
        factor = self.light_factor * (self.air_exchange > 0)
        return np.where(stopped, 0.0, rate * factor)

    def _near_dew_point(self, temp_c: Floats, rh_pct: Floats) -> NDArray[np.bool_]:
        """True where t − dew point < margin, as RH > e(t − margin)/e(t): no inverse needed."""
        t, h = np.broadcast_arrays(temp_c, np.asarray(rh_pct) / 100)
        near = np.zeros(t.shape, dtype=bool)
        if self.dew_margin_k == 0 or self.rh_stop_pct > 100 or np.isnan(t).all():
            return near
        coldest = np.array(np.nanmin(t))
        least = np.exp(ln_water(coldest - self.dew_margin_k) - ln_water(coldest))
        damp = h > least  # the limit rises with temperature: below this one nothing is near
        if damp.any():
            warm = t[damp]
            near[damp] = h[damp] > np.exp(ln_water(warm - self.dew_margin_k) - ln_water(warm))
        return near

    def hold(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.int64]:
        """`Hold` of each air; NONE where it is unknown."""
        t, rh = np.asarray(temp_c, dtype=np.float64), np.asarray(rh_pct, dtype=np.float64)
        damp = (rh >= self.rh_stop_pct) | self._near_dew_point(t, rh)
        if self.air_exchange == 0:
            return np.full(damp.shape, Hold.SHUT)
        return np.where(damp, Hold.DAMP, Hold.NONE)

    def slow(self, rh_pct: float) -> bool:
        """True if humidity slows it."""
        return rh_pct > self.rh_full_pct

    def relative_rate(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
        """Rate in this air relative to reference air. [-]

        Parameters
        ----------
        temp_c : float or array_like
            Air temperature, −40 to 60. [°C]
        rh_pct : float or array_like, broadcast against `temp_c`
            Relative humidity, 0 to 100. [%]

        Raises
        ------
        OutOfRange
            If any value lies outside the ranges above.

        Examples
        --------
        >>> round(float(OIL.relative_rate(15.0, 75.0)), 3)
        0.315
        """
        t = checked("temp_c", temp_c, "°C", -40, 60)
        rh = checked("rh_pct", rh_pct, "%", 0, 100)
        return self.rate(t, rh)[()]


SPIRIT = FilmLaw()
"""Spirit varnish and retouching colour. Blush is a caution of its own, not part of the wait."""

OIL = FilmLaw(activation_kj_mol=65.0, activation_sd_kj_mol=9.0)
"""Oil varnish and oil filler: 50 to 85 kJ/mol, from one historical anchor (weeks below 0 °C, hours
at 49 °C; second-hand) that gives 60 to 81."""
