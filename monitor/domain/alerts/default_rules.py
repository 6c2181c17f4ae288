"""The rules a shop starts with, each with its reason, where it comes from, and what to do now."""

from __future__ import annotations

from monitor.domain.alerts.rule import Rule, Test
from monitor.domain.cautions import (
    ADD_WATER,
    ANY_WORK,
    CLOSED_CAR,
    DRY_SLOWLY,
    ELECTRIC_HEAT,
    HEATERS,
    HUMIDIFIER,
    MOULD,
    NO_SOLVENTS,
    OILY_RAGS,
    OPENED_PLATES,
    SOLVENTS,
    UNLESS_WOOD,
    WARM_TO_DRY,
    WORDS,
    Caution,
)
from monitor.domain.places import AirLimits

MINUTE_S, HOUR_S = 60, 3_600
PRACTICE = "common practice, no source"
VARNISH = f"{SOLVENTS} {OILY_RAGS}"


def starting_set(limits: AirLimits) -> dict[str, Rule]:
    """The starting rules by id, with the shop's own limits in them."""
    rules = (
        *_air(limits),
        *_outlook(),
        *_varnish(limits),
        *_mould(),
        *_wood(),
        *_waits(),
        *_glue(),
        *_sensors(),
        *_shop(),
    )
    return {rule.id: rule for rule in rules}


def _air(limits: AirLimits) -> tuple[Rule, ...]:
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
            do=f"{OPENED_PLATES} {UNLESS_WOOD} {ADD_WATER}",
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
                "Spruce that was fixed at 50 % RH reaches its yield strain near 32 % RH. "
                "Seams open and plates crack."
            ),
            source="computed from Wood Handbook eq. 4-5 and coefficients, yield strain 0.004 of "
            "Mecklenburg, Tumosa, Erhardt 1998",
            do=(
                f"{OPENED_PLATES} Close no joints. Put strung instruments in their cases. "
                f"{ADD_WATER} If the shop is warm, turn the heating down a little. Do not let it "
                "get cold."
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
                f"{WARM_TO_DRY}"
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
            do=(
                "Cover bare wood. Keep cases shut. Stop what dries the air. Close the windows only "
                f"if nothing burns in the room and {NO_SOLVENTS}."
            ),
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
            do=(
                "Leave instruments in their cases until the shop is warm. Before you heat, take "
                "solvents, wet coats and oily rags out of the room. Then warm it slowly."
            ),
            caution=f"{HEATERS} {VARNISH}",
        ),
    )


def _outlook() -> tuple[Rule, ...]:
    """Rules on the outlook: raised once a spell is likely, cancelled when it no longer is."""
    return (
        Rule(
            id="dry-snap",
            name="Dry snap likely",
            quantity="dry_snap",
            test=Test.ABOVE,
            high=1.0,
            back=0.6,
            urgency=2,
            hold_s=0,
            calm_s=3 * HOUR_S,
            repeat_s=24 * HOUR_S,
            only=("bench",),
            family="dry air to come",
            why=(
                "Cold air holds little water, and heating dries it further. Plates move "
                "before a hygrometer on the wall shows it."
            ),
            source=(
                "the outlook from this shop's own log and the forecast; raised at a chance "
                "tuned on its past"
            ),
            do=(
                f"Fill the humidifier and start it in time. {OPENED_PLATES} {UNLESS_WOOD} "
                "Postpone varnishing and keep cases shut."
            ),
            caution=f"{HUMIDIFIER} {HEATERS}",
        ),
        Rule(
            id="dry-spell",
            name="Dry spell likely",
            quantity="dry_spell_chance",
            test=Test.ABOVE,
            high=70.0,
            back=30.0,
            urgency=1,
            hold_s=HOUR_S,
            calm_s=6 * HOUR_S,
            only=("bench",),
            family="dry air to come",
            why="Opened plates shrink when RH is below the band.",
            source="the outlook from this shop's own log and the forecast",
            do=(
                "Fill the humidifier. Before the spell begins, close only what the Wood page says "
                "is safe to close."
            ),
            caution=f"{HUMIDIFIER} {HEATERS}",
        ),
        Rule(
            id="damp-spell",
            name="Damp spell likely",
            quantity="damp_spell_chance",
            test=Test.ABOVE,
            high=70.0,
            back=30.0,
            urgency=1,
            hold_s=HOUR_S,
            calm_s=6 * HOUR_S,
            only=("bench",),
            family="damp air to come",
            why="Near 80 % RH a line of hide glue stays soft. Mould can grow if the damp lasts.",
            source="the outlook; inference from published sorption data of gelatin",
            do=(
                "Glue before the spell begins, or leave the clamps on until it has ended. Dry "
                f"the air slowly. {WARM_TO_DRY}"
            ),
            caution=f"{DRY_SLOWLY} {HEATERS}",
        ),
        Rule(
            id="hot-spell",
            name="Hot spell likely",
            quantity="hot_spell_chance",
            test=Test.ABOVE,
            high=70.0,
            back=30.0,
            urgency=1,
            hold_s=HOUR_S,
            calm_s=6 * HOUR_S,
            only=("bench", "varnish"),
            family="hot air to come",
            why="Wet glue stays soft and spirit varnish takes prints.",
            source=PRACTICE,
            do=(
                "Glue and varnish in the cool hours. Take instruments away from windows and "
                "out of cars."
            ),
            caution=f"{CLOSED_CAR} {VARNISH}",
        ),
    )


