"""The sheet: all texts of the one page, in the client's language and units."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from monitor.clients import phrases
from monitor.clients.plot import year_plot
from monitor.clients.refill_words import fills_of, fills_words, summary_of
from monitor.clients.reminders import calendar_of, qr_of
from monitor.core.formats import local
from monitor.science.case.devices import MONTH_STARTS, Buffer, Humidifier
from monitor.science.case.measures import Holds, Measure, Option, Why
from monitor.science.case.simulation import TOO_DAMP_PCT

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from monitor.clients.calculation import HoldTime, SheetCalculation
    from monitor.clients.language import Language


LEAST_SHUT_H, LONG_SHUT_H = 2, 8
"""A cold case is left shut for at least so long; for longer than the second, overnight. [h]  Common
practice, no source."""
NOT_COLD_C = 15.0
"""Who typed only outdoor temperatures above this is not warned of a certain cold day. [°C]  Ours."""


class Section(NamedTuple):
    """A heading and its sentences; as a list if they are several things."""

    heading: str
    lines: tuple[str, ...]


class Table(NamedTuple):
    """Table of a sheet. `strong`: the row that is advised."""

    heading: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    strong: int


class Sheet(NamedTuple):
    """Client's sheet of one page, as plain text.

    `plot` and `qr` are SVG; `reminders` is an iCalendar, empty where nothing is to be refilled.
    `fills`: a mark for each month, empty likewise.
    """

    language: str
    paper: str
    shop: str
    title: str
    about: str
    made: str
    lead: str
    to_do: Section
    avoid: Section
    plot_heading: str
    plot: str
    plot_words: str
    table: Table
    months: tuple[str, ...]
    fills: tuple[str, ...]
    fills_heading: str
    fills_words: str
    fills_row: str
    qr: str
    qr_words: str
    reminders: str
    journeys: Section
    holds: Section
    signs: Section
    small: tuple[str, ...]
    repairer: str


def sheet_of(worked: SheetCalculation, shop: str, made_ms: int, zone: ZoneInfo) -> Sheet:
    """The sheet of a calculation."""
    say = worked.wish.language
    made = local(made_ms, zone).date()
    instrument = worked.wish.instrument or say.text(phrases.CASES[worked.wish.case.name])
    refills = worked.refills
    reminders = calendar_of(refills, summary_of(worked), made_ms, made) if refills else ""
    low, high = worked.wish.band_pct
    avoid = phrases.AVOID | (phrases.AVOID_COVERED if worked.wish.case.holds_nothing else {})
    repairer = say.text(
        "This is an estimate for your home, with ranges. It does not promise that wood will "
        "not crack. If in doubt, ask your repairer."
    )
    return Sheet(
        language=say.code,
        paper=say.paper,
        shop=shop,
        title=say.text("Looking after your instrument at home"),
        about=", ".join(filter(None, (instrument, worked.wish.title))),
        made=say.day(made),
        lead=_lead(worked),
        to_do=Section(say.text("What to do"), _to_do(worked)),
        avoid=Section(
            say.text("What not to do"), tuple(say.text(avoid[a]) for a in worked.advice.avoid)
        ),
        plot_heading=say.text("The year"),
        plot=year_plot(worked, say),
        plot_words=_plot(worked),
        table=_table(worked),
        months=tuple(say.month_short(m) for m in range(1, 13)),
        fills=fills_of(worked, made),
        fills_heading=say.text("Refill calendar") if refills else "",
        fills_words=fills_words(worked, made),
        fills_row=say.text("refills"),
        qr=qr_of(reminders) if reminders else "",
        qr_words=say.text("Scan this code with a phone to add the refills to its calendar.")
        if reminders
        else "",
        reminders=reminders,
        journeys=Section(say.text("When you travel"), _journeys(worked)),
        holds=Section(say.text("How long the case protects it"), _holds(worked)),
        signs=Section(
            say.text("Bring the instrument back if you notice"),
            (", ".join(say.text(phrases.SIGNS[s]) for s in worked.advice.signs) + ".",),
        ),
        small=(
            say.text(
                "The band is {low} to {high} % relative humidity (RH), by common practice. "
                "For 8 of 10 homes and cases like yours, the value lies within the range "
                "given.",
                low=say.number(low),
                high=say.number(high),
            ),
            say.text(
                "Based on {basis}. Home and use: {home}.", basis=_basis(worked), home=_home(worked)
            ),
            " ".join(say.text(phrases.ASSUMED[a]) for a in worked.advice.assumed),
        ),
        repairer=repairer,
    )


def _measure(option: Option, worked: SheetCalculation) -> str:
    """A measure with its size."""
    say = worked.wish.language
    if option.room is not None:
        return say.text(
            "room humidifier, up to {litres} a day, set to {set}",
            litres=say.litres(option.room.litres_day),
            set=say.percent(option.room.set_pct),
        )
    if isinstance(option.device, Buffer):
        return say.text(
            "humidity buffer, {mass}, set to {set}",
            mass=say.mass(option.device.mass_g),
            set=say.percent(option.device.set_pct),
        )
    if isinstance(option.device, Humidifier):
        return say.text(
            "case humidifier of {water}, filled every {days} days",
            water=say.water(option.device.water_ml),
            days=say.number(option.device.every_d),
        )
    if option.kind is Measure.DISCIPLINE and worked.wish.case.holds_nothing:
        return say.text(phrases.COVERED)
    return say.text(phrases.KINDS[option.kind])


def _lead(worked: SheetCalculation) -> str:
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


def _to_do(worked: SheetCalculation) -> tuple[str, ...]:
    say, advised, wish = worked.wish.language, worked.advised, worked.wish
    low, high = (say.number(side) for side in wish.band_pct)
    lines = []
    if worked.own_too_damp and worked.advice.own is not None:
        lines.append(
            say.text(
                "Take out what is in the case now: {what}. If it stays in, the air around the "
                "instrument is above {limit} for {hours} hours a year.",
                what=_measure(worked.advice.own, worked),
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


def _table(worked: SheetCalculation) -> Table:
    say = worked.wish.language
    options = list(worked.advice.options)
    rows = [_row(o, _measure(o, worked), say) for o in options]
    if worked.advice.own is not None:
        own = worked.advice.own
        rows.append(_row(own, say.text("you have: {what}", what=_measure(own, worked)), say))
    days = 365 - _days_in(worked.unknown)
    heads = (
        say.text("measure"),
        say.text("days in the band, of {days}", days=say.number(days))
        if worked.unknown
        else say.text("days in the band"),
        say.text("driest, dampest day"),
        say.text("water per year"),
    )
    advised = next(i for i, o in enumerate(options) if o is worked.advised)
    return Table(say.text("Measures compared"), heads, tuple(rows), advised)


def _row(option: Option, name: str, say: Language) -> tuple[str, ...]:
    ends = f"{say.number(option.lowest_pct.median)} %, {say.number(option.highest_pct.median)} %"
    water = "–"
    if option.room is not None:
        water = say.litres(option.year_l.median)
    elif isinstance(option.device, Humidifier):
        water = say.water(1000 * option.year_l.median)
    return (name, say.range(option.days_in), ends, water)


def _journeys(worked: SheetCalculation) -> tuple[str, ...]:
    say, cold = worked.wish.language, worked.cold
    lines = []
    wait, typed = cold.warm_up.open_min, worked.wish.outdoors_c
    what = _shut(worked)
    if not math.isfinite(wait.high):
        lines.append(
            say.text(
                "The room is so damp that water can condense on a cold instrument. Dry the air of "
                "the room, and {what}.",
                what=what,
            )
        )
    elif wait.high <= 0 or (typed and min(typed) > NOT_COLD_C):
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


def _holds(worked: SheetCalculation) -> tuple[str, ...]:
    say, advised = worked.wish.language, worked.advised
    lines = [_held(h, say, dry=dry) for h, dry in ((worked.dry, True), (worked.damp, False)) if h]
    if worked.wish.case.holds_nothing and lines:
        lines = [
            say.text("Under a cover, the instrument follows the air of the room within days.")
        ]
    damp = advised.too_damp_h
    if worked.unknown:
        lines.append(
            say.text(
                "How damp the air around it becomes in the months without readings is not known."
            )
        )
    elif damp.high < 1:
        lines.append(
            say.text(
                "With the advice, the air around it is too damp (above {limit}) for less than "
                "an hour a year in 9 of 10 homes and cases like yours.",
                limit=say.percent(TOO_DAMP_PCT),
            )
        )
    else:
        lines.append(
            say.text(
                "With the advice, the air around it is too damp (above {limit}) for {hours} "
                "hours a year. As it is used now: {now} hours.",
                limit=say.percent(TOO_DAMP_PCT),
                hours=say.range(damp),
                now=say.range(worked.bare.too_damp_h),
            )
        )
    return tuple(lines)


def _held(held: HoldTime, say: Language, *, dry: bool) -> str:
    days = say.range(held.days) if math.isfinite(held.days.high) else say.number(held.days.low)
    values = {
        "room": say.percent(held.room_pct),
        "limit": say.percent(held.limit_pct),
        "days": days,
    }
    if dry:
        return say.text(
            "In the driest month the home is at {room}. The closed case alone keeps the wood "
            "above {limit} for {days} days.",
            **values,
        )
    return say.text(
        "In the dampest month the home is at {room}. The closed case alone keeps the wood "
        "below {limit} for {days} days.",
        **values,
    )


def _plot(worked: SheetCalculation) -> str:
    """The plot in words, for those who cannot see it."""
    say, known = worked.wish.language, worked.advice.known
    middle = {m: worked.advice.home[m - 1].median for m in known}
    driest, dampest = min(known, key=middle.__getitem__), max(known, key=middle.__getitem__)
    middles = list(middle.values())
    if worked.unknown and round(min(middles)) == round(max(middles)):
        return say.text(
            "RH through the year, 5-day means. Your home: about {level} in {known}. Hatched: nothing "
            "is known. Grey band: right for the instrument. Shaded: range with the advice.",
            level=say.percent(min(middles)),
            known=say.listed(known),
        )
    if worked.unknown:
        return say.text(
            "RH through the year, 5-day means. Your home: from {low} to {high} in {known}. Hatched: "
            "nothing is known. Grey band: right for the instrument. Shaded: range with the advice.",
            low=say.percent(min(middles)),
            high=say.percent(max(middles)),
            known=say.listed(known),
        )
    if round(min(middles)) == round(max(middles)):
        return say.text(
            "RH through the year, 5-day means. Your home: about {level} all year. Grey band: "
            "right for the instrument. Shaded: range with the advice.",
            level=say.percent(min(middles)),
        )
    return say.text(
        "RH through the year, 5-day means. Your home: from {low} in {driest} to {high} in "
        "{dampest}. Grey band: right for the instrument. Shaded: range with the advice.",
        low=say.percent(min(middles)),
        driest=say.month(driest),
        high=say.percent(max(middles)),
        dampest=say.month(dampest),
    )


def _basis(worked: SheetCalculation) -> str:
    say = worked.wish.language
    basis = say.text(phrases.BASES[worked.year.basis])
    return f"{basis} ({worked.station})" if worked.station else basis


def _home(worked: SheetCalculation) -> str:
    say, wish = worked.wish.language, worked.wish
    people = say.many("{n} person", "{n} people", wish.home.people)
    tight = say.text(phrases.TIGHT[wish.tightness])
    heated = say.text("heated to {temp}", temp=say.temperature(wish.home.set_point_c))
    case = say.text(phrases.CASES[wish.case.name])
    hours = _hours(worked)
    played = say.text("played {hours} h a day", hours=say.number(hours, 1 if hours % 1 else 0))
    return ", ".join((tight, heated, people, case, played))


def _days_in(months: Sequence[int]) -> int:
    return sum(MONTH_STARTS[m] - MONTH_STARTS[m - 1] for m in months)


def _hours(worked: SheetCalculation) -> float:
    return sum((b - a) % 24 for a, b in worked.wish.use.played)
