"""The rules a shop starts with, each with its reason, where it comes from, and what to do now."""

from __future__ import annotations

from monitor.alerts.rule import Rule, Test
from monitor.places import Limits

MINUTE_S, HOUR_S = 60, 3_600
PRACTICE = "common practice, no source"

HEATERS = (
    "Do not seal the room to hold humidity while anything burns in it: a heater without a flue "
    "needs open vents and a carbon monoxide alarm. Local codes come first."
)
HUMIDIFIER = (
    "Empty, dry and clean a humidifier daily as its maker says; no mist on wood, walls or sockets."
)
MOULD = "Seen mould: mask, gloves, clean outdoors; where there is much of it, ask a professional."


def starting_set(limits: Limits) -> dict[str, Rule]:
    """The starting rules by id, with the shop's own limits in them."""
    rules = (
        *_air(limits),
        *_outlook(),
        *_varnish(limits),
        *_mould(),
        *_wood(),
        *_waits(),
        *_sensors(),
        *_shop(),
    )
    return {rule.id: rule for rule in rules}


def _air(limits: Limits) -> tuple[Rule, ...]:
    rh = limits.rh_margin_pct
    return (
        Rule(
            id="dry", name="Dry", quantity="humidity", test=Test.BELOW, back=rh, urgency=2,
            hold_s=4 * HOUR_S, calm_s=24 * HOUR_S, repeat_s=24 * HOUR_S, only=("bench",),
            family="dry air",
            why="Opened plates shrink, and a joint closed now is closed on wood that is too dry.",
            source=PRACTICE, caution=HUMIDIFIER,
            do="Cover or bag open work, close nothing, add water to the air.",
        ),
        Rule(
            id="very-dry", name="Very dry", quantity="humidity", test=Test.BELOW,
            low=limits.rh_very_low_pct, back=rh, urgency=3, hold_s=30 * MINUTE_S,
            calm_s=24 * HOUR_S, repeat_s=12 * HOUR_S, breaks_quiet=True, only=("bench",),
            family="dry air",
            why="Held spruce set at 50 % reaches its yield strain near 32 % RH: seams open and "
            "plates crack.",
            source="computed from Wood Handbook eq. 4-5 and coefficients, yield strain 0.004 of "
            "Mecklenburg, Tumosa, Erhardt 1998",
            do="Keep opened plates clamped or bagged, put strung instruments in their cases, "
            "humidify now, turn the heating down.",
            caution=f"{HUMIDIFIER} {HEATERS}",
        ),
        Rule(
            id="damp", name="Damp", quantity="humidity", test=Test.ABOVE, back=rh, urgency=1,
            hold_s=12 * HOUR_S, calm_s=24 * HOUR_S, only=("bench",), family="damp air",
            why="Hide glue gives its water up slowly and opened plates swell.",
            source=PRACTICE, do="Leave clamps shut longer; look at the ready times before you "
            "release anything.",
        ),
        Rule(
            id="very-damp", name="Very damp", quantity="humidity", test=Test.ABOVE,
            high=limits.rh_very_high_pct, back=rh, urgency=2, hold_s=HOUR_S, calm_s=24 * HOUR_S,
            repeat_s=24 * HOUR_S, only=("bench",), family="damp air",
            why="Near 80 % RH a line of hide glue stays soft however long it is clamped.",
            source="inference from published sorption and glass-transition data of gelatin",
            do="Release no clamps. Warm the bench or dry the air; glue nothing new.",
            caution="Dry gently: after damp, wood should not lose more than about 5 % RH a day.",
        ),
        Rule(
            id="fast-drying", name="Drying fast", quantity="humidity", test=Test.BELOW, low=-20.0,
            over_s=24 * HOUR_S, back=5.0, urgency=2, hold_s=HOUR_S, calm_s=24 * HOUR_S,
            only=("bench",),
            why="Thin plates follow within hours; free wood stands fast steps of about 15 %, and "
            "guidance for sensitive objects is at most 10 % RH in 24 h.",
            source="IIC and ICOM-CC declaration 2014; Jakieła, Bratasz, Kozłowski 2008 (from "
            "memory)",
            do="Cover open work, close windows and cases, stop what dries the air.",
            caution=HEATERS,
        ),
        Rule(
            id="fast-damping", name="Turning damp fast", quantity="humidity", test=Test.ABOVE,
            high=25.0, over_s=24 * HOUR_S, back=5.0, urgency=1, hold_s=HOUR_S,
            calm_s=24 * HOUR_S, only=("bench",),
            why="Bare plates swell within hours and may not fit what they fitted this morning.",
            source="as for drying fast; damp steps are borne better (ours)",
            do="Check the fit again before closing; leave clamps shut longer.",
        ),
        Rule(
            id="heat", name="Hot", quantity="temperature", test=Test.ABOVE, high=30.0,
            back=1.0, together=True, urgency=2, hold_s=HOUR_S, calm_s=48 * HOUR_S,
            only=("bench", "varnish"),
            why="Spirit varnish softens and prints, wet glue stays soft.",
            source="30 °C: outer limit of ASHRAE control class B (from memory); effect on "
            "varnish: common practice, no source",
            do="Take instruments from windows, lamps and cars; handle no varnish; leave clamps "
            "shut longer.",
        ),
        Rule(
            id="frost", name="Near freezing", quantity="temperature", test=Test.BELOW,
            low=5.0, back=1.0, together=True, urgency=2, hold_s=HOUR_S, calm_s=24 * HOUR_S,
            breaks_quiet=True, only=("bench", "varnish"), repeat_s=12 * HOUR_S,
            why="Pipes and humidifier tanks can freeze, and warm moist air will condense on cold "
            "instruments.",
            source=PRACTICE, do="Warm the shop slowly; leave instruments in their cases meanwhile.",
            caution=HEATERS,
        ),
    )  # fmt: skip


