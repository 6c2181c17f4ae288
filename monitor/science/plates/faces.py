"""Surface resistances between wood and air: the film of air, the varnish, the enclosed air.

Surface coefficients S carry moisture content [m/s]: flux over oven-dry density is S (u_eq − u).
Resistances in series add up: 1/S = Σ 1/S_k. All scale with the saturation vapour pressure, taken
as the same Arrhenius factor as diffusion (`diffusion.speed`), so that warm wood is a faster copy
of cold wood.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.plates.parts import Faces, Part
from monitor.science.ranges import Floats, checked

AIR_TRANSFER_M_S = 7.0e-7
"""S of a bare face in still indoor air, 20 °C. [m/s]  From a vapour transfer coefficient of 1e-8 to
3e-8 kg/(m² s Pa) (3.6e-7 to 1.1e-6). From memory, unchecked."""

SLOW_AIR_TRANSFER_M_S = 4.6e-8
"""The low end: Hanhijärvi 1995, 3.2e-8 exp(4.0 u) at u = 0.09. [m/s]  From memory, unchecked."""

FILM_TRANSFER_M2_S = 1.94e-10 * 2339 / (400 * 0.161)
"""S of a film times its s_d: δa p_sat/(ρ0 ξ) with δa 1.94e-10 kg/(m s Pa), p_sat 2339 Pa, oven-dry
density 400 kg/m³ and slope of the sorption curve 0.161. [m²/s]  Identity; inputs as in `wood`."""

ENCLOSED_LAG_S = 44 * 3600.0
"""What the wood of an instrument could hold, over what its openings let through: the time constant
of the closed inside by itself, the varnish tight. [s]

Ours, so that a varnished violin as a whole lags by 36 h, where weighings of a violin out of its
case lie between 27 and 52 h (Marcon, Goli, Fioravanti, Heritage Science 8, 2020, Table 3, with
350 g of wood that takes part). For larger instruments no measurement is known."""


def in_series(*transfers: ArrayLike) -> Floats:
    """Surface coefficient of several resistances in series. [m/s]

    An infinite coefficient is no resistance, 0 is tight.
    """
    with np.errstate(divide="ignore"):
        resistance = sum(1 / np.asarray(s, dtype=np.float64) for s in transfers)
        return np.asarray(1 / resistance)


def film_transfer(sd_m: ArrayLike) -> Floats:
    """Surface coefficient of a film by itself at 20 °C; infinite for none. [m/s]

    `sd_m` is the thickness of still air that resists vapour as much, 0 or more. [m]

    >>> f"{film_transfer(1.0):.2g}"
    '7e-09'
    """
    with np.errstate(divide="ignore"):
        return FILM_TRANSFER_M2_S / checked("sd_m", sd_m, "m", 0)


def face_transfers(
    parts: Sequence[Part],
    *,
    opened: bool,
    air_m_s: ArrayLike = AIR_TRANSFER_M_S,
    enclosed_lag_s: ArrayLike = ENCLOSED_LAG_S,
) -> tuple[Floats, Floats]:
    """Surface coefficients of the outer and inner faces of parts, from the shop's air.

    Parameters
    ----------
    parts : sequence of Part, length p
    opened : bool
        Whether the inner faces meet the shop's air, or that inside a closed instrument.
    air_m_s : float or ndarray of shape (draws, 1)
        S of a bare face, above 0. [m/s]
    enclosed_lag_s : float or ndarray of shape (draws, 1)
        See `ENCLOSED_LAG_S`, above 0. [s]

    Returns
    -------
    outer, inner : ndarray of shape (p,) or (draws, p)
        At 20 °C. [m/s]

    Notes
    -----
    The air inside holds next to no water, so it is a resistance and not a store. Each part has a
    share of the openings in proportion to its wood: S = L/lag, L its thickness. That is the same
    as one common inside air as long as the inner faces are about alike, and lets a thin rib lag
    with its instrument. Water that one part gives another through the inside air is left out.
    """
    air = checked("air_m_s", air_m_s, "m/s", 0, low_open=True)
    lag = checked("enclosed_lag_s", enclosed_lag_s, "s", 0, low_open=True)
    thick_m = np.array([p.thickness_mm / 1000 for p in parts])
    glued = np.array([p.faces is Faces.INNER for p in parts])
    film = film_transfer(np.array([p.varnish_sd_m for p in parts]))
    outer = np.where(glued, 0.0, in_series(air, film))
    inner = in_series(air, np.inf if opened else thick_m / lag)
    return np.broadcast_arrays(outer, inner + 0 * outer)  # type: ignore[return-value] # two in, two out
