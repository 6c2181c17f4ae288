"""Climate record: a year of a place's air against published methods."""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

import flask
from dash import html

from dashboard.past import climate_figure, view_page
from dashboard.past.view_page import Drawn, OfferedPlaces, PastView
from dashboard.server.replies import refused
from dashboard.ui import formats, missing, plots
from dashboard.ui.markup import attributes, shape
from dashboard.ui.tables import wide_table
from dashboard.ui.themes import theme_of
from monitor.air import climate_report
from monitor.core.csv_text import CsvWriter
from monitor.core.errors import StoreFault
from monitor.science.climate.control_classes import CLASSES, kept

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import dash
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.past.selection import Choice
    from dashboard.ui.themes import Theme
    from monitor.air.climate_report import ClimateRecord
    from monitor.domain.places import Place
    from monitor.science.climate.en15757 import Exceedance

WORST_SHOWN = 12
"""Exceedances in the table, those furthest outside; all are in the download."""


def view_of(shop: ShopData) -> PastView:
    """The view as the frame takes it."""
    return PastView(
        name="climate",
        path="/past/climate",
        title="Climate record",
        spans=("year",),
        asked=lambda places, _offered: OfferedPlaces(
            "Place", [("", climate_report.SHOP), *((p.id, p.label) for p in places)]
        ),
        answered=partial(answered, shop=shop),
        dates=False,
        aside="Shop is the mean of all places indoors.",
        missing=missing.NO_READING,
    )


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the view and its download into the app."""
    app.server.add_url_rule("/past/climate.csv", "climate_csv", lambda: exceedances_csv(shop))
    view_page.register(app, shop, view_of(shop))


@view_page.drawing
def answered(choice: Choice, screen: Mapping[str, Any], now: int, shop: ShopData) -> Drawn:
    """Plot and sentences of a record; if it cannot be shown, why."""
    look, zone = theme_of(screen), shop.settings.zone
    place_id = next(iter(choice.places), "")
    record = shop.climate(_place(place_id, shop), choice.end_ms or now)
    span = f"{formats.stamp(record.start_ms, zone)} to {formats.stamp(record.end_ms, zone)}"
    title = f"{record.name}: climate record" if len(record.air) else ""
    plot = _plot(record, screen, look, zone)
    return Drawn(plot, record_sentences(record, place_id, shop), (), title, span)


def _place(place_id: str, shop: ShopData) -> Place | None:
    with shop.reader() as reader:
        return next((p for p in shop.places(reader) if p.id == place_id), None)


def _plot(
    record: ClimateRecord, screen: Mapping[str, Any], look: Theme, zone: ZoneInfo
) -> plots.Plot:
    if not len(record.air):
        return plots.empty_plot("No readings in this span.", look)
    return climate_figure.climate_plot(record, zone, look, plots.width_of(screen))


def record_sentences(record: ClimateRecord, place_id: str, shop: ShopData) -> list[Component]:
    """Everything below the plot."""
    parts: list[Component] = [
        html.Div(
            [
                html.P([html.Strong(f"{record.name}. "), climate_report.band_words(record)]),
                html.P(record.reliability, className="standing"),
                html.P(climate_report.BAND_IS_FOR, className="source") if record.band else None,
            ],
            className="summary",
        )
    ]
    sections: list[list[Component]] = []
    if record.exceedances:
        sections.append(
            [
                html.H2("Outside the band"),
                _exceedance_table(record, shop.settings.zone),
                _download(record, place_id),
            ]
        )
    if record.classes:
        sections.append([html.H2("Month by month"), _month_table(record, shop.settings.zone)])
        sections.append([html.H2("Control"), *_class_bars(record, shop)])
    if text := climate_report.mould_words(record):
        sections.append([html.H2("Mould"), html.P(text)])
        if caution := climate_report.mould_caution(record):
            sections[-1].append(html.P(caution, className="caution"))
    parts.append(html.Div([html.Section(one) for one in sections], className="sections"))
    return parts


def _exceedance_table(record: ClimateRecord, zone: ZoneInfo) -> Component:
    worst = sorted(record.exceedances, key=lambda e: -e.beyond_pct)[:WORST_SHOWN]
    heads = ["Reached", "Beyond the band [% RH]", "From", "For"]
    return wide_table(
        heads, [_exceedance(e, zone) for e in worst], "Outside the band, furthest first"
    )


def _exceedance(one: Exceedance, zone: ZoneInfo) -> list[Component]:
    first = formats.local(one.from_ms, zone)
    return [
        html.Th(
            [shape("dry" if one.side == "below" else "damp"), f" {one.extreme_pct:.0f} %"],
            scope="row",
        ),
        html.Td(f"{one.beyond_pct:.1f} {one.side}{'' if one.settled else ', provisional'}"),
        html.Td(
            f"{first.day} {first:%b} {first.year} {formats.clock(one.from_ms, zone)}",
            className="whole",
        ),
        html.Td(formats.hours((one.to_ms - one.from_ms) / 1000)),
    ]


def _download(record: ClimateRecord, place_id: str) -> Component:
    query = urlencode({"place": place_id, "end": record.end_ms})
    count = len(record.exceedances)
    what = f" – all {count}, by time" if count > WORST_SHOWN else ""
    return html.P(
        [html.A("Download as CSV", href=f"/past/climate.csv?{query}"), what], className="download"
    )


def _class_bars(record: ClimateRecord, shop: ShopData) -> list[Component]:
    times = record.classes
    if times is None:
        return []
    best = kept(times.share)
    rows = [
        html.Li(
            [
                html.Strong(one.name, className="class"),
                html.Span(
                    html.Span(style={"width": f"{100 * share:.1f}%"}),
                    className="track",
                    **attributes(aria_hidden="true"),
                ),
                html.Span(f"{climate_report.share_words(share)} of the time", className="share"),
                html.Span(("kept; " if one is best else "") + one.risk, className="risk"),
            ],
            **attributes(data_kept="yes" if one is best else "no"),
        )
        for one, share in zip(CLASSES, times.share.tolist(), strict=True)
    ]
    unit = formats.unit_of(shop.settings)
    around = f"Set point, from the record's own means: {times.set_rh_pct:.0f} %"
    if times.set_temp_c == times.set_temp_c:
        around += f" and {formats.with_unit('temperature', times.set_temp_c, unit)}"
    return [
        html.P(climate_report.class_words(record), className="verdict"),
        html.Ul(rows, className="classes"),
        html.P(
            f"{around}. The line marks 95 %. {climate_report.CLASSES_FROM}", className="source"
        ),
    ]


def _month_table(record: ClimateRecord, zone: ZoneInfo) -> Component:
    rows = []
    for one in record.months:
        first = formats.local(one.from_ms, zone)
        few = "" if one.judged > 0.5 else ", from part of the month"
        rows.append(
            [
                html.Th(f"{first:%b %Y}", scope="row"),
                html.Td(f"{one.low_pct:.0f} to {one.high_pct:.0f} %", className="whole"),
                html.Td(f"{one.mean_pct:.0f} %"),
                html.Td(f"{one.kept.name if one.kept else 'none'}{few}"),
            ]
        )
    return wide_table(["Month", "Hourly means", "Mean", "Class met"], rows, "Month by month")


def exceedances_csv(shop: ShopData) -> flask.Response:
    """All exceedances of a record, or a plain sentence on what is wrong with the request."""
    place_id, end = flask.request.args.get("place", ""), flask.request.args.get("end", "")
    if not (end.isascii() and end.isdigit() and len(end) <= 14):
        return refused("end must be milliseconds since 1970-01-01 UTC.", 400)
    try:
        place = _place(place_id, shop)
        if place_id and place is None:
            return refused(f"There is no place {place_id!r}.", 400)
        record = shop.climate(place, int(end))
    except StoreFault as exc:
        return refused(str(exc), 503)
    zone, out = shop.settings.zone, io.StringIO()
    rows = CsvWriter(out)
    rows.row(
        [
            "from_utc",
            "to_utc",
            "from_local",
            "place",
            "side",
            "hours",
            "extreme_rh_pct",
            "extreme_at_utc",
            "beyond_pct",
            "settled",
        ]
    )
    for e in record.exceedances:
        rows.row(
            [
                _utc(e.from_ms),
                _utc(e.to_ms),
                formats.local(e.from_ms, zone).isoformat(),
                place_id or climate_report.SHOP,
                e.side,
                f"{(e.to_ms - e.from_ms) / formats.HOUR_MS:.2f}",
                f"{e.extreme_pct:.1f}",
                _utc(e.at_ms),
                f"{e.beyond_pct:.2f}",
                "yes" if e.settled else "no",
            ]
        )
    response = flask.Response(out.getvalue(), mimetype="text/csv")
    response.headers["Content-Disposition"] = 'attachment; filename="outside_the_band.csv"'
    return response


def _utc(ms: int) -> str:
    return formats.utc(ms)