def _varnish(limits: AirLimits) -> tuple[Rule, ...]:
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
                f"{WARM_TO_DRY}"
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


def _mould() -> tuple[Rule, ...]:
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


def _wood() -> tuple[Rule, ...]:
    return (
        Rule(
            id="far-from-rest",
            name="Far from home moisture",
            quantity="from_rest",
            test=Test.OUTSIDE,
            low=-1.5,
            high=1.5,
            back=0.3,
            urgency=2,
            hold_s=HOUR_S,
            calm_s=24 * HOUR_S,
            repeat_s=72 * HOUR_S,
            family="wood moves",
            why=(
                "Its wood holds more or less water than at home. Parts closed or fitted now "
                "will be under strain at home."
            ),
            source="1.5 % moisture is a little over half of what brings held spruce to its yield "
            "strain (computed; Mecklenburg, Tumosa, Erhardt 1998)",
            do=(
                "Do not close it. Bring the air around it closer to that of its home, by at most "
                "5 % RH a day, or wait. If instruments with other homes are there, use a bag or "
                "tent for each. See Wood."
            ),
            caution=f"{HUMIDIFIER} {HEATERS}",
        ),
        Rule(
            id="near-yield",
            name="Near its yield strain",
            quantity="yield_share",
            test=Test.ABOVE,
            high=80.0,
            back=10.0,
            urgency=3,
            hold_s=HOUR_S,
            calm_s=24 * HOUR_S,
            repeat_s=24 * HOUR_S,
            family="wood moves",
            why=(
                "Wood that cannot move is near its yield strain. Seams open and old repairs fail."
            ),
            source="yield strain 0.004 of Mecklenburg, Tumosa, Erhardt 1998",
            do=(
                "If it is too dry, put it in its case or a bag now. If it is too damp, leave it in "
                "the room and do not shut it in. Change the air back slowly, by at most 5 % RH a "
                "day."
            ),
            caution=f"{HUMIDIFIER} {HEATERS}",
        ),
        Rule(
            id="cold-instrument",
            name="Cold instrument",
            quantity="warm_up_margin",
            test=Test.BELOW,
            low=0.0,
            back=3.0,
            urgency=2,
            calm_s=10 * MINUTE_S,
            breaks_quiet=True,
            why=(
                "It is colder than the dew point of the shop. If the case is opened now, "
                "water condenses on it."
            ),
            source="dew point of the room against the warming of a closed case (computed)",
            do=(
                "Leave the case shut until this alert has ended. By then the instrument should be "
                "at least 3 K above the dew point. Do not warm the case with a heater or a lamp."
            ),
            caution=f"{CLOSED_CAR} {ELECTRIC_HEAT}",
        ),
    )


