"""Clients: a sheet on how to keep an instrument well at home, and records of the air it had here.

A sheet is worked out as it is typed, and taken along as a file. One that is made for somebody is kept
under that name until it is erased, unless that is not wished.
"""

from __future__ import annotations

import base64
import io
import zipfile
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.visitor import record, visitor
from dashboard.clients import archive as clients_archive
from dashboard.clients import files, forms, view
from dashboard.clients.forms import client_id
from dashboard.ui import formats, missing, page_frame, sentences
from dashboard.ui.controls import picks, tap_row
from dashboard.ui.markup import attributes
from dashboard.ui.tables import wide_table
from monitor.air import place_means
from monitor.clients import air_certificate
from monitor.clients import archive as past
from monitor.clients.calculation import SheetCalculation, calculate_sheet
from monitor.clients.home_climate import HomeSources, shop_log
from monitor.clients.html import html_of
from monitor.clients.next_fields import next_fields
from monitor.clients.pdf import pdf_of
from monitor.clients.request import ClientFault, read_sheet_request
from monitor.clients.sheet import Sheet, SheetSection, sheet_of
from monitor.commands import link
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError, StoreFault
from monitor.domain.instrument import RecordInstrument

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dash.development.base_component import Component

    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import ShopData
    from monitor.clients.request import SheetRequest

NAMES = forms.ON_PAGE
START = (
    "Tap the home, the case, and what to estimate the home's air from. The sheet then appears here. "
    "With readings in the home, one month is enough."
)
EARLIER = "The sheet below is for what you chose before."
"""Said beside the progress while an earlier sheet stands below it, which is hatched."""


def register(app: dash.Dash, shop: ShopData, kept: CachedJournal) -> None:
    """Hang the page and its callbacks into the app."""
    dash.register_page(
        "clients", path="/clients", title="Clients", layout=lambda **_: layout(shop, kept)
    )
    typed = [(client_id(name), "value") for name in NAMES]

    @app.callback(
        Output("client-home-air", "children"),
        Input("client-more", "data"),
        Input("client-air", "data"),
        Input("client-log", "data"),
        *(Input(*one) for one in typed),
        prevent_initial_call=True,
    )
    def first(
        more: dict[str, Any], air: dict[str, Any], log: dict[str, Any], *values: str | None
    ) -> list[Component]:
        form = dict(zip(NAMES, values, strict=True))
        return first_answer(form, _with_files(more, air, log), shop, kept)

    @app.callback(
        Output("client-live", "children"),
        *(Output(f"{client_id(name)}-fault", "children") for name in NAMES),
        Input("client-more", "data"),
        Input("client-air", "data"),
        Input("client-log", "data"),
        *(Input(*one) for one in typed),
        running=[(Output("client-working", "hidden"), False, True)],
        prevent_initial_call=True,
    )
    def live(
        more: dict[str, Any], air: dict[str, Any], log: dict[str, Any], *values: str | None
    ) -> tuple[Any, ...]:
        form = dict(zip(NAMES, values, strict=True))
        if _is_unasked(form):
            return (html.P(START), *("" for _ in NAMES))
        shown, faults = answered(form, _with_files(more, air, log), shop, kept, _preview)
        return (shown, *(faults.get(name, "") for name in NAMES))

    @app.callback(
        Output("client-file", "data"),
        Output("client-said", "children"),
        Output("client-made", "data"),
        Input("client-pdf", "n_clicks"),
        Input("client-html", "n_clicks"),
        State("client-keep", "value"),
        State("client-more", "data"),
        State("client-air", "data"),
        State("client-log", "data"),
        *(State(*one) for one in typed),
        prevent_initial_call=True,
    )
    def take(
        _pdf: int,
        _html: int,
        keep: list[str],
        more: dict[str, Any],
        air: dict[str, Any],
        log: dict[str, Any],
        *values: str | None,
    ) -> tuple[Any, ...]:
        as_pdf = clients_archive.tapped() == "client-pdf"
        form = dict(zip(NAMES, values, strict=True))

        def made(
            sheet: Sheet, worked: SheetCalculation, airs: HomeSources
        ) -> tuple[dict[str, Any], str]:
            content = pdf_of(sheet) if as_pdf else html_of(sheet).encode()
            message = (
                _kept(worked, airs, sheet, shop) if keep and worked.request.title else "Made."
            )
            return _file(content, f"sheet.{'pdf' if as_pdf else 'html'}"), message

        given, faults = answered(form, _with_files(more, air, log), shop, kept, made)
        if faults:
            return dash.no_update, _faults(faults), dash.no_update
        return (*given, now_ms()) if isinstance(given, tuple) else (dash.no_update, given, 0)

    @app.callback(
        Output("record-file", "data"),
        Output("record-said", "children"),
        Input("record-make", "n_clicks"),
        State("record-of", "value"),
        prevent_initial_call=True,
    )
    def record(_clicks: int, instrument_id: str | None) -> tuple[Any, str]:
        return recorded(str(instrument_id or ""), shop, kept)

    view.register(app, shop.settings)
    files.register(app, shop)
    clients_archive.register(app, shop, kept)


