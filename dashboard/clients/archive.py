"""Past sheets on the page of clients: the list, a sheet opened again, a client erased."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import ALL, Input, Output, dcc, html

from dashboard.access.visitor import record
from dashboard.clients import forms
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import folded
from monitor.clients import archive
from monitor.commands import link
from monitor.core.errors import MonitorError

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import ShopData

SHOWN_MAX = 12
"""Most clients that are listed; the others are found by name."""


def register(app: dash.Dash, shop: ShopData, kept: CachedJournal) -> None:
    """Hang the callbacks of the list into the app."""
    names = forms.ON_PAGE

    @app.callback(
        *(Output(forms.client_id(name), "value") for name in names),
        Output("client-more", "data"),
        Output("client-air", "data"),
        Output("client-log", "data"),
        Input({"type": "sheet-again", "sheet": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def again(_clicks: list[int | None]) -> tuple[Any, ...]:
        button = tapped()
        return opened(int(button["sheet"]), shop, kept, names)

    @app.callback(
        Output("past-sheets", "children"),
        Output("past-said", "children"),
        Input("past-find", "value"),
        Input("client-made", "data"),
        Input({"type": "client-erase", "client": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def changed(text: str | None, _made: Any, _clicks: list[int | None]) -> tuple[Any, str]:
        message = ""
        if not isinstance(dash.ctx.triggered_id, str):
            message = erased(str(tapped()["client"]), shop)
        return listed(kept, shop, text or ""), message


def tapped() -> Any:
    """The id of the button that was tapped; ends the callback if buttons have only been drawn,
    which calls it as well."""
    if not dash.ctx.triggered[0]["value"]:
        raise dash.exceptions.PreventUpdate
    return dash.ctx.triggered_id


def layout(shop: ShopData, kept: CachedJournal) -> list[Component]:
    """The list with what finds in it."""
    return [
        html.H2("Past sheets"),
        html.Div(
            [
                html.Label("Find a client or an instrument", htmlFor="past-find"),
                dcc.Input(
                    id="past-find", type="text", autoComplete="off", debounce=0.4, maxLength=60
                ),
            ],
            className="field past-find",
        ),
        html.P(id="past-said", role="status"),
        html.Div(listed(kept, shop, ""), id="past-sheets"),
    ]


@page_frame.where_store_fails(page_frame.sentence_of)
def listed(kept: CachedJournal, shop: ShopData, text: str) -> list[Component]:
    """The clients of whom sheets are kept, the one with the last sheet first."""
    sheets = kept.ask(lambda reader, _: archive.found(reader, text))
    by_client: dict[str, list[Any]] = {}
    for sheet in sheets:
        by_client.setdefault(sheet.client, []).append(sheet)
    if not by_client:
        return [html.P("No kept sheet matches." if text else "No sheet has been kept yet.")]
    shown = [_client(name, of, shop) for name, of in list(by_client.items())[:SHOWN_MAX]]
    if (more := len(by_client) - SHOWN_MAX) > 0:
        shown.append(html.P(f"And {more} more: find them by name.", className="aside"))
    return shown


def _client(name: str, sheets: list[Any], shop: ShopData) -> Component:
    rows = []
    for sheet in sheets:
        moment = formats.local(sheet.made_ms, shop.settings.zone)
        what = sheet.typed.get("instrument") or sheet.typed["case"]
        rows.append(
            html.Li(
                [
                    html.Div(
                        [
                            html.P(f"{moment.day} {moment:%B %Y}, {what}", className="aside"),
                            html.P(sheet.advised["lead"], lang=sheet.typed["language"]),
                        ]
                    ),
                    html.Button(
                        "Open again",
                        className="tap",
                        id={"type": "sheet-again", "sheet": sheet.sheet_id},
                    ),
                ]
            )
        )
    count = formats.counted(len(sheets), "sheet")
    return html.Section(
        [
            html.H3(name),
            html.Ul(rows, className="past-list"),
            folded(
                "Erase…",
                html.P(
                    f"This erases {count} of {name} and everything entered for them. You cannot "
                    "undo this. Downloaded files and copies of the data folder are not erased."
                ),
                html.Button(
                    f"Erase {name} for good",
                    className="tap",
                    id={"type": "client-erase", "client": name},
                ),
            ),
        ],
        className="past-client",
    )


def opened(
    sheet_id: int, shop: ShopData, kept: CachedJournal, names: tuple[str, ...]
) -> tuple[Any, ...]:
    """Field values of a reopened sheet, and its data that no field holds."""
    sheet = kept.ask(lambda reader, _: archive.one(reader, sheet_id))
    if sheet is None:
        raise dash.exceptions.PreventUpdate
    unit = formats.unit_of(shop.settings)
    fields = forms.form_of(sheet.typed, unit)
    rest = {k: v for k, v in sheet.typed.items() if k not in names}
    return (*(fields[name] for name in names), {"typed": rest, "air": sheet.air}, {}, {})


def erased(client: str, shop: ShopData) -> str:
    """Erase a client's sheets through the service; return the result in words."""
    try:
        count = link.ask(shop.settings, archive.erasing(client))["erased"]
    except MonitorError as exc:
        return f"Not erased: {exc}."
    record("client's sheets erased", f"{count}")
    return f"Erased: {count} {'sheet' if count == 1 else 'sheets'}."
