"""Calendar: a year of a place's RH day by day against its band."""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlencode

import flask
from dash import dcc, html

from dashboard.past import view_page
from dashboard.past.calendar_days import CalendarDay, days_of, months_of
from dashboard.past.calendar_figure import calendar_plot
from dashboard.past.selection import Choice, is_time, named_file
from dashboard.past.spans import ends
from dashboard.past.view_page import Drawn, OfferedPlaces, PastView
from dashboard.server.replies import refused
from dashboard.ui import formats, plots
from dashboard.ui.markup import shape
from dashboard.ui.tables import wide_table
from dashboard.ui.themes import theme_of
from monitor.air.current import work_band
from monitor.core.csv_text import CsvWriter
from monitor.core.errors import StoreFault

if TYPE_CHECKING:
    import dash
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.past.calendar_days import CalendarMonth
    from monitor.domain.places import Place


class Year(NamedTuple):
    """A place, its band [%], its days, and the ends of what they cover. [ms]"""

    place: Place
    band_pct: tuple[float, float]
    days: list[CalendarDay]
    start_ms: int
    end_ms: int


def view_of(shop: ShopData) -> PastView:
    """The view as the frame takes it."""
    return PastView(
        name="calendar",
        path="/past/calendar",
        title="Calendar",
        spans=("year",),
        asked=lambda places, offered: OfferedPlaces(
            "Place", view_page.with_pair(places, offered, indoors=True)
        ),
        answered=partial(answered, shop=shop),
        dates=False,
    )


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the view and its download into the app."""
    app.server.add_url_rule("/past/calendar.csv", "calendar_csv", lambda: days_csv(shop))
    view_page.register(app, shop, view_of(shop))


def year_of(place_id: str, end_ms: int, shop: ShopData) -> Year | None:
    """Twelve months of a place that end at a moment, from the first of a month; None if there is no
    such place indoors."""
    zone = shop.settings.zone
    with shop.reader() as reader:
        place = next((p for p in shop.places(reader) if p.id == place_id), None)
    if place is None or place.kind == "outdoors":
        return None
    band = work_band(place, shop.settings.limits)
    first = formats.local(ends("year", end_ms, zone)[0], zone).date().replace(day=1)
    start_ms = formats.midnight(first, zone)
    air = view_page.means(place, start_ms, end_ms, shop)
    return Year(place, band, days_of(air, start_ms, end_ms, band, zone), start_ms, end_ms)


@view_page.drawing
def answered(choice: Choice, screen: Mapping[str, Any], now: int, shop: ShopData) -> Drawn:
    """Plot, sentences and table of a year; if it cannot be shown, why."""
    look, zone = theme_of(screen), shop.settings.zone
    year = year_of(next(iter(choice.places), ""), choice.end_ms or now, shop)
    if year is None:
        return Drawn(plots.empty_plot("Choose a place indoors.", look), [])
    shown = f"{formats.stamp(year.start_ms, zone)} to {formats.stamp(year.end_ms, zone)}"
    if not any(day.hours for day in year.days):
        return Drawn(plots.empty_plot("No readings in this span.", look), [], shown=shown)
    plot = calendar_plot(year.days, year.band_pct, look, plots.width_of(screen))
    query = urlencode({"place": year.place.id, "end": year.end_ms})
    files: list[Component | str] = [
        html.A("Download as CSV", href=f"/past/calendar.csv?{query}"),
        " – one line a day",
    ]
    title = f"{year.place.label}: relative humidity day by day"
    return Drawn(plot, [*words(year), _table(year, shop)], files, title, shown)


def words(year: Year) -> list[Component]:
    """The year in sentences."""
    low, high = year.band_pct
    known = [day for day in year.days if day.hours]
    dry, damp = sum(d.dry_h > 0 for d in known), sum(d.damp_h > 0 for d in known)
    right = sum(not (d.dry_h or d.damp_h) for d in known)
    text = (
        f"{year.place.label}, band {low:.0f} to {high:.0f} %: readings on {len(known)} of "
        f"{formats.counted(len(year.days), 'day')}. In the band all day: {right}. Too dry at some "
        f"hour: {dry}. Too damp at some hour: {damp}."
    )
    worst = max(known, key=lambda d: abs(d.beyond(year.band_pct)))
    if beyond := worst.beyond(year.band_pct):
        extreme = worst.low if beyond < 0 else worst.high
        text += (
            f" Furthest outside: {extreme:.0f} % on {formats.day(worst.day)} {worst.day.year}, "
            f"{abs(beyond):.0f} points too {'dry' if beyond < 0 else 'damp'}."
        )
    return [
        html.P(text),
        html.P(
            "Each cell is a local day, marked by its worst hour: ▼ too dry, ▲ too damp. The "
            "further outside the band, the stronger its colour. Hatched: no readings. From hourly "
            "means.",
            className="source",
        ),
    ]


def _table(year: Year, shop: ShopData) -> Component:
    """The months in figures, each with its worst day, which leads to that day on Past."""
    heads = ("Month", "In the band", "Too dry", "Too damp", "No readings", "Worst day")
    rows = [
        [html.Th(_month(m), scope="row"), *_cells(m, year, shop)]
        for m in months_of(year.days, year.band_pct)
    ]
    return wide_table(heads, rows, "Days by month")


def _month(month: CalendarMonth) -> str:
    return f"{formats.month_name(month.first.month)} {month.first.year}"


def _cells(month: CalendarMonth, year: Year, shop: ShopData) -> list[Component]:
    counts = [html.Td(_days(n)) for n in (month.right, month.dry, month.damp, month.unknown)]
    if month.worst is None:
        return [*counts, html.Td("–")]
    zone, day = shop.settings.zone, month.worst.day
    ends_ms = [formats.midnight(one, zone) for one in (day, day + timedelta(days=1))]
    query = urlencode({"places": year.place.id, "zoom": f"{ends_ms[0]}-{ends_ms[1]}"})
    beyond = month.worst.beyond(year.band_pct)
    extreme = month.worst.low if beyond < 0 else month.worst.high
    side = "dry" if beyond < 0 else "damp"
    worst: list[Component | str] = [
        shape(side),
        " ",
        dcc.Link(f"{formats.day(day)}: {extreme:.0f} %", href=f"/past?{query}"),
    ]
    return [*counts, html.Td(worst, className="whole")]


def _days(count: int) -> str:
    return "–" if not count else formats.counted(count, "day")


def days_csv(shop: ShopData) -> flask.Response:
    """A line for each day of a year, or a plain sentence on what is wrong with the request."""
    place_id, end = flask.request.args.get("place", ""), flask.request.args.get("end", "")
    if not is_time(end) or int(end) < 2 * 366 * formats.DAY_MS:
        return refused("end must be milliseconds since 1970-01-01 UTC, after 1972.", 400)
    try:
        year = year_of(place_id, int(end), shop)
    except StoreFault as exc:
        return refused(str(exc), 503)
    if year is None:
        return refused(f"There is no place {place_id!r} indoors.", 400)
    out = io.StringIO()
    rows = CsvWriter(out)
    heads = ("low_rh_pct", "mean_rh_pct", "high_rh_pct")
    rows.row(["day_local", "place", "hours_with_readings", *heads, "hours_dry", "hours_damp"])
    for d in year.days:
        values = [f"{v:.1f}" if d.hours else "" for v in (d.low, d.mean, d.high)]
        counts = [str(n) if d.hours else "" for n in (d.dry_h, d.damp_h)]
        rows.row([d.day.isoformat(), place_id, str(d.hours), *values, *counts])
    name = named_file([place_id], "calendar", year.start_ms, year.end_ms, shop.settings.zone)
    response = flask.Response(out.getvalue(), mimetype="text/csv")
    response.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response
