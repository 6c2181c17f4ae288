"""The sheet: all texts of the one page, in the client's language and units."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from monitor.clients import phrases
from monitor.clients.advice_words import lead_words, to_do_words, why_words
from monitor.clients.journey_words import journey_words
from monitor.clients.measure_words import Table, table_of
from monitor.clients.plot import year_plot
from monitor.clients.refill_words import fills_of, fills_words, summary_of
from monitor.clients.reminders import calendar_of
from monitor.clients.year_words import hold_words, month_words, plot_words
from monitor.core.formats import local
from monitor.core.qr_code import qr_of
from monitor.science.case.climates import city_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.clients.calculation import SheetCalculation


class SheetSection(NamedTuple):
    """A heading and its sentences; as a list if they are several things."""

    heading: str
    lines: tuple[str, ...]


class Sheet(NamedTuple):
    """Client's sheet of one page, as plain text.

    `details`: what nobody acts on, in the terminal and on the board only.
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
    to_do: SheetSection
    avoid: SheetSection
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
    journeys: SheetSection
    holds: SheetSection
    signs: SheetSection
    small: tuple[str, ...]
    details: tuple[str, ...]
    repairer: str

    @property
    def sections(self) -> tuple[SheetSection, ...]:
        """Its lists, in the order in which they are read."""
        each = (self.to_do, self.avoid, self.journeys, self.holds, self.signs)
        return tuple(section for section in each if section.lines)


def sheet_of(worked: SheetCalculation, shop: str, made_ms: int, zone: ZoneInfo) -> Sheet:
    """The sheet of a calculation."""
    say = worked.request.language
    made = local(made_ms, zone).date()
    instrument = worked.request.instrument or say.text(phrases.CASES[worked.request.case.name])
    refills = worked.refills
    reminders = calendar_of(refills, summary_of(worked), made_ms, made) if refills else ""
    low, high = worked.request.band_pct
    avoid = phrases.AVOID | (phrases.AVOID_COVERED if worked.request.case.holds_nothing else {})
    repairer = say.text(
        "This is an estimate. It does not promise that wood will not crack. If in doubt, ask your "
        "repairer."
    )
    return Sheet(
        language=say.code,
        paper=say.paper,
        shop=shop,
        title=say.text("Looking after your instrument at home"),
        about=", ".join(filter(None, (instrument, worked.request.title))),
        made=say.day(made),
        lead=lead_words(worked),
        to_do=SheetSection(say.text("What to do"), to_do_words(worked)),
        avoid=SheetSection(
            say.text("What not to do"), tuple(say.text(avoid[a]) for a in worked.advice.avoid)
        ),
        plot_heading=say.text("The year"),
        plot=year_plot(worked, say),
        plot_words=f"{plot_words(worked)} {month_words(worked)}",
        table=table_of(worked),
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
        journeys=SheetSection(say.text("When you travel"), journey_words(worked)),
        holds=SheetSection(say.text("How long the case protects it"), hold_words(worked)),
        signs=SheetSection(
            say.text("Bring the instrument back if you notice"),
            (", ".join(say.text(phrases.SIGNS[s]) for s in worked.advice.signs) + ".",),
        ),
        small=(
            say.text(
                "The band of {low} to {high} % is common practice. A range in brackets holds for 8 of "
                "10 homes and cases like yours.",
                low=say.number(low),
                high=say.number(high),
            ),
            say.text(
                "Based on {basis}. Home and use: {home}.", basis=_basis(worked), home=_home(worked)
            ),
        ),
        details=tuple(
            [why_words(w, worked) for w in worked.advice.why if w in phrases.DETAILS]
            + [say.text(phrases.ASSUMED[a]) for a in worked.advice.assumed]
        ),
        repairer=repairer,
    )


def _basis(worked: SheetCalculation) -> str:
    say = worked.request.language
    carried = worked.year.months_carried
    basis = say.text(phrases.CARRIED if carried else phrases.BASES[worked.year.basis])
    city = city_of(worked.request.months) if worked.request.source == "normals" else ""
    if city:
        basis = say.text("round figures for the weather of {city}, from memory", city=city)
    return f"{basis} ({worked.station})" if worked.station else basis


def _home(worked: SheetCalculation) -> str:
    say, request = worked.request.language, worked.request
    case = say.text(phrases.CASES[request.case.name])
    hours = _hours(worked)
    played = say.text("played {hours} h a day", hours=say.number(hours, 1 if hours % 1 else 0))
    use = [case, played if hours else say.text("not played")]
    if worked.year.outdoors is None:  # how the home is built and heated is not used
        return ", ".join(use)
    people = say.many("{n} person", "{n} people", request.home.people)
    tight = say.text(phrases.TIGHT[request.tightness])
    heated = say.text("heated to {temp}", temp=say.temperature(request.home.set_point_c))
    home = ", ".join((tight, heated, people))
    if request.guessed:
        home = say.text("{home} (usual values that nobody confirmed)", home=home)
    return ", ".join((home, *use))


def _hours(worked: SheetCalculation) -> float:
    return sum((b - a) % 24 for a, b in worked.request.use.played)
