"""Assessment of the air at a place for the work: one state and its words, steady near a limit.

An assessment is a fold over the recent air, not a state that is kept: the same trace gives the same
assessment in any process, after any restart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.domain import situation as situations
from monitor.domain.places import AirLimits, Place, band
from monitor.domain.situation import ANYWHERE, Situation

if TYPE_CHECKING:
    from numpy.typing import NDArray


class AirState(StrEnum):
    """State of the air for the work. The value is the word on screen."""

    DRY = "dry"
    DAMP = "damp"
    COLD = "cold"
    HOT = "hot"
    RIGHT = "right"
    UNKNOWN = "unknown"


class AirAssessment(NamedTuple):
    """The assessment of a place's air.

    `title` names the state, as "Very dry", and `advice` has what follows from it; either may be
    empty. `weight` orders assessments by urgency: 0 all is right, 1 take note, 2 act, 3 act now.
    `since_ms` is when the state began, or the start of an older trace. [ms since 1970-01-01 UTC]
    `ends_at` is where the state ends, if the air is back within its limit but not there yet: RH [%],
    for cold and heat the temperature [°C]; else NaN.
    """

    state: AirState
    weight: int
    title: str
    advice: str
    since_ms: int
    ends_at: float = math.nan

    @property
    def sentence(self) -> str:
        """Title and advice as one text."""
        return f"{self.title}. {self.advice}".strip() if self.title else self.advice


class _Rule(NamedTuple):
    """A state that begins when a value passes `begins` and ends when it is back at `ends`."""

    state: AirState
    weight: int
    of: str
    begins: float
    ends: float
    title: str
    advice: str


NOTHING_KNOWN = "No reading of temperature and humidity yet"
FORBIDS_WEIGHT = 3
"""Lowest weight of an assessment in which nothing should be glued."""
COAT_WEIGHT = 2
"""Lowest weight of an assessment of a varnish place in which no coat should be applied."""


def forbids(kind: str, found: AirAssessment) -> bool:
    """True if work should wait for better air: glue at a place judged as a bench, a coat at a varnish
    place."""
    if kind == "varnish":
        return found.weight >= COAT_WEIGHT or found.state is AirState.HOT
    return found.weight >= FORBIDS_WEIGHT or found.state is AirState.COLD


def judge(
    place: Place,
    limits: AirLimits,
    ts_ms: NDArray[np.int64],
    temp_c: NDArray[np.float64],
    rh_pct: NDArray[np.float64],
    dew_point_c: NDArray[np.float64],
    situation: Situation = ANYWHERE,
) -> AirAssessment:
    """The assessment of a place's air now, from its recent trace.

    Parameters
    ----------
    place : Place
        Outdoors nothing is judged: the state is always right, the sentence empty.
    limits : AirLimits
    ts_ms, temp_c, rh_pct, dew_point_c : ndarray of shape (n,)
        The last hours, oldest first, ending now: time [ms since 1970-01-01 UTC], air temperature
        [°C], RH [%] and dew point [°C]; NaN where unknown.
    situation : Situation
        Of the place; its temperature is taken from the trace.

    Returns
    -------
    AirAssessment
        Unknown if the trace is empty or ends with an unknown RH or temperature.
    """
    found = course(place, limits, ts_ms, temp_c, rh_pct, dew_point_c)
    return assessment_of(found, place, limits, situation)


class AirCourse(NamedTuple):
    """Result of the recent air of a place: the number of the rule that it meets now, -1 for none,
    since when [ms since 1970-01-01 UTC] and where it ends, as in `AirAssessment`; the temperature
    now, NaN if it or RH is not known [°C], and whether it is too hot."""

    rule: int
    since_ms: int
    ends_at: float
    temp_c: float
    hot: bool


def course(
    place: Place,
    limits: AirLimits,
    ts_ms: NDArray[np.int64],
    temp_c: NDArray[np.float64],
    rh_pct: NDArray[np.float64],
    dew_point_c: NDArray[np.float64],
) -> AirCourse:
    """The part of `judge` that needs the whole trace, not the situation."""
    if not len(ts_ms) or np.isnan(rh_pct[-1]) or np.isnan(temp_c[-1]):
        return AirCourse(-1, int(ts_ms[-1]) if len(ts_ms) else 0, math.nan, math.nan, hot=False)
    values = {"rh": rh_pct, "temp": temp_c, "spread": temp_c - dew_point_c}
    worst, weight, since_ms, ends_at = -1, -1, 0, math.nan
    last_end = int(ts_ms[0])
    hot = bool(latched(temp_c, limits.temp_high_c, limits.temp_high_c - limits.temp_margin_c)[-1])
    for number, rule in enumerate(_rules(place, limits, ANYWHERE)):
        on = latched(values[rule.of], rule.begins, rule.ends)
        if on[-1]:
            if rule.weight > weight:
                off = np.flatnonzero(~on)
                since_ms = int(ts_ms[off[-1] + 1] if len(off) else ts_ms[0])
                worst, weight = number, rule.weight
                value, dry = values[rule.of][-1], rule.ends > rule.begins
                back = value >= rule.begins if dry else value <= rule.begins
                ends_at = rule.ends if back and rule.of != "spread" else math.nan
        elif on.any():
            last_end = max(last_end, int(ts_ms[np.flatnonzero(on)[-1] + 1]))
    since_ms = last_end if worst < 0 else since_ms
    return AirCourse(worst, since_ms, ends_at, float(temp_c[-1]), hot)


def assessment_of(
    found: AirCourse, place: Place, limits: AirLimits, situation: Situation
) -> AirAssessment:
    """The assessment that follows from the course of the air, with the advice for a situation."""
    if math.isnan(found.temp_c):
        return AirAssessment(AirState.UNKNOWN, 1, NOTHING_KNOWN, "", found.since_ms)
    if found.rule < 0:
        return AirAssessment(AirState.RIGHT, 0, "", _RIGHT[place.kind], found.since_ms)
    situation = situation._replace(temp_c=found.temp_c, hot=found.hot)
    rule = [*_rules(place, limits, situation)][found.rule]
    return AirAssessment(
        rule.state, rule.weight, rule.title, rule.advice, found.since_ms, found.ends_at
    )


def expected(
    place: Place,
    limits: AirLimits,
    temp_c: NDArray[np.float64],
    rh_pct: NDArray[np.float64],
    dew_point_c: NDArray[np.float64],
    situation: Situation = ANYWHERE,
) -> list[tuple[AirAssessment, float]]:
    """Assessments of air that is expected, each with its share of the members, the most first. [-]

    Parameters
    ----------
    temp_c, rh_pct, dew_point_c : ndarray of shape (members,)
        [°C], [%], [°C]
    """
    values = {"rh": rh_pct, "temp": temp_c, "spread": temp_c - dew_point_c}
    rest = np.ones(len(rh_pct), bool)
    found = []
    for rule in sorted(_rules(place, limits, situation), key=lambda one: -one.weight):
        above = rule.begins >= rule.ends
        of = values[rule.of]
        on = rest & ((of > rule.begins) if above else (of < rule.begins))
        rest &= ~on
        if on.any():
            made = AirAssessment(rule.state, rule.weight, rule.title, rule.advice, 0)
            found.append((made, float(on.mean())))
    return sorted(found, key=lambda one: -one[1])


def weights(
    place: Place,
    limits: AirLimits,
    temp_c: NDArray[np.float64],
    rh_pct: NDArray[np.float64],
    dew_point_c: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Weights that `judge` surely gives the air of places of one kind and band, and may give at most.

    They differ where a value is back within its limit, but not by the margin: the trace decides then.

    Parameters
    ----------
    temp_c, rh_pct, dew_point_c : ndarray of shape (places,)
        Newest values. [°C], [%], [°C]

    Returns
    -------
    two ndarrays of int, shape (places,)
    """
    values = {"rh": rh_pct, "temp": temp_c, "spread": temp_c - dew_point_c}
    least, most = (np.zeros(len(rh_pct), np.int64) for _ in range(2))
    for rule in _rules(place, limits, ANYWHERE):
        of, dry = values[rule.of], rule.ends > rule.begins
        for found, limit in ((least, rule.begins), (most, rule.ends)):
            beyond = of < limit if dry else of > limit
            found[beyond] = np.maximum(found[beyond], rule.weight)
    return least, most


