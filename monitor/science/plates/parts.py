"""The parts of an instrument: plates and blocks of one wood each, and presets to start from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.core.errors import MonitorError
from monitor.science.plates.species import SPECIES, Cut

THICKNESS_MM = (0.3, 80.0)
"""Range of a thickness: veneer to the block of a bass. [mm]  Common practice, no source."""

WIDTH_MM = (2.0, 1000.0)
"""Range of a width. [mm]  Common practice, no source."""

VARNISH_SD_M = (0.0, 100.0)
"""Range of a varnish's s_d; 0 is bare wood, 100 all but tight. [m]  Ours."""

MOST_PARTS = 20
"""Most parts of one instrument. [-]  Ours."""


class Faces(StrEnum):
    """Faces of a part that meet the air."""

    BOTH = "both"
    """Outer face to the shop; inner face to the air inside, or to the shop once opened."""
    INNER = "inner"
    """The inner face only: a block, glued all around."""


class FieldFault(NamedTuple):
    """Fault of a part's field: its name, its value, and what is allowed."""

    part: str
    field: str
    value: object
    allowed: str

    def __str__(self) -> str:
        part = f"{self.part}: " if self.part else ""
        return f"{part}{self.field} = {self.value}: must be {self.allowed}"


class PartFault(MonitorError, ValueError):
    """A part, or a set of parts, cannot be so. `faults` lists each field that is wrong."""

    def __init__(self, faults: Sequence[FieldFault]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(map(str, self.faults)))


@dataclass(frozen=True, kw_only=True)
class Part:
    """A plate or block of one wood.

    Parameters
    ----------
    name : str
        What the shop calls it, 1 to 40 characters.
    species : str
        A key of `SPECIES`.
    thickness_mm : float
        From face to face, `THICKNESS_MM`, and less than the width. [mm]
    width_mm : float
        Across the grain: the width that gaps are stated for, `WIDTH_MM`. [mm]
    cut : Cut
        The direction of the width: radial in a quarter-sawn part, tangential in a slab-cut one.
    faces : Faces
    varnish_sd_m : float
        Vapour resistance of ground and varnish on the outer face, as the thickness of still air
        that resists as much, `VARNISH_SD_M`. [m]  Without effect if the outer face is glued.
    restraint : float
        How much of its movement the joints take away once it is glued, 0 free to 1 held. [-]

    Raises
    ------
    PartFault
        Naming each field that is wrong, its value and what is allowed.
    """

    name: str
    species: str
    thickness_mm: float
    width_mm: float
    cut: Cut = Cut.RADIAL
    faces: Faces = Faces.BOTH
    varnish_sd_m: float = 1.0
    restraint: float = 1.0

    def __post_init__(self) -> None:
        faults = [
            FieldFault(str(self.name), field, value, allowed)
            for field, value, allowed in self._faults()
        ]
        if faults:
            raise PartFault(faults)
        object.__setattr__(self, "cut", Cut(self.cut))
        object.__setattr__(self, "faces", Faces(self.faces))

    def _faults(self) -> list[tuple[str, object, str]]:
        faults: list[tuple[str, object, str]] = []
        if not isinstance(self.name, str) or not 1 <= len(self.name.strip()) <= 40:
            faults.append(("name", self.name, "1 to 40 characters"))
        if self.species not in list(SPECIES):
            faults.append(("species", self.species, f"one of {', '.join(SPECIES)}"))
        for field, kind in (("cut", Cut), ("faces", Faces)):
            if getattr(self, field) not in list(kind):
                faults.append((field, getattr(self, field), f"one of {', '.join(kind)}"))
        ranges = (
            ("thickness_mm", THICKNESS_MM, " mm"),
            ("width_mm", WIDTH_MM, " mm"),
            ("varnish_sd_m", VARNISH_SD_M, " m"),
            ("restraint", (0.0, 1.0), ""),
        )
        for field, (low, high), unit in ranges:
            value = getattr(self, field)
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not number or not low <= value <= high:
                faults.append((field, value, f"{low:g} to {high:g}{unit}"))
        if not faults and self.thickness_mm >= self.width_mm:
            allowed = f"less than the width, {self.width_mm:g} mm"
            faults.append(("thickness_mm", self.thickness_mm, allowed))
        return faults

    def to_mapping(self) -> dict[str, Any]:
        """Plain strings and numbers of the part, for a journal.

        >>> PRESETS["violin"][0].to_mapping()["cut"]
        'radial'
        """
        return {k: str(v) if isinstance(v, StrEnum) else v for k, v in asdict(self).items()}

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Part:
        """The part that `to_mapping` wrote; what is left out takes its default.

        Raises
        ------
        PartFault
            If a field is unknown, missing or wrong.
        """
        known = {f.name for f in fields(cls)}
        name = str(mapping.get("name", ""))
        faults = [
            FieldFault(name, field, mapping[field], f"a field: {', '.join(sorted(known))}")
            for field in sorted(set(mapping) - known)
        ]
        faults += [
            FieldFault(name, field, "nothing", "given")
            for field in ("name", "species", "thickness_mm", "width_mm")
            if field not in mapping
        ]
        if faults:
            raise PartFault(faults)
        return cls(**mapping)


