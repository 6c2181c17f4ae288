"""Statistics of an ensemble of air: spells, their probability, and good stretches."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.air import dew_point
from monitor.science.ranges import Floats
from monitor.science.wood import equilibrium_moisture_content

LIKELY, UNSURE = 0.5, 0.2
"""From these chances on something is more likely than not, and is shown at all. [-]  Ours."""


class OutlookRange(NamedTuple):
    """10, 50 and 90 % of the members."""

    low: float
    middle: float
    high: float


class Fan(NamedTuple):
    """10, 50 and 90 % by the hour, each (3, steps): temperature [°C], RH [%], dew point [°C],
    moisture that wood would settle at [%]."""

    temp_c: Floats
    rh_pct: Floats
    dew_point_c: Floats
    emc_pct: Floats


class OutlookSpell(NamedTuple):
    """Air beyond a limit for some hours on end.

    `chance`: part of the members that have one [-]; the rest rests on those alone. `begins_h`:
    hours from the first step to the end of its first hour, 0 if it is so from the start;
    `extreme`: the level that a member keeps beyond for that long, so always beyond the limit;
    `extreme_at_h`: the step at which the middle of the members is furthest out.
    """

    chance: float
    begins_h: OutlookRange
    extreme: OutlookRange
    extreme_at_h: float


class GoodHours(NamedTuple):
    """Some hours on end that suit: first step, how many, part of the members that suit all along."""

    start: int
    hours: int
    chance: float


def fan(members: Floats) -> Fan:
    """The fan of an ensemble (2, members, steps) of temperature [°C] and RH [%]."""
    temp, rh = members
    t = np.clip(temp, -20, 60)
    derived = (temp, rh, dew_point(temp, rh), equilibrium_moisture_content(t, rh))
    return Fan(*(np.quantile(values, [0.1, 0.5, 0.9], axis=0) for values in derived))


def spell(values: Floats, limit: float, hours: int, *, below: bool) -> OutlookSpell | None:
    """The first time that values stay beyond a limit for so many hours.

    Parameters
    ----------
    values : ndarray (members, steps)
    limit : float
        In the values' unit.
    hours : int
        So long on end, at least 1. [h]
    below : bool
        Whether below the limit is beyond it; else above.

    Returns
    -------
    Spell or None
        None if no member has one.
    """
    sign = -1.0 if below else 1.0
    out = sign * values > sign * limit
    windows = np.lib.stride_tricks.sliding_window_view
    runs = np.asarray(windows(out, hours, axis=1).all(axis=2))
    has = runs.any(axis=1)
    if not has.any():
        return None
    begins = runs[has].argmax(axis=1)
    at, _ = extreme_step(values[has], below=below)
    extreme = range_of(sustained_extreme(values[has], hours, below=below))
    return OutlookSpell(float(has.mean()), range_of(begins.astype(float)), extreme, float(at))


def extreme_step(values: Floats, *, below: bool) -> tuple[int, OutlookRange]:
    """The step at which the middle of the members (members, steps) is lowest, or highest, and
    their range there."""
    middle = np.median(values, axis=0)
    at = int(middle.argmin() if below else middle.argmax())
    return at, range_of(values[:, at])


def sustained_extreme(values: Floats, hours: int, *, below: bool) -> Floats:
    """Level that each of the members (members, steps) keeps below for some hours on end, or above.

    Shape (members,). A member has a `spell` below a limit just where this lies below it.
    """
    windows = np.lib.stride_tricks.sliding_window_view(values, hours, axis=1)
    return np.asarray(
        windows.max(axis=2).min(axis=1) if below else windows.min(axis=2).max(axis=1)
    )


def best_stretch(suits: np.ndarray, allowed: np.ndarray, hours: int) -> GoodHours | None:
    """The stretch that suits with the best chance, the earlier of two alike.

    Parameters
    ----------
    suits : ndarray of bool (members, steps)
    allowed : ndarray of bool (steps,)
        Such as the hours that the shop is open.
    hours : int
        How long it must be. [h]

    Returns
    -------
    Stretch or None
        None where no stretch is allowed, or none suits in any member.
    """
    if suits.shape[1] < hours:
        return None
    windows = np.lib.stride_tricks.sliding_window_view
    whole = windows(allowed, hours).all(axis=1)
    chance = np.where(whole, windows(suits, hours, axis=1).all(axis=2).mean(axis=0), 0.0)
    chance = np.round(chance, 2)  # hundredths decide nothing, so that the earlier one is named
    best = int(np.argmax(chance))
    return GoodHours(best, hours, float(chance[best])) if chance[best] > 0 else None


class Dew(NamedTuple):
    """The coldest hour outdoors: its step, the air there and the dew point indoors [°C], and the
    chance that dew forms on what comes in as cold. [-]"""

    at: int
    outdoors: OutlookRange
    dew_point: OutlookRange
    chance: float


def dew_on_cold(members: Floats, outdoors: Floats) -> Dew:
    """Probability of dew on an instrument that comes in from the cold.

    Water condenses on what is colder than the dew point of the air (by its definition).

    Parameters
    ----------
    members : ndarray (2, members, steps)
        Temperature [°C] and RH [%] indoors.
    outdoors : ndarray (steps, any)
        Temperature outdoors, by members of its own. [°C]
    """
    at = int(np.median(outdoors, axis=1).argmin())
    cold, dew = outdoors[at], dew_point(members[0][:, at], members[1][:, at])
    chance = float((cold[:, None] < dew).mean())
    return Dew(at, range_of(cold), range_of(dew), chance)


TOLD_MOST = 0.95
"""No chance is given as nearer to 1 or to 0 than this leaves. [-]  Ours: the members are no better
than what they rest on."""


def likely(chance: float) -> str:
    """A chance (0 to 1) in tenths: `4 in 10`, `more than 9 in 10`, `less than 1 in 10`. Never in
    percent, which is RH."""
    if chance > TOLD_MOST:
        return "more than 9 in 10"
    if chance < 1 - TOLD_MOST:
        return "less than 1 in 10"
    return f"{min(max(round(10 * chance), 1), 9)} in 10"


def how_sure(chance: float) -> str:
    """A chance in a word, one word for all that `likely` gives as the same tenths."""
    tenths = round(10 * chance)
    if tenths >= 9:
        return "almost certain"
    if tenths >= 6:
        return "likely"
    return "possible" if tenths >= 2 else "unlikely"


def range_of(values: Floats) -> OutlookRange:
    """Range of members (members,)."""
    return OutlookRange(*np.quantile(values, [0.1, 0.5, 0.9]).tolist())