def _outlook() -> tuple[Rule, ...]:
    """Of the air to come: told once it is likely, taken back when it is likely no more."""
    return (
        Rule(
            id="dry-snap", name="Dry snap coming", quantity="dry_snap", test=Test.ABOVE, high=1.0,
            back=0.6, urgency=2, hold_s=0, calm_s=3 * HOUR_S, repeat_s=24 * HOUR_S,
            only=("bench",), family="dry air to come",
            why="Cold air brings little water and the heater dries it further: plates move before "
            "the wall tells.",
            source="the outlook of this shop's own log and the forecast; speaks at a chance tuned on "
            "its past",
            do="Fill the humidifier and set it going in time. Keep opened plates clamped or bagged, "
            "close nothing, put varnish off, cases shut.",
            caution=f"{HUMIDIFIER} {HEATERS}",
        ),
        Rule(
            id="dry-spell", name="Dry spell coming", quantity="dry_spell_chance",
            test=Test.ABOVE, high=70.0, back=30.0, urgency=1, hold_s=HOUR_S, calm_s=6 * HOUR_S,
            only=("bench",), family="dry air to come",
            why="Below the band opened plates shrink.",
            source="the outlook of this shop's own log and the forecast",
            do="Fill the humidifier. Close what is ready to be closed before it comes.",
            caution=f"{HUMIDIFIER} {HEATERS}",
        ),
        Rule(
            id="damp-spell", name="Damp spell coming", quantity="damp_spell_chance",
            test=Test.ABOVE, high=70.0, back=30.0, urgency=1, hold_s=HOUR_S, calm_s=6 * HOUR_S,
            only=("bench",), family="damp air to come",
            why="Near 80 % RH a line of hide glue stays soft, and mould can grow where it lasts.",
            source="the outlook; inference from published sorption data of gelatin",
            do="Glue before it comes, or leave clamps shut until it is over. Dry or warm the room.",
            caution=HEATERS,
        ),
        Rule(
            id="hot-spell", name="Hot spell coming", quantity="hot_spell_chance",
            test=Test.ABOVE, high=70.0, back=30.0, urgency=1, hold_s=HOUR_S, calm_s=6 * HOUR_S,
            only=("bench", "varnish"), family="hot air to come",
            why="Wet glue stays soft and spirit varnish prints.",
            source=PRACTICE,
            do="Glue and varnish in the cool hours; take instruments from windows and cars.",
        ),
    )  # fmt: skip


