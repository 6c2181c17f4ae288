"""Effect of an outlook's air on an instrument's parts, member by member."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from monitor.science.plates.assessment import CLOSE_FAR_PCT, CLOSE_SHARE
from monitor.science.plates.diffusion import Plates, speed
from monitor.science.plates.faces import face_transfers
from monitor.science.plates.movement import dimensional_change
from monitor.science.plates.parts import Part, checked_parts
from monitor.science.plates.restraint import HELD_SHARE_MIDDLE, share_of_yield
from monitor.science.plates.species import SPECIES
from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import Floats
from monitor.science.wood import TEMP_C, equilibrium_moisture_content


class PartProjection(NamedTuple):
    """A part where the middle of the members takes it furthest from its home moisture.

    `step`: when; `yield_share`: its strain then as a share of the strain at which it yields, as in
    `PartStatus`, at the median; `from_home_pct` [% MC], negative: drier; `change_mm`
    of its width against home, negative: narrower; `middle_pct` (steps,): its moisture, median. [%]
    """

    part: Part
    step: int
    yield_share: float
    from_home_pct: QuantileRange
    change_mm: QuantileRange
    middle_pct: Floats


class PlatesProjection(NamedTuple):
    """The parts, the one strained most first, and at which steps all are near enough to home moisture
    to be closed, (steps,), by the measure of `answer.Closing` at the median."""

    parts: tuple[PartProjection, ...]
    closable: np.ndarray


def project(
    parts: Sequence[Part],
    state: Floats,
    home_moisture_pct: float,
    seconds: Floats,
    temp_c: Floats,
    rh_pct: Floats,
    *,
    opened: bool,
) -> PlatesProjection:
    """Course of the parts under each member of the outlook, from their present state on.

    Parameters
    ----------
    parts : sequence of Part
    state : ndarray
        As a `History` carries it to its end.
    home_moisture_pct : float
        What they keep at home. [% of oven-dry mass]
    seconds : ndarray (steps,)
        Lengths of the steps, above 0. [s]
    temp_c, rh_pct : ndarray (members, steps)
        [°C], [%]
    opened : bool
        Whether the instrument is open, and stays so.

    Raises
    ------
    PartFault, OutOfRange

    Notes
    -----
    The ranges are those of the air to come alone, with the best estimate of the wood; what is not
    known of the wood is in `answer`.
    """
    parts = checked_parts(parts)
    thick = np.array([part.thickness_mm / 1000 for part in parts])
    plates = Plates(thick, *face_transfers(parts, opened=opened))
    air = equilibrium_moisture_content(np.maximum(temp_c, TEMP_C[0]), rh_pct)
    tau = seconds * speed(temp_c)
    mean = np.stack(
        [plates.course(t, a, state=state).mean for t, a in zip(tau, air, strict=True)]
    )  # (members, parts, steps)
    off = mean - home_moisture_pct
    share, far = np.zeros((len(mean), mean.shape[2])), np.zeros(mean.shape[2])
    found = []
    for i, part in enumerate(parts):
        wood = SPECIES[part.species]
        grain = wood.along(part.cut)
        held = part.restraint * HELD_SHARE_MIDDLE * grain.coefficient
        glued = share_of_yield(held * off[:, i])  # now, and taken home
        share = np.maximum(share, glued)
        own = glued if opened else share_of_yield(-held * off[:, i])
        if part.restraint:
            far = np.maximum(far, np.abs(np.median(off[:, i], axis=0)))
        middle = np.median(off[:, i], axis=0)
        step = int(np.abs(middle).argmax())
        change = dimensional_change(
            part.width_mm,
            home_moisture_pct,
            np.maximum(mean[:, i, step], 0.0),
            grain,
            wood.shrinks_from_pct,
        )
        found.append(
            PartProjection(
                part,
                step,
                float(np.median(own[:, step])),
                _range(off[:, i, step]),
                _range(change),
                middle + home_moisture_pct,
            )
        )
    found.sort(key=lambda one: -one.yield_share)
    closable = (np.median(share, axis=0) <= CLOSE_SHARE) & (far <= CLOSE_FAR_PCT)
    return PlatesProjection(tuple(found), closable)


def _range(values: Floats) -> QuantileRange:
    return QuantileRange(*np.quantile(values, [0.1, 0.5, 0.9]).tolist())
