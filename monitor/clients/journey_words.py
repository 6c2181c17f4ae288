"""Cautions for a journey in words: the cold case, a damp case in the cold, the hot car."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.clients.calculation import SheetCalculation

LEAST_SHUT_H, LONG_SHUT_H = 2, 8
"""A cold case is left shut for at least so long; for longer than the second, overnight. [h]  Common
practice, no source."""


def journey_words(worked: SheetCalculation) -> tuple[str, ...]:
    say, cold = worked.wish.language, worked.cold
    lines = []
    wait = cold.warm_up.open_min
    what = _shut(worked)
    if not math.isfinite(wait.high):
        lines.append(
            say.text(
                "The room is so damp that water can condense on a cold instrument. Dry the air of "
                "the room, and {what}.",
                what=what,
            )
        )
    elif wait.high <= 0 or worked.never_cold:
        lines.append(
            say.text("If it is cold when you bring it into a warm room, {what}.", what=what)
        )
    else:
        lines.append(
            say.text(
                "If you bring it from {cold} outdoors into a room at {room} with up to {rh} "
                "RH, {what}.",
                cold=say.temperature(cold.from_c),
                room=say.temperature(cold.room_c),
                rh=say.percent(cold.room_pct),
                what=what,
            )
        )
    if not worked.wish.case.holds_nothing and cold.from_c < worked.wets_c:
        lines.append(
            say.text(
                "Below {cold} outdoors, water condenses inside the shell of a warm case with "
                "{rh} RH in it. Take anything wet out of the case and keep the journey short.",
                cold=say.temperature(worked.wets_c),
                rh=say.percent(sum(worked.wish.band_pct) / 2),
            )
        )
    if worked.never_cold:
        lines.append(
            say.text(
                "If you carry it from a cool room into hot, damp air, leave the case shut until it has "
                "warmed, for at least {n} hours.",
                n=say.number(LEAST_SHUT_H),
            )
        )
    hot = worked.car.temp_c
    lines.append(
        say.text(
            "At {out} outdoors, a closed car in the sun reaches about {hot} within an hour "
            "({low} to {high}). Glue and varnish soften.",
            hot=say.temperature(hot.median),
            out=say.temperature(worked.car_c),
            low=say.temperature(hot.low),
            high=say.temperature(hot.high),
        )
    )
    return tuple(lines)


def _shut(worked: SheetCalculation) -> str:
    """Time to leave a cold instrument shut in: whole hours on the safe side, or overnight."""
    say, minutes = worked.wish.language, worked.cold.warm_up.open_min.high
    cover = worked.wish.case.holds_nothing
    if not 0 < minutes <= 60 * LONG_SHUT_H:
        if cover:
            return say.text("leave the cover on overnight")
        return say.text("leave the case shut overnight")
    hours = say.number(max(math.ceil(minutes / 60), LEAST_SHUT_H))
    if cover:
        return say.text("leave the cover on for at least {n} hours", n=hours)
    return say.text("leave the case shut for at least {n} hours", n=hours)
