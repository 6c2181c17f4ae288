"""Rules on the air of a place: dry, damp, fast changes, heat, frost, varnish, mould."""

from __future__ import annotations

from monitor.domain.alerts.rule import HOUR_S, MINUTE_S, Rule, Test
from monitor.domain.cautions import (
    CLOSED_CAR,
    DRY_SLOWLY,
    ELECTRIC_HEAT,
    HEATERS,
    HUMIDIFIER,
    MOULD,
    PRACTICE,
    UNLESS_WOOD,
    VARNISH,
)
from monitor.domain.places import AirLimits


def air_rules(limits: AirLimits) -> tuple[Rule, ...]:
    rh = limits.rh_margin_pct
    return (
        Rule(
            id="dry",
            name="Dry",
            quantity="humidity",
            test=Test.BELOW,
            back=rh,
            urgency=2,
            hold_s=4 * HOUR_S,
            calm_s=24 * HOUR_S,
            repeat_s=24 * HOUR_S,
            only=("bench",),
            family="dry air",
            why="Opened plates shrink. A joint closed now is closed on wood that is too dry.",
            source=PRACTICE,
            caution=f"{HUMIDIFIER} {HEATERS}",
            do=f"{{opened plates}} {UNLESS_WOOD} {{add water}}",
        ),
        Rule(
            id="very-dry",
            name="Very dry",
            quantity="humidity",
            test=Test.BELOW,
            low=limits.rh_very_low_pct,
            back=rh,
            urgency=3,
            hold_s=30 * MINUTE_S,
            calm_s=24 * HOUR_S,
            repeat_s=12 * HOUR_S,
            breaks_quiet=True,
            only=("bench",),
            family="dry air",
            why=(
                "Quarter-sawn Engelmann spruce that was fixed at 50 % RH reaches its yield strain near "
                "30 % RH, Norway spruce near 29 %, Sitka spruce near 32 %, sycamore maple near 36 %. "
                "Seams open and plates crack."
            ),
            source="computed from Wood Handbook eq. 4-5 and coefficients, yield strain 0.004 of "
            "Mecklenburg, Tumosa, Erhardt 1998",
            do=(
                "{opened plates} Close no joints. Put strung instruments in their cases. "
                "{add water} {turn heating down}"
            ),
            caution=f"{HUMIDIFIER} {HEATERS}",
        ),
        Rule(
            id="damp",
            name="Damp",
            quantity="humidity",
            test=Test.ABOVE,
            back=rh,
            urgency=1,
            hold_s=12 * HOUR_S,
            calm_s=24 * HOUR_S,
            only=("bench",),
            family="damp air",
            why="Hide glue loses its water slowly and opened plates swell.",
            source=PRACTICE,
            do="Leave the clamps on longer. Check the ready times before you release anything.",
            caution=f"{DRY_SLOWLY} {HEATERS}",
        ),
        Rule(
            id="very-damp",
            name="Very damp",
            quantity="humidity",
            test=Test.ABOVE,
            high=limits.rh_very_high_pct,
            back=rh,
            urgency=2,
            hold_s=HOUR_S,
            calm_s=24 * HOUR_S,
            repeat_s=24 * HOUR_S,
            only=("bench",),
            family="damp air",
            why="Near 80 % RH a line of hide glue stays soft, however long it is clamped.",
            source="inference from published sorption and glass-transition data of gelatin",
            do=(
                "Do not release any clamps. Do not glue anything new. Dry the air slowly. "
                "{warm to dry}"
            ),
            caution=f"{DRY_SLOWLY} {HEATERS}",
        ),
        Rule(
            id="fast-drying",
            name="Drying fast",
            quantity="humidity",
            test=Test.BELOW,
            low=-20.0,
            over_s=24 * HOUR_S,
            back=5.0,
            urgency=2,
            hold_s=HOUR_S,
            calm_s=24 * HOUR_S,
            only=("bench",),
            why=(
                "Thin plates follow within hours. Free wood withstands fast steps of about 15 "
                "% RH; the guidance for sensitive objects is at most 10 % RH in 24 h."
            ),
            source="IIC and ICOM-CC declaration 2014; Jakieła, Bratasz, Kozłowski 2008 (from "
            "memory)",
            do=("Cover bare wood. Keep cases shut. Stop what dries the air. {shut windows}"),
            caution=f"{HEATERS} {VARNISH}",
        ),
        Rule(
            id="fast-damping",
            name="Getting damp fast",
            quantity="humidity",
            test=Test.ABOVE,
            high=25.0,
            over_s=24 * HOUR_S,
            back=5.0,
            urgency=1,
            hold_s=HOUR_S,
            calm_s=24 * HOUR_S,
            only=("bench",),
            why=(
                "Bare plates swell within hours. Parts that fitted this morning may no longer fit."
            ),
            source="as for drying fast; wood withstands damp steps better (ours)",
            do="Check the fit again before closing. Leave the clamps on longer.",
        ),
        Rule(
            id="heat",
            name="Hot",
            quantity="temperature",
            test=Test.ABOVE,
            high=30.0,
            back=1.0,
            together=True,
            urgency=2,
            hold_s=HOUR_S,
            calm_s=48 * HOUR_S,
            only=("bench", "varnish"),
            why="Spirit varnish softens and takes prints. Wet glue stays soft.",
            source="30 °C: outer limit of ASHRAE control class B (from memory); effect on "
            "varnish: common practice, no source",
            do=(
                "Take instruments away from windows and lamps and out of cars. Do not touch "
                "varnish. Leave the clamps on longer. Turn off heaters and lamps."
            ),
            caution=f"{CLOSED_CAR} {VARNISH} {ELECTRIC_HEAT}",
        ),
        Rule(
            id="frost",
            name="Near freezing",
            quantity="temperature",
            test=Test.BELOW,
            low=5.0,
            back=1.0,
            together=True,
            urgency=2,
            hold_s=HOUR_S,
            calm_s=24 * HOUR_S,
            breaks_quiet=True,
            only=("bench", "varnish"),
            repeat_s=12 * HOUR_S,
            why=(
                "Pipes and humidifier tanks can freeze. Warm moist air condenses on cold "
                "instruments."
            ),
            source=PRACTICE,
            do=("Leave instruments in their cases until the shop is warm. {warm from frost}"),
            caution=f"{HEATERS} {VARNISH}",
        ),
    )


