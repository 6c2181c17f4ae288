"""Rests: time that counts by the clock, either always or only while the air is in a band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked
from monitor.science.waits.parameters import PRACTICE, Hold, check_parameters, parameter


@dataclass(frozen=True, kw_only=True)
class FixedLaw:
    """A fixed time: the air does not enter, so there is no parameter."""

    needs_air: ClassVar[bool] = False
    valid_low_c: ClassVar[float] = -40.0
    valid_high_c: ClassVar[float] = 60.0

    @property
    def basis_factor(self) -> float:
        return 1.0

    def rate(
        self, temp_c: Floats, rh_pct: Floats, *, capped: bool = False, z: ArrayLike = 0.0
    ) -> Floats:
        """The rate relative to reference air, unchecked; also where the air is unknown. [-]"""
        del capped
        shape = np.broadcast_shapes(np.shape(temp_c), np.shape(rh_pct), np.shape(z))
        return np.ones(shape)

    def hold(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.int64]:
        """`Hold` of each air: never one."""
        shape = np.broadcast_shapes(np.shape(temp_c), np.shape(rh_pct))
        return np.full(shape, int(Hold.NONE))

    def slow(self, rh_pct: float) -> bool:
        del rh_pct
        return False

    def relative_rate(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
        """Rate in this air relative to reference air: always 1. [-]

        >>> float(FixedLaw().relative_rate(5.0, 90.0))
        1.0
        """
        return self.rate(np.asarray(temp_c), np.asarray(rh_pct))[()]


@dataclass(frozen=True, kw_only=True)
class RestLaw:
    """A rest that counts by the clock while the air is in a band, and is on hold outside."""

    rh_low_pct: float = parameter(30.0, "0 to 100 %", "Below: on hold, too dry", PRACTICE)
    rh_high_pct: float = parameter(70.0, "0 to 100 %", "Above: on hold, too damp", PRACTICE)
    temp_low_c: float = parameter(12.0, "-20 to 40 °C", "Below: on hold, too cold", PRACTICE)
    temp_high_c: float = parameter(30.0, "0 to 60 °C", "Above: on hold, too hot", PRACTICE)

    needs_air: ClassVar[bool] = True
    valid_low_c: ClassVar[float] = -40.0
    valid_high_c: ClassVar[float] = 60.0

    def __post_init__(self) -> None:
        check_parameters(self)
        if self.rh_high_pct <= self.rh_low_pct:
            raise OutOfRange(
                "rh_high_pct", self.rh_high_pct, "%", self.rh_low_pct, 100, low_open=True
            )
        if self.temp_high_c <= self.temp_low_c:
            raise OutOfRange(
                "temp_high_c", self.temp_high_c, "°C", self.temp_low_c, 60, low_open=True
            )

    @property
    def basis_factor(self) -> float:
        return 1.0

    def rate(
        self, temp_c: Floats, rh_pct: Floats, *, capped: bool = False, z: ArrayLike = 0.0
    ) -> Floats:
        """The rate relative to reference air, unchecked: 1 or 0. [-]"""
        del capped
        still = self.hold(temp_c, rh_pct) == Hold.NONE
        known = ~(np.isnan(temp_c) | np.isnan(rh_pct))
        return np.where(still & known, 1.0, 0.0) + 0.0 * np.asarray(z)

    def hold(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.int64]:
        """`Hold` of each air; NONE where it is unknown."""
        t, rh = np.asarray(temp_c, dtype=np.float64), np.asarray(rh_pct, dtype=np.float64)
        hold = np.where(t > self.temp_high_c, Hold.HOT, Hold.NONE)
        hold = np.where(t < self.temp_low_c, Hold.COLD, hold)
        hold = np.where(rh < self.rh_low_pct, Hold.DRY, hold)
        return np.where(rh > self.rh_high_pct, Hold.DAMP, hold)

    def slow(self, rh_pct: float) -> bool:
        del rh_pct
        return False

    def relative_rate(self, temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
        """Rate in this air relative to reference air: 1, or 0 on hold. [-]

        Ranges and errors as in `GlueLaw.relative_rate`.

        >>> RestLaw().relative_rate(20.0, [50.0, 80.0]).tolist()
        [1.0, 0.0]
        """
        t = checked("temp_c", temp_c, "°C", -40, 60)
        rh = checked("rh_pct", rh_pct, "%", 0, 100)
        return self.rate(t, rh)[()]
