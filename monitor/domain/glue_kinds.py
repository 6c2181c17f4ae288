"""Kinds of glue, with their default limits of use and their cautions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from monitor.domain.cautions import PRACTICE, Caution

SHEET = "the maker's sheet"


class Limit(NamedTuple):
    """Limit of use with its range: low, usual, high [h], and its source."""

    low_h: float
    usual_h: float
    high_h: float
    source: str


@dataclass(frozen=True, kw_only=True)
class GlueKind:
    """A kind of glue.

    `heated`: kept hot in a pot; `air_sets`: sets as hide glue does, by the law of the wait; others
    take a plain fixed time from the maker's sheet. `hot`, `keeps`: default limits of the hours hot,
    and of the time since it was mixed.
    """

    id: str
    name: str
    heated: bool = False
    air_sets: bool = False
    hot: Limit | None = None
    keeps: Limit | None = None
    cautions: tuple[Caution, ...] = ()


_POT = (Caution.HOT_GLUE_POT,)


KINDS: dict[str, GlueKind] = {
    kind.id: kind
    for kind in (
        GlueKind(
            id="hide",
            name="Hide glue",
            heated=True,
            air_sets=True,
            hot=Limit(4, 8, 12, PRACTICE),
            keeps=Limit(72, 120, 168, PRACTICE),
            cautions=(*_POT, Caution.CHILLED_JOINT, Caution.DRYING_HEAT),
        ),
        GlueKind(id="fish", name="Fish glue", heated=True, cautions=_POT),
        GlueKind(id="liquid-hide", name="Liquid hide glue", heated=True, cautions=_POT),
        GlueKind(id="casein", name="Casein glue", cautions=(Caution.ALKALINE_GLUE,)),
        GlueKind(id="aliphatic", name="Aliphatic resin glue", cautions=(Caution.DRYING_HEAT,)),
        GlueKind(id="epoxy", name="Epoxy", cautions=(Caution.REACTIVE_GLUES, Caution.DRYING_HEAT)),
        GlueKind(id="cyanoacrylate", name="Cyanoacrylate", cautions=(Caution.REACTIVE_GLUES,)),
    )
}
"""Kinds of glue by id. Only hide glue has default limits; the others' are on the maker's sheet."""