def _varnish(limits: Limits) -> tuple[Rule, ...]:
    return (
        Rule(
            id="near-dew-point", name="Too near the dew point", quantity="dew_margin",
            test=Test.BELOW, low=limits.varnish_spread_stop_k,
            back=limits.varnish_spread_margin_k, urgency=2, hold_s=20 * MINUTE_S,
            calm_s=2 * HOUR_S, repeat_s=24 * HOUR_S, only=("varnish",),
            why="A surface less than 3 K above the dew point may take up water: varnish blushes "
            "and does not hold.",
            source="common reading of ISO 8502-4", do="Varnish nothing. Warm the room or dry the "
            "air, and wait until the wood has followed.",
            caution="No flame, heater or lamp near wet varnish or rags.",
        ),
        Rule(
            id="blushing", name="Damp for varnish", quantity="humidity", test=Test.ABOVE,
            high=limits.varnish_rh_high_pct, back=limits.rh_margin_pct, urgency=1,
            hold_s=6 * HOUR_S, calm_s=24 * HOUR_S, only=("varnish",),
            why="An evaporating film cools itself and may draw water from damp air.",
            source=PRACTICE, do="Put spirit varnish and retouching off until it is drier.",
        ),
    )  # fmt: skip


def _mould() -> tuple[Rule, ...]:
    return (
        Rule(
            id="mould-risk", together=True, name="Air for mould", quantity="humidity", test=Test.ABOVE,
            high=70.0, back=2.0, urgency=1, hold_s=48 * HOUR_S, calm_s=24 * HOUR_S,
            only=("bench", "varnish"), family="mould",
            why="Days on end above 70 % let mould begin in cases, corners and behind furniture.",
            source="caution from 70 to 75 % over 48 h (ours); growth usually needs 75 to 80 %",
            do="Air cases, look at cold corners, dry the air gently.", caution=MOULD,
        ),
        Rule(
            id="mould-grows", name="Mould can grow", quantity="mould_margin",
            test=Test.ABOVE, high=0.0, back=2.0, together=True, urgency=2,
            hold_s=24 * HOUR_S, calm_s=24 * HOUR_S,
            repeat_s=48 * HOUR_S, only=("bench", "varnish"), family="mould",
            why="Above this RH mould grows on wood, given weeks at 80 % and days at 95 %.",
            source="Hukka and Viitanen 1999 (from memory)",
            do="Dry the air now, open cases to dry air, keep air moving behind furniture.",
            caution=MOULD,
        ),
    )  # fmt: skip


def _wood() -> tuple[Rule, ...]:
    return (
        Rule(
            id="far-from-rest", name="Far from its rest", quantity="from_rest",
            test=Test.OUTSIDE, low=-1.5, high=1.5, back=0.3, urgency=2, hold_s=HOUR_S,
            calm_s=24 * HOUR_S, repeat_s=72 * HOUR_S, family="wood moves",
            why="Its wood holds more or less water than at home: what is closed or fitted now is "
            "under strain there.",
            source="1.5 % moisture is a little over half of what brings held spruce to its yield "
            "strain (computed; Mecklenburg, Tumosa, Erhardt 1998)",
            do="Do not close it. Bring the air towards that of its home, or wait; see Wood.",
        ),
        Rule(
            id="near-yield", name="Near what its wood bears", quantity="yield_share",
            test=Test.ABOVE, high=80.0, back=10.0, urgency=3, hold_s=HOUR_S, calm_s=24 * HOUR_S,
            repeat_s=24 * HOUR_S, family="wood moves",
            why="Held wood is near the strain at which it yields: seams open, old repairs let go.",
            source="yield strain 0.004 of Mecklenburg, Tumosa, Erhardt 1998",
            do="Case it or bag it now; bring the air back slowly, at most 5 % RH a day.",
        ),
        Rule(
            id="cold-instrument", name="Cold instrument", quantity="warm_up_margin",
            test=Test.BELOW, low=0.0, back=1.0, urgency=2, calm_s=10 * MINUTE_S,
            breaks_quiet=True,
            why="It is colder than the dew point of the shop: opened now, water settles on it.",
            source="dew point of the room against the warming of a closed case (computed)",
            do="Leave the case shut until it is 3 K above the dew point; this is then over.",
        ),
    )  # fmt: skip


def _waits() -> tuple[Rule, ...]:
    return (
        Rule(
            id="wait-ready", name="Ready", quantity="ready", test=Test.ABOVE, high=0.5,
            urgency=1, calm_s=0, why="The air it has had has given it its time.",
            source="its kind's law and basis",
            do="Look before you trust it; release it and say how it was.",
        ),
        Rule(
            id="wait-held", name="On hold", quantity="held", test=Test.ABOVE, high=0.5,
            urgency=2, hold_s=30 * MINUTE_S, calm_s=2 * HOUR_S,
            why="The air is too damp or too cold for it to make headway.",
            source="its kind's law", do="Leave the clamps shut. Warm the bench or dry the air.",
        ),
        Rule(
            id="wait-late", name="Will be late", quantity="late", test=Test.ABOVE, high=0.5,
            urgency=1, hold_s=30 * MINUTE_S, calm_s=2 * HOUR_S,
            why="As the air is going it will not be ready when it is wanted.",
            source="its kind's law and the coming air",
            do="Tell whoever waits for it, or warm and dry its place gently.",
        ),
    )  # fmt: skip


