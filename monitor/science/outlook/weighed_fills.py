"""Calibration of the vapour balance by weighed fills of a humidifier.

Air change, sources and what wood takes up scale together in a log of RH; only a flow of water that
is known in grams sets their scale. What was filled in, to the same mark each time, is what left the
tank since the fill before: spread evenly over those hours it enters the vapour balance as a source.
The balance is then fitted once more, in grams. The effect of a litre or a window follows from that
second fit. The room of the outlook stays the first one: what a tank will give in the days ahead is
not known, and the fitted humidifier represents it as before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from monitor.science.outlook import vapour_balance
from monitor.science.outlook.fitting import estimate
from monitor.science.outlook.room_fit import Runs, starts_of
from monitor.science.outlook.room_model import (
    SCALE_SD,
    FillCalibration,
    PreparedLog,
    RoomModel,
    draws,
)
from monitor.science.outlook.what_if import vapour_pa_h
from monitor.science.ranges import Floats

MERGED_H, LONGEST_H = 3.0, 168.0
"""Fills within so long are one; after so long nobody knows when the tank ran dry. [h]  Ours."""

FEWEST_FILLS, FEWEST_KNOWN_H = 5, 72
"""Fewer intervals of known water, or hours of them, pin nothing. [-], [h]  Ours."""

MODEL_SD = 0.4
"""How far the model alone puts what a litre does off, as ln, besides what the fit says. [-]  Ours:
so far it was off in rooms of `tests/rooms`, of those the outlook was tuned on; the air change was
off by 0.14."""

WORSE = 1.1
"""Water that makes the fit worse by this factor is not believed. [-]  Ours."""

_DRAWS, _SEED = 100, 6


class Fills(NamedTuple):
    """Fills of one tank, oldest first: `at_h` (n,) [h since 1970-01-01 UTC, fractions allowed],
    `litres` (n,) put in, NaN where nobody measured. [L]"""

    at_h: Floats
    litres: Floats


class Intervals(NamedTuple):
    """Times between fills of a tank from `from_h` to `until_h` (n,) [h since 1970-01-01 UTC], and
    what it gave to the air, (n,). [L/h]"""

    from_h: Floats
    until_h: Floats
    litres_h: Floats

    @classmethod
    def of(cls, fills: Fills) -> Intervals:
        """Intervals between fills whose water is known."""
        at: list[float] = []
        litres: list[float] = []
        for when, amount in zip(fills.at_h.tolist(), fills.litres.tolist(), strict=True):
            if at and when - at[-1] < MERGED_H:
                litres[-1] += amount
            else:
                at.append(when)
                litres.append(amount)
        ends, apart = np.array(at[1:]), np.diff(at)
        known = (apart <= LONGEST_H) & ~np.isnan(litres[1:])
        rate = np.array(litres[1:])[known] / apart[known]
        return cls((ends - apart)[known], ends[known], rate)

    def hourly(self, ends_h: np.ndarray) -> Floats:
        """Water given in the hours that end at `ends_h`, NaN where it is not known. [L/h]"""
        out = np.full(len(ends_h), np.nan)
        for start, end, rate in zip(*self, strict=True):
            out[(ends_h - 0.5 >= start) & (ends_h - 0.5 < end)] = rate
        return out


def calibrated_by_fills(
    room: RoomModel, k: PreparedLog, stop: int, tanks: Sequence[Fills], volume_m3: float
) -> tuple[RoomModel, str]:
    """Room with a vapour balance in grams, from fills up to hour number `stop`.

    Or the room as it was, and why the fills do not determine it.

    Parameters
    ----------
    tanks : sequence of Fills
        Of the room's tanks; in an hour all must be known. The humidifier that was fitted is
        switched off in those hours, for the known water is what it gave; in others it runs.
    volume_m3 : float
        5 to 5000. [m³]
    """
    first, starts = starts_of(stop)
    ends_h = k.hours.ends_h
    found = [Intervals.of(fills) for fills in tanks]
    count = min(
        (
            int(np.sum((i.from_h >= ends_h[0] + first) & (i.until_h <= ends_h[stop])))
            for i in found
        ),
        default=0,
    )
    if room.refused or not any(np.isfinite(fills.litres).any() for fills in tanks):
        return room, ""
    if count < FEWEST_FILLS:
        return (
            room,
            f"{count} of the {FEWEST_FILLS} times from one measured fill to the next are there",
        )
    given = np.sum([i.hourly(ends_h) for i in found], axis=0)
    if (known_h := int(np.sum(~np.isnan(given[first : stop + 1])))) < FEWEST_KNOWN_H:
        return room, f"they tell of {known_h} of the {FEWEST_KNOWN_H} hours that are needed"
    runs = Runs.of(k, starts, stop, room.offset_h)
    source = vapour_pa_h(24 * given, volume_m3)[runs.rows]
    wet = runs.wet._replace(more_source=np.nan_to_num(source), humidifier=np.isnan(source) * 1.0)
    water = estimate(
        lambda theta: runs.water_off(k, theta, wet),
        vapour_balance.PRIOR,
        room.water.mean,
        runs.information,
    )
    if not water.misfit <= WORSE * room.water.misfit:
        return room, "what the air did does not bear them out, so they are not believed"
    few = Runs.of(k, starts[::-1][::4][::-1], stop, room.offset_h).wet  # each hour about once
    theta = draws(water, np.random.default_rng(_SEED), _DRAWS)
    change = np.log(vapour_balance.air_change(theta, few).mean(axis=(0, 2)))
    sd = float(np.hypot(change.std(), MODEL_SD))
    if sd >= SCALE_SD:
        return room, "they tell no more than is known without them"
    return replace(room, pinned=FillCalibration(water, sd, float(np.exp(change.mean())))), ""
