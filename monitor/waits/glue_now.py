"""May I glue now? The answer for a joint at a place, from the store."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from monitor.air.current import PlaceAir, air_as, air_now
from monitor.air.latest_air import LatestAir, recent
from monitor.commands.closing import shop_hours
from monitor.commands.glue import glue_of
from monitor.core.errors import Fault, Rejected, range_fault
from monitor.domain.alerts.alert import Alert
from monitor.domain.glue import Glue, takes_glue, wait_type_with
from monitor.domain.opening_hours import is_open, next_opening
from monitor.domain.places import Place, band
from monitor.domain.situation import drying
from monitor.domain.wait_types import WaitType
from monitor.outlook.place_air import AirSource, PlaceAirs
from monitor.science.quantiles import QuantileRange
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.open_time import OpenTime, open_time
from monitor.science.waits.parameters import Hold
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.wait import Readiness, WaitInputs, WaitState
from monitor.store import Reader
from monitor.waits.glue_answer import (
    DOUBT_RULES,
    Ahead,
    Answer,
    Finding,
    Joint,
    Why,
    WoodNow,
    answered,
    unknown_air,
)

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.settings import Settings

START_CHANCE = 0.7
"""Chance of good air that a later start must have. [-]  Ours."""
PARTS_TEMP_C = (-30.0, 60.0)
"""Temperature that parts may have. [°C]"""
NEED_S = (1.0, 3_600.0)
"""Time that bringing a joint together may take. [s]"""
STEP_MS = 1_800_000
"""Step of the search for a later start. [ms]"""


class GlueQuestion(NamedTuple):
    """Question: a joint at a place, of a type, with a batch, on an instrument.

    `parts_temp_c`: None, the room's, or that of an instrument that came in cold. [°C]  `need_s`: time
    from spreading the glue until the joint is closed, if typed. [s]
    """

    place: str
    kind: str = ""
    glue: str = ""
    parts_temp_c: float | None = None
    need_s: float | None = None


class LaterStart(NamedTuple):
    """Later start in good air: time [ms] and chance [-]."""

    at_ms: int
    chance: float


@dataclass(frozen=True, kw_only=True)
class GlueNow:
    """Answer, its findings with the gravest first, and what the page shows beside it."""

    answer: Answer
    findings: tuple[Finding, ...]
    joint: Joint
    open_time: OpenTime | None
    opens_ms: int | None
    """Next opening of the shop; None if the joint is ready before the shop closes. [ms]"""
    start: LaterStart | None
    """First later start in good air; None if none is expected or none is needed."""
    searched: bool
    """True if a later start was looked for."""
    air_from: AirSource
    """Source of the expected air."""


def glue_now(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    question: GlueQuestion,
    now_ms: int,
    wood: WoodNow | None = None,
) -> GlueNow:
    """The answer for a joint at a place now.

    Parameters
    ----------
    question : GlueQuestion
    now_ms : int
        [ms since 1970-01-01 UTC]
    wood : WoodNow, optional
        Of the instrument whose joint it is.

    Raises
    ------
    Rejected
        If the place, the type, the glue, a temperature or a time cannot be.
    """
    latest = recent(reader, settings, now_ms)
    solvents = drying(journal.waits.values())
    airs = air_now(latest, settings, now_ms, solvents)
    air = next((one for one in airs if one.place.id == question.place), None)
    if air is None or air.place.kind == "outdoors":
        indoors = ", ".join(one.place.id for one in airs if one.place.kind != "outdoors")
        raise Rejected(Fault("", "place", question.place, f"one of {indoors or 'no place yet'}"))
    _check_range("parts_temp_c", question.parts_temp_c, "°C", PARTS_TEMP_C)
    _check_range("need_s", question.need_s, "s", NEED_S)
    glue = glue_of(journal, question.glue) if question.glue else None
    kind = _joint(journal, question.kind, glue)
    place_airs = PlaceAirs(reader, now_ms, {}, settings=settings)
    sensor = place_airs.sensor_error(air.place.id, settings)
    bench = air_as("bench", latest, air.place.id, settings, now_ms, solvents)
    s = Joint(
        place=air.place,
        air=air,
        glue_air=bench.assessment if bench else None,
        alerts=_alerts(journal.alerts.values(), air.place, _sensor(latest, air.place), wood),
        limits=settings.limits,
        sensor=sensor,
        kind=kind,
        glue=glue,
        glue_state=glue.state(now_ms) if glue else None,
        need_s=question.need_s,
        drying=solvents.get(air.place.id, ()),
        wood=wood,
    )
    s = replace(s, **_parts(question, air, wood))
    coming = place_airs.coming(air.place.id)
    needs_sheet = glue is not None and not glue.kind.air_sets and glue.clamp_h is None
    if unknown_air(s) is None and coming is not None and not needs_sheet:
        readiness = _readiness(kind, place_airs, air.place.id, coming, sensor, now_ms)
        s = replace(s, readiness=readiness, ahead=_ahead(kind, coming, readiness, now_ms))
    answer, findings = answered(s)
    hours, zone = shop_hours(reader, settings), settings.zone
    opens_ms = next_opening(hours, zone, now_ms)

    def open_at(at_ms: int) -> bool:
        return opens_ms is None or is_open(hours, zone, at_ms)

    searched = answer in (Answer.NO, Answer.CARE) and coming is not None and _of_the_air(findings)
    start = _start(coming, s, now_ms, open_at) if searched and coming is not None else None
    hot = s.hot_glue and not math.isnan(s.parts_temp_c)
    return GlueNow(
        answer=answer,
        findings=findings,
        joint=s,
        open_time=open_time(s.parts_temp_c) if hot else None,
        opens_ms=None if _before_closing(s.readiness, opens_ms, open_at) else opens_ms,
        start=start,
        searched=searched,
        air_from=place_airs.source(air.place.id),
    )


def _before_closing(
    readiness: Readiness | None, opens_ms: int | None, open_at: Callable[[int], bool]
) -> bool:
    """True if the joint is ready while the shop is open, before its next opening."""
    if readiness is None or opens_ms is None:
        return False
    ready_ms = readiness.ready_high_ms
    return ready_ms is not None and ready_ms < opens_ms and open_at(ready_ms)


def joint_kinds(kinds: Iterable[WaitType]) -> list[WaitType]:
    """The wait types of joints: those of a glue, and plain fixed times."""
    return [kind for kind in kinds if takes_glue(kind)]


def _joint(journal: Journal, kind_id: str, glue: Glue | None) -> WaitType:
    """The wait type that is asked about; without one the first joint of a glue."""
    joints = {kind.id: kind for kind in joint_kinds(journal.book.values())}
    glues = [kind for kind in joints.values() if isinstance(kind.law, GlueLaw)]
    kind = joints.get(kind_id) if kind_id else next(iter(glues or joints.values()), None)
    if kind is None:
        raise Rejected(Fault("", "kind", kind_id, f"one of {', '.join(joints)}"))
    if glue is None or (not glue.kind.air_sets and glue.clamp_h is None):
        if (learned := journal.learned(kind.id)) is None or not learned.evidence:
            return kind
        return replace(kind, basis_s=learned.used_s, spread=learned.spread)
    return wait_type_with(kind, glue)


def _check_range(name: str, value: float | None, unit: str, limits: tuple[float, float]) -> None:
    if value is not None and not limits[0] <= value <= limits[1]:
        raise Rejected(range_fault(name, value, *limits, unit))


def _sensor(latest: Iterable[LatestAir], place: Place) -> str:
    return next((one.sensor for one in latest if one.place.id == place.id), "")


def _alerts(
    alerts: Iterable[Alert], place: Place, sensor: str, wood: WoodNow | None
) -> tuple[Alert, ...]:
    """The open alerts on the air of a place, its leading sensor, and the joint's instrument."""
    of_place = ("humidity", "temperature", "surface_temperature", "dew_margin")
    found = []
    for one in alerts:
        if not one.open:
            continue
        together = one.subject == "shop" and one.quantity in of_place
        doubted = one.rule in DOUBT_RULES and one.subject == f"{place.id}/{sensor}"
        own = wood is not None and one.label == wood.reference
        if one.subject == place.id or together or doubted or own:
            found.append(one)
    return tuple(found)


