"""Kinds of experiment for own proof, and how each is done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from monitor.domain.cautions import Caution


class ProofKind(StrEnum):
    """Kind of experiment, as messages have it."""

    COUPON = "coupon"
    LAPS = "laps"
    SOFTENING = "softening"
    CASE_LEAK = "case-leak"


@dataclass(frozen=True, kw_only=True)
class Method:
    """Method of a kind of experiment.

    `needs`: fields of its start and of a measurement that must be given; `may`: those that may be.
    """

    name: str
    aim: str
    steps: tuple[str, ...]
    cautions: tuple[Caution, ...]
    start_needs: tuple[str, ...]
    start_may: tuple[str, ...]
    needs: tuple[str, ...]
    may: tuple[str, ...] = ()


METHODS: Mapping[ProofKind, Method] = {
    ProofKind.COUPON: Method(
        name="Weighed coupon",
        aim="Shows how far the moisture that the air gives differs in your wood, and how fast it "
        "follows.",
        steps=(
            "Cut a thin piece of the wood, 2 to 4 mm thick and at least 20 g. Label it.",
            "Find its oven-dry mass: a balance of 0.01 g, and an offcut dried at 103 °C by a "
            "laboratory, or a second piece of known moisture. Type either below.",
            "Keep the piece damper or drier than the shop for a week, so that there is a change.",
            "Hang it beside the sensor of the place, free on all sides. Weigh it at once.",
            "Weigh it twice a day for two days, then once a day for a week.",
        ),
        cautions=(Caution.OVEN, Caution.WOOD_DUST),
        start_needs=("balance_g",),
        start_may=("dry_g", "dry_u_g", "start_moisture_pct", "moisture_u_pct"),
        needs=("mass_g",),
    ),
    ProofKind.LAPS: Method(
        name="Lap joints",
        aim="Shows whether joints in your shop are hard sooner or later than the usual time says.",
        steps=(
            "Cut nine pairs of scrap strips of one wood. Never use an instrument for this.",
            "Glue all nine as you glue the real joint, clamp them at the place and note the time.",
            "Release three at half the expected time, three at that time, and three at one and a half "
            "of it. The page of the experiment gives these times.",
            "Pull each apart by hand at once. It is soft if it slides or opens, and held if not.",
            "Record each joint with the time it was glued and the time it was released.",
        ),
        cautions=(Caution.HOT_GLUE_POT,),
        start_needs=("wait_kind",),
        start_may=(),
        needs=("glued_ms", "judgement"),
    ),
    ProofKind.SOFTENING: Method(
        name="Joints over salts",
        aim="Shows the RH at which your hard glue gives way again.",
        steps=(
            "Glue six lap joints in scrap and let them harden for a week.",
            "Seal two each in boxes over saturated salts of rising RH, such as NaBr, NaCl and KCl. "
            "The joint must not touch the salt. Use a hygrometer where you have no salt of that RH.",
            "Hang the same small weight on each joint, with something soft below.",
            "Leave the boxes shut at a steady temperature for a week.",
            "Record each joint: held, or soft if it slid or fell.",
        ),
        cautions=(Caution.SALTS, Caution.HOT_GLUE_POT),
        start_needs=("wait_kind",),
        start_may=(),
        needs=("judgement",),
        may=("salt", "temp_c", "rh_pct"),
    ),
    ProofKind.CASE_LEAK: Method(
        name="Leak of a case",
        aim="Shows how fast a shut case loses the moisture that a humidifier gives it.",
        steps=(
            "Take the instrument out of the case. It stays out until the end.",
            "Put a sensor in the case and name its place. Another sensor stays in the room.",
            "Fill the case humidifier, let it drip off, and shut it in the case with the sensor.",
            "Wait until the RH in the case moves by less than 1 % a day. If it passes 70 %, take "
            "the humidifier out and use less water.",
            "Once a day, for five days or more: weigh the humidifier, empty, clean and refill it as "
            "its maker says, weigh it again and type both. Open the case only for a moment.",
        ),
        cautions=(Caution.CASE_HUMIDIFIER,),
        start_needs=("room", "case", "balance_g"),
        start_may=(),
        needs=("mass_g",),
        may=("after_g",),
    ),
}
"""Methods by kind. Steps: common practice, no source."""
