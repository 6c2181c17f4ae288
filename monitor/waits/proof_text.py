"""Experiments in words, for the board and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from monitor.core import formats
from monitor.domain.own_proof import Proof, ProofState
from monitor.domain.own_proof_kinds import ProofKind
from monitor.science.own_proof import case_leak, coupon, joints
from monitor.science.own_proof.lacks import Lack
from monitor.science.plates.monte_carlo import HYSTERESIS_PCT
from monitor.science.quantiles import QuantileRange
from monitor.waits.proof_evaluation import ProofResult, result

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.domain.events import Event
    from monitor.domain.own_proof import Measurement
    from monitor.settings import Settings
    from monitor.store import Reader

LEAST = {
    ProofKind.COUPON: coupon.LEAST,
    ProofKind.LAPS: joints.LEAST,
    ProofKind.SOFTENING: joints.LEAST,
    ProofKind.CASE_LEAK: case_leak.LEAST,
}
"""Fewest measurements of each kind."""
FIELDS = {
    "dry_g": ("Oven-dry mass", "g"),
    "dry_u_g": ("Oven-dry mass, plus or minus", "g"),
    "start_moisture_pct": ("Moisture at the first weighing", "% MC"),
    "moisture_u_pct": ("That moisture, plus or minus", "% MC"),
    "balance_g": ("Two weighings differ by up to", "g"),
    "wait_kind": ("Kind of wait", ""),
    "room": ("Place of the room", ""),
    "case": ("Case", ""),
    "mass_g": ("Mass", "g"),
    "after_g": ("Mass after refilling", "g"),
    "salt": ("Salt", ""),
    "temp_c": ("Temperature of the box", "°C"),
    "rh_pct": ("RH of the box", "%"),
}
"""Label and unit of each field."""
ALL_RANGES = "Ranges hold in 8 of 10 cases."
_REASONS: Mapping[Lack, str | Mapping[ProofKind, str]] = {
    Lack.AIR: "The log of the place has gaps in that time. Keep its sensor on and measure again.",
    Lack.SOFT: {
        ProofKind.LAPS: "Every joint held. Release one earlier, until one is soft.",
        ProofKind.SOFTENING: "Every joint held. Use a box with a higher RH, until one gives way.",
    },
    Lack.HELD: {
        ProofKind.LAPS: "Every joint was soft. Release one later, until one holds.",
        ProofKind.SOFTENING: "Every joint gave way. Use a box with a lower RH, until one holds.",
    },
    Lack.CHANGE: (
        "The range is too wide: the moisture of the coupon changed too little, or the weighings "
        "scatter. Weigh it for longer, or start with a damper or drier piece."
    ),
    Lack.DIFFERENCE: (
        "The RH of the case is too close to the room's for these sensors. Fill the humidifier more, "
        "or calibrate both sensors. Keep the case below 70 %."
    ),
}


def proved(reader: Reader, settings: Settings, proof: Proof) -> tuple[Mapping[str, Any], str]:
    """Result of a proof as an event keeps it, and why it is not complete; "" if it is."""
    del settings
    found = result(reader, proof)
    return found.as_body(), "" if found.ranges else lacks(proof, found)


def lacks(proof: Proof, found: ProofResult) -> str:
    """Reasons why nothing, or not all, is concluded; "" if all is."""
    texts = []
    for one in found.lacks.reasons:
        if one is Lack.MEASUREMENTS:
            n = found.lacks.measurements
            texts.append(
                f"{n} more measurement{'' if n == 1 else 's'} needed, {LEAST[proof.kind]} in all. "
                "Nothing is concluded yet."
            )
        elif one is Lack.TIME:
            days = coupon.LEAST_S / 86400 if proof.kind is ProofKind.COUPON else case_leak.LEAST_D
            texts.append(
                f"The measurements span less than {formats.hours(86400 * days)}. Measure again "
                "later. Nothing is concluded yet."
            )
        else:
            text = _REASONS[one]
            texts.append(text if isinstance(text, str) else text[proof.kind])
    return " ".join(texts)


def conclusions(ranges: Mapping[str, QuantileRange]) -> list[str]:
    """Sentences on a result, each with its range."""
    texts = []
    if (one := ranges.get("offset_pct")) is not None:
        word = "damper" if one.median >= 0 else "drier"
        text = (
            f"The wood settles {abs(one.median):.1f} points of moisture {word} than the air of its "
            f"place gives ({_signed(one.low)} to {_signed(one.high)})."
        )
        if one.low <= 0 <= one.high:
            text += " No difference is possible too."
        far = max(abs(one.low), abs(one.high))
        allowed = f"The moisture on Wood allows for {HYSTERESIS_PCT:g} points either way"
        if far <= HYSTERESIS_PCT:
            text += f" {allowed}: all of the range lies inside."
        elif min(one.high, HYSTERESIS_PCT) >= max(one.low, -HYSTERESIS_PCT):
            text += f" {allowed}: part of the range lies outside."
        else:
            text += f" {allowed}: this is more. Calibrate the sensor, then weigh again."
        texts.append(text)
    if (one := ranges.get("tau_h")) is not None:
        texts.append(
            f"It goes two thirds of the way to new air in {_figure(one.median)} h "
            f"({_figure(one.low)} to {_figure(one.high)} h). This is for a bare piece of its thickness."
        )
    if (one := ranges.get("share")) is not None:
        texts.append(
            f"Joints are hard at {one.median:.2f} of the usual time ({one.low:.2f} to "
            f"{one.high:.2f})."
        )
    if (one := ranges.get("rh_pct")) is not None:
        texts.append(
            f"Hard joints give way at {one.median:.0f} % RH ({one.low:.0f} to {one.high:.0f} %)."
        )
    if (one := ranges.get("leak_g_day_pct")) is not None:
        texts.append(
            f"The shut case loses {_figure(one.median)} g of water a day for each % RH above the room "
            f"({_figure(one.low)} to {_figure(one.high)})."
        )
    if (one := ranges.get("changes_day")) is not None:
        texts.append(
            f"That is {_figure(one.median)} air changes a day ({_figure(one.low)} to "
            f"{_figure(one.high)}). For the client's sheet: --set {sheet_value(one)}."
        )
    return [*texts, ALL_RANGES] if texts else []


def _figure(value: float) -> str:
    """A value above 0 to two digits or more: `0.012`, `2.3`, `120`."""
    return f"{value:.0f}" if value >= 10 else f"{value:.2g}"


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")


def sheet_value(changes: QuantileRange) -> str:
    """The input of the client's sheet: `closed_changes_day=7.2`."""
    return f"closed_changes_day={_figure(changes.median)}"


