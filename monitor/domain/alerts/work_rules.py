"""Rules on instruments, waits and glue."""

from __future__ import annotations

from monitor.domain.alerts.rule import HOUR_S, MINUTE_S, Rule, Test, flag_rule
from monitor.domain.cautions import (
    ANY_WORK,
    CLOSED_CAR,
    ELECTRIC_HEAT,
    HEATERS,
    HUMIDIFIER,
    PRACTICE,
    WORDS,
    Caution,
)


def wood_rules() -> tuple[Rule, ...]:
    return (
        Rule(
            id="far-from-rest",
            name="Far from home moisture",
            quantity="from_rest",
            test=Test.OUTSIDE,
            low=-1.8,
            high=2.4,
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
            source="10 % RH to either side of a home between 40 and 60 % RH brings −1.7 to +2.1 "
            "points (Wood Handbook eq. 4-5), which a steady home may have (the least band of "
            "EN 15757, from memory)",
            do=("Do not close it. {towards home} See Wood."),
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
            source="stretched: yield strain 0.004 of Mecklenburg, Tumosa, Erhardt 1998; pressed: 0.5 to "
            "1 % of Hoadley 1998; joints hold 60 to 100 % of the movement (ours)",
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
                "{leave case shut} Do not open it until this alert has ended. By then the instrument "
                "should be at least 3 K above the dew point. Do not warm the case with a heater or a "
                "lamp."
            ),
            caution=f"{CLOSED_CAR} {ELECTRIC_HEAT}",
        ),
    )


def waits_rules() -> tuple[Rule, ...]:
    return (
        flag_rule(
            id="wait-ready",
            name="Ready",
            quantity="ready",
            urgency=1,
            calm_s=0,
            why=(
                "It has probably had its full time in the air of its place. Bench says by when it is "
                "almost surely ready."
            ),
            source="the formula and the usual time of its kind",
            do=(
                "If you can, wait until it is almost surely ready. Check the work before you trust it. "
                "Then tap “Unclamp” or “Release” on the wait, and record how the work was."
            ),
            caution=f"{ANY_WORK} Use extraction and a mask when you sand.",
        ),
        flag_rule(
            id="wait-loadable",
            name="May be worked",
            quantity="loadable",
            urgency=1,
            calm_s=0,
            why=(
                "The joint has probably had its full time in the air of its place since it was glued. "
                "Bench says by when it is almost surely ready."
            ),
            source="the formula and the usual time of its kind: common practice, no source",
            do=(
                "If you can, wait until it is almost surely ready. Check the joint before you trust it. "
                "Then it may be worked. Load or string the instrument only when Bench shows that all "
                "its joints may be loaded. Tap “Start work” on the wait."
            ),
            caution=f"{ANY_WORK} Use extraction and a mask when you sand.",
        ),
        flag_rule(
            id="wait-held",
            name="On hold",
            quantity="held",
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
        flag_rule(
            id="wait-late",
            name="Will be late",
            quantity="late",
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


def repair_rules() -> tuple[Rule, ...]:
    return (
        flag_rule(
            id="last-start",
            name="Last start today",
            quantity="last_starts",
            urgency=2,
            calm_s=0,
            why="A joint that is glued before you leave hardens overnight.",
            source="the plan of the repairs and the outlook",
            do="Start what makes use of the night. Leave the rest for tomorrow.",
            caution=WORDS[Caution.HOT_GLUE_POT],
            on=False,
        ),
    )


def glue_rules() -> tuple[Rule, ...]:
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
            breaks_quiet=True,  # the only reminder of work on a day that is closed by the settings
            family="glue pot",
            why=(
                "It has been recorded as on for more than 4 h. Heat weakens the glue, and its water "
                "boils away."
            ),
            source=PRACTICE,
            do="Top up the water, or switch the pot off and unplug it. Then record that it is off.",
            caution=pot,
        ),
        flag_rule(
            id="pot-at-closing",
            name="Glue pot on at closing",
            quantity="pot_at_closing",
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
        flag_rule(
            id="glue-past",
            name="Past its discard time",
            quantity="glue_past",
            urgency=1,
            calm_s=0,
            family="old glue",
            why="Glue kept hot or kept long loses strength. A joint made with it may open.",
            source="the limits of the batch: the maker's sheet, or common practice, no source",
            do="Do not glue with it. Use a fresh batch. Record that it is discarded.",
        ),
    )
