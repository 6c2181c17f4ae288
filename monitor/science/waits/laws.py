"""The laws by family: states that relax towards the air, and rates that add up."""

from __future__ import annotations

from typing import TypeAlias

from monitor.science.waits.drying import DryingLaw
from monitor.science.waits.film import FilmLaw
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.timed_rest import FixedLaw, RestLaw

RelaxationLaw: TypeAlias = GlueLaw | DryingLaw
"""dy/dt = −k φ(T) (y − drive), from `start`, done at or below `threshold`."""

AdditiveLaw: TypeAlias = FilmLaw | RestLaw | FixedLaw
"""Done when the integral of `rate` reaches the basis."""

Law: TypeAlias = GlueLaw | DryingLaw | FilmLaw | RestLaw | FixedLaw

LAWS: dict[str, type[Law]] = {
    "glue": GlueLaw,
    "drying": DryingLaw,
    "film": FilmLaw,
    "rest": RestLaw,
    "fixed": FixedLaw,
}
"""By the name under which a law and its parameters are kept."""