def kept_ranges(proof: Proof) -> dict[str, QuantileRange]:
    """Ranges that were kept when a proof was finished."""
    return {
        name: QuantileRange(*values) for name, values in proof.result.items() if len(values) == 3
    }


def bearing(proof: Proof) -> str:
    """Sentence on the figures that a result narrows, before and after it is used."""
    on = proof.used and proof.state is ProofState.FINISHED
    kind = proof.inputs.get("wait_kind", "")
    match proof.kind:
        case ProofKind.COUPON:
            return (
                "The result is kept and shown here. The moisture on Wood does not use it: the home "
                "moisture of an instrument would have to change in the same way."
            )
        case ProofKind.LAPS if on:
            return f"The usual time of kind {kind} counts these joints. Withdraw the proof to undo it."
        case ProofKind.LAPS:
            return (
                f"If you use the result, it counts as releases do: joints that were soft make the "
                f"usual time of kind {kind} longer. Nothing makes it shorter before you set it."
            )
        case ProofKind.SOFTENING if on:
            now, was = proof.result["set"], proof.result["was"]
            return (
                f"Waits of kind {kind} are now on hold from {100 * now[0]:.1f} % RH; before, from "
                f"{100 * was[0]:.1f} %. Withdraw the proof to undo it."
            )
        case ProofKind.SOFTENING:
            return (
                f"If you use the result, it moves the RH from which new waits of kind {kind} are on "
                "hold, and narrows its range. Open waits keep theirs."
            )
        case ProofKind.CASE_LEAK:
            return (
                "The result is kept and shown here. The client's sheet uses it if you give it there: "
                "`benchweather advise --set closed_changes_day=…`."
            )


def measurement(one: Measurement, now_ms: int, zone: ZoneInfo) -> str:
    """A measurement in a few words."""
    parts = [f"{one.number}: {formats.when(one.at_ms, now_ms, zone)}"]
    if one.mass_g is not None:
        parts.append(f"{one.mass_g:g} g")
    if one.after_g is not None:
        parts.append(f"{one.after_g:g} g after refilling")
    if one.usual_s:
        parts.append(f"{one.share:.2f} of the usual time")
    if one.rh_pct is not None:
        over = f" over {one.salt}" if one.salt else ""
        parts.append(f"{one.rh_pct:.0f} % RH{over}")
    if one.judgement is not None:
        parts.append(str(one.judgement))
    return ", ".join(parts)


def inputs(proof: Proof) -> list[tuple[str, str]]:
    """Inputs of the start, with labels and units."""
    rows = []
    for name, value in proof.inputs.items():
        label, unit = FIELDS[name]
        shown = f"{value:g}" if isinstance(value, float | int) else str(value)
        rows.append((label, f"{shown} {unit}".strip()))
    return rows


def action(event: Event) -> str:
    """An event of a proof in words."""
    body = event.body
    match event.action:
        case "start":
            return "Started"
        case "add":
            return "Measurement added"
        case "correct":
            verb = "struck out" if body.get("strike") else "corrected"
            return f"Measurement {body['number']} {verb}"
        case "finish":
            return "Finished; the result is used" if body["use"] else "Finished"
    return "Withdrawn"
