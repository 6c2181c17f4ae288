"""Form of a reading by hand, which several pages have."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.ui import formats
from dashboard.ui.controls import action_button, choice, draft_form, tap_row, text_field
from monitor.core.measurements import NAME_MAX

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.ui.formats import Unit

FORM = "reading-form"
LABELS = {"place": "Place", "temp": "Temperature", "rh": "Relative humidity", "at": "Read at"}
ADDRESS = "/sensors/read"


def reading_form(places: Mapping[str, str], unit: Unit, place: str, then: str) -> Component:
    """Fields of a reading and its button.

    Parameters
    ----------
    places : mapping of id to name
        Without any, a name is typed, and the first reading makes that place.
    place : str
        The id of the one that is chosen.
    then : str
        Address that is opened when the reading is stored, or "reload".
    """
    degree = formats.scale("temperature", unit).unit
    fields = [
        _place(places, place),
        text_field(
            f"Temperature ({degree})",
            "reading-temp",
            "temp",
            faults=True,
            inputMode="decimal",
            placeholder=formats.shown("temperature", 20.0, unit),
        ),
        text_field(
            "Relative humidity (%)",
            "reading-rh",
            "rh",
            faults=True,
            inputMode="decimal",
            placeholder="50",
        ),
        text_field("Read at (empty: now)", "reading-at", "at", faults=True),
    ]
    store = action_button(
        "Store the reading",
        "read",
        about="reading",
        form=FORM,
        said="Stored.",
        then=then,
        name="tap main",
    )
    return html.Div([draft_form(fields, FORM, "reading"), tap_row(store)], className="reading")


def _place(places: Mapping[str, str], chosen: str) -> Component:
    if not places:
        return text_field(
            "Place", "reading-place", "place", faults=True, maxLength=NAME_MAX, value="bench"
        )
    order = sorted(places, key=lambda one: one != chosen)
    return choice("Place", "reading-place", "place", {one: places[one] for one in order})
