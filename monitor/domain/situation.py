"""Situation of a place that advice depends on: how warm it is, what is drying, what burns there.

Rules name the advice by a mark in braces, `{warm to dry}`, and assessments of the air use the same
functions, so that the same words follow from the same facts everywhere. All of it is common
practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from typing import NamedTuple

from monitor.domain.cautions import (
    ADD_WATER,
    NO_BAG,
    NO_SOLVENTS,
    OPENED_PLATES,
    WARM_TO_DRY,
    Caution,
    leave_shut,
)
from monitor.domain.glue import takes_glue
from monitor.domain.wait import Wait
from monitor.domain.wait_type_registry import from_mapping

FROST_C, COOL_C = 5.0, 18.0
"""Below `FROST_C` the cold is graver than damp air; below `COOL_C` the heating is not turned down.
[°C]"""
FLAMMABLE = (Caution.SOLVENTS, Caution.OILY_RAGS)
"""Cautions of the kinds of wait that give off vapour that can burn."""


class Situation(NamedTuple):
    """Facts about a place.

    `temp_c`: NaN where it is not known. [°C] `hot`: too hot for glue and varnish. `drying`: names of
    the open waits there that give off solvent. `open_flame`: a heater without a flue burns there.
    `water`: advice to add water, as the cold walls allow it. `may_fill`: whether they allow any.
    `own_tent`: another instrument at the place has another home, so that the air of the room cannot
    suit both. `shut_h`: how long the case of an instrument that came in cold is left shut; None:
    overnight. [h]
    """

    temp_c: float = math.nan
    hot: bool = False
    drying: tuple[str, ...] = ()
    open_flame: bool = False
    water: str = ADD_WATER
    may_fill: bool = True
    own_tent: bool = False
    shut_h: int | None = None

    def also(self, other: Situation) -> Situation:
        """The situation of two places in one alert: what is forbidden at either is forbidden."""
        return self._replace(
            drying=tuple(dict.fromkeys((*self.drying, *other.drying))),
            open_flame=self.open_flame or other.open_flame,
            hot=self.hot or other.hot,
        )


ANYWHERE = Situation()
"""Nothing is known of the place."""


def drying(waits: Iterable[Wait]) -> dict[str, tuple[str, ...]]:
    """Names of the open waits that give off solvent, by place."""
    found: dict[str, list[str]] = {}
    for wait in waits:
        kind = from_mapping(wait.kind)
        if wait.open and any(caution in kind.cautions for caution in FLAMMABLE):
            found.setdefault(wait.place, []).append(kind.name)
    return {place: tuple(names) for place, names in found.items()}


def fresh_joints(waits: Iterable[Wait], instrument: str) -> list[Wait]:
    """Joints of an instrument, by its name, in clamps or with the clamps off and not loaded yet. Of a
    kind with a fixed time nobody knows whether it is a joint: it counts as one."""
    name = instrument.casefold()
    return [
        one
        for one in waits
        if name
        and one.instrument.casefold() == name
        and (one.setting or (one.open and takes_glue(from_mapping(one.kind))))
    ]


def _solvents(s: Situation) -> str:
    return f"Solvents evaporate here ({' and '.join(dict.fromkeys(s.drying))})."


def warm_to_dry(s: Situation) -> str:
    """Advice to warm a damp room; none where it is hot, or so cold that the frost comes first."""
    if s.drying:
        return f"{_solvents(s)} Do not warm the room to dry it."
    if s.hot or s.temp_c < FROST_C:
        return ""
    if s.open_flame:
        return f"{WARM_TO_DRY} Do not use a heater without a flue for it: its flame adds water."
    return WARM_TO_DRY


def warm_from_frost(s: Situation) -> str:
    """Advice to warm a shop that is near freezing."""
    if s.drying:
        return (
            f"{_solvents(s)} Do not heat the room before that work, solvents and oily rags are out "
            "of it."
        )
    return (
        "Before you heat, take solvents, wet coats and oily rags out of the room. Then warm it "
        "slowly."
    )


def warm_room(s: Situation) -> str:
    """Advice to warm a room that is too cold for varnish."""
    if s.drying:
        return f"{_solvents(s)} Do not heat the room."
    return f"Warm the room first, and only if {NO_SOLVENTS}."


def warm_parts(s: Situation) -> str:
    """Advice on cold parts before they are glued."""
    if s.drying:
        return (
            f"{_solvents(s)} Warm the parts in another room before you glue, not in an oven. Use no "
            "flame or heater here."
        )
    return "Warm the parts first: use a warm room, not an oven, a flame or a heater."


def shut_windows(s: Situation) -> str:
    """Advice on the windows in air that dries too fast."""
    if s.drying:
        return f"{_solvents(s)} Keep a window open."
    if s.open_flame:
        return "Keep the vents open: a heater without a flue burns here."
    return f"Close the windows only if nothing burns in the room and {NO_SOLVENTS}."


def turn_down(s: Situation) -> str:
    """Advice to heat less in dry air; none where it is cool already."""
    if s.temp_c < COOL_C:
        return ""
    return "If the shop is warm, turn the heating down a little. Do not let it get cold."


def fill_humidifier(s: Situation) -> str:
    """Advice before a dry spell; none to fill where the cold walls allow no more water."""
    if not s.may_fill:
        return "Add no more water to the room than the cold walls bear."
    return "Fill a clean humidifier and start it in time."


def opened_plates(s: Situation) -> str:
    """Advice on opened plates in dry air."""
    if s.drying:
        return f"{OPENED_PLATES} {_solvents(s)} Leave that work uncovered."
    return OPENED_PLATES


def towards_home(s: Situation) -> str:
    """Advice to bring an instrument's air closer to that of its home."""
    if s.own_tent:
        return (
            "Put it in a bag or tent of its own, as other instruments here have other homes. Bring "
            f"the air in it closer to that of its home, by at most 5 % RH a day, or wait. {NO_BAG}"
        )
    return (
        "Bring the air around it closer to that of its home, by at most 5 % RH a day, or wait. If "
        f"instruments with other homes are there, use a bag or tent for each. {NO_BAG}"
    )


ADVICE: dict[str, Callable[[Situation], str]] = {
    "add water": lambda s: s.water,
    "fill humidifier": fill_humidifier,
    "opened plates": opened_plates,
    "warm to dry": warm_to_dry,
    "warm from frost": warm_from_frost,
    "shut windows": shut_windows,
    "turn heating down": turn_down,
    "towards home": towards_home,
    "leave case shut": lambda s: leave_shut(s.shut_h),
}
"""Advice by its mark in the texts of rules."""
_MARK = re.compile(r"\{([^{}]*)\}")


def unknown_marks(text: str) -> list[str]:
    """Marks of a text that name no advice."""
    return [mark for mark in _MARK.findall(text) if mark not in ADVICE]


def rendered(text: str, situation: Situation = ANYWHERE) -> str:
    """A text of a rule with the advice of a situation instead of each mark.

    >>> rendered("Close no joints. {turn heating down}", Situation(temp_c=12.0))
    'Close no joints.'
    """
    found = _MARK.sub(
        lambda mark: ADVICE[mark[1]](situation) if mark[1] in ADVICE else mark[0], text
    )
    return " ".join(found.split())


def branches(text: str, situation: Situation) -> tuple[str, ...]:
    """The advice that a situation leads to, without the figures in it: it changes when the advice
    does."""
    found = (ADVICE[mark](situation) for mark in _MARK.findall(text) if mark in ADVICE)
    return tuple(re.sub(r"[−\d]+", "#", advice) for advice in found)
