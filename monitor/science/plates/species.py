"""The woods of the violin family: how much they move, how stiff and how strong across the grain."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

MOVEMENT_SPREAD = 0.3
"""How far one board's movement may lie from its wood's mean. [-]  Ours: 987 specimens of Norway
spruce span 0.07 to 0.28 % per % MC radially (Bengtsson 2001)."""

SHRINKS_FROM_PCT = 30.0
"""Moisture content at which shrinkage starts, where none is stated for a wood. [%]
Source: Wood Handbook, FPL-GTR-190, 2010, ch. 13."""


class Cut(StrEnum):
    """Direction of a part's width."""

    RADIAL = "radial"
    """Across the growth rings: quarter-sawn."""
    TANGENTIAL = "tangential"
    """Along the growth rings: slab-cut, flat-sawn."""


class Grain(NamedTuple):
    """Movement and stiffness of a wood in a direction across the grain.

    `coefficient` is C of Wood Handbook eq. 13-2 [per % MC], `shrinkage_pct` S, green to oven-dry
    [%]; `modulus_mpa` the modulus of elasticity at 12 % MC, None where no source has it. [MPa]
    """

    coefficient: float
    shrinkage_pct: float
    modulus_mpa: float | None


class Species(NamedTuple):
    """A wood; means of the species.

    `radial`, `tangential` are its directions, `shrinks_from_pct` the moisture content at which
    shrinkage starts, F [%], `strength_mpa` its tensile strength across the grain at 12 % MC, None
    where no source has it. [MPa]  `derived` says which of C and S follows from the other.
    """

    name: str
    botanical: str
    radial: Grain
    tangential: Grain
    shrinks_from_pct: float
    strength_mpa: float | None
    derived: str
    source: str

    def along(self, cut: Cut) -> Grain:
        """The direction of the width of a part so cut."""
        return self.radial if cut is Cut.RADIAL else self.tangential


def coefficient_from_shrinkage(
    shrinkage_pct: float, shrinks_from_pct: float = SHRINKS_FROM_PCT
) -> float:
    """C = S / (100 F − S (F − 10)): the coefficient of eq. 13-2 from total shrinkage. [per % MC]

    Ties Tables 13-5 and 4-3 of the Wood Handbook (FPL-GTR-190, 2010) together; linear between F
    and oven-dry, on the dimension at 10 % MC. Use it only where no coefficient is published.

    >>> round(coefficient_from_shrinkage(7.8), 5)
    0.00274
    """
    s, f = shrinkage_pct, shrinks_from_pct
    return s / (100 * f - s * (f - 10))


def shrinkage_from_coefficient(
    coefficient: float, shrinks_from_pct: float = SHRINKS_FROM_PCT
) -> float:
    """The inverse of `coefficient_from_shrinkage`. [%]

    >>> round(shrinkage_from_coefficient(0.00148), 2)
    4.31
    """
    c, f = coefficient, shrinks_from_pct
    return 100 * c * f / (1 + c * (f - 10))


def _species(
    name: str,
    botanical: str,
    source: str,
    *,
    c: tuple[float, float] | None = None,
    s: tuple[float, float] | None = None,
    f: float = SHRINKS_FROM_PCT,
    e_mpa: tuple[float, float] | None = None,
    strength_mpa: float | None = None,
) -> Species:
    """Pairs are (radial, tangential). Of C and S one may be left out: it follows from the other."""
    if c is None:
        derived = "coefficients from shrinkage"
        s = s or (0.0, 0.0)
        c = (coefficient_from_shrinkage(s[0], f), coefficient_from_shrinkage(s[1], f))
    elif s is None:
        derived = "shrinkage from coefficients"
        s = (shrinkage_from_coefficient(c[0], f), shrinkage_from_coefficient(c[1], f))
    else:
        derived = "none"
    e_r, e_t = e_mpa or (None, None)
    radial, tangential = Grain(c[0], s[0], e_r), Grain(c[1], s[1], e_t)
    return Species(name, botanical, radial, tangential, f, strength_mpa, derived, source)


WH_13_5 = "C: Wood Handbook, FPL-GTR-190, 2010, Table 13-5"
WH_4_3 = "S: Table 4-3"
B_COST = "C: Bratasz and others, COST IE0601 proceedings, Table 1"
WH_E = "E: Tables 5-1, 5-2 with E_L of Table 5-3a, second-hand"
STRENGTH = "strength: Table 5-3a, from memory, unchecked"