def checked_parts(parts: Sequence[Part]) -> tuple[Part, ...]:
    """The parts of one instrument, once they go together.

    Raises
    ------
    PartFault
        If there is none or more than `MOST_PARTS`, two share a name, or a plate is thicker than
        the thickest block.
    """
    faults = []
    if not 1 <= len(parts) <= MOST_PARTS:
        faults.append(FieldFault("", "parts", len(parts), f"1 to {MOST_PARTS}"))
    names = [p.name.casefold() for p in parts]
    faults += [
        FieldFault(p.name, "name", p.name, "a name no other part has")
        for i, p in enumerate(parts)
        if names[i] in names[:i]
    ]
    block = max((p.thickness_mm for p in parts if p.faces is Faces.INNER), default=None)
    if block is not None:
        faults += [
            FieldFault(
                p.name, "thickness_mm", p.thickness_mm, f"at most the block's, {block:g} mm"
            )
            for p in parts
            if p.faces is Faces.BOTH and p.thickness_mm > block
        ]
    if faults:
        raise PartFault(faults)
    return tuple(parts)


def _preset(
    top: tuple[float, float],
    back: tuple[float, float],
    ribs: tuple[float, float],
    block: tuple[float, float],
) -> tuple[Part, ...]:
    """Parts from (thickness, width) each. [mm]"""
    names = ("top", "back", "ribs", "neck block")
    woods = ("norway_spruce", "sycamore_maple", "sycamore_maple", "norway_spruce")
    held = (1.0, 1.0, 0.5, 0.5)
    plates = [
        Part(name=n, species=s, thickness_mm=t, width_mm=w, restraint=f)
        for n, s, (t, w), f in zip(names, woods, (top, back, ribs, block), held, strict=True)
    ]
    return (*plates[:3], replace(plates[3], faces=Faces.INNER, varnish_sd_m=0.0))


PRESETS = {
    "violin": _preset((3.0, 208), (3.5, 208), (1.0, 30), (16, 50)),
    "viola": _preset((3.2, 245), (3.8, 245), (1.2, 38), (18, 55)),
    "cello": _preset((4.5, 440), (5.0, 440), (1.5, 118), (32, 95)),
    "bass": _preset((7.0, 660), (7.0, 660), (2.2, 200), (55, 150)),
}
"""Parts by kind of instrument, to start from; every field can be edited.

Thicknesses are means of a graduated plate, widths the widest place (the lower bout; ribs: their
height). Common practice, no source. Varnish 1 m and restraint: ours; top and back count as fully
held, the cautious side.
"""
