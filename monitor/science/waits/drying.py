"""Drying of washed or wetted wood: its moisture content follows the air's balance.

The same first-order relaxation as the glue's, in moisture content. Temperature speeds it by the
diffusion's activation energy, thickness slows it by its square (or by itself where the surface is
the brake), and one shut face counts as twice the thickness (Crank, 1975, ch. 4: Fo by L²).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked, in_blocks
from monitor.science.saturation import KELVIN
from monitor.science.waits.parameters import (
    GAS,
    PRACTICE,
    REFERENCE_RH_PCT,
    REFERENCE_TEMP_C,
    Hold,
    check_parameters,
    parameter,
)
from monitor.science.waits.relaxation_time import AT_THE_LIMIT, relaxation_rate
from monitor.science.wood import unchecked_moisture_content


@dataclass(frozen=True, kw_only=True)
class DryingLaw:
    """Drying law: dm/dt = −k φ(T) (m − m_e(T, RH)); dry once m ≤ `dry_moisture_pct`."""

    start_moisture_pct: float = parameter(
        25.0, "12 to 30 %", "Moisture content of the wetted wood", f"{PRACTICE}; below saturation"
    )
    dry_moisture_pct: float = parameter(
        12.0,
        "6 to 20 %",
        "Moisture content at which it may be worked again",
        f"{PRACTICE}; the upper end of service moisture in Wood Handbook, 2010, ch. 13",
    )
    dry_moisture_sd_pct: float = parameter(0.4, "0 to 3 %", "Standard deviation of that")
    activation_kj_mol: float = parameter(
        41.0,
        "0 to 80 kJ/mol",
        "Activation energy of drying",
        "wood is about twice as fast at 24 as at 12 °C (after Buck). Second-hand",
    )
    thickness_mm: float = parameter(3.0, "0.5 to 60 mm", "Thickness of this piece", PRACTICE)
    basis_thickness_mm: float = parameter(
        3.0, "0.5 to 60 mm", "Thickness that the basis is for, both faces open", PRACTICE
    )
    thickness_exponent: float = parameter(
        2.0, "1 to 2", "2: diffusion is the brake; 1: the surface is", "Crank, 1975, ch. 4"
    )
    open_faces: float = parameter(2.0, "1 to 2", "Faces open to the air", "Crank, 1975, ch. 4")
    reference_temp_c: float = parameter(REFERENCE_TEMP_C, "10 to 30 °C", "Reference air")
    reference_rh_pct: float = parameter(REFERENCE_RH_PCT, "20 to 65 %", "Reference air")
    most_rate: float = parameter(1.5, "1 to 5", "Most that good air counts for the advised wait")
    slow_margin_pct: float = parameter(
        5.0, "0 to 20 %", "RH this close below the hold: the answer is sensor error"
    )
    valid_low_c: float = parameter(5.0, "-1 to 25 °C", "Below: outside the model's claim")
    valid_high_c: float = parameter(35.0, "20 to 60 °C", "Above: outside the model's claim")

    needs_air: ClassVar[bool] = True
    wood_memory_h: ClassVar[float] = 0.0

    def __post_init__(self) -> None:
        check_parameters(self)
        least, most = self.reference + 0.3, self.start_moisture_pct - 0.5
        if not least <= self.dry_moisture_pct <= most:
            raise OutOfRange("dry_moisture_pct", self.dry_moisture_pct, "%", least, most)

    @property
    def start(self) -> float:
        return self.start_moisture_pct

    @property
    def threshold(self) -> float:
        return self.dry_moisture_pct

    @property
    def threshold_sd(self) -> float:
        return self.dry_moisture_sd_pct

    @property
    def reference(self) -> float:
        """Balance of the state in reference air. [%]"""
        return float(
            unchecked_moisture_content(
                np.array(self.reference_temp_c), np.array(self.reference_rh_pct)
            )
        )

    @property
    def basis_factor(self) -> float:
        """Time of this piece in reference air over the usual time. [-]"""
        depth = self.thickness_mm * (2 / self.open_faces) / self.basis_thickness_mm
        return float(depth**self.thickness_exponent)

    def speed(self, temp_c: Floats) -> Floats:
        """φ: relaxation rate relative to reference air. [-]"""
        t_ref = 1 / (self.reference_temp_c + KELVIN)
        t = np.asarray(temp_c, dtype=np.float64)
        return np.exp(self.activation_kj_mol / GAS * (t_ref - 1 / (t + KELVIN)))

    def speed_slope(self, temp_c: float) -> float:
        """d ln φ/dT. [1/K]"""
        return self.activation_kj_mol / GAS / (temp_c + KELVIN) ** 2

    def drive(self, temp_c: Floats, rh_pct: Floats) -> Floats:
        """Moisture content in balance with the air, which the state tends to. [%]

        Below −20 °C, where the equation ends, as at −20 °C.
        """
        t = np.maximum(np.asarray(temp_c, dtype=np.float64), -20.0)
        return in_blocks(unchecked_moisture_content, t, np.asarray(rh_pct, dtype=np.float64))

    def drive_slope(self, temp_c: Floats, rh_pct: Floats) -> Floats:
        """d drive/dRH. [%/%]"""
        rh = np.clip(np.asarray(rh_pct, dtype=np.float64), 0.5, 99.5)
        return self.drive(temp_c, rh + 0.5) - self.drive(temp_c, rh - 0.5)

    def hold(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.int64]:
        """`Hold` of each air; NONE where it is unknown."""
        balance = self.drive(np.asarray(temp_c), np.asarray(rh_pct))
        return np.where(balance >= self.dry_moisture_pct - AT_THE_LIMIT, Hold.DAMP, Hold.NONE)

    def slow(self, rh_pct: float) -> bool:
        """True if the air is so near the hold that sensor error decides."""
        t = np.array(self.reference_temp_c)
        near = self.drive(t, np.array(min(rh_pct + self.slow_margin_pct, 100.0)))
        return bool(near >= self.dry_moisture_pct)

    def relative_rate(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
        """Rate in constant air relative to reference air; 0 on hold. [-]

        Ranges and errors as in `GlueLaw.relative_rate`.

        >>> round(float(DryingLaw().relative_rate(20.0, 50.0)), 12)
        1.0
        """
        t = checked("temp_c", temp_c, "°C", -40, 60)
        rh = checked("rh_pct", rh_pct, "%", 0, 100)
        phi, m = np.broadcast_arrays(self.speed(t), self.drive(t, rh))
        rate = phi * relaxation_rate(self.start, self.threshold, self.reference, m)
        return rate[()]


WASHED_WOOD = DryingLaw()
"""A thin piece wetted and wiped, both faces open."""