def layout(shop: ShopData, kept: CachedJournal) -> Component:
    """The page, which only the bench and the owner see, as it is about people."""
    unit = formats.unit_of(shop.settings)
    return html.Main(
        [
            html.H1("Clients"),
            html.P("Three taps make a one-page sheet about the case at home, in figures."),
            html.Div(
                [
                    html.Div(
                        view.layout(unit, formats.local(now_ms(), shop.settings.zone).month),
                        className="client-form",
                    ),
                    html.Div(
                        [
                            html.Div(id="client-home-air", **attributes(aria_live="polite")),
                            html.Div(
                                [
                                    html.Strong("Working out the sheet… "),
                                    html.Span(id="client-working-s"),
                                    html.Progress(
                                        **attributes(aria_label="Working out the sheet")
                                    ),
                                    html.P(EARLIER, className="client-earlier"),
                                ],
                                id="client-working",
                                className="client-working",
                                role="status",
                                hidden=True,
                            ),
                            html.Div(
                                html.P(START), id="client-live", **attributes(aria_live="polite")
                            ),
                        ],
                        className="client-live",
                        id="client-answer",
                    ),
                ],
                className="client-halves",
            ),
            dcc.Download(id="client-file"),
            dcc.Store(id="client-more", data={}),
            dcc.Store(id="client-made"),
            dcc.Store(id="client-air", data={}),
            dcc.Store(id="client-log", data={}),
            *clients_archive.layout(shop, kept),
            html.H2("Record of air"),
            *_records(kept),
            dcc.Download(id="record-file"),
        ],
        className="sheet bench wood clients",
    )


def _is_unasked(form: Mapping[str, str | None]) -> bool:
    """True while no source of the home's air has been given: nothing is wrong yet."""
    months = (form.get(a.name) for a in forms.MONTHS_ASKED)
    return form.get("source") == "readings" and not any((text or "").strip() for text in months)


def first_answer(
    form: Mapping[str, str | None], more: Mapping[str, Any], shop: ShopData, kept: CachedJournal
) -> list[Component]:
    """The home's air in a month, which is known at once, and what would narrow its range most."""
    if _is_unasked(form):
        return []
    try:
        read, airs = asked(form, more, shop, kept)
        found = next_fields(read, airs)
    except (ClientFault, StoreFault):
        return []  # the sheet's place says what is wrong
    return view.next_taps(found)


def _with_files(more: Mapping[str, Any], *files: Mapping[str, Any]) -> dict[str, Any]:
    """The data that no field holds, with the air of the chosen files."""
    air = dict(more.get("air", {}))
    for one in files:
        air |= one.get("air", {})
    return {**more, "air": air}


def answered(
    form: Mapping[str, str | None],
    more: Mapping[str, Any],
    shop: ShopData,
    kept: CachedJournal,
    made: Callable[[Sheet, SheetCalculation, HomeSources], Any],
) -> tuple[Any, dict[str, str]]:
    """Result of `made` for the requested sheet, or its faults as a list; then the faults by field.

    `more`: what no field holds: `typed`, of a sheet that was opened again, and `air`, of that
    or of a file.
    """
    try:
        read, airs = asked(form, more, shop, kept)
        worked = calculate_sheet(read, airs)
    except ClientFault as exc:
        faults = forms.faults_in(exc.fields, formats.unit_of(shop.settings))
        return _faults(faults), faults
    except StoreFault as exc:
        return html.P(sentences.store_trouble(exc).sentence), {}
    shop_name = shop.settings.shop.name
    return made(sheet_of(worked, shop_name, now_ms(), shop.settings.zone), worked, airs), {}


def asked(
    form: Mapping[str, str | None], more: Mapping[str, Any], shop: ShopData, kept: CachedJournal
) -> tuple[SheetRequest, HomeSources]:
    """The requested sheet and the air it rests on.

    Raises
    ------
    ClientFault
    StoreFault
    """
    request, faults = forms.request_of(form, formats.unit_of(shop.settings))
    if faults:
        raise ClientFault(faults)
    read = read_sheet_request({**more.get("typed", {}), **request})
    airs = past.airs_of(more.get("air", {}))
    if "shop" in (read.source, read.climate) and airs.shop is None:
        settings = shop.settings
        log = kept.ask(
            lambda reader, _: shop_log(
                reader, place_means.places(reader, settings), settings.zone, now_ms()
            )
        )
        airs = replace(airs, shop=log)
    return read, airs


