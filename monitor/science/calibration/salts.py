"""Humidity over saturated salt solutions: the fixed points that a hygrometer is proved against.

Good laboratories disagree by about 0.5 % RH over the same salt (Wexler and Hasegawa 1954 against
Greenspan 1977, sodium chloride); a shop's box adds what the temperature is off between salt and
sensor, which is more. Both are in `reference_point`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.ranges import Floats, checked
from monitor.science.saturation import ln_water_slope

TEMP_STEP_C = 5.0
APART_K = 0.1
"""Standard uncertainty of the temperature difference between salt and sensor in a sealed box that
has stood for hours in a room out of the sun. [K]  Ours."""


class Salt(NamedTuple):
    """A salt: name, RH(t) = Σ a_i tⁱ [%, °C], range [°C], and the expanded uncertainty (k = 2) of
    the table each 5 K from the low end of its range. [% RH]"""

    name: str
    formula: str
    coefficients: tuple[float, ...]
    temp_c: tuple[float, float]
    u_table_pct: tuple[float, ...]
    advised: bool = False


_TABLE = """
LiCl | lithium chloride | LiCl | 0 50 | 11.2323 0.00824245 -0.00021489 |
    0.54 0.47 0.41 0.35 0.31 0.27 0.24 0.22 0.21 0.21 0.22
MgCl2 | magnesium chloride | MgCl₂ | 0 50 | 33.6686 -0.00797397 -0.00108988 | advised
    0.33 0.28 0.24 0.21 0.18 0.16 0.14 0.13 0.13 0.13 0.14
K2CO3 | potassium carbonate | K₂CO₃ | 0 30 | 43.1315 0.00147523 |
    0.66 0.5 0.39 0.33 0.33 0.39 0.5
Mg(NO3)2 | magnesium nitrate | Mg(NO₃)₂ | 0 50 | 60.34591 -0.29816364 |
    0.55 0.43 0.33 0.27 0.23 0.22 0.24 0.29 0.37 0.47 0.6
NaBr | sodium bromide | NaBr | 5 50 | 64.70967 -0.22133061 -0.00404312354 5.91452991e-05 |
    0.72 0.6 0.51 0.44 0.4 0.38 0.38 0.41 0.47 0.55
NaCl | sodium chloride | NaCl | 0 50 | 75.5164 0.0398321 -0.00265459 2.848e-05 | advised
    0.34 0.27 0.22 0.18 0.14 0.12 0.11 0.12 0.13 0.16 0.19
KCl | potassium chloride | KCl | 0 50 | 88.619 -0.19334 0.000899706 |
    0.53 0.45 0.39 0.33 0.29 0.26 0.25 0.25 0.25 0.28 0.31
K2SO4 | potassium sulphate | K₂SO₄ | 0 50 | 98.7792 -0.0590502 |
    1.1 0.91 0.76 0.63 0.53 0.45 0.4 0.38 0.38 0.4 0.45
"""
"""Id, name, formula, range [°C], coefficients, whether advised; then the uncertainties [% RH]."""


def _salt(row: str, uncertainties: str) -> tuple[str, Salt]:
    """Id and salt of two lines of `_TABLE`."""
    key, name, formula, span, coefficients, advised = (cell.strip() for cell in row.split("|"))
    low, high = map(float, span.split())
    a, u = (tuple(map(float, cell.split())) for cell in (coefficients, uncertainties))
    return key, Salt(name, formula, a, (low, high), u, bool(advised))


_LINES = _TABLE.strip().splitlines()
SALTS = dict(map(_salt, _LINES[::2], _LINES[1::2]))
"""By the id that commands use; drier before damper. `advised`: little hazard, flat with temperature,
and together they span what a shop's air does.

Source: L. Greenspan, J. Res. NBS 81A(1), 1977, 89-96, which OIML R 121 (1996) and ASTM E104 rest
on. Coefficients second-hand, from public transcriptions (the sign of a1 of LiCl and K₂CO₃ put right
by two other tables; Mg(NO₃)₂ and NaBr fitted to the table); table and uncertainties from memory,
unchecked, agreeing with the coefficients to 0.01 % RH."""


def fixed_point(salt: str, temp_c: ArrayLike) -> tuple[Floats, Floats]:
    """RH over a saturated solution, and the expanded uncertainty (k = 2) of the table. [%], [%]

    Parameters
    ----------
    salt : str
        A key of `SALTS`.
    temp_c : float or array_like
        Temperature of the salt, within its range (0 or 5 to 30 or 50). [°C]

    Raises
    ------
    OutOfRange, KeyError

    Examples
    --------
    >>> rh, u = fixed_point("NaCl", 25.0)
    >>> round(float(rh), 2), float(u)
    (75.3, 0.12)
    """
    one = SALTS[salt]
    low, high = one.temp_c
    t = checked("temp_c", temp_c, "°C", low, high)
    rh = np.asarray(np.polynomial.polynomial.polyval(t, one.coefficients), dtype=np.float64)[()]
    table_c = low + TEMP_STEP_C * np.arange(len(one.u_table_pct))
    return rh, np.asarray(np.interp(t, table_c, one.u_table_pct))[()]


def reference_point(salt: str, temp_c: float, u_temp_k: float) -> tuple[float, float]:
    """RH at a sensor in a sealed box over a salt, and its standard uncertainty. [%], [%]

    Parameters
    ----------
    salt : str
        A key of `SALTS`.
    temp_c : float
        What the sensor reads. [°C]
    u_temp_k : float
        Standard uncertainty of that. [K]

    Raises
    ------
    OutOfRange, KeyError

    Notes
    -----
    u² = (U/2)² + (dRH/dt · u_t)² + (RH · γ · `APART_K`)², γ = d ln e_w/dt: where the sensor is 1 K
    warmer than the salt it sees RH·γ less, 3 % at 50 % RH.

    Examples
    --------
    >>> rh, u = reference_point("NaCl", 20.0, 0.15)
    >>> round(rh, 2), round(u, 2)
    (75.48, 0.47)
    """
    rh, u_table = (float(value) for value in fixed_point(salt, temp_c))
    u_temp = float(checked("u_temp_k", u_temp_k, "K", 0))
    slope = float(
        np.polynomial.polynomial.polyval(
            temp_c, np.polynomial.polynomial.polyder(SALTS[salt].coefficients)
        )
    )
    apart = rh * float(ln_water_slope(np.array(temp_c))) * APART_K
    return rh, float(np.sqrt((u_table / 2) ** 2 + (slope * u_temp) ** 2 + apart**2))
