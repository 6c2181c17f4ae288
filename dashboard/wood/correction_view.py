"""Form that corrects the entries of an instrument, its parts included."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.ui import formats
from dashboard.ui.controls import action_button, fault_line, fieldset, folded, tap_row, text_area
from dashboard.ui.markup import attributes
from dashboard.wood import text, view
from dashboard.wood.forms import form_of, part_of
from monitor.domain.instrument import NOTE_MAX
from monitor.science.plates.parts import (
    MOST_PARTS,
    PRESETS,
    THICKNESS_MM,
    VARNISH_SD_M,
    WIDTH_MM,
    Part,
)
from monitor.science.plates.species import SPECIES

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.domain.instrument import Instrument

_WOODS = {key: one.name for key, one in SPECIES.items()}
_NEW = part_of(Part(name="new", species="norway_spruce", thickness_mm=3.0, width_mm=200.0))
_BLANK = _NEW | {"name": "", "thickness_mm": "", "width_mm": ""}
_CUTS = {str(key): word for key, word in text.CUTS.items()}
_FACES = {str(key): word for key, word in text.FACES.items()}
_UNITS = {
    "thickness_mm": f"mm, {THICKNESS_MM[0]:g} to {THICKNESS_MM[1]:g}",
    "width_mm": f"mm, {WIDTH_MM[0]:g} to {WIDTH_MM[1]:g}",
    "varnish_sd_m": f"s_d in m, {VARNISH_SD_M[0]:g} to {VARNISH_SD_M[1]:g}",
    "restraint": "0 free to 1 held",
}


def amend(one: Instrument, shop: ShopData) -> Component:
    """Form that corrects the entries of an instrument."""
    shown = form_of(one, shop)
    unit = formats.unit_of(shop.settings)
    degrees = formats.scale("temperature", unit).unit
    tap = {"about": "instrument", "instrument": one.id, "then": "reload"}

    def line(name: str, **more: str) -> Component:
        return view.field(name, f"fix-{name}", value=shown[name], **more)

    rows = [_part(i, part_of(part)) for i, part in enumerate(one.parts)]
    if len(rows) < MOST_PARTS:
        rows.append(_part(len(rows), _BLANK))
    return folded(
        "Correct this instrument",
        html.Div(
            [
                html.Div(
                    [
                        line("home_rh", unit="% RH; empty: not known", inputMode="decimal"),
                        line("home_temp", unit=degrees, inputMode="decimal"),
                        line("cold", unit=degrees, inputMode="decimal"),
                        line("arrived"),
                        line("due"),
                    ],
                    className="fields",
                ),
                text_area("Note", "fix-note", "note", value=one.note, maxLength=NOTE_MAX),
                html.H3("Parts"),
                html.P(
                    (
                        "To remove a part, clear its name. Gaps are calculated for these "
                        "widths. Quarter-sawn means that the width runs across the "
                        "rings."
                    ),
                    className="aside",
                ),
                *rows,
                fault_line("parts"),
            ],
            id="fix-form",
            **attributes(data_draft=f"fix-{one.id}-{one.version}"),
        ),
        tap_row(
            [
                action_button(
                    "Save", "amend", form="fix-form", said="Corrected.", name="tap main", **tap
                )
            ]
        ),
        html.P("Or use the usual parts of a"),
        tap_row(
            [
                action_button(
                    kind,
                    "amend",
                    like=kind,
                    said=f"Parts of a {kind}.",
                    sure=f"Tap again: {kind}",
                    **tap,
                )
                for kind in PRESETS
            ]
        ),
        id="instrument-fix",
    )


def _part(i: int, shown: dict[str, str]) -> Component:
    def at(name: str) -> tuple[str, str]:
        return f"parts.{i}.{name}", f"fix-parts-{i}-{name}"

    numbers = [
        view.field(*at(name), unit=unit, value=shown[name], inputMode="decimal")
        for name, unit in _UNITS.items()
    ]
    return fieldset(
        shown["name"] or "Another part",
        html.Div(
            [
                view.field(*at("name"), value=shown["name"], maxLength=40),
                view.choice(*at("species"), shown["species"], _WOODS),
                *numbers[:2],
                view.choice(*at("cut"), shown["cut"], _CUTS),
                view.choice(*at("faces"), shown["faces"], _FACES),
                *numbers[2:],
            ],
            className="fields",
        ),
        className="one-part",
    )
