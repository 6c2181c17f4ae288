"""The answer to whether a joint may be glued, from all that it rests on. Pure.

The answer is the gravest of its findings. Air's assessment and the open alerts of the place are among
them, so that no "Yes" is given beside "glue nothing new".
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Any, NamedTuple

from monitor.air.current import PlaceAir
from monitor.domain.air_assessment import FORBIDS_WEIGHT, AirAssessment, AirState
from monitor.domain.alerts.alert import Alert
from monitor.domain.glue import Glue, GlueState
from monitor.domain.places import AirLimits, Place, band
from monitor.domain.wait_types import WaitType
from monitor.science.plates.assessment import Close, WoodStatus
from monitor.science.quantiles import QuantileRange
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.open_time import GEL_TEMP_C, open_time
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import Readiness

MINDS_WEIGHT = 1
"""Weight of an assessment from which care is taken."""
FORBIDDING_RULES = (
    "very-damp",
    "very-dry",
    "frost",
    "cold-instrument",
    "far-from-rest",
    "near-yield",
)
"""Rules whose alert asks to glue nothing, to close nothing or to open no case."""
DOUBT_RULES = ("sensor-stuck", "sensor-saturated")
"""Rules whose alert asks not to trust a sensor."""
UNRELATED_FAMILIES = ("mould",)
"""Families of a place's alerts that say nothing about gluing."""
VERY_COLD_C = 15.0
"""Parts colder than this chill the glue at once. [°C]  Common practice, no source."""
APART_PCT = 1.5
"""Wood this far from the moisture of its place moves after gluing. [% MC]  Ours, as in the rule on
home moisture: a little over half of what brings held spruce to its yield strain."""
HOLD_CHANCE, LIKELY_CHANCE = 0.1, 0.5
"""Chance of a hold before it is ready from which it is reported, and from which it is likely. [-]"""


class Answer(StrEnum):
    """Answer to whether a joint may be glued. The value is the word on screen."""

    YES = "Yes"
    CARE = "Only with care"
    UNKNOWN = "Not known"
    NO = "Not now"


GRAVITY = {answer: n for n, answer in enumerate(Answer)}


class Why(StrEnum):
    """Findings that an answer rests on."""

    NO_READING = "no reading"
    OLD_READING = "old reading"
    DOUBTED_SENSOR = "doubted sensor"
    AIR = "air"
    SOLVENTS = "solvents"
    VARNISH = "varnish place"
    ALERT = "alert"
    NEAR_DAMP = "near very damp"
    NEAR_DRY = "near very dry"
    PARTS_COLD = "parts cold"
    PARTS_NEARLY_COLD = "parts nearly cold"
    ROOM_COLD = "room cold"
    TOO_SLOW = "too slow"
    MAYBE_TOO_SLOW = "maybe too slow"
    NO_GEL = "does not gel"
    MAYBE_NO_GEL = "may not gel"
    ELSEWHERE = "instrument elsewhere"
    WOOD_UNKNOWN = "wood unknown"
    NOT_SAFE = "not safe to close"
    DRIER = "wood drier than its place"
    DAMPER = "wood damper than its place"
    GLUE_PAST = "glue past"
    GLUE_NEAR = "glue near"
    GLUE_UNKNOWN = "glue unknown"
    NOT_HIDE = "not hide glue"
    NO_CLAMP_TIME = "no clamp time"
    NEVER_READY = "never ready"
    HOLD_AHEAD = "hold ahead"
    SLOW = "slow"
    NO_OUTLOOK = "no outlook"


class Finding(NamedTuple):
    """A reason, the answer that it allows at the most, and its values for the text."""

    why: Why
    allows: Answer
    values: Mapping[str, Any] = MappingProxyType({})


class WoodNow(NamedTuple):
    """Wood of the joint's instrument: its reference, place, status, why that is not known, and its
    temperature where it came in cold [°C]."""

    reference: str
    place: str
    status: WoodStatus | None
    why_not: str
    temp_c: float = math.nan


class Ahead(NamedTuple):
    """Expected air until the joint is ready: chance of a hold [-] and its reason, the lowest
    temperature [°C] and the highest RH [%] with their ranges."""

    hold_chance: float
    hold: Hold
    temp_low_c: QuantileRange
    rh_high_pct: QuantileRange