def varnish_rules(limits: AirLimits) -> tuple[Rule, ...]:
    return (
        Rule(
            id="near-dew-point",
            name="Too near the dew point",
            quantity="dew_margin",
            test=Test.BELOW,
            low=limits.varnish_spread_stop_k,
            back=limits.varnish_spread_margin_k,
            urgency=2,
            hold_s=20 * MINUTE_S,
            calm_s=2 * HOUR_S,
            repeat_s=24 * HOUR_S,
            only=("varnish",),
            why=(
                "A surface less than 3 K above the dew point may take up water. Varnish then "
                "blushes and does not hold."
            ),
            source="common reading of ISO 8502-4",
            do=(
                "Do not varnish. Wait until the air is drier and the wood has adjusted. "
                "{warm to dry}"
            ),
            caution=(
                "Keep flames, heaters and lamps away from wet varnish and rags. "
                f"{HEATERS} {VARNISH}"
            ),
        ),
        Rule(
            id="blushing",
            name="Too damp for varnish",
            quantity="humidity",
            test=Test.ABOVE,
            high=limits.varnish_rh_high_pct,
            back=limits.rh_margin_pct,
            urgency=1,
            hold_s=6 * HOUR_S,
            calm_s=24 * HOUR_S,
            only=("varnish",),
            why="A drying film of varnish cools and may draw water from damp air.",
            source=PRACTICE,
            do="Postpone spirit varnish and retouching until the air is drier.",
            caution=(
                "Do not dry a coat with a heater or a lamp. Keep flames and sparks away from it. "
                f"{VARNISH} {ELECTRIC_HEAT}"
            ),
        ),
    )


def mould_rules() -> tuple[Rule, ...]:
    return (
        Rule(
            id="mould-risk",
            together=True,
            name="Mould risk",
            quantity="humidity",
            test=Test.ABOVE,
            high=70.0,
            back=2.0,
            urgency=1,
            hold_s=48 * HOUR_S,
            calm_s=24 * HOUR_S,
            only=("bench", "varnish"),
            family="mould",
            why=(
                "After days above 70 % RH, mould can begin in cases, corners and behind furniture."
            ),
            source="caution from 70 to 75 % over 48 h (ours); growth usually needs 75 to 80 %",
            do=(
                "Open cases only where the air is drier. Check cold corners and behind cases. Dry "
                "the air slowly."
            ),
            caution=f"{MOULD} {DRY_SLOWLY} {HEATERS}",
        ),
        Rule(
            id="damp-walls",
            name="Too damp for the cold walls",
            quantity="wall_margin",
            test=Test.ABOVE,
            high=0.0,
            back=3.0,
            urgency=1,
            hold_s=24 * HOUR_S,
            calm_s=24 * HOUR_S,
            only=("bench", "varnish"),
            family="mould",
            why=(
                "In cold weather the corners of outer walls and the windows are much colder than "
                "the room. The air there is damper, and mould or dew forms."
            ),
            source="80 % RH at the surface: EN ISO 13788 (from memory); temperature factor 0.7 of "
            "a weak corner, if none is set or measured",
            do=(
                "Add less water to the air. Look for damp in cold corners, behind cases and at "
                "windows. Keep furniture and cases away from outer walls."
            ),
            caution=f"{MOULD} {DRY_SLOWLY} {HEATERS}",
        ),
        Rule(
            id="mould-grows",
            name="Mould can grow",
            quantity="mould_margin",
            test=Test.ABOVE,
            high=0.0,
            back=2.0,
            together=True,
            urgency=2,
            hold_s=24 * HOUR_S,
            calm_s=24 * HOUR_S,
            repeat_s=48 * HOUR_S,
            only=("bench", "varnish"),
            family="mould",
            why=(
                "Above this RH mould grows on wood, within weeks at 80 % and within days at 95 %."
            ),
            source="Hukka and Viitanen 1999 (from memory)",
            do=(
                "Begin to dry the air now, slowly. Open cases only where the air is drier. Keep "
                "air moving behind furniture."
            ),
            caution=f"{MOULD} {DRY_SLOWLY} {HEATERS}",
        ),
    )