def _sensors() -> tuple[Rule, ...]:
    behind = ("broker-away", "store-trouble")
    return (
        Rule(
            id="sensor-silent", name="Silent", quantity="silent_s", test=Test.ABOVE,
            high=1_800.0, urgency=2, hold_s=5 * MINUTE_S, calm_s=10 * MINUTE_S,
            repeat_s=24 * HOUR_S, under=behind,
            why="Nothing has come from it for half an hour: its place is not watched.",
            source="ours",
            do="Look at its power, battery and network; where Probes says so, at its clock.",
        ),
        Rule(
            id="sensor-stuck", name="Stuck", quantity="unchanged_s", test=Test.ABOVE,
            high=6.0 * HOUR_S, urgency=2, calm_s=HOUR_S, under=behind,
            why="Its humidity has not moved by the least step for hours: air never stands that "
            "still.",
            source="ours", do="Restart it; if it stays, replace it. Do not trust its figures.",
        ),
        Rule(
            id="sensor-saturated", name="Reads 99 % or more", quantity="saturated_s",
            test=Test.ABOVE, high=3.0 * HOUR_S, urgency=2, calm_s=2 * HOUR_S, under=behind,
            why="Indoors that is a wet or broken sensor, or water where none should be.",
            source="ours", do="Look at the place first, then at the sensor; let it dry.",
        ),
        Rule(
            id="battery-low", name="Battery low", quantity="battery", test=Test.BELOW, low=15.0,
            back=10.0, urgency=1, hold_s=HOUR_S, calm_s=HOUR_S, under=behind,
            why="It will fall silent before long.", source="ours", do="Change its battery.",
        ),
        Rule(
            id="calibration-due", name="To be calibrated", quantity="calibrated_s",
            test=Test.ABOVE, high=365.0 * 24 * HOUR_S, urgency=1, calm_s=0,
            repeat_s=14 * 24 * HOUR_S,
            why="It was calibrated a year ago; ordinary hygrometers drift, solvents hasten it.",
            source="common practice, no source",
            do="Calibrate it: its page under Probes leads through it.",
        ),
        Rule(
            id="jar-rested", name="At rest in its jar", quantity="rested", test=Test.ABOVE,
            high=0.5, urgency=1, calm_s=0,
            why="Its reading over the salt moves no more.",
            source="slope and spread of its readings",
            do="Take the point on its page under Probes; then the next jar, or back to its place.",
        ),
    )  # fmt: skip


def _shop() -> tuple[Rule, ...]:
    return (
        Rule(
            id="reservoir-due", name="To be filled", quantity="due_s", test=Test.ABOVE, high=0.0,
            urgency=1, calm_s=0, repeat_s=24 * HOUR_S, why="By its last filling it is empty now.",
            source="the time it lasts, from the settings",
            do="Empty, clean and fill it, and say so.", caution=HUMIDIFIER,
        ),
        Rule(
            id="broker-away", name="No readings can come", quantity="broker_away",
            test=Test.ABOVE, high=0.5, urgency=3, hold_s=2 * MINUTE_S, calm_s=MINUTE_S,
            repeat_s=12 * HOUR_S, family="service",
            why="The broker that carries the sensors' messages does not answer.",
            source="ours", do="Look at the broker's machine and network.",
        ),
        Rule(
            id="store-trouble", name="Readings cannot be kept", quantity="store_trouble",
            test=Test.ABOVE, high=0.5, urgency=3, hold_s=2 * MINUTE_S, calm_s=MINUTE_S,
            repeat_s=12 * HOUR_S, family="service",
            why="The database cannot be written; messages wait in the broker meanwhile.",
            source="ours", do="Make room on the disk, or look at its health.",
        ),
        Rule(
            id="disk-low", name="Disk nearly full", quantity="disk_free", test=Test.BELOW,
            low=0.5, back=0.2, urgency=2, hold_s=5 * MINUTE_S, repeat_s=24 * HOUR_S,
            why="Without room no readings can be kept.", source="ours",
            do="Make room on the disk that holds the data folder.",
        ),
    )  # fmt: skip