def _parts(question: GlueQuestion, air: PlaceAir, wood: WoodNow | None) -> dict[str, Any]:
    """Temperature of the parts, and its origin."""
    if question.parts_temp_c is not None:
        return {"parts_temp_c": question.parts_temp_c, "parts_from": "typed"}
    if wood is not None and not math.isnan(wood.temp_c) and wood.temp_c < air.temp_c:
        return {"parts_temp_c": wood.temp_c, "parts_from": "travel"}
    return {"parts_temp_c": air.temp_c}


def _readiness(
    kind: WaitType,
    airs: PlaceAirs,
    place: str,
    coming: AirEnsemble,
    sensor: SensorUncertainty,
    now_ms: int,
) -> Readiness:
    """Ready time of a joint that is glued now."""
    inputs = WaitInputs(
        law=kind.law,
        basis_s=kind.basis_s,
        start_ms=now_ms,
        air=airs.log(place),
        outlook=coming,
        spread=kind.spread,
        never_shorter=kind.never_shorter,
        minimum_s=kind.minimum_s,
        sensor=sensor,
    )
    return ready_times([inputs], now_ms)[0]


def _ahead(kind: WaitType, coming: AirEnsemble, readiness: Readiness, now_ms: int) -> Ahead | None:
    """Expected air from now until the joint is ready, or through the coming day."""
    first, edges_s = coming.edges_s(now_ms)
    until_ms = readiness.ready_high_ms or readiness.ready_ms or now_ms + 86_400_000
    if readiness.state is WaitState.READY or not kind.law.needs_air:
        return None
    last = first + max(int(np.searchsorted(edges_s, (until_ms - now_ms) / 1000)), 1)
    temp, rh = coming.temp_c[:, first:last], coming.rh_pct[:, first:last]
    holds = kind.law.hold(temp, rh)
    stopped = (holds != Hold.NONE).any(axis=1)
    kinds, counts = np.unique(holds[holds != Hold.NONE], return_counts=True)
    hold = Hold(int(kinds[counts.argmax()])) if len(kinds) else Hold.NONE
    return Ahead(
        float(stopped.mean()),
        hold,
        QuantileRange(*np.quantile(temp.min(axis=1), (0.1, 0.5, 0.9))),
        QuantileRange(*np.quantile(rh.max(axis=1), (0.1, 0.5, 0.9))),
    )