@dataclass(frozen=True, kw_only=True)
class Joint:
    """A joint with all that the answer rests on. Pure data."""

    place: Place
    air: PlaceAir | None
    glue_air: AirAssessment | None
    """Assessment by the rules of a bench, whatever the kind of the place."""
    alerts: Sequence[Alert]
    limits: AirLimits
    sensor: SensorUncertainty
    kind: WaitType
    glue: Glue | None = None
    glue_state: GlueState | None = None
    parts_temp_c: float = math.nan
    parts_from: str = "room"
    """Origin of the temperature: `room`, `typed` or `travel`."""
    need_s: float | None = None
    drying: tuple[str, ...] = ()
    """Names of the open waits at the place that give off solvent."""
    wood: WoodNow | None = None
    readiness: Readiness | None = None
    ahead: Ahead | None = None

    @property
    def hot_glue(self) -> bool:
        """True if the glue is hot hide glue, which gels."""
        if self.glue is not None:
            return self.glue.kind.air_sets
        return isinstance(self.kind.law, GlueLaw)


def answered(s: Joint) -> tuple[Answer, tuple[Finding, ...]]:
    """The answer for a joint, and its findings with the gravest first."""
    found = sorted(_findings(s), key=lambda one: -GRAVITY[one.allows])
    return (found[0].allows if found else Answer.YES), tuple(found)


def _findings(s: Joint) -> Iterator[Finding]:
    yield from _of_glue(s)
    if (unknown := unknown_air(s)) is not None:
        yield unknown
        yield from _of_wood(s)
        return
    yield from _of_air(s)
    yield from _of_parts(s)
    yield from _of_wood(s)
    yield from _of_hours(s)


def unknown_air(s: Joint) -> Finding | None:
    """Reason why the present air is not known."""
    air = s.air
    if air is None or air.heard_ms is None or math.isnan(air.temp_c) or math.isnan(air.rh_pct):
        return Finding(Why.NO_READING, Answer.UNKNOWN)
    if air.old:
        return Finding(Why.OLD_READING, Answer.UNKNOWN, {"heard_ms": air.heard_ms})
    for alert in s.alerts:
        if alert.rule in DOUBT_RULES:
            return Finding(Why.DOUBTED_SENSOR, Answer.UNKNOWN, {"alert": alert})
    if s.glue_air is None or s.glue_air.state is AirState.UNKNOWN:
        return Finding(Why.NO_READING, Answer.UNKNOWN)
    return None


def _of_glue(s: Joint) -> Iterator[Finding]:
    if s.glue is None:
        if not isinstance(s.kind.law, GlueLaw):
            yield Finding(Why.NOT_HIDE, Answer.CARE)
        return
    state = {
        GlueState.PAST: Finding(Why.GLUE_PAST, Answer.NO),
        GlueState.DISCARDED: Finding(Why.GLUE_PAST, Answer.NO),
        GlueState.NEAR: Finding(Why.GLUE_NEAR, Answer.CARE),
        GlueState.UNKNOWN: Finding(Why.GLUE_UNKNOWN, Answer.CARE),
    }
    if s.glue_state in state:
        yield state[s.glue_state]
    if not s.glue.kind.air_sets:
        yield Finding(Why.NOT_HIDE, Answer.CARE)
        if s.glue.clamp_h is None:
            yield Finding(Why.NO_CLAMP_TIME, Answer.CARE)


