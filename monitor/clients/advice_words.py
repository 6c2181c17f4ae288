"""The advice of a sheet in words: the lead, and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.clients import phrases
from monitor.clients.measure_words import measure_name
from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.measures import Holds, Measure, Option, Why
from monitor.science.case.simulation import TOO_DAMP_PCT

if TYPE_CHECKING:
    from monitor.clients.calculation import SheetCalculation
    from monitor.clients.language import Language


def lead_words(worked: SheetCalculation) -> str:
    say, advised = worked.wish.language, worked.advised
    months = say.listed(worked.refills.months) if worked.refills else ""
    if advised.room is not None:
        what = say.text(
            "Run a room humidifier that can give {litres} a day, set to {set} ({months}).",
            litres=say.litres(advised.room.litres_day),
            set=say.percent(advised.room.set_pct),
            months=months,
        )
    elif isinstance(advised.device, Buffer):
        what = say.many(
            "Keep {mass} of humidity buffer, set to {set}, in the case. Renew it every day "
            "({months}).",
            "Keep {mass} of humidity buffer, set to {set}, in the case. Renew it every {n} "
            "days ({months}).",
            advised.device.every_d,
            mass=say.mass(advised.device.mass_g),
            set=say.percent(advised.device.set_pct),
            months=months,
        )
    elif isinstance(advised.device, Humidifier):
        what = say.many(
            "Keep a case humidifier that holds {water} in the case. Fill it every day ({months}).",
            "Keep a case humidifier that holds {water} in the case. Fill it every {n} days "
            "({months}).",
            advised.device.every_d,
            water=say.water(advised.device.water_ml),
            months=months,
        )
    elif advised.kind is Measure.DISCIPLINE and worked.wish.case.holds_nothing:
        what = say.text("Keep its cover on whenever it is not played.")
    elif advised.kind is Measure.DISCIPLINE:
        what = say.text("Keep it in its closed case whenever it is not played.")
    elif advised.holds is not Holds.YES:
        return say.text(
            "No measure that was tried is certain to keep it in the band. In dry months, keep it "
            "away from warm, dry air, watch the hygrometer, and ask your repairer how to add "
            "water to the room safely."
        ) + _known_only(worked)
    elif worked.wish.humidified_l_day:
        what = say.text(
            "With the water that you add to the room now, dry air is not a danger. Do not add "
            "more. Watch for damp air."
        )
    elif advised.holds_damp is Holds.YES:
        what = say.text("Continue as you do now. Nothing needs to be added.")
    else:
        what = say.text("Dry air is not a danger here. Do not add water. Watch for damp air.")
    if advised.kind is Measure.DISCIPLINE and advised.holds is Holds.YES:
        what += " " + say.text("No water is needed.")
    what += _known_only(worked)
    if advised.holds is Holds.YES:
        return what
    share = say.text("{n} of 10", n=say.number(10 * advised.held_share))
    best = say.text("No measure is certain to keep it in the band. The best one:") + f" {what}"
    if advised.holds is Holds.UNCLEAR:
        return f"{what if advised.held_share >= 0.5 else best} " + say.text(
            "This keeps it from drying out in about {share} homes and cases like yours. Watch "
            "the hygrometer.",
            share=share,
        )
    return best


def _known_only(worked: SheetCalculation) -> str:
    """Sentences on the months that the readings do not cover; empty where all are known."""
    if not worked.unknown:
        return ""
    say = worked.wish.language
    low, high = (say.number(side) for side in worked.wish.band_pct)
    return " " + say.text(
        "This advice is for these months only: {known}. Your readings do not cover the others. "
        "Measure the room in {month} and ask again. Until then, ask your repairer if the hygrometer "
        "reads below {low} % or above {high} %.",
        known=say.listed(worked.advice.known),
        month=say.month(worked.measure_next),
        low=low,
        high=high,
    )


def to_do_words(worked: SheetCalculation) -> tuple[str, ...]:
    say, advised, wish = worked.wish.language, worked.advised, worked.wish
    low, high = (say.number(side) for side in wish.band_pct)
    lines = []
    if worked.own_too_damp and worked.advice.own is not None:
        lines.append(
            say.text(
                "Take out what is in the case now: {what}. If it stays in, the air around the "
                "instrument is above {limit} for {hours} hours a year.",
                what=measure_name(worked.advice.own, worked),
                limit=say.percent(TOO_DAMP_PCT),
                hours=say.range(worked.advice.own.too_damp_h),
            )
        )
    shut = not wish.case.holds_nothing and advised.kind is not Measure.DISCIPLINE
    if advised.use != wish.use and shut:
        lines.append(say.text("Keep it in its closed case whenever it is not played."))
    if wish.case.holds_nothing:
        lines.append(
            say.text(
                "Keep a hygrometer in the room. It should read {low} to {high} %.",
                low=low,
                high=high,
            )
        )
    else:
        lines.append(
            say.text(
                "Keep a hygrometer in the case. It should read {low} to {high} %.",
                low=low,
                high=high,
            )
        )
    if isinstance(advised.device, Humidifier):
        lines.append(
            say.text(
                "It should give off about {week} in the driest week. Weigh it when full and "
                "again a week later: {equal}.",
                week=_week(advised, say),
                equal=say.text("an ounce of weight is about a fluid ounce")
                if say.us_measures
                else say.text("a gram is a millilitre"),
            )
        )
    if worked.unplayed_too_damp and worked.advice.unplayed is not None:
        lines.append(
            say.text(
                "When the instrument is not played for some days, read the hygrometer in the case every "
                "day. Take the humidifier out while it reads above {high} %. Left in, it could bring "
                "the wood to {rh} (up to {most}).",
                high=high,
                rh=say.percent(worked.advice.unplayed.highest_pct.median),
                most=say.percent(worked.advice.unplayed.highest_pct.high),
            )
        )
    if isinstance(advised.device, Buffer):
        lines.append(
            say.text(
                "Renew the buffer as its maker says, or sooner if the hygrometer leaves the band."
            )
        )
    if advised.room is not None:
        lines.append(
            say.text(
                "Empty, dry and clean the humidifier as its maker says, and use the kind of "
                "water that the maker asks for. Turn it down when water shows on windows or "
                "cold walls. Stop using it if anyone coughs or feels tight in the chest."
            )
        )
    lines.append(
        say.text(
            "Let the instrument adjust to different air slowly, by about 5 % RH a week. Only "
            "an instrument that has become damp may be dried faster, but gently: by at most 5 % "
            "RH a day."
        )
    )
    lines += [_why(w, worked) for w in worked.advice.why]
    return tuple(filter(None, lines))


def _why(why: Why, worked: SheetCalculation) -> str:
    """A reason in words; empty where it would contradict the measure that is advised."""
    say, advised = worked.wish.language, worked.advised
    if why is Why.TOO_DAMP and worked.bare.holds_damp is Holds.YES:
        return ""  # the damp is the device's own, not the climate's
    if why is Why.OVER_WET and isinstance(advised.device, Humidifier):
        return say.text(
            "An amount of water that is enough in one case is too much in another. Read the "
            "hygrometer every day, and take the humidifier out while it reads above {high} %.",
            high=say.number(worked.wish.band_pct[1]),
        )
    return say.text(phrases.WHY[why])


def _week(option: Option, say: Language) -> str:
    if option.room is not None:
        return say.litres(option.week_ml.median / 1000)
    low, _, high = option.week_ml
    return say.text(
        "{middle} ({low} to {high})",
        middle=say.water(option.week_ml.median),
        low=say.water(low),
        high=say.water(high),
    )
