"""History: any quantity of one or more places, from an hour to all years."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from dash import html

from dashboard.data import histories
from dashboard.past import downloads, marks, view_page
from dashboard.past.selection import QUANTITIES, Choice, span_of
from dashboard.past.spans import SPANS, words
from dashboard.past.view_page import Drawn, OfferedPlaces, PastView
from dashboard.ui import formats, history_plot, missing, plots
from dashboard.ui.history_plot import Line
from dashboard.ui.themes import theme_of
from monitor.air.current import work_band

if TYPE_CHECKING:
    import dash
    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.records import QuantityHistory
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.domain.places import Place

NIGHT_TOO = {"humidity": "temperature", "temperature": "humidity"}
"""Sentences on a night give both, whichever is drawn."""


def view_of(shop: ShopData, marks_of: MarksOf | None = None) -> PastView:
    """The view as the frame takes it."""
    return PastView(
        name="past",
        path="/past",
        title="Past",
        spans=tuple(SPANS),
        asked=lambda places, _offered: OfferedPlaces(
            "Places", [(p.id, p.label) for p in places], many=True
        ),
        answered=partial(answered, shop=shop, **({"marks_of": marks_of} if marks_of else {})),
        quantities=QUANTITIES,
        zoom=True,
        missing=missing.NO_READING,
    )


def register(app: dash.Dash, shop: ShopData, waits: WaitQueries, alerts: AlertQueries) -> None:
    """Hang the view and its download into the app."""
    downloads.register(app, shop)
    marks_of = partial(marks.marks, waits=waits, alerts=alerts)
    view_page.register(app, shop, view_of(shop, marks_of))


MarksOf = Callable[[Collection[str], int, int], Sequence[marks.Mark]]


@view_page.drawing
def answered(
    choice: Choice,
    screen: Mapping[str, Any],
    now: int,
    shop: ShopData,
    marks_of: MarksOf = lambda *_: (),
) -> Drawn:
    """Figure, sentences and download of a choice; if it cannot be shown, why.

    `marks_of` gives the marks of places between two moments. [ms]
    """
    look = theme_of(screen)
    unit = formats.unit_of(shop.settings)
    zone = shop.settings.zone
    start, end = span_of(choice, now, shop)
    with shop.reader() as reader:
        chosen = [p for p in shop.places(reader) if p.id in choice.places]
    if not chosen:
        return Drawn(plots.empty_plot("Choose a place.", look), [])
    histories = _histories(chosen, choice.quantity, start, end, shop)
    lines = [_line(history, shop) for history in histories]
    view = plots.View(start, end, zone, unit, plots.width_of(screen))
    figure: plots.Plot
    found: Sequence[marks.Mark] = ()
    known = any(len(line.table) for line in lines)
    if known:
        found = marks_of(choice.places, start, end)
        plot = history_plot.history_plot(lines, choice.quantity, view, look)
        figure = marks.with_marks(plot, found, view, look)
    else:
        figure = plots.empty_plot("No readings in this span.", look)
    span = span_words(choice, start, end, zone)
    paragraphs: list[Component] = [
        html.P(history_plot.summary(line, choice.quantity, span, view)) for line in lines
    ]
    other = NIGHT_TOO.get(choice.quantity)
    if other and choice.span == "night" and not choice.zoom:
        paragraphs += [
            html.P(history_plot.summary(_line(history, shop), other, span, view))
            for history in _histories(chosen, other, start, end, shop)
        ]
    source = source_words(histories, choice.quantity)
    axis = history_plot.axis_words(lines, choice.quantity, view) if known else ""
    paragraphs.append(html.P(f"{source} {axis}".strip(), className="source"))
    paragraphs += marks.listed(found, view)
    readings = sum(h.readings for h in histories)
    title = f"{', '.join(p.label for p in chosen)}: {formats.scale(choice.quantity, unit).words}"
    return Drawn(
        figure,
        paragraphs,
        downloads.links(chosen, choice.quantity, start, end, readings),
        title if known else "",
    )


def _histories(
    chosen: Sequence[Place], quantity: str, start: int, end: int, shop: ShopData
) -> list[QuantityHistory]:
    return [
        histories.history(shop, place, quantity, start, end, share=len(chosen)) for place in chosen
    ]


def _line(history: QuantityHistory, shop: ShopData) -> Line:
    place = history.place
    judged = history.quantity == "humidity" and place.kind != "outdoors"
    return Line(
        place.label, history.points, work_band(place, shop.settings.limits) if judged else None
    )


def span_words(choice: Choice, start: int, end: int, zone: Any) -> str:
    """Span of a choice, as part of a sentence."""
    if choice.zoom or choice.end_ms is not None:
        return f"{formats.stamp(start, zone)} to {formats.stamp(end, zone)}"
    return words(choice.span)


def source_words(histories: Sequence[QuantityHistory], quantity: str) -> str:
    """Meaning of a point of the plot, and its source, in a sentence."""
    parts = []
    for source in dict.fromkeys(h.source for h in histories):
        width = max(h.width_ms for h in histories if h.source == source)
        each = f", {formats.duration(width)} a point" if width else ""
        parts.append(f"{source}{each}")
    text = f"Drawn from {' and '.join(parts)}"
    if quantity in downloads.DERIVED:
        text += "; calculated from temperature and RH" + (
            " of these means; the range is the range of the means"
            if any(h.source != "readings" for h in histories)
            else ""
        )
    return f"{text}."