def _waits() -> tuple[Rule, ...]:
    return (
        Rule(
            id="wait-ready",
            name="Ready",
            quantity="ready",
            test=Test.ABOVE,
            high=0.5,
            urgency=1,
            calm_s=0,
            why="It has had its full time in the air of its place.",
            source="the formula and the usual time of its kind",
            do=(
                "Check the work before you trust it. Then release the wait and record how the "
                "work was."
            ),
            caution=f"{ANY_WORK} Use extraction and a mask when you sand.",
        ),
        Rule(
            id="wait-loadable",
            name="May be worked",
            quantity="loadable",
            test=Test.ABOVE,
            high=0.5,
            urgency=1,
            calm_s=0,
            why="The joint has had its full time in the air of its place since it was glued.",
            source="the formula and the usual time of its kind: common practice, no source",
            do=(
                "Check the joint before you trust it. Then it may be worked, loaded or strung. "
                "Tap “Start work” on the wait."
            ),
            caution=f"{ANY_WORK} Use extraction and a mask when you sand.",
        ),
        Rule(
            id="wait-held",
            name="On hold",
            quantity="held",
            test=Test.ABOVE,
            high=0.5,
            urgency=2,
            hold_s=30 * MINUTE_S,
            calm_s=2 * HOUR_S,
            why="The air is too damp or too cold for the work to progress.",
            source="the formula of its kind",
            do=(
                "Leave the clamps on, and do not touch a wet coat. The wait's page says what it "
                "waits for."
            ),
            caution=ANY_WORK,
        ),
        Rule(
            id="wait-late",
            name="Will be late",
            quantity="late",
            test=Test.ABOVE,
            high=0.5,
            urgency=1,
            hold_s=30 * MINUTE_S,
            calm_s=2 * HOUR_S,
            why="In the expected air it will not be ready when it is wanted.",
            source="the formula of its kind and the outlook",
            do=(
                "Inform the person who is waiting, and allow more time. Do not hurry it with a "
                "heater or a lamp."
            ),
            caution=ANY_WORK,
        ),
    )


def _glue() -> tuple[Rule, ...]:
    pot = (
        f"{WORDS[Caution.HOT_GLUE_POT]} This is a reminder from your own entries, not a fire "
        "alarm: it does not measure the pot."
    )
    return (
        Rule(
            id="pot-on",
            name="Glue pot on",
            quantity="pot_on_s",
            test=Test.ABOVE,
            high=4.0 * HOUR_S,
            urgency=2,
            calm_s=0,
            repeat_s=4 * HOUR_S,
            family="glue pot",
            why=(
                "It has been recorded as on for more than 4 h. Heat weakens the glue, and its water "
                "boils away."
            ),
            source=PRACTICE,
            do="Top up the water, or switch the pot off and unplug it. Then record that it is off.",
            caution=pot,
        ),
        Rule(
            id="pot-at-closing",
            name="Glue pot on at closing",
            quantity="pot_at_closing",
            test=Test.ABOVE,
            high=0.5,
            urgency=3,
            calm_s=0,
            repeat_s=4 * HOUR_S,
            breaks_quiet=True,
            family="glue pot",
            why="It was recorded as on, and the shop closes or is closed.",
            source=PRACTICE,
            do="Pot off and unplugged? Check it before you leave. Then record that it is off.",
            caution=pot,
        ),
        Rule(
            id="glue-past",
            name="Past its discard time",
            quantity="glue_past",
            test=Test.ABOVE,
            high=0.5,
            urgency=1,
            calm_s=0,
            family="old glue",
            why="Glue kept hot or kept long loses strength. A joint made with it may open.",
            source="the limits of the batch: the maker's sheet, or common practice, no source",
            do="Do not glue with it. Use a fresh batch. Record that it is discarded.",
        ),
    )


