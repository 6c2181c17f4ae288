"""Results of experiments, from their measurements and the air of their places."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.air.place_means import calibrated, means
from monitor.core.errors import OutOfRange, Rejected, range_fault
from monitor.domain.own_proof import Measurement, Proof
from monitor.domain.own_proof_kinds import ProofKind
from monitor.science.case.presets import PRESETS
from monitor.science.case.water_balance import grams_per_pct
from monitor.science.own_proof import case_leak, coupon, joints
from monitor.science.own_proof.lacks import Lacks

if TYPE_CHECKING:
    from collections.abc import Mapping

    from monitor.science.quantiles import QuantileRange
    from monitor.science.ranges import Floats
    from monitor.store import Reader

MINUTES_MS, DAY_MS = 600_000, 86_400_000
U_RH_PCT = 2.0
"""Expanded uncertainty (k = 2) of a sensor that was never calibrated. [%]"""
AROUND_MS = 3_600_000
"""The RH at a weighing is the mean over so long before it, or after the first. [ms]"""


@dataclass(frozen=True, kw_only=True)
class ProofResult:
    """Result of an experiment: ranges (10 %, middle, 90 %) by name, and why some are missing.

    `offset_pct` and `tau_h` of a coupon; `share` of laps; `rh_pct` of joints over salts;
    `leak_g_day_pct` and `changes_day` of a case. `points`, `line`: x and y of a plot.
    """

    ranges: Mapping[str, QuantileRange] = field(default_factory=dict)
    lacks: Lacks = field(default_factory=Lacks)
    points: tuple[tuple[float, float], ...] = ()
    line: tuple[tuple[float, float], ...] = ()

    def as_body(self) -> dict[str, Any]:
        """The result as an event keeps it."""
        return {name: [round(v, 5) for v in one] for name, one in self.ranges.items()}


def result(reader: Reader, proof: Proof) -> ProofResult:
    """Result of the measurements so far.

    Raises
    ------
    Rejected
        If they cannot be, as a coupon that is lighter than its dry mass.
    """
    try:
        match proof.kind:
            case ProofKind.COUPON:
                return _coupon(reader, proof)
            case ProofKind.CASE_LEAK:
                return _case_leak(reader, proof)
            case ProofKind.LAPS:
                return _laps(proof)
            case ProofKind.SOFTENING:
                return _softening(proof)
    except OutOfRange as exc:
        raise Rejected(range_fault(exc.name, exc.value, exc.low, exc.high, exc.unit)) from exc


def _coupon(reader: Reader, proof: Proof) -> ProofResult:
    made = _weighed(proof)
    if not made:
        return ProofResult(lacks=Lacks(coupon.LEAST, (coupon.Lack.MEASUREMENTS,)))
    at_ms, mass = (np.array(column) for column in zip(*made, strict=True))
    inputs = proof.inputs
    if "dry_g" in inputs:
        dry, u = inputs["dry_g"], inputs.get("dry_u_g", inputs["balance_g"])
    else:
        moisture, u_pct = inputs["start_moisture_pct"], inputs.get("moisture_u_pct", 1.0)
        dry, u = coupon.dry_mass(float(mass[0]), moisture, u_pct)
    air = means(reader, proof.place, int(at_ms[0]) - MINUTES_MS, int(at_ms[-1]) + 1)
    weighed = coupon.Weighings(at_ms / 1000, mass.astype(float), dry, u, inputs["balance_g"])
    log = coupon.LoggedAir(air.ts_ms / 1000, air.temp_c, air.rh_pct)
    found = coupon.coupon(weighed, log)
    ranges = {"offset_pct": found.offset_pct, "tau_h": found.tau_h}
    return ProofResult(
        ranges={name: one for name, one in ranges.items() if one is not None},
        lacks=found.lacks,
        points=_pairs(at_ms.astype(float), found.moisture_pct),
        line=_pairs(1000 * found.fitted_s, found.fitted_pct),
    )


def _case_leak(reader: Reader, proof: Proof) -> ProofResult:
    made = [one for one in proof.counted if one.mass_g is not None]
    at = np.array([one.at_ms for one in made], dtype=np.int64)
    mass = np.array([one.mass_g for one in made], dtype=np.float64)
    after = np.array([one.after_g or one.mass_g for one in made], dtype=np.float64)
    above, rise = np.full((2, max(len(at) - 1, 0)), np.nan)
    temps: list[float] = []
    u_rh: list[float] = []
    for i, (start, end) in enumerate(pairwise(at.tolist())):
        case = means(reader, proof.place, int(start), int(end))
        room = means(reader, proof.inputs["room"], int(start), int(end))
        both, in_case, in_room = np.intersect1d(case.ts_ms, room.ts_ms, return_indices=True)
        if len(both) * MINUTES_MS < coupon.AIR_LEAST * (end - start):
            continue
        t_case, rh_case = case.temp_c[in_case], case.rh_pct[in_case]
        vapour = room.rh_pct[in_room] * grams_per_pct(room.temp_c[in_room])
        above[i] = float(np.mean(rh_case - vapour / grams_per_pct(t_case)))
        first, last = rh_case[both < start + AROUND_MS], rh_case[both >= end - AROUND_MS]
        if len(first) and len(last):
            rise[i] = float(last.mean() - first.mean())
        temps.append(float(t_case.mean()))
        for place, air in ((proof.place, case), (proof.inputs["room"], room)):
            _, own = calibrated(reader, place, air)
            u_rh.append(U_RH_PCT if own is None else own)
    of = PRESETS[proof.inputs["case"]]
    found = case_leak.case_leak(
        case_leak.CaseWeighings(
            (at - at[:1]) / DAY_MS,
            mass,
            after,
            above,
            rise,
            float(np.mean(temps)) if temps else 20.0,
            proof.inputs["balance_g"],
            max(u_rh, default=U_RH_PCT),
        ),
        of.air_l,
        max(of.lining_g_pct, 0.01),
        of.capacity_times,
    )
    ranges = {"leak_g_day_pct": found.leak_g_day_pct, "changes_day": found.changes_day}
    days = np.diff(at) / DAY_MS
    points = _pairs(above, (after[:-1] - mass[1:]) / days) if len(days) else ()
    leak = found.leak_g_day_pct
    end = float(np.nanmax(above)) if leak else 0.0
    return ProofResult(
        ranges={name: one for name, one in ranges.items() if one is not None},
        lacks=found.lacks,
        points=points,
        line=((0.0, 0.0), (end, end * leak.median)) if leak else (),
    )


def _laps(proof: Proof) -> ProofResult:
    made = [one for one in proof.counted if one.equivalent_s and one.usual_s]
    found = joints.laps([one.share for one in made], [one.soft for one in made])
    return _joints(found, "share", [(one.share, one) for one in made])


def _softening(proof: Proof) -> ProofResult:
    made = [(one.rh_pct, one) for one in proof.counted if one.rh_pct is not None]
    found = joints.softening(
        [rh for rh, _ in made],
        [one.u_rh_pct or U_RH_PCT for _, one in made],
        [one.soft for _, one in made],
    )
    return _joints(found, "rh_pct", made)


def _joints(
    found: joints.JointsResult, name: str, made: list[tuple[float, Measurement]]
) -> ProofResult:
    return ProofResult(
        ranges={} if found.limit is None else {name: found.limit},
        lacks=found.lacks,
        points=tuple((x, float(not one.soft)) for x, one in made),
    )


def _weighed(proof: Proof) -> list[tuple[int, float]]:
    return [(one.at_ms, one.mass_g) for one in proof.counted if one.mass_g is not None]


def _pairs(x: Floats, y: Floats) -> tuple[tuple[float, float], ...]:
    return tuple(zip(np.asarray(x).tolist(), np.asarray(y).tolist(), strict=True))
