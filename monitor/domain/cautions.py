"""Cautions and the advice that must read alike wherever it is given: rules, pages, terminal.

All of them are common practice, no source. The product's safety data sheet, the maker's
instructions and local codes come first.
"""

from __future__ import annotations

from enum import StrEnum


class Caution(StrEnum):
    """Caution to show. The value is a key; `WORDS` has the text."""

    HOT_GLUE_POT = "hot-glue-pot"
    CHILLED_JOINT = "chilled-joint"
    SOLVENTS = "solvents"
    BLUSH = "blush"
    OILY_RAGS = "oily-rags"
    WOOD_DUST = "wood-dust"
    LONE_WORKING = "lone-working"
    CLIMATE_SHOCK = "climate-shock"
    """Opened or freshly strung work wants steady air."""
    DRYING_HEAT = "drying-heat"
    """Electric heaters and lamps that are used to speed the work."""
    REACTIVE_GLUES = "reactive-glues"
    """Epoxy, cyanoacrylate and resin that ultraviolet light cures."""
    ALKALINE_GLUE = "alkaline-glue"
    """Casein glue."""
    SALTS = "salts"
    """Saturated salts in boxes."""
    OVEN = "oven"
    """Wood that is dried in an oven."""
    CASE_HUMIDIFIER = "case-humidifier"
    """A humidifier in a shut case."""


def leave_shut(hours: int | None) -> str:
    """Advice on the case of an instrument that came in cold, by its `travel.shut_hours`.

    >>> leave_shut(3)
    'Leave the case shut for at least 3 hours. Wait longer while it still feels cold.'
    """
    time = "overnight" if hours is None else f"for at least {hours} hours"
    return f"Leave the case shut {time}. Wait longer while it still feels cold."


SOLVENTS = (
    "Solvents: open a window, keep flames, heaters and sparks away, wear gloves and close the "
    "bottle. Read the product's safety data sheet."
)
OILY_RAGS = (
    "Oily rags heat up by themselves and can catch fire within hours. Lay them flat outdoors to "
    "dry, or shut them in a metal can and take it out of the building every day."
)
ELECTRIC_HEAT = (
    "Never leave an electric heater or a drying lamp on unattended, never cover it, and do not "
    "run it from an extension lead. Keep it away from rags, solvents and the wood."
)
VARNISH = f"{SOLVENTS} {OILY_RAGS}"
"""Caution for rules that meet varnish of any kind."""
PRACTICE = "common practice, no source"
"""Source of a fact of the trade."""
REACTIVE_GLUES = (
    "Epoxy can cause allergy, cyanoacrylate bonds skin at once, and ultraviolet lamps harm eyes "
    "and skin. Wear gloves and eye protection, air the room, shield the lamp, and read the "
    "product's safety data sheet."
)
ANY_WORK = (
    "Keep flames, heaters, lamps and sparks away from solvents, wet coats and oily rags, and air "
    "the room. Lay oily rags flat outdoors, or shut them in a metal can and take it out every day. "
    "Never leave a heater or a drying lamp on unattended or covered. Wear gloves with epoxy and "
    "cyanoacrylate, and shield your eyes from ultraviolet light. The product's safety data sheet "
    "comes first."
)
"""Caution for rules that meet every kind of wait: the gravest of the cautions in short."""
HEATERS = (
    "Do not seal the room to hold humidity while anything burns in it: a heater without a flue "
    f"needs open vents and a carbon monoxide alarm. {ELECTRIC_HEAT} Local codes come first."
)
HUMIDIFIER = (
    "Empty, dry and clean a humidifier every day as its maker says. Keep its mist off wood, "
    "walls and sockets. Stop adding water when water shows on windows or cold walls. Stop if "
    "anyone coughs or feels tight in the chest."
)
MOULD = (
    "If you see mould, wear a mask and gloves and clean outdoors. If there is much of it, "
    "ask a professional."
)
DRY_SLOWLY = (
    "Dry the air slowly. After damp air, lower the RH around wood by at most about 5 % a day."
)
CLOSED_CAR = "Never leave an instrument, or anyone, in a closed car."

WORDS = {
    Caution.HOT_GLUE_POT: (
        "Glue at about 60 °C scalds, and a pot boiled dry burns. Keep the water topped up. Never "
        "leave the pot on alone. Switch it off and unplug it before you leave."
    ),
    Caution.CHILLED_JOINT: "Cold parts chill the glue before the joint is closed.",
    Caution.SOLVENTS: SOLVENTS,
    Caution.BLUSH: "Damp air clouds a spirit coat. Check the dew point first.",
    Caution.OILY_RAGS: OILY_RAGS,
    Caution.WOOD_DUST: "Wood dust harms the lungs. Use extraction and a mask when you sand.",
    Caution.LONE_WORKING: "Working alone with solvents? Agree who looks in on you, and when.",
    Caution.CLIMATE_SHOCK: (
        "The instrument is open or freshly strung. Keep the air steady, "
        "and keep it out of draughts and sun."
    ),
    Caution.DRYING_HEAT: ELECTRIC_HEAT,
    Caution.REACTIVE_GLUES: REACTIVE_GLUES,
    Caution.SALTS: (
        "Salts corrode tools, strings and electronics. Label the boxes and keep them away from "
        "food and children. Wear gloves and eye protection with LiCl, K2CO3 and Mg(NO3)2. "
        "Magnesium nitrate makes fires burn more fiercely: keep it away from solvents, rags and "
        "wood dust. Read the product's safety data sheet."
    ),
    Caution.OVEN: (
        "Dry wood only in an oven made for it, at 103 °C at most, never in a kitchen oven or a "
        "microwave. Never leave it alone, keep solvents, oily rags and varnished wood out of it, "
        "and let the wood cool before you touch it. Never heat an instrument."
    ),
    Caution.CASE_HUMIDIFIER: (
        "Keep the instrument out of the case during the test. Empty, dry and clean the humidifier "
        "every day as its maker says, and let the case dry with its lid open at the end. If you "
        "see mould, wear a mask and gloves and clean outdoors."
    ),
    Caution.ALKALINE_GLUE: (
        "Casein glue is alkaline. Keep its dust out of eyes and lungs, wear gloves and eye "
        "protection, and read the product's safety data sheet."
    ),
}
DEFERS = "The product's safety data sheet and your local codes come first."

OPENED_PLATES = (
    "Bag opened plates that have no glue or varnish drying on them. Lay them flat, supported and "
    "free to move."
)
"""Advice on opened plates in dry air. Held flat by force, spruce yields. Common practice, no
source."""
NO_BAG = "Bag nothing on which glue or varnish is drying."
UNLESS_WOOD = "Close no joint unless the Wood page says that it is safe for that instrument."
ADD_WATER = "Add water to the air, but stop when water shows on windows or cold walls."
NO_SOLVENTS = "no solvent, wet coat or oily rag is in it"
"""The condition of warming or shutting a room. A sentence about the room comes before it."""
WARM_TO_DRY = f"Warm the room slowly, and only if it is cool and {NO_SOLVENTS}."