def _sensors() -> tuple[Rule, ...]:
    behind = ("broker-away", "store-trouble")
    return (
        Rule(
            id="sensor-silent",
            name="Silent",
            quantity="silent_s",
            test=Test.ABOVE,
            high=1_800.0,
            urgency=2,
            hold_s=5 * MINUTE_S,
            calm_s=10 * MINUTE_S,
            repeat_s=24 * HOUR_S,
            under=behind,
            why="It has sent nothing for half an hour. Its place is not monitored.",
            source="ours",
            do=(
                "Check its power, battery and network. If the Sensors page says so, check its "
                "clock."
            ),
        ),
        Rule(
            id="sensor-stuck",
            name="Stuck",
            quantity="unchanged_s",
            test=Test.ABOVE,
            high=6.0 * HOUR_S,
            urgency=2,
            calm_s=HOUR_S,
            under=behind,
            why="Its humidity reading has not changed at all for hours. Real air always changes.",
            source="ours",
            do="Restart it. If it stays stuck, replace it. Do not trust its readings.",
        ),
        Rule(
            id="sensor-saturated",
            name="Reads 99 % or more",
            quantity="saturated_s",
            test=Test.ABOVE,
            high=3.0 * HOUR_S,
            urgency=2,
            calm_s=2 * HOUR_S,
            under=behind,
            why="Indoors this means a wet or broken sensor, or water where none should be.",
            source="ours",
            do="Check the place first, then the sensor. Let the sensor dry.",
        ),
        Rule(
            id="battery-low",
            name="Battery low",
            quantity="battery",
            test=Test.BELOW,
            low=15.0,
            back=10.0,
            urgency=1,
            hold_s=HOUR_S,
            calm_s=HOUR_S,
            under=behind,
            why="It will soon stop sending.",
            source="ours",
            do="Change its battery.",
        ),
        Rule(
            id="calibration-due",
            name="Calibration due",
            quantity="calibrated_s",
            test=Test.ABOVE,
            high=365.0 * 24 * HOUR_S,
            urgency=1,
            calm_s=0,
            repeat_s=14 * 24 * HOUR_S,
            why=(
                "Its last calibration was a year ago. Ordinary hygrometers drift, and "
                "solvents make them drift faster."
            ),
            source="common practice, no source",
            do="Calibrate it. Its page under Sensors shows each step.",
        ),
        Rule(
            id="jar-rested",
            name="Steady in its jar",
            quantity="rested",
            test=Test.ABOVE,
            high=0.5,
            urgency=1,
            calm_s=0,
            why="Its reading over the salt no longer changes.",
            source="slope and spread of its readings",
            do=(
                "Record the point on its page under Sensors. Then put the sensor in the next "
                "jar or back at its place."
            ),
        ),
    )


def _shop() -> tuple[Rule, ...]:
    return (
        Rule(
            id="reservoir-due",
            name="Tank needs filling",
            quantity="due_s",
            test=Test.ABOVE,
            high=0.0,
            urgency=1,
            calm_s=0,
            repeat_s=24 * HOUR_S,
            why=(
                "The tank should be empty by now: the usual time since it was last filled has "
                "passed."
            ),
            source="the time that a filling lasts, from the settings",
            do="Empty, clean and fill it. Then record that it is filled.",
            caution=HUMIDIFIER,
        ),
        Rule(
            id="broker-away",
            name="No readings arrive",
            quantity="broker_away",
            test=Test.ABOVE,
            high=0.5,
            urgency=3,
            hold_s=2 * MINUTE_S,
            calm_s=MINUTE_S,
            repeat_s=12 * HOUR_S,
            family="service",
            why="The broker that passes on the sensors' messages does not answer.",
            source="ours",
            do="Check the broker's machine and network.",
        ),
        Rule(
            id="store-trouble",
            name="Readings not stored",
            quantity="store_trouble",
            test=Test.ABOVE,
            high=0.5,
            urgency=3,
            hold_s=2 * MINUTE_S,
            calm_s=MINUTE_S,
            repeat_s=12 * HOUR_S,
            family="service",
            why="The database cannot be written. Until it can, messages wait in the broker.",
            source="ours",
            do="Free space on the disk, or check the disk's health.",
        ),
        Rule(
            id="disk-low",
            name="Disk nearly full",
            quantity="disk_free",
            test=Test.BELOW,
            low=0.5,
            back=0.2,
            urgency=2,
            hold_s=5 * MINUTE_S,
            repeat_s=24 * HOUR_S,
            why="Without free space no readings can be stored.",
            source="ours",
            do="Free space on the disk that holds the data folder.",
        ),
    )
