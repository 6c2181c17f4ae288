"""Cautions for a journey in words: the cold case, a damp case in the cold, the hot car."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.science.case.measures import HomeMeasure
from monitor.science.case.travel import LEAST_SHUT_H

if TYPE_CHECKING:
    from monitor.clients.calculation import SheetCalculation


def journey_words(worked: SheetCalculation) -> tuple[str, ...]:
    say, cold = worked.request.language, worked.cold
    lines = []
    wait = cold.warm_up.open_min
    what = _shut(worked)
    if not math.isfinite(wait.high):
        lines.append(
            say.text(
                "The room is so damp that water can condense on a cold instrument. If you bring it in "
                "from the cold, {what}, and dry the air of the room.",
                what=what,
            )
        )
    elif wait.high <= 0 or worked.never_cold:
        lines.append(
            say.text(
                "If the instrument is cold when you bring it into a warm room, {what}.", what=what
            )
        )
    else:
        lines.append(
            say.text(
                "If you bring the instrument in from the cold (down to {cold}), {what}.",
                cold=say.temperature(cold.from_c),
                what=what,
            )
        )
    if math.isfinite(wait.high):
        lines[0] += " " + say.text("Wait longer while it still feels cold.")
    wets = cold.from_c < worked.wets_c and not worked.never_cold
    if not worked.request.case.holds_nothing and wets:
        lines.append(
            say.text(
                "Before you carry it through air below {cold}, take anything wet out of the case. "
                "Keep the journey short: water can condense inside the shell of the case.",
                cold=say.temperature(worked.wets_c),
            )
        )
    if worked.never_cold or worked.advised.kind is HomeMeasure.AIR_CONDITIONED:
        lines.append(
            say.text(
                "If you carry it from a cool room into hot, damp air, leave the case shut until it has "
                "warmed, for at least {n} hours.",
                n=say.number(LEAST_SHUT_H),
            )
        )
    lines.append(
        say.text(
            "At {out} outdoors, a closed car in the sun can reach {hot} within an hour. Glue and "
            "varnish soften.",
            hot=say.temperature(worked.car.temp_c.high),
            out=say.temperature(worked.car_c),
        )
    )
    return tuple(lines)


def _shut(worked: SheetCalculation) -> str:
    """Time to leave a cold instrument shut in: whole hours on the safe side, or overnight."""
    say, hours = worked.request.language, worked.cold.shut_h
    cover = worked.request.case.holds_nothing
    if hours is None:
        if cover:
            return say.text("leave the cover on overnight")
        return say.text("leave the case shut overnight")
    n = say.number(hours)
    if cover:
        return say.text("leave the cover on for at least {n} hours", n=n)
    return say.text("leave the case shut for at least {n} hours", n=n)