_BY_THE_AIR = (
    Why.AIR,
    Why.ALERT,
    Why.VARNISH,
    Why.NEAR_DAMP,
    Why.NEAR_DRY,
    Why.PARTS_COLD,
    Why.PARTS_NEARLY_COLD,
    Why.ROOM_COLD,
    Why.NO_GEL,
    Why.MAYBE_NO_GEL,
    Why.NEVER_READY,
    Why.SLOW,
)
"""Findings that later air may mend."""


def _of_the_air(findings: Iterable[Finding]) -> bool:
    return any(one.why in _BY_THE_AIR for one in findings)


def _start(
    coming: AirEnsemble, s: Joint, now_ms: int, open_at: Callable[[int], bool]
) -> LaterStart | None:
    """First later start in opening hours whose air is likely right for gluing."""
    low, high = band(s.place, s.limits)
    cool, hot = s.limits.glue_temp_low_c, s.limits.temp_high_c
    t, rh = coming.temp_c, coming.rh_pct
    chance = ((rh >= low) & (rh <= high) & (t >= cool) & (t <= hot)).mean(axis=0)
    step_ms = 1000 * coming.step_s
    for at_ms in range(-(-(now_ms + 1) // STEP_MS) * STEP_MS, coming.end_ms, STEP_MS):
        if at_ms < coming.start_ms or not open_at(at_ms):
            continue
        share = float(chance[int((at_ms - coming.start_ms) // step_ms)])
        if share >= START_CHANCE:
            return LaterStart(at_ms, share)
    return None
