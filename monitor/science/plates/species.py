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
        """The direction of the width of a part so cut.

        Raises
        ------
        ValueError
            If `cut` is not one of `Cut`, or its value.
        """
        return self.radial if Cut(cut) is Cut.RADIAL else self.tangential


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


WH_13_5 = "C: Wood Handbook, FPL-GTR-190, 2010, Table 13-5"
WH_4_3 = "S: Table 4-3"
B_COST = "C: Bratasz and others, COST IE0601 proceedings, Table 1"
WH_E = "E: Tables 5-1, 5-2 with E_L of Table 5-3a, second-hand"
STRENGTH = "strength: Table 5-3a, from memory, unchecked"
NO_STRENGTH = "E, strength: no source"

_SOURCES = {
    "norway_spruce": "S: a European timber-trade species sheet; not in the Wood Handbook. Another "
    "gives 8.2 and 3.9 %; European measurements of spruce 0.0034 and 0.0014. " + NO_STRENGTH,
    "sitka_spruce": f"{WH_13_5}; {WH_4_3}; {WH_E}; {STRENGTH}",
    "engelmann_spruce": f"{WH_13_5}; {WH_4_3}, second-hand; E: Table 5-1, from memory, unchecked; "
    + STRENGTH,
    "red_spruce": f"{WH_13_5}, second-hand; {WH_4_3}, from memory, unchecked; {NO_STRENGTH}",
    "sycamore_maple": f"{B_COST}; not in the Wood Handbook. A trade sheet gives 0.0026 and 0.0015. "
    + NO_STRENGTH,
    "bigleaf_maple": f"{WH_13_5}; {WH_4_3}, second-hand; E: no source; {STRENGTH}",
    "sugar_maple": f"{WH_13_5}; {WH_4_3}, second-hand; {WH_E}; strength: no source",
    "black_willow": f"{WH_13_5}; {WH_4_3}; {NO_STRENGTH}",
    "poplar": f"{B_COST}; {NO_STRENGTH}",
    "eastern_cottonwood": f"{WH_13_5}; {WH_4_3}; {NO_STRENGTH}",
    "yellow_poplar": f"{WH_13_5}, second-hand; {WH_4_3}; {NO_STRENGTH}",
    "mahogany": f"{WH_13_5}, second-hand; {NO_STRENGTH}. Shrinkage starts near 22 %: Hoadley 1998",
    "western_redcedar": f"{WH_13_5}, second-hand; {WH_4_3}; shrinkage starts at 22 %: links both "
    f"tables; E: no source; {STRENGTH}",
    "pear": "S: a timber page, second-hand; another gives 9.0 and 4.6 %. " + NO_STRENGTH,
}

_TABLE = """
Norway spruce      | Picea abies             |                 | 3.6 7.8  | 30 |          |
Sitka spruce       | Picea sitchensis        | 0.00148 0.00263 | 4.3 7.5  | 30 | 850 470  | 2.6
Engelmann spruce   | Picea engelmannii       | 0.00130 0.00248 | 3.8 7.1  | 30 | 1250 580 | 2.4
Red spruce         | Picea rubens            | 0.00130 0.00274 | 3.8 7.8  | 30 |          |
Sycamore maple     | Acer pseudoplatanus     | 0.0019 0.0038   |          | 30 |          |
Bigleaf maple      | Acer macrophyllum       | 0.00126 0.00248 | 3.7 7.1  | 30 |          | 3.7
Sugar maple        | Acer saccharum          | 0.00165 0.00353 | 4.8 9.9  | 30 | 1830 900 |
Black willow       | Salix nigra             | 0.00112 0.00308 | 3.3 8.7  | 30 |          |
Poplar             | Populus spp.            | 0.0012 0.0027   |          | 30 |          |
Eastern cottonwood | Populus deltoides       | 0.00133 0.00327 | 3.9 9.2  | 30 |          |
Yellow-poplar      | Liriodendron tulipifera | 0.00158 0.00289 | 4.6 8.2  | 30 |          |
Mahogany           | Swietenia macrophylla   | 0.00172 0.00238 |          | 22 |          |
Western redcedar   | Thuja plicata           | 0.00111 0.00234 | 2.4 5.0  | 22 |          | 1.5
Pear               | Pyrus communis          |                 | 3.9 11.3 | 30 |          |
"""
"""Name, botanical name; pairs are (radial, tangential): C [per % MC], S [%]; F [%]; E [MPa];
strength [MPa]. Of C and S one may be left out: it follows from the other. Sources: `_SOURCES`."""


def _species(row: str) -> tuple[str, Species]:
    """Key and species of a row of `_TABLE`."""
    name, botanical, *numbers = (cell.strip() for cell in row.split("|"))
    key = name.lower().replace(" ", "_").replace("-", "_")
    c, s, (f,), e_mpa, strength = ([float(x) for x in cell.split()] for cell in numbers)
    derived = "none"
    if not c:
        derived = "coefficients from shrinkage"
        c = [coefficient_from_shrinkage(each, f) for each in s]
    elif not s:
        derived = "shrinkage from coefficients"
        s = [shrinkage_from_coefficient(each, f) for each in c]
    radial, tangential = map(Grain, c, s, e_mpa or (None, None))
    strength_mpa = strength[0] if strength else None
    source = _SOURCES[key]
    return key, Species(name, botanical, radial, tangential, f, strength_mpa, derived, source)


SPECIES = dict(map(_species, _TABLE.strip().splitlines()))
"""Woods by key. Species means: single boards differ by `MOVEMENT_SPREAD`. No spread is published
for most. Wood Handbook figures are of US-grown wood."""
