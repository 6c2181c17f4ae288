"""A year at home in words: how long the case alone protects, and the plot."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.science.case.home import MonthBasis
from monitor.science.case.simulation import TOO_DAMP_PCT
from monitor.science.case.trial import MORE_DAMP_H

if TYPE_CHECKING:
    from monitor.clients.calculation import HoldTime, SheetCalculation
    from monitor.clients.language import Language


def hold_words(worked: SheetCalculation) -> tuple[str, ...]:
    say, advised = worked.request.language, worked.advised
    lines = [_held(h, say, dry=dry) for h, dry in ((worked.dry, True), (worked.damp, False)) if h]
    if worked.request.case.holds_nothing and lines:
        lines = [
            say.text("Under a cover, the instrument follows the air of the room within days.")
        ]
    damp = advised.too_damp_h
    if not worked.unknown and damp.high > MORE_DAMP_H:
        lines.append(
            say.text(
                "With the advice, the air around the instrument is still too damp (above {limit}) for "
                "{hours} hours a year. As it is used now: {now} hours.",
                limit=say.percent(TOO_DAMP_PCT),
                hours=say.range(damp),
                now=say.range(worked.bare.too_damp_h),
            )
        )
    return tuple(lines)


def _held(held: HoldTime, say: Language, *, dry: bool) -> str:
    days = say.range(held.days) if math.isfinite(held.days.high) else say.number(held.days.low)
    values = {"room": say.percent(held.room_pct), "days": days}
    if dry:
        return say.text(
            "In the driest month (home at {room}), the closed case alone protects the wood for {days} "
            "days.",
            **values,
        )
    return say.text(
        "In the dampest month (home at {room}), the closed case alone protects the wood for {days} "
        "days.",
        **values,
    )


def month_words(worked: SheetCalculation) -> str:
    """Basis of the home's air in each month, in words."""
    say, year = worked.request.language, worked.year
    bases = year.month_bases

    def of(basis: MonthBasis) -> str:
        return say.listed([m for m, one in enumerate(bases, 1) if one is basis])

    if MonthBasis.WEATHER in bases and worked.unknown:
        return say.text(
            "Estimated from the weather: {known}. Too uncertain: {unknown}. Nothing was measured at "
            "home.",
            known=of(MonthBasis.WEATHER),
            unknown=of(MonthBasis.UNKNOWN),
        )
    if MonthBasis.WEATHER in bases:
        return say.text("All months are estimated from the weather. Nothing was measured at home.")
    found = [say.text("Measured at home: {months}.", months=of(MonthBasis.MEASURED))]
    if MonthBasis.CARRIED in bases:
        found.append(
            say.text(
                "Estimated from the readings and the weather outdoors: {months}.",
                months=of(MonthBasis.CARRIED),
            )
        )
    if MonthBasis.BESIDE in bases:
        found.append(
            say.text(
                "Estimated from the readings of the months next to them: {months}.",
                months=of(MonthBasis.BESIDE),
            )
        )
    if worked.unknown:
        found.append(say.text("Not known: {months}.", months=of(MonthBasis.UNKNOWN)))
    elif MonthBasis.CARRIED in bases:
        month = max(year.months_carried, key=worked.width_pct)
        found.append(
            say.text("A reading in {month} would narrow the ranges most.", month=say.month(month))
        )
    return " ".join(found)


def plot_words(worked: SheetCalculation) -> str:
    """The plot in words, for those who cannot see it."""
    say, known = worked.request.language, worked.advice.known
    middle = {m: worked.advice.home[m - 1].median for m in known}
    driest, dampest = min(known, key=middle.__getitem__), max(known, key=middle.__getitem__)
    middles = list(middle.values())
    if worked.unknown and round(min(middles)) == round(max(middles)):
        return say.text(
            "Relative humidity through the year. Your home: about {level} in {known}. Hatched: too "
            "little is known. Grey band: right for the instrument. Shaded: with the advice.",
            level=say.percent(min(middles)),
            known=say.listed(known),
        )
    if worked.unknown:
        return say.text(
            "Relative humidity through the year. Your home: from {low} to {high} in {known}. Hatched: "
            "too little is known. Grey band: right for the instrument. Shaded: with the advice.",
            low=say.percent(min(middles)),
            high=say.percent(max(middles)),
            known=say.listed(known),
        )
    if round(min(middles)) == round(max(middles)):
        return say.text(
            "Relative humidity through the year. Your home: about {level} all year. Grey band: "
            "right for the instrument. Shaded: with the advice.",
            level=say.percent(min(middles)),
        )
    return say.text(
        "Relative humidity through the year. Your home: from {low} in {driest} to {high} in "
        "{dampest}. Grey band: right for the instrument. Shaded: with the advice.",
        low=say.percent(min(middles)),
        driest=say.month(driest),
        high=say.percent(max(middles)),
        dampest=say.month(dampest),
    )
