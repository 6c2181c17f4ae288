"""Taking an instrument in: what is asked fits on a phone, most of it is a tap."""

from __future__ import annotations

from typing import TYPE_CHECKING

import dash
from dash import html

from dashboard.access.page import read_only
from dashboard.access.visitor import may_change
from dashboard.ui import controls, formats, missing, page_frame
from dashboard.ui.controls import action_button, fault_line, tap_row, text_area
from dashboard.ui.markup import attributes
from dashboard.wood import view
from dashboard.wood.forms import HOMES
from dashboard.wood.view import WOOD
from monitor.domain.instrument import KINDS, NOTE_MAX, REFERENCE_MAX, id_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.wood import WoodQueries
    from monitor.domain.instrument import Instrument


def register(app: dash.Dash, shop: ShopData, book: WoodQueries) -> None:
    """Hang the page into the app."""
    del app
    dash.register_page(
        "wood_new",
        path="/wood/new",
        title="Take an instrument in",
        order=1,  # before /wood/<any>
        layout=lambda back="", reference="", **_: layout(shop, book, str(back), str(reference)),
    )


@page_frame.where_store_fails(WOOD.failed("/wood/new", "Take an instrument in"))
def layout(shop: ShopData, book: WoodQueries, back: str = "", reference: str = "") -> Component:
    """The page; `back` is the id of one that was here before, whose facts are filled in.

    `reference` is that of a new one, as it was typed on Bench.
    """
    may = may_change()
    if not may.allowed:
        return WOOD.page("/wood/new", [html.H1("Take an instrument in"), read_only(may)])
    places = shop.place_names(indoors=True)
    if not places:
        lacks = missing.missing(missing.NO_PLACE, missing.SET_UP_PLACE)
        return WOOD.page("/wood/new", [html.H1("Take an instrument in"), lacks])
    before = book.instrument(back) if back else None
    unit = formats.unit_of(shop.settings)
    return WOOD.page(
        "/wood/new",
        [
            html.H1("Take an instrument in"),
            html.Div(
                _asked(places, before, unit, reference[:REFERENCE_MAX]),
                id="new-form",
                className="new-form",
                **attributes(
                    data_draft=" ".join(filter(None, ("new-instrument", id_of(reference))))
                ),
            ),
            tap_row(
                [
                    action_button(
                        "Save",
                        "register",
                        about="instrument",
                        form="new-form",
                        said="Saved.",
                        then="/wood",
                        name="tap main",
                    )
                ]
            ),
            html.P(
                ("Its parts start with the usual measures of its kind. Correct them on its page."),
                className="aside",
            ),
        ],
    )


def _asked(
    places: Mapping[str, str], before: Instrument | None, unit: formats.Unit, reference: str
) -> list[Component]:
    homes = {name: f"{one.words}, about {one.rh_pct:.0f} %" for name, one in HOMES.items()}
    was = before.home if before else None
    rh = f"{was.rh_pct:g}" if was is not None and was.rh_pct is not None else ""
    degrees = formats.scale("temperature", unit).unit
    return [
        view.field(
            "reference",
            "new-reference",
            maxLength=REFERENCE_MAX,
            value=before.reference if before else reference,
        ),
        picks(
            "Kind",
            "kind",
            {kind: kind.capitalize() for kind in KINDS},
            before.kind if before else None,
        ),
        picks("Place", "place", places, next(iter(places), None)),
        picks("Is it open?", "opened", {"no": "Closed", "yes": "Opened"}, "no"),
        picks(
            "The air at its home",
            "home",
            homes | {"unknown": "Not known"},
            None if rh else "unknown",
        ),
        html.Div(
            [
                view.field(
                    "home_rh",
                    "new-home_rh",
                    unit="%",
                    text="Or RH at its home",
                    inputMode="decimal",
                    value=rh,
                ),
                view.field(
                    "home_temp",
                    "new-home_temp",
                    unit=degrees,
                    text="Temperature at its home",
                    inputMode="decimal",
                    placeholder=formats.shown("temperature", 20.0, unit),
                ),
                view.field(
                    "cold",
                    "new-cold",
                    unit=degrees,
                    text="If it came in cold: its temperature",
                    inputMode="decimal",
                ),
                view.field("due", "new-due"),
                view.field("arrived", "new-arrived", text="Came in (empty: now)"),
            ],
            className="fields",
        ),
        text_area("Note", "new-note", "note", maxLength=NOTE_MAX),
    ]


def picks(legend: str, name: str, options: Mapping[str, str], chosen: str | None) -> Component:
    """Radio field with large taps. The browser sends its value under the last part of its id."""
    return controls.picks(legend, f"new-{name}", options, chosen, fault_line(name))