def latched(values: NDArray[np.float64], begins: float, ends: float) -> NDArray[np.bool_]:
    """Mask of a trace, True where a state with hysteresis is on.

    Parameters
    ----------
    values : ndarray of shape (n,)
        NaN changes nothing.
    begins, ends : float
        The state begins beyond `begins`, away from `ends`, and ends at `ends`. Equal: above.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if ends > begins:
        values, begins, ends = -values, -begins, -ends
    if not (values > begins).any():  # as almost always
        return np.zeros(len(values), np.bool_)
    change = np.where(values > begins, 1, np.where(values <= ends, -1, 0))
    change[np.isnan(values)] = 0
    last = np.maximum.accumulate(np.where(change != 0, np.arange(len(values)), -1))
    return np.where(last >= 0, change[last] > 0, False)


_RIGHT = {
    "bench": "Good for glue and open work.",
    "varnish": "Good for varnish and retouching.",
    "outdoors": "",
}


def _rules(place: Place, limits: AirLimits, here: Situation) -> Iterator[_Rule]:
    """The rules of a place's kind, the gravest of equal weight first."""
    low, high = band(place, limits)
    rh, t, s = limits.rh_margin_pct, limits.temp_margin_c, limits.varnish_spread_margin_k
    plates, warm = situations.opened_plates(here), situations.warm_to_dry(here)
    very_low = min(limits.rh_very_low_pct, low)
    very_high = max(limits.rh_very_high_pct, high)
    if place.kind == "bench":
        yield _Rule(
            AirState.DRY,
            3,
            "rh",
            very_low,
            very_low + rh,
            "Very dry",
            f"Seams and cracks open. {plates} Close no joints. {here.water}",
        )
        yield _Rule(
            AirState.DAMP,
            3,
            "rh",
            very_high,
            very_high - rh,
            "Very damp",
            "Hide glue may not harden. Leave the clamps on and glue nothing new. Dry the air "
            f"slowly. {warm}".rstrip(),
        )
        yield _Rule(
            AirState.DRY,
            2,
            "rh",
            low,
            low + rh,
            "Dry",
            f"Opened plates shrink. {plates} {here.water}",
        )
        yield _Rule(
            AirState.DAMP,
            2,
            "rh",
            high,
            high - rh,
            "Damp",
            "Hide glue hardens slowly. Leave the clamps on longer.",
        )
        yield _Rule(
            AirState.COLD,
            1,
            "temp",
            limits.glue_temp_low_c,
            limits.glue_temp_low_c + t,
            "Too cold to glue",
            situations.warm_parts(here),
        )
        yield _Rule(
            AirState.HOT,
            1,
            "temp",
            limits.temp_high_c,
            limits.temp_high_c - t,
            "Hot",
            "Wet glue stays soft. Leave the clamps on longer.",
        )
    if place.kind == "varnish":
        stop = (
            "Too near the dew point",
            f"Do not varnish now. Wait until the air is drier. {warm}".rstrip(),
        )
        blush = ("Damp", "Spirit varnish may blush. Wait until the air is drier.")
        yield _Rule(
            AirState.DAMP,
            3,
            "rh",
            limits.varnish_rh_stop_pct,
            limits.varnish_rh_stop_pct - rh,
            *stop,
        )
        yield _Rule(
            AirState.DAMP,
            3,
            "spread",
            limits.varnish_spread_stop_k,
            limits.varnish_spread_stop_k + s,
            *stop,
        )
        yield _Rule(
            AirState.DAMP,
            2,
            "rh",
            limits.varnish_rh_high_pct,
            limits.varnish_rh_high_pct - rh,
            *blush,
        )
        yield _Rule(
            AirState.DAMP,
            2,
            "spread",
            limits.varnish_spread_low_k,
            limits.varnish_spread_low_k + s,
            *blush,
        )
        yield _Rule(
            AirState.DRY,
            2,
            "rh",
            very_low,
            very_low + rh,
            "Very dry",
            f"A coat skins over and dust flies. {here.water} Varnish later.",
        )
        yield _Rule(
            AirState.COLD,
            2,
            "temp",
            limits.varnish_temp_low_c,
            limits.varnish_temp_low_c + t,
            "Too cold to varnish",
            f"A coat stays soft. {situations.warm_room(here)}",
        )
        yield _Rule(
            AirState.HOT,
            1,
            "temp",
            limits.temp_high_c,
            limits.temp_high_c - t,
            "Hot",
            "Varnish drags and bubbles. Wait for a cooler hour.",
        )
        yield _Rule(
            AirState.DRY,
            1,
            "rh",
            low,
            low + rh,
            "Dry",
            "A coat skins over fast. Apply thin coats.",
        )