def _kept(worked: SheetCalculation, airs: HomeSources, sheet: Sheet, shop: ShopData) -> str:
    """Have the service keep a finished sheet; return the result in words."""
    try:
        link.ask(shop.settings, past.keeping(worked, airs, sheet, now_ms()))
    except MonitorError as exc:
        return f"Made, but not kept: {exc}."
    record("client's sheet kept")
    return "The sheet is made and kept under Past sheets."


def _preview(sheet: Sheet, *_: Any) -> list[Component]:
    """Preview of a sheet: all its sentences, and the buttons for its files."""
    drawn = base64.b64encode(sheet.plot.encode()).decode()
    rows = [
        [html.Th(row[0], scope="row"), *(html.Td(cell) for cell in row[1:])]
        for row in sheet.table.rows
    ]
    return [
        html.H2("The sheet", id="client-sheet", tabIndex=-1),
        html.P(sheet.lead, className="client-lead"),
        html.Img(src=f"data:image/svg+xml;base64,{drawn}", alt=sheet.plot_words),
        html.P(sheet.plot_words, **attributes(aria_hidden="true")),
        wide_table(sheet.table.heads, rows, sheet.table.heading),
        *([html.P(sheet.fills_words)] if sheet.fills_words else []),
        *(part for section in sheet.sections for part in _section(section)),
        *(html.P(line) for line in (*sheet.small, *sheet.details, sheet.repairer)),
        html.Div(
            [
                html.Button("The sheet as PDF", id="client-pdf", className="tap main"),
                html.Button("as HTML, to print", id="client-html", className="tap"),
                html.A("See it", href="#client-sheet", className="tap client-see"),
            ],
            className="taps wide client-take",
        ),
        html.P(id="client-said", role="status"),
    ]


def _section(section: SheetSection) -> list[Component]:
    """A heading of a sheet and its sentences."""
    return [html.H3(section.heading), html.Ul([html.Li(line) for line in section.lines])]


def _faults(fields: Mapping[str, str]) -> Component:
    lines = [html.Li(f"{forms.label_of(name)}: {text}") for name, text in fields.items()]
    return html.Ul(lines, className="client-faults")


@page_frame.where_store_fails(page_frame.sentence_of)
def _records(kept: CachedJournal) -> list[Component]:
    known = kept.ask(lambda _, journal: list(journal.instruments.values()))
    if not known:
        return [missing.missing("No instrument has been taken in yet.", missing.TAKE_IN)]
    newest = sorted(known, key=lambda one: -one.arrived_ms)[:50]
    options = {one.id: one.reference for one in newest}
    return [
        html.P(
            "The air that an instrument had in the shop, as PDF and CSV. Check later that a "
            "file is unchanged with benchweather verify-record."
        ),
        picks("Instrument", "record-of", options, newest[0].id),
        tap_row(html.Button("Make the record", id="record-make", className="tap main")),
        html.P(id="record-said", role="status"),
    ]


def recorded(instrument_id: str, shop: ShopData, kept: CachedJournal) -> tuple[Any, str]:
    """Make a record of air as a zip file, note it in the journal, and report the result."""
    settings = shop.settings

    def paper(reader: Any, journal: Any) -> air_certificate.CertificateFiles | None:
        one = journal.instruments.get(instrument_id)
        if one is None:
            return None
        rows = air_certificate.certificate_rows(reader, journal, settings, one, now_ms())
        return air_certificate.certificate_files(
            rows, settings.shop.name or "Benchweather", settings
        )

    try:
        made = kept.ask(paper)
        if made is None:
            return dash.no_update, "There is no such instrument."
        request = RecordInstrument(instrument=instrument_id, fingerprints=made.fingerprints)
        by = visitor().person or "board"
        link.ask(settings, request.as_command(by=by))
        record("command", f"{request.about}: record {request.subject}")
    except MonitorError as exc:
        return dash.no_update, f"It could not be made: {exc}."
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for suffix, content in made._asdict().items():
            archive.writestr(f"air-{instrument_id}.{suffix}", content)
    return _file(out.getvalue(), f"air-{instrument_id}.zip"), (
        "The record is made and noted in the history."
    )


def _file(content: bytes, name: str) -> dict[str, Any]:
    return {"content": base64.b64encode(content).decode(), "filename": name, "base64": True}