def _of_air(s: Joint) -> Iterator[Finding]:
    air, assessment = s.air, s.glue_air
    if air is None or assessment is None:
        return
    cold = assessment.state is AirState.COLD
    # Cold is a matter of the parts, and so said of them.
    minded = assessment.also if cold else assessment
    if assessment.weight >= FORBIDS_WEIGHT:
        yield Finding(Why.AIR, Answer.NO, {"assessment": assessment})
    elif minded is not None and minded.weight >= MINDS_WEIGHT:
        yield Finding(Why.AIR, Answer.CARE, {"assessment": minded})
    if cold and s.parts_from == "typed":
        yield Finding(Why.ROOM_COLD, Answer.CARE, {"assessment": assessment})
    if s.drying and s.hot_glue:
        yield Finding(Why.SOLVENTS, Answer.CARE)
    if s.place.kind == "varnish":
        own = air.assessment
        forbids = own.weight >= FORBIDS_WEIGHT
        allows = Answer.NO if forbids else Answer.CARE
        yield Finding(Why.VARNISH, allows, {"assessment": own})
    for alert in s.alerts:
        if alert.family in UNRELATED_FAMILIES or alert.rule in DOUBT_RULES:
            continue
        allows = Answer.NO if alert.rule in FORBIDDING_RULES else Answer.CARE
        yield Finding(Why.ALERT, allows, {"alert": alert})
    if assessment.weight < FORBIDS_WEIGHT:
        low, high = band(s.place, s.limits)
        if air.rh_pct + s.sensor.u_rh_pct >= max(s.limits.rh_very_high_pct, high):
            yield Finding(Why.NEAR_DAMP, Answer.CARE)
        if air.rh_pct - s.sensor.u_rh_pct <= min(s.limits.rh_very_low_pct, low):
            yield Finding(Why.NEAR_DRY, Answer.CARE)


def _of_parts(s: Joint) -> Iterator[Finding]:
    temp, limit = s.parts_temp_c, s.limits.glue_temp_low_c
    room_is_cold = s.glue_air is not None and AirState.COLD in s.glue_air.states
    if temp < limit or (room_is_cold and s.parts_from != "typed"):
        yield Finding(Why.PARTS_COLD, Answer.NO)
    elif s.parts_from == "room" and temp - s.sensor.u_temp_k < limit:
        yield Finding(Why.PARTS_NEARLY_COLD, Answer.CARE)
    if not s.hot_glue:
        return
    if temp >= GEL_TEMP_C[1]:
        yield Finding(Why.NO_GEL, Answer.NO)
    elif temp >= GEL_TEMP_C[0]:
        yield Finding(Why.MAYBE_NO_GEL, Answer.CARE)
    if s.need_s is not None:
        low_s, high_s = open_time(temp)
        if s.need_s > high_s:
            yield Finding(Why.TOO_SLOW, Answer.NO)
        elif s.need_s > low_s:
            yield Finding(Why.MAYBE_TOO_SLOW, Answer.CARE)


def _of_wood(s: Joint) -> Iterator[Finding]:
    if s.wood is None:
        return
    status = s.wood.status
    if status is None or not status.parts or status.closing.close is Close.UNKNOWN:
        reason = s.wood.why_not if status is None else f"{status.closing.reason}"
        yield Finding(Why.WOOD_UNKNOWN, Answer.CARE, {"reason": reason})
    elif status.closing.close is Close.NOT_YET:
        yield Finding(Why.NOT_SAFE, Answer.NO, {"closing": status.closing})
    if s.wood.place != s.place.id:
        yield Finding(Why.ELSEWHERE, Answer.CARE)
    elif status is not None:
        known = [p for p in status.parts if not math.isnan(p.from_settled_pct.median)]
        part = max(known, key=lambda p: abs(p.from_settled_pct.median), default=None)
        if part is not None and abs(part.from_settled_pct.median) >= APART_PCT:
            why = Why.DAMPER if part.from_settled_pct.median > 0 else Why.DRIER
            yield Finding(why, Answer.CARE, {"part": part})


def _of_hours(s: Joint) -> Iterator[Finding]:
    found = s.readiness
    if found is None:
        needs_time = s.glue is not None and not s.glue.kind.air_sets and s.glue.clamp_h is None
        if not needs_time:
            yield Finding(Why.NO_OUTLOOK, Answer.CARE)
        return
    if s.kind.law.needs_air and found.ready_ms is None:
        yield Finding(Why.NEVER_READY, Answer.NO)
        return
    if found.slow:
        yield Finding(Why.SLOW, Answer.CARE)
    if s.ahead is not None and s.ahead.hold_chance >= HOLD_CHANCE:
        yield Finding(Why.HOLD_AHEAD, Answer.CARE, {"ahead": s.ahead})
