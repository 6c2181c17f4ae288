"""Rules on the outlook: expected spells of dry, damp and hot air."""

from __future__ import annotations

from monitor.domain.alerts.rule import HOUR_S, Rule, Test
from monitor.domain.cautions import (
    CLOSED_CAR,
    DRY_SLOWLY,
    HEATERS,
    HUMIDIFIER,
    PRACTICE,
    UNLESS_WOOD,
    VARNISH,
)


def outlook_rules() -> tuple[Rule, ...]:
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
                f"{{fill humidifier}} {{opened plates}} {UNLESS_WOOD} "
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
                "{fill humidifier} Before the spell begins, close only what the Wood page says "
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
                "the air slowly. {warm to dry}"
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
        Rule(
            id="shut-today",
            name="Closed today?",
            quantity="shut_chance",
            test=Test.ABOVE,
            high=90.0,
            back=80.0,
            urgency=1,
            hold_s=0,
            calm_s=600,
            why=(
                "The readings look like those of a closed day. The outlook is more accurate if it "
                "knows how long the shop stays closed."
            ),
            source="the outlook from this shop's own log",
            do=(
                "On the page Coming, enter the last closed day or tap Open today. If the shop is "
                "open but cold, check the heating."
            ),
            caution=HEATERS,
        ),
        Rule(
            id="open-again",
            name="Open again?",
            quantity="open_chance",
            test=Test.ABOVE,
            high=90.0,
            back=80.0,
            urgency=1,
            hold_s=0,
            calm_s=600,
            why=(
                "The readings look like those of an open day, but the day is entered as closed. Until "
                "you answer, the outlook and start times assume a closed shop."
            ),
            source="the outlook from this shop's own log",
            do="On the page Coming, tap Open today, or confirm the last closed day.",
        ),
    )
