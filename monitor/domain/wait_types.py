"""The kinds of wait that ship: law, usual times, safe minimum, spread and the cautions to show.

Every usual time is what a repairer would give the work in reference air (20 °C, 50 % RH): common
practice, no source. Joints have two: clamps off, and worked, loaded or strung. None is a finding of
this program; each is the shop's to change.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.core.errors import OutOfRange
from monitor.domain.cautions import Caution
from monitor.science.ranges import checked
from monitor.science.waits.drying import WASHED_WOOD
from monitor.science.waits.film import OIL, SPIRIT
from monitor.science.waits.glue import HIDE_GLUE, HIDE_GLUE_BLOCK, HIDE_GLUE_THIN_PLATE
from monitor.science.waits.laws import Law
from monitor.science.waits.timed_rest import FixedLaw, RestLaw
from monitor.science.waits.wait import BASIS_S

HOUR = 3600.0

LOAD_SPREAD = 0.27
"""Standard deviation of ln(load_s). [-]  10 to 90 % of it span a factor 2, as do the 12 to 24 h that
repairers give a joint before it is stressed, and the 24 to 48 h until it is dry: common practice, no
source."""


@dataclass(frozen=True, kw_only=True)
class WaitType:
    """A kind of wait.

    `id` is its name in topics and tables, `name` the one on screen. `basis_s`, `minimum_s`: the
    wait in reference air, and the least that learning may make of it. [s]  `spread` is the
    standard deviation of ln(basis). [-]  `load_s`: from the start until the work may be worked,
    loaded or strung, in reference air; 0 where that is the release. [s]
    """

    id: str
    name: str
    law: Law
    basis_s: float
    minimum_s: float
    spread: float
    cautions: tuple[Caution, ...] = ()
    never_shorter: bool = True
    source: str = "common practice, no source"
    load_s: float = 0.0

    def __post_init__(self) -> None:
        checked("basis_s", self.basis_s, "s", *BASIS_S)
        checked("spread", self.spread, "", 0, 1)
        checked("load_s", self.load_s, "s", 0, BASIS_S[1])
        if not 0 <= self.minimum_s <= self.basis_s:
            raise OutOfRange("minimum_s", self.minimum_s, "s", 0, self.basis_s)


_GLUE = (Caution.HOT_GLUE_POT, Caution.CHILLED_JOINT, Caution.DRYING_HEAT)
_SPIRIT = (Caution.SOLVENTS, Caution.BLUSH, Caution.LONE_WORKING, Caution.DRYING_HEAT)
_OIL = (Caution.OILY_RAGS, Caution.SOLVENTS, Caution.LONE_WORKING, Caution.DRYING_HEAT)


def _kind(
    id_: str,
    name: str,
    law: Law,
    basis_h: float,
    minimum_h: float,
    spread: float,
    cautions: tuple[Caution, ...] = (),
    load_h: float = 0,
) -> WaitType:
    return WaitType(
        id=id_,
        name=name,
        law=law,
        basis_s=basis_h * HOUR,
        minimum_s=minimum_h * HOUR,
        spread=spread,
        cautions=cautions,
        load_s=load_h * HOUR,
    )


KINDS: dict[str, WaitType] = {
    kind.id: kind
    for kind in (
        _kind("plate-crack", "Plate crack", HIDE_GLUE_THIN_PLATE, 6, 3, 0.15, _GLUE, 24),
        _kind("centre-joint", "Centre joint", HIDE_GLUE, 12, 6, 0.15, _GLUE, 24),
        _kind("rib-seam", "Rib seam", HIDE_GLUE_THIN_PLATE, 4, 2, 0.15, _GLUE, 24),
        _kind(
            "closing",
            "Closing a plate",
            HIDE_GLUE_THIN_PLATE,
            8,
            4,
            0.15,
            (*_GLUE, Caution.CLIMATE_SHOCK),
            24,
        ),
        _kind("cleat", "Cleat", HIDE_GLUE_THIN_PLATE, 4, 2, 0.15, _GLUE, 12),
        _kind("neck-or-block", "Neck or block joint", HIDE_GLUE_BLOCK, 24, 12, 0.2, _GLUE, 48),
        _kind("linings", "Linings", HIDE_GLUE_THIN_PLATE, 4, 2, 0.15, _GLUE, 12),
        _kind("bushing", "Bushing or peg-hole fill", HIDE_GLUE_BLOCK, 24, 12, 0.2, _GLUE, 48),
        _kind("crack-filler", "Crack filler, oil", OIL, 48, 24, 0.25, (*_OIL, Caution.WOOD_DUST)),
        _kind("spirit-coat", "Spirit clear coat", SPIRIT, 12, 4, 0.2, _SPIRIT),
        _kind("oil-coat", "Oil coat", OIL, 48, 24, 0.25, _OIL),
        _kind("retouching", "Retouching colour", SPIRIT, 2, 0.5, 0.2, _SPIRIT),
        _kind("polish-rest", "Polish rest", SPIRIT, 48, 24, 0.2, _SPIRIT),
        _kind("settling", "String-up settling", RestLaw(), 24, 12, 0.2, (Caution.CLIMATE_SHOCK,)),
        _kind(
            "washed-wood",
            "Washed wood drying",
            WASHED_WOOD,
            24,
            12,
            0.25,
            (Caution.CLIMATE_SHOCK, Caution.DRYING_HEAT),
        ),
        _kind(
            "fixed",
            "Fixed time",
            FixedLaw(),
            12,
            0,
            0.0,
            (Caution.REACTIVE_GLUES, Caution.DRYING_HEAT),
        ),
    )
}
"""Wait types by id. Users add their own."""
