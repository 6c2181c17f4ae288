"""The advice of a sheet in words: the lead, and what to do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.clients import phrases
from monitor.clients.measure_words import begins_slowly, measure_name, rhythm
from monitor.science.case.advice import FEW
from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.measures import HUMIDIFIED, Holds, HomeMeasure, MeasureReason, Option
from monitor.science.case.rooms import COOLEST_C, PACE_PCT_WEEK, WARMEST_C
from monitor.science.case.simulation import TOO_DAMP_PCT
from monitor.science.quantiles import QuantileRange

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.clients.calculation import SheetCalculation
    from monitor.science.case.rooms import RoomChange


def lead_words(worked: SheetCalculation) -> str:
    """The measure that is advised, and how surely it keeps the band."""
    say, advised = worked.request.language, worked.advised
    what, holds = _what(worked), advised.holds
    if advised.kind is HomeMeasure.NOTHING and holds is not Holds.YES:
        what = say.text("No measure that was tried is better than what you do now.") + " " + what
    elif holds is Holds.NO:
        what = (
            say.text(
                "No measure is enough in most homes and cases like yours. The least harmful one:"
            )
            + f" {what}"
        )
    elif advised.held_share < 0.5:
        what = say.text("No measure is certain to be enough. The best one:") + f" {what}"
    if advised is worked.advice.own:
        what = say.text("What you have is enough.") + " " + what
    if worked.cold_steps:
        what += " " + say.text("Lower the setting while it is cold outdoors: see the list below.")
    return f"{what} {_share(worked)}" + _known_only(worked)


def _share(worked: SheetCalculation) -> str:
    """Sentence on the share of the ways in which the band is kept."""
    say, share = worked.request.language, worked.advised.held_share
    low, high = (say.number(side) for side in worked.request.band_pct)
    if share <= 0:
        days = worked.days_known
        inside = worked.advised.at_first.days_in
        return say.text(
            "The wood still leaves its band ({low} to {high} %) on {days} of {known} days. Watch the "
            "hygrometer.",
            low=low,
            high=high,
            days=say.range(QuantileRange(*(days - n for n in reversed(inside)))),
            known=say.number(days),
        )
    values = {"low": low, "high": high, "share": say.of_ten(share)}
    if worked.cold_uncounted(worked.advised):
        text = say.text(
            "As long as it is not so cold outdoors that the setting must be lower, this keeps the wood "
            "in its band ({low} to {high} %) in {share} homes and cases like yours.",
            **values,
        )
    else:
        text = say.text(
            "This keeps the wood in its band ({low} to {high} %) in {share} homes and cases like yours.",
            **values,
        )
    if begins_slowly(worked.advised):
        text += " " + _until_changed(worked)
    if worked.advised.holds is Holds.YES:
        return text
    return text + " " + say.text("Watch the hygrometer.")


def _until_changed(worked: SheetCalculation) -> str:
    """Sentences on the first year, in which the air is changed slowly."""
    say, days = worked.request.language, worked.days_known
    inside = worked.advised.at_first.days_in
    return say.text(
        "In the first year, while you change the air slowly, the wood is still out of its band on "
        "{days} of {known} days.",
        days=say.range(QuantileRange(*(days - n for n in reversed(inside)))),
        known=say.number(days),
    )


def _what(worked: SheetCalculation) -> str:
    """The measure as an order."""
    say, advised = worked.request.language, worked.advised
    if advised.room is not None:
        return _what_room(worked, advised.room)
    device = advised.device
    if isinstance(device, Buffer):
        return say.text(
            "Keep {mass} of humidity buffer, set to {set}, in the case: packs or beads that take up "
            "and give off moisture. Renew it {rhythm} ({months}).",
            mass=say.mass(device.mass_g),
            set=say.percent(device.set_pct),
            rhythm=rhythm(device.every_d, say),
            months=_months(worked, device.months),
        )
    if isinstance(device, Humidifier):
        values = {
            "water": say.water(device.water_ml),
            "rhythm": rhythm(device.every_d, say),
            "months": _months(worked, device.months),
        }
        if advised.beside is None:
            return say.text(
                "Keep a case humidifier that holds {water} in the case. Fill it {rhythm} ({months}).",
                **values,
            )
        return say.text(
            "Keep a case humidifier that holds {water} in the case. Fill it {rhythm} ({months}). Lay "
            "{mass} of humidity buffer, set to {set}, beside it: packs or beads that take up and give "
            "off moisture.",
            mass=say.mass(advised.beside.mass_g),
            set=say.percent(advised.beside.set_pct),
            **values,
        )
    if advised.kind is HomeMeasure.DISCIPLINE:
        if worked.request.case.holds_nothing:
            return say.text("Keep its cover on whenever it is not played.")
        what = say.text("Keep it in its closed case whenever it is not played.")
        if _calm(advised):
            what += " " + say.text("No water is needed.")
        return what
    if advised.holds is Holds.YES:
        if worked.request.humidified_l_day:
            return say.text("With the water that you add to the room now, the air is right.")
        return say.text("Continue as you do now. Nothing needs to be added.")
    if advised.not_dry_share >= 1:
        return say.text("Watch for damp air.")
    return say.text(
        "In dry months, keep it away from warm, dry air, watch the hygrometer, and ask your repairer "
        "how to add water to the room safely."
    )


def _what_room(worked: SheetCalculation, room: RoomChange) -> str:
    say, kind = worked.request.language, worked.advised.kind
    values = {
        "months": _months(worked, room.months),
        "litres": say.litres(room.litres_day),
        "set": say.percent(room.set_pct),
        "kelvin": say.kelvin(abs(room.warmer_k)),
    }
    if kind is HomeMeasure.COOLER_ROOM:
        return say.text(
            "Keep and play the instrument in a room that is about {kelvin} cooler, but not below "
            "{least} ({months}).",
            **values,
            least=say.temperature(COOLEST_C),
        )
    if kind is HomeMeasure.WARMER_ROOM:
        return say.text(
            "Keep and play the instrument in a room that is heated about {kelvin} warmer, to {most} "
            "at most ({months}).",
            **values,
            most=say.temperature(WARMEST_C),
        )
    if kind is HomeMeasure.SET_LOWER:
        return say.text(
            "With the water that you add to the room now, the air becomes too damp. Set the "
            "humidifier to {set} at most ({months}).",
            **values,
        )
    if kind is HomeMeasure.ROOM:
        return say.text(
            "Run humidifiers for the whole home that can give {litres} a day, set to {set} "
            "({months}).",
            **values,
        )
    if kind is HomeMeasure.SMALL_ROOM:
        return say.text(
            "Keep and play the instrument in one small room with its door shut. Run a humidifier "
            "there that can give {litres} a day, set to {set} ({months}).",
            **values,
        )
    if kind is HomeMeasure.DEHUMIDIFIER:
        return say.text(
            "Keep and play the instrument in one small room. Run a dehumidifier there, set to {set} "
            "({months}), and keep its door and windows shut while it runs.",
            **values,
        )
    if kind is HomeMeasure.BOTH_IN_ROOM and room.also is not None:
        return say.text(
            "Keep and play the instrument in one small room with its door and windows shut. Run a "
            "humidifier there that can give {litres} a day, set to {set} ({months}), and a "
            "dehumidifier, set to {high} ({damp}).",
            **values,
            high=say.percent(room.also.set_pct),
            damp=_months(worked, room.also.months),
        )
    return say.text(
        "Keep and play the instrument in an air-conditioned room with its windows shut ({months}).",
        **values,
    )


def _months(worked: SheetCalculation, months: Sequence[int]) -> str:
    """Known months of these, in words."""
    return worked.request.language.listed([m for m in months if m in worked.advice.known])


def _calm(option: Option) -> bool:
    """True where the wood dries out in none of the ways."""
    return option.not_dry_share >= 1


def _known_only(worked: SheetCalculation) -> str:
    """Sentences on the months that the readings do not cover; empty where all are known."""
    if not worked.unknown:
        return ""
    say = worked.request.language
    return " " + say.text(
        "This advice is for these months only: {known}. Too little is known of the others. Measure "
        "the room in {month} and ask again.",
        known=say.listed(worked.advice.known),
        month=say.month(worked.measure_next),
    )


def to_do_words(worked: SheetCalculation) -> tuple[str, ...]:
    """Lines on what to do."""
    say, advised, request = worked.request.language, worked.advised, worked.request
    low, high = (say.number(side) for side in request.band_pct)
    lines = []
    if worked.own_too_damp and worked.advice.own is not None:
        lines.append(
            say.text(
                "Take out what is in the case now: {what}. It makes the air around the instrument "
                "too damp (above {limit}).",
                what=measure_name(worked.advice.own, worked),
                limit=say.percent(TOO_DAMP_PCT),
            )
        )
    shut = not request.case.holds_nothing and advised.kind is not HomeMeasure.DISCIPLINE
    if advised.use != request.use and shut:
        lines.append(say.text("Keep it in its closed case whenever it is not played."))
    where = (
        say.text("Keep a hygrometer (humidity meter) in the room.")
        if request.case.holds_nothing
        else say.text("Keep a hygrometer (humidity meter) in the case.")
    )
    reads = (
        say.text(
            "Once the air has been changed, it should read {low} to {high} %. If it then does not for a "
            "week, ask your repairer.",
            low=low,
            high=high,
        )
        if _changes(worked)
        else say.text(
            "It should read {low} to {high} %. If it does not for a week, ask your repairer.",
            low=low,
            high=high,
        )
    )
    lines.append(f"{where} {reads}")
    lines += _device_lines(worked)
    lines += _room_lines(worked)
    lines.append(_lazy(worked))
    lines.append(_slowly(worked))
    lines += [why_words(w, worked) for w in worked.advice.why if w not in phrases.DETAILS]
    return tuple(filter(None, lines))


def _device_lines(worked: SheetCalculation) -> list[str]:
    """Lines on the device in the case."""
    say, advised = worked.request.language, worked.advised
    lines = []
    if isinstance(advised.device, Humidifier):
        lines.append(
            say.text(
                "The humidifier should give off about {week} in the driest week. Weigh it when full "
                "and again a week later ({equal}). If it gives off more or less, ask your repairer.",
                week=say.water_range(advised.week_ml),
                equal=say.text("an ounce of weight is about a fluid ounce")
                if say.us_measures
                else say.text("a gram is a millilitre"),
            )
        )
    if worked.unplayed_too_damp and worked.advice.unplayed is not None:
        lines.append(
            say.text(
                "When the instrument is not played for some days, read the hygrometer in the case every "
                "day. Take the humidifier out while it reads above {high} %. If it stays in, the wood "
                "can get as damp as {most}.",
                high=say.number(worked.request.band_pct[1]),
                most=say.percent(worked.advice.unplayed.highest_pct.high),
            )
        )
    if isinstance(advised.device, Buffer) or advised.beside is not None:
        lines.append(
            say.text(
                "Renew the buffer as its maker says, or sooner if the hygrometer leaves the band."
            )
        )
    return lines


def _room_lines(worked: SheetCalculation) -> list[str]:
    """Lines on an appliance in the room."""
    say, kind = worked.request.language, worked.advised.kind
    lines = []
    if kind in HUMIDIFIED or kind is HomeMeasure.SET_LOWER:
        lines.append(
            say.text(
                "Empty, dry and clean the humidifier as its maker says, and use the kind of "
                "water that the maker asks for. Turn it down when water shows on windows or "
                "cold walls. Stop using it if anyone coughs or feels tight in the chest."
            )
        )
    if worked.cold_steps:
        steps = [
            say.text(
                "{limit} at most below {cold}",
                limit=say.percent(limit),
                cold=say.temperature(cold_c),
            )
            for cold_c, limit in worked.cold_steps
        ]
        lines.append(
            say.text(
                "Set the humidifier lower while it is cold outdoors: {steps}. Otherwise water and mould "
                "can form on cold walls and windows. An inner room without them is best.",
                steps=", ".join(steps),
            )
        )
    if kind in (HomeMeasure.DEHUMIDIFIER, HomeMeasure.BOTH_IN_ROOM):
        lines.append(
            say.text(
                "Empty the dehumidifier every day and clean it as its maker says. Keep its warm air "
                "away from the instrument. It warms the room: leave the room if it gets too hot."
            )
        )
    if kind is HomeMeasure.AIR_CONDITIONED:
        lines.append(say.text("Keep the instrument out of the stream of cold air."))
    return lines


def _changes(worked: SheetCalculation) -> bool:
    """True where the air around the instrument is out of the band, and the advice changes it."""
    kept = (HomeMeasure.NOTHING, HomeMeasure.DISCIPLINE)
    new = worked.advised.kind not in kept and worked.advised is not worked.advice.own
    return new and (worked.dry is not None or worked.damp is not None)


def _slowly(worked: SheetCalculation) -> str:
    """Sentences on the pace of a change of air, by what can be set or taken out."""
    say, kind = worked.request.language, worked.advised.kind
    if worked.advised.device is not None:
        slow = _slowly_in_the_case(worked)
    elif kind in HUMIDIFIED:
        slow = say.text(
            "Begin a little above what the hygrometer reads now. Set the humidifier 5 % "
            "higher every week."
        )
    elif kind in (HomeMeasure.DEHUMIDIFIER, HomeMeasure.SET_LOWER):
        slow = say.text(
            "Begin a little below what the hygrometer reads now. Set the appliance 5 % "
            "lower every week."
        )
    elif kind is HomeMeasure.AIR_CONDITIONED:
        slow = say.text(
            "Begin with little cooling and cool more every week, so that the RH around the instrument "
            "changes by about 5 points a week."
        )
    else:
        slow = say.text(
            "Change the air around the instrument slowly, its RH by about 5 points a week."
        )
    return f"{slow} " + say.text(
        "Only an instrument that got wet may dry faster, by 5 points a day at most."
    )


def _slowly_in_the_case(worked: SheetCalculation) -> str:
    """The same with a device in the case, and in how many weeks dry air reaches the band so."""
    say, advised = worked.request.language, worked.advised
    if isinstance(advised.device, Buffer):
        slow = say.text(
            "Change the RH in the case by about 5 points a week. Take the buffer out while it has "
            "changed by more since last week."
        )
    else:
        slow = say.text(
            "Raise the RH in the case by about 5 points a week. Take the humidifier out while it has "
            "risen by more since last week."
        )
    dry = worked.dry
    if dry is None or advised is worked.advice.own:
        return slow
    weeks = math.ceil((dry.limit_pct - dry.room_pct) / PACE_PCT_WEEK)
    if weeks < 2:
        return slow
    return f"{slow} " + say.text(
        "From {rh} RH, it then reaches the band in about {n} weeks.",
        rh=say.percent(dry.room_pct),
        n=say.number(weeks),
    )


def _lazy(worked: SheetCalculation) -> str:
    """Sentence on the measure when it is made ready half as often; empty where that does no harm."""
    say, lazy = worked.request.language, worked.advice.lazy
    if lazy is None or 1 - lazy.not_dry_share <= FEW:
        return ""
    values = {
        "low": say.percent(lazy.lowest_pct.low),
        "bare": say.percent(worked.bare.lowest_pct.low),
    }
    if isinstance(lazy.device, Buffer):
        return say.text(
            "If you renew the buffer half as often and forget a month, the wood may dry as if in air of "
            "{low} RH in the driest tenth of homes. Without it: {bare} RH.",
            **values,
        )
    if lazy.device is None:
        return say.text(
            "If the humidifier gives off half as much water and is off for a month, the wood may dry as "
            "if in air of {low} RH in the driest tenth of homes. Without it: {bare} RH.",
            **values,
        )
    return say.text(
        "If you fill the humidifier half as often and forget a month, the wood may dry as if in air of "
        "{low} RH in the driest tenth of homes. Without it: {bare} RH.",
        **values,
    )


def why_words(why: MeasureReason, worked: SheetCalculation) -> str:
    """A reason in words."""
    say, advised = worked.request.language, worked.advised
    if why is MeasureReason.TOO_DRY:
        return say.text(
            "In the driest months the wood still becomes drier than the band in {share} homes.",
            share=say.of_ten(1 - advised.not_dry_share),
        )
    if why is MeasureReason.TOO_DAMP:
        return (
            say.text(
                "In damp months the air is damper than the band. Do not add water while it "
                "is so damp."
            )
            + f" {_airing(worked)}"
        )
    if why is MeasureReason.MADE_DAMP:
        share = say.of_ten(advised.made_damp_share)
        if isinstance(advised.device, Humidifier):
            return say.text(
                "In {share} homes and cases like yours, this humidifier makes the case too damp. Read "
                "the hygrometer every day, and take the humidifier out while it reads above {high} %.",
                share=share,
                high=say.number(worked.request.band_pct[1]),
            )
        return say.text(
            "In {share} homes and cases like yours, this makes the instrument too damp. Read the "
            "hygrometer every day, and undo it while the hygrometer reads above {high} %.",
            share=share,
            high=say.number(worked.request.band_pct[1]),
        )
    if why is MeasureReason.OVER_WET:
        damp = [o for o in worked.advice.options if isinstance(o.device, Humidifier)]
        return say.text(
            "A humidifier in the case is not advised, even if its days in the band are many: in {share} "
            "homes and cases like yours, it makes the case too damp.",
            share=say.of_ten(max(o.made_damp_share for o in damp)),
        )
    return say.text(phrases.WHY[why])


def _airing(worked: SheetCalculation) -> str:
    """Sentence on drying the room: airing only where the air outdoors holds less water."""
    say = worked.request.language
    if not worked.airing:
        return say.text(
            "Do not air the room then: the air outdoors holds as much water. Keep the windows "
            "shut while an air conditioner or a dehumidifier runs."
        )
    return say.text(
        "Air the room only while it is clearly colder outdoors than indoors, or dry it slowly with a "
        "dehumidifier."
    )
