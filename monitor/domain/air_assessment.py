"""Assessment of the air at a place for the work: one state and its words, steady near a limit.

An assessment is a fold over the recent air, not a state that is kept: the same trace gives the same
assessment in any process, after any restart.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Iterator
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
    for cold and heat the temperature [°C]; else NaN. `beyond` is how far the value that the state is
    judged by lies beyond its limit. [%], [K]  `also` is the other state that the air is in: `advice`
    has its words too, after those of the state that forbids work.
    """

    state: AirState
    weight: int
    title: str
    advice: str
    since_ms: int
    ends_at: float = math.nan
    beyond: float = 0.0
    also: AirAssessment | None = None

    @property
    def states(self) -> frozenset[AirState]:
        """All states that the air is in."""
        return frozenset([self.state, *([self.also.state] if self.also else [])])

    @property
    def titles(self) -> str:
        """Titles of all states that the air is in: `Too cold to glue, and damp`."""
        if self.also is None:
            return self.title
        return f"{self.title}, and {self.also.title[0].lower()}{self.also.title[1:]}"

    @property
    def sentence(self) -> str:
        """Titles and advice as one text."""
        return f"{self.titles}. {self.advice}".strip() if self.title else self.advice


class _Rule(NamedTuple):
    """A state that begins when a value passes `begins` and ends when it is back at `ends`."""

    state: AirState
    weight: int
    of: str
    begins: float
    ends: float
    title: str
    advice: str

    def beyond(self, value: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distance of a value beyond the limit at which the state begins."""
        return self.begins - value if self.ends > self.begins else value - self.begins


NOTHING_KNOWN = "No reading of temperature and humidity yet"
FORBIDS_WEIGHT = 3
"""Lowest weight of an assessment in which nothing should be glued."""
COAT_WEIGHT = 2
"""Lowest weight of an assessment of a varnish place in which no coat should be applied."""


def forbids(kind: str, found: AirAssessment | _Rule) -> bool:
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
    """Result of the recent air of a place: the numbers of the rules that it meets now, the gravest
    first; of that one since when [ms since 1970-01-01 UTC], where it ends and how far it is beyond,
    as in `AirAssessment`; the temperature now, NaN if it or RH is not known [°C], and whether it is
    too hot."""

    rules: tuple[int, ...]
    since_ms: int
    ends_at: float
    beyond: float
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
        since_ms = int(ts_ms[-1]) if len(ts_ms) else 0
        return AirCourse((), since_ms, math.nan, 0.0, math.nan, hot=False)
    values = {"rh": rh_pct, "temp": temp_c, "spread": temp_c - dew_point_c}
    last_end = int(ts_ms[0])
    hot = bool(latched(temp_c, limits.temp_high_c, limits.temp_high_c - limits.temp_margin_c)[-1])
    met: dict[int, tuple[_Rule, NDArray[np.bool_]]] = {}
    for number, rule in enumerate(_rules(place, limits, ANYWHERE)):
        on = latched(values[rule.of], rule.begins, rule.ends)
        if on[-1]:
            met[number] = rule, on
        elif on.any():
            last_end = max(last_end, int(ts_ms[np.flatnonzero(on)[-1] + 1]))
    if not met:
        return AirCourse((), last_end, math.nan, 0.0, float(temp_c[-1]), hot)
    numbers = sorted(met, key=lambda one: _order(place.kind, met[one][0]))
    rule, on = met[numbers[0]]
    off = np.flatnonzero(~on)
    since_ms = int(ts_ms[off[-1] + 1] if len(off) else ts_ms[0])
    beyond = float(rule.beyond(values[rule.of][-1:])[0])
    ends_at = rule.ends if beyond <= 0 and rule.of != "spread" else math.nan
    return AirCourse(tuple(numbers), since_ms, ends_at, beyond, float(temp_c[-1]), hot)


def assessment_of(
    found: AirCourse, place: Place, limits: AirLimits, situation: Situation
) -> AirAssessment:
    """The assessment that follows from the course of the air, with the advice for a situation."""
    if math.isnan(found.temp_c):
        return AirAssessment(AirState.UNKNOWN, 1, NOTHING_KNOWN, "", found.since_ms)
    if not found.rules:
        return AirAssessment(AirState.RIGHT, 0, "", _RIGHT[place.kind], found.since_ms)
    situation = situation._replace(temp_c=found.temp_c, hot=found.hot)
    rules = [*_rules(place, limits, situation)]
    assessment = _assessed(place, [rules[number] for number in found.rules])
    return assessment._replace(since_ms=found.since_ms, ends_at=found.ends_at, beyond=found.beyond)


def _order(kind: str, rule: _Rule) -> tuple[bool, int]:
    """Sort key of rules: those that forbid work first, then by weight."""
    return not forbids(kind, rule), -rule.weight


def _assessed(place: Place, rules: Iterable[_Rule]) -> AirAssessment:
    """The assessment of air that meets these rules, the gravest first.

    Where no coat may be applied, and beside cold parts, the advice on the graver state is enough: the
    other would say how to work.
    """
    head, *others = [
        AirAssessment(rule.state, rule.weight, rule.title, rule.advice, 0) for rule in rules
    ]
    also = next((one for one in others if one.state is not head.state), None)
    if also is None:
        return head
    advice = head.advice
    if place.kind == "bench" and also.state is not AirState.COLD:
        advice = " ".join(dict.fromkeys(re.split(r"(?<=\.) ", f"{advice} {also.advice}")))
    return head._replace(weight=max(head.weight, also.weight), advice=advice, also=also)


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
    rules = [*_rules(place, limits, situation)]
    rules.sort(key=lambda rule: _order(place.kind, rule))
    if not rules:
        return []
    on = np.array([rule.beyond(values[rule.of]) > 0 for rule in rules])
    shares: dict[AirAssessment, float] = {}
    met, counts = np.unique(on, axis=1, return_counts=True)
    for column, count in zip(met.T, counts, strict=True):
        if column.any():
            one = _assessed(place, itertools.compress(rules, column))
            shares[one] = shares.get(one, 0.0) + float(count / on.shape[1])
    return sorted(shares.items(), key=lambda one: -one[1])


def weights(
    place: Place,
    limits: AirLimits,
    temp_c: NDArray[np.float64],
    rh_pct: NDArray[np.float64],
    dew_point_c: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Weights that `judge` surely gives the air of places of one kind and band, and may give at most;
    and how far it is beyond the limit of its gravest state, in margins of that state.

    The weights differ where a value is back within its limit, but not by the margin: the trace decides
    then.

    Parameters
    ----------
    temp_c, rh_pct, dew_point_c : ndarray of shape (places,)
        Newest values. [°C], [%], [°C]

    Returns
    -------
    two ndarrays of int and one of float, shape (places,)
    """
    values = {"rh": rh_pct, "temp": temp_c, "spread": temp_c - dew_point_c}
    least, most = (np.zeros(len(rh_pct), np.int64) for _ in range(2))
    far = np.zeros(len(rh_pct))
    for rule in _rules(place, limits, ANYWHERE):
        of, dry = values[rule.of], rule.ends > rule.begins
        margins = rule.beyond(of) / (abs(rule.ends - rule.begins) or 1.0)
        graver, alike = rule.weight > least, rule.weight == least
        far = np.where((margins > 0) & (graver | (alike & (margins > far))), margins, far)
        for found, limit in ((least, rule.begins), (most, rule.ends)):
            beyond = of < limit if dry else of > limit
            found[beyond] = np.maximum(found[beyond], rule.weight)
    return least, most, far


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
