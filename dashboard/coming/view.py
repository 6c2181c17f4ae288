"""Pieces of the page on the outlook."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard.coming import room_text, score_text
from dashboard.coming import text as coming_text
from dashboard.coming.forms import WINDOWS_ACH, bounds
from dashboard.data.outlook import NOT_SAID
from dashboard.ui import formats
from dashboard.ui.controls import action_button, labelled, picks, tap_row
from dashboard.ui.markup import attributes, shape
from dashboard.ui.tables import wide_table
from monitor.core.formats import room_words
from monitor.domain.cautions import HEATERS, HUMIDIFIER

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.outlook import HumidifierAnswer, Setting
    from dashboard.ui.formats import Unit
    from dashboard.ui.sentences import Headline
    from monitor.domain.places import Place
    from monitor.outlook.evaluation.report import Score
    from monitor.outlook.files import LearnedPlace, Progress
    from monitor.outlook.summary import PlaceOutlook
    from monitor.science.outlook.ensemble_statistics import GoodHours
    from monitor.science.outlook.what_if import Change

SHORT = {
    "humidity": "RH",
    "temperature": "Temperature",
    "dew_point": "Dew point",
    "equilibrium_moisture_content": "Wood settles at",
}
WINDOW_WORDS = {"shut": "as usual", "ajar": "ajar", "open": "wide open"}


def head(headline: Headline, more: Component | None = None) -> list[Component]:
    """The headline, what to do, and how far the learning is."""
    mark = shape(headline.state)
    return [
        html.H1([mark, html.Span(headline.sentence)]),
        *([html.P(headline.detail, className="detail")] if headline.detail else []),
        *([more] if more is not None else []),
    ]


def learning(state: Progress, label: str) -> Component:
    """A bar of the days walked through, and the same in words."""
    share = state.done / max(state.total, 1)
    return html.Div(
        [
            html.P(coming_text.learning(state, label)),
            html.Div(
                html.Span(style={"width": f"{100 * share:.1f}%"}),
                className="track",
                **attributes(aria_hidden="true"),
            ),
        ],
        className="learning",
    )


def humidifier_question(place_id: str, why: str, *, writer: bool) -> Component:
    """The question whether there is a humidifier, with two taps."""
    return html.Div(
        [
            html.P("Is there a humidifier here?", className="lead"),
            html.P(why),
            *([humidifier_taps(place_id)] if writer else []),
        ],
        className="question",
    )


def humidifier_taps(place_id: str, *answers: str) -> Component:
    """Taps that answer the question, all or some of them."""
    words = {"there": "Yes, there is one", "none": "No humidifier here"}
    taps = [
        action_button(
            words[do], do, about="humidifier", place=place_id, said="Answer saved.", then="reload"
        )
        for do in answers or words
    ]
    return tap_row(taps)


def humidifier_answer(place_id: str, *, said: bool, writer: bool) -> Component:
    """The answer that was given, with a tap to change it."""
    words = "There is a humidifier here." if said else "There is no humidifier here."
    return html.Li(
        [
            f"Your answer: {words}",
            *([humidifier_taps(place_id, "none" if said else "there")] if writer else []),
        ]
    )


def choices(
    places: Sequence[Place], chosen: str, quantities: Sequence[str], quantity: str, unit: Unit
) -> Component:
    """Fields to choose a place and the quantity to show."""
    shown = {name: SHORT.get(name) or formats.scale(name, unit).words for name in quantities}
    where = {place.id: place.label for place in places}
    line = partial(picks, classes="", inline=True)
    return html.Div(
        [
            line("Place", "coming-place", where, chosen),
            line("Show", "coming-quantity", shown, quantity),
        ],
        className="spans",
    )


def what_if(places: Sequence[Place], unit: Unit) -> Component:
    """Form of a what-if change; its answer is shown under it."""
    allowed = bounds(unit)

    def field(name: str, text: str, empty: str) -> Component:
        bound = allowed[name]
        own = f"if-{name}"
        line = dcc.Input(
            id=own, type="text", autoComplete="off", debounce=0.4, value="", placeholder=empty
        )
        fault = html.P(id=f"{own}-fault", className="fault", role="alert")
        return labelled(f"{text} [{bound.unit}]", own, line, fault)

    windows = {name: WINDOW_WORDS[name] for name in WINDOWS_ACH}
    elsewhere = {"": "stay here", **{place.id: place.label for place in places}}
    line = partial(picks, classes="", inline=True)
    return html.Section(
        [
            html.H2("What if"),
            html.Div(
                [
                    field("setting", "Thermostat, day and night", "as usual"),
                    field("water", "Water given to the air a day", "none"),
                    field("start", "Starting in", "now"),
                    field("lasts", "Lasting", "to the end"),
                    field("volume", "Room", "as in the settings"),
                ],
                className="fields",
            ),
            html.Div(
                [
                    line("Window", "if-window", windows, "shut"),
                    line("Opened instruments moved", "coming-elsewhere", elsewhere, ""),
                ],
                className="spans",
            ),
            html.Div(id="coming-answer", className="if-answer", **attributes(aria_live="polite")),
        ],
        className="what-if",
    )


def answer(
    lines: Sequence[str], change: Change | None = None, unit: Unit = "C", *, known: bool = False
) -> list[Component]:
    """Effect of a change, and the usual cautions with water, heat and windows.

    `known`: whether the room's air change is known.
    """
    parts: list[Component] = [html.P(line, className="lead") for line in lines]
    if change is None:
        return parts
    if change.water_l_day:
        why = coming_text.AIR_CHANGE_KNOWN if known else coming_text.AIR_CHANGE_UNKNOWN
        parts.append(html.P(f"In {room_words(change.volume_m3, us=unit == 'F')}. {why}"))
        parts.append(html.P(HUMIDIFIER, className="caution"))
    if change.window_ach:
        parts.append(
            html.P(
                f"The window is assumed to add {change.window_ach:g} air changes an hour; wind can "
                "make this up to three times higher or lower."
            )
        )
    if change.setting_c is not None or change.water_l_day:
        parts.append(html.P(HEATERS, className="caution"))
    return parts


def below(
    one: PlaceOutlook,
    fit: LearnedPlace | None,
    tried: Sequence[Setting],
    now_ms: int,
    zone: ZoneInfo,
    unit: Unit,
    plates: Sequence[str] = (),
    credit: str = "",
    closings: Sequence[tuple[str, GoodHours | None]] = (),
    humidifier: HumidifierAnswer = NOT_SAID,
    *,
    writer: bool = False,
) -> list[Component]:
    """Spells, plates, good hours, thermostats, the score, and what it rests on. `credit`: licence
    line of the forecast; `closings` as in `text.good_hours`; `writer`: whether the visitor may answer
    questions."""
    hours = coming_text.good_hours(one, zone, closings)
    why = fit.fills_why if fit else ""
    lines = room_text.room_words(one, unit, why, humidifier=humidifier.said is True)
    answered = []
    if humidifier.said is not None:
        answered = [humidifier_answer(one.place.id, said=humidifier.said, writer=writer)]
    sections = [
        [html.H2("Expected spells"), *_spell_table(one, now_ms, zone, unit)],
        [
            html.H2("Good hours"),
            html.Ul([html.Li(line) for line in hours], className="plain"),
            html.P(
                (
                    "Good hours are opening hours when the air is warm enough and not below the "
                    "band. For closing, the air is also within the band and calm. If an "
                    "instrument is named, its wood is also near its home moisture. For "
                    "varnish, the air is also away from the dew point."
                ),
                className="aside",
            ),
        ],
        [html.H2("Accuracy here"), *_accuracy(fit)],
        [
            html.H2("Based on"),
            html.P(coming_text.rests_on(one, fit, zone)),
            *([html.P(credit, className="aside")] if credit else []),
            html.P(coming_text.age(one, now_ms)),
            html.H3("The room"),
            html.Ul([*(html.Li(line) for line in lines), *answered], className="plain"),
        ],
    ]
    if plates:
        sections[0] += [
            html.H2("Effect on instruments"),
            html.Ul([html.Li(line) for line in plates], className="plates-ahead"),
            html.P(coming_text.PLATES_FROM, className="aside"),
        ]
    if damp := coming_text.walls(one, unit):
        sections[0] += [html.H2("Cold walls"), *(html.P(line) for line in damp)]
    if cold := coming_text.cold_advice(one, zone, unit):
        sections[1] += [html.H2("Instruments coming in from the cold"), html.P(cold)]
    if heat := coming_text.thermostats(one, tried, zone, unit):
        sections[1] += [html.H2("Thermostat"), html.P(heat), html.P(HEATERS, className="caution")]
    return [html.Div([html.Section(one_) for one_ in sections], className="sections")]


def _spell_table(one: PlaceOutlook, now_ms: int, zone: ZoneInfo, unit: Unit) -> list[Component]:
    lines = coming_text.spell_lines(one, now_ms, zone, unit)
    if not lines:
        return [html.P("No dry, damp or hot spell is likely.")]
    rows = [
        [
            html.Th([shape(line.state), f" {line.word}"], scope="row"),
            *(html.Td(text) for text in (line.when, line.extreme, line.sure)),
        ]
        for line in lines
    ]
    note = (
        "The air stays beyond the level in Reaches for some hours. So its range differs from that of a "
        "single hour in the plot."
    )
    return [
        wide_table(["Spell", "From", "Reaches", "Chance"], rows, "Expected spells"),
        html.P(note, className="aside"),
    ]


def _accuracy(fit: LearnedPlace | None) -> list[Component]:
    """Score of the outlooks that were issued, then that of the walk through the log."""
    parts: list[Component] = []
    if fit is not None and fit.issued is not None and (words := score_text.issued_words(fit)):
        parts = [html.P(words), *_score_table(fit.issued.scores, "Accuracy of the outlooks shown")]
    label = "Accuracy on this shop's own readings"
    return [
        *parts,
        html.P(score_text.score_words(fit)),
        *_score_table(fit.scores if fit else (), label),
    ]


def _score_table(scores: Sequence[Score], label: str) -> list[Component]:
    if not scores:
        return []
    rows = [
        [html.Th(row[0], scope="row"), *(html.Td(cell) for cell in row[1:])]
        for row in score_text.score_rows(scores)
    ]
    heads = [
        "Ahead",
        "Mean error [% RH]",
        "Error compared with ‘stays as now’",
        "Of 100 readings, in the range for 80",
    ]
    return [wide_table(heads, rows, label)]