SPECIES = {
    "norway_spruce": _species(
        "Norway spruce",
        "Picea abies",
        "S: a European timber-trade species sheet; not in the Wood Handbook. Another gives 8.2 and "
        "3.9 %; European measurements of spruce 0.0034 and 0.0014. E, strength: no source",
        s=(3.6, 7.8),
    ),
    "sitka_spruce": _species(
        "Sitka spruce",
        "Picea sitchensis",
        f"{WH_13_5}; {WH_4_3}; {WH_E}; {STRENGTH}",
        c=(0.00148, 0.00263),
        s=(4.3, 7.5),
        e_mpa=(850.0, 470.0),
        strength_mpa=2.6,
    ),
    "engelmann_spruce": _species(
        "Engelmann spruce",
        "Picea engelmannii",
        f"{WH_13_5}; {WH_4_3}, second-hand; E: Table 5-1, from memory, unchecked; {STRENGTH}",
        c=(0.00130, 0.00248),
        s=(3.8, 7.1),
        e_mpa=(1250.0, 580.0),
        strength_mpa=2.4,
    ),
    "red_spruce": _species(
        "Red spruce",
        "Picea rubens",
        f"{WH_13_5}, second-hand; {WH_4_3}, from memory, unchecked; E, strength: no source",
        c=(0.00130, 0.00274),
        s=(3.8, 7.8),
    ),
    "sycamore_maple": _species(
        "Sycamore maple",
        "Acer pseudoplatanus",
        f"{B_COST}; not in the Wood Handbook. A trade sheet gives 0.0026 and 0.0015. "
        "E, strength: no source",
        c=(0.0019, 0.0038),
    ),
    "bigleaf_maple": _species(
        "Bigleaf maple",
        "Acer macrophyllum",
        f"{WH_13_5}; {WH_4_3}, second-hand; E: no source; {STRENGTH}",
        c=(0.00126, 0.00248),
        s=(3.7, 7.1),
        strength_mpa=3.7,
    ),
    "sugar_maple": _species(
        "Sugar maple",
        "Acer saccharum",
        f"{WH_13_5}; {WH_4_3}, second-hand; {WH_E}; strength: no source",
        c=(0.00165, 0.00353),
        s=(4.8, 9.9),
        e_mpa=(1830.0, 900.0),
    ),
    "black_willow": _species(
        "Black willow",
        "Salix nigra",
        f"{WH_13_5}; {WH_4_3}; E, strength: no source",
        c=(0.00112, 0.00308),
        s=(3.3, 8.7),
    ),
    "poplar": _species(
        "Poplar", "Populus spp.", f"{B_COST}; E, strength: no source", c=(0.0012, 0.0027)
    ),
    "eastern_cottonwood": _species(
        "Eastern cottonwood",
        "Populus deltoides",
        f"{WH_13_5}; {WH_4_3}; E, strength: no source",
        c=(0.00133, 0.00327),
        s=(3.9, 9.2),
    ),
    "yellow_poplar": _species(
        "Yellow-poplar",
        "Liriodendron tulipifera",
        f"{WH_13_5}, second-hand; {WH_4_3}; E, strength: no source",
        c=(0.00158, 0.00289),
        s=(4.6, 8.2),
    ),
    "mahogany": _species(
        "Mahogany",
        "Swietenia macrophylla",
        f"{WH_13_5}, second-hand; E, strength: no source. Shrinkage starts near 22 %: Hoadley 1998",
        c=(0.00172, 0.00238),
        f=22.0,
    ),
    "western_redcedar": _species(
        "Western redcedar",
        "Thuja plicata",
        f"{WH_13_5}, second-hand; {WH_4_3}; shrinkage starts at 22 %: links both tables; "
        f"E: no source; {STRENGTH}",
        c=(0.00111, 0.00234),
        s=(2.4, 5.0),
        f=22.0,
        strength_mpa=1.5,
    ),
    "pear": _species(
        "Pear",
        "Pyrus communis",
        "S: a timber page, second-hand; another gives 9.0 and 4.6 %. E, strength: no source",
        s=(3.9, 11.3),
    ),
}
"""Woods by key. Species means: single boards differ by `MOVEMENT_SPREAD`. No spread is published
for most. Wood Handbook figures are of US-grown wood."""
