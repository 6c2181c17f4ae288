"""A whole stay of an instrument: the moisture of each part over time, as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.science.plates.air_steps import HomeAir, Opened, air_steps, spells
from monitor.science.plates.diffusion import Plates, uniform
from monitor.science.plates.faces import face_transfers
from monitor.science.plates.parts import Part, checked_parts
from monitor.science.ranges import Floats
from monitor.science.waits.air_log import AirLog, Times


@dataclass(frozen=True, eq=False)
class MoistureHistory:
    """Moisture of p parts at the end of each of n steps of constant air, best estimate.

    `at_ms` (n,), rising [ms since 1970-01-01 UTC]; `mean`, `outer`, `inner` (p, n): mean and
    faces [% of oven-dry mass]; `air_pct` (n,): what the wood would settle at [%]; `temp_c`,
    `rh_pct` (n,): that air; `known` (n,): whether it was read, not bridged; `opened` (n,).
    `home_moisture_pct`: what the wood keeps at home [%]. `state` carries the end on to a next history.
    """

    parts: tuple[Part, ...]
    at_ms: Times
    mean: Floats
    outer: Floats
    inner: Floats
    air_pct: Floats
    temp_c: Floats
    rh_pct: Floats
    known: NDArray[np.bool_]
    opened: NDArray[np.bool_]
    home_moisture_pct: float
    state: Floats


def history(
    parts: Sequence[Part],
    air: AirLog,
    arrived_ms: int,
    *,
    home: HomeAir | None = None,
    opened: Sequence[Opened] = (),
    state: Floats | None = None,
) -> MoistureHistory:
    """Moisture of an instrument's parts since it came, at its log's own steps.

    Parameters
    ----------
    parts : sequence of Part
    air : AirLog
        Where it has been: `air_log` of one place, or `stitched` from several. Gaps are bridged.
    arrived_ms : int
        When it came, or where an earlier history ended. Within the log. [ms since 1970-01-01 UTC]
    home : Home, optional
        Its parts start at the moisture they keep there.
    opened : sequence of Opened
        When it was open, rising; else it was closed.
    state : ndarray, optional
        Of an earlier history, instead of the home moisture.

    Raises
    ------
    PartFault, OutOfRange
        The latter also where no air at all is known.
    """
    parts = checked_parts(parts)
    moisture = (home or HomeAir()).home_moisture_pct()
    thick = np.array([p.thickness_mm / 1000 for p in parts])
    state = uniform(np.full(len(parts), moisture)) if state is None else state
    courses, drives, opens = [], [], []
    for spell in spells(air, arrived_ms, opened):
        plates = Plates(thick, *face_transfers(parts, opened=spell.opened))
        steps = air_steps(spell.air)
        course = plates.course(steps.tau_s, steps.air_pct, state=state)
        state = course.state
        courses.append(course)
        drives.append(steps)
        opens.append(np.full(len(steps.tau_s), spell.opened))
    mean, outer, inner = (
        np.concatenate(rows, axis=1) for rows in list(zip(*courses, strict=True))[:3]
    )
    end, _, air_pct, temp, rh, gap = (np.concatenate(rows) for rows in zip(*drives, strict=True))
    return MoistureHistory(
        parts,
        end,
        mean,
        outer,
        inner,
        air_pct,
        temp,
        rh,
        gap == 0,
        np.concatenate(opens),
        moisture,
        state,
    )
