"""Entries by hand on the page of a sensor: reference, place, name, wrong readings, note."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import html

from dashboard.access.visitor import may_manage
from dashboard.data import sensors as data_sensors
from dashboard.sensors import text
from dashboard.sensors.forms import LABELS
from dashboard.ui.controls import action_button, draft_form, folded, tap_row, text_field
from monitor.core.clock import now_ms
from monitor.domain.sensor_requests import BOUNDS, NOTE_MAX

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.sensors import SensorDetails
    from dashboard.data.shop import ShopData


def by_hand(one: SensorDetails, places: Mapping[str, str], shop: ShopData) -> list[Component]:
    """A reference read by hand, moving it, taking over, voiding, a note."""
    history, about = one.history, {"about": "sensor", "sensor": one.history.id}
    owner = may_manage().allowed
    voids = [
        action_button(
            f"Void correction {c.number} of the {c.quantity}",
            "void",
            number=str(c.number),
            sure="Tap again to void this correction",
            said="Correction voided.",
            then="reload",
            **about,
        )
        for c in history.corrections
        if not c.void
    ]
    heirs = [
        action_button(
            f"This is the same sensor as {other}: use its corrections",
            "inherit",
            of=other,
            said="Corrections copied.",
            then="reload",
            **about,
        )
        for other in data_sensors.alike(shop, history)
    ]
    return [
        folded(
            "Compare with a reference instrument",
            html.P(
                "Leave both side by side for an hour. Then read the reference, enter it and tap."
            ),
            draft_form(
                [_line("value"), _line("u"), _line("with")], "beside-form", f"beside-{history.id}"
            ),
            tap_row(
                [
                    action_button(
                        f"Use as the reference's {quantity}",
                        "compare",
                        quantity=str(quantity),
                        form="beside-form",
                        said="Point taken.",
                        **about,
                    )
                    for quantity in BOUNDS
                ]
            ),
            html.Div(_line("since"), id="fit-form", className="fields"),
        ),
        folded(
            "Move the sensor",
            tap_row(
                [
                    action_button(
                        label,
                        "move",
                        place=place,
                        said=f"Moved to {label}.",
                        then="reload",
                        **about,
                    )
                    for place, label in places.items()
                    if place != history.home
                ]
            ),
            html.Div(_line("place"), id="move-form", className="fields"),
            tap_row(
                action_button(
                    "Move to the place entered",
                    "move",
                    form="move-form",
                    said="Moved.",
                    then="reload",
                    **about,
                )
            ),
        ),
        *([rename(one), void_readings(one, shop)] if owner else []),
        folded(
            "Note, and void a correction" if owner else "Note",
            html.Div(_line("text", maxLength=NOTE_MAX), id="note-form", className="fields"),
            tap_row(
                [
                    action_button(
                        "Save the note", "note", form="note-form", said="Saved.", **about
                    ),
                    *(voids + heirs if owner else []),
                ]
            ),
        ),
    ]


def rename(one: SensorDetails) -> Component:
    """Form that gives a sensor another place and name, and a tap that undoes it."""
    about = {"about": "sensor", "sensor": one.history.id, "then": "reload"}
    return folded(
        "Rename it",
        html.P(
            "Use this if the place or name was mistyped. All readings of the sensor, past and "
            "future, get the new place and name. Its topic stays the same. You can undo this at "
            "any time."
        ),
        html.Div([_line("to")], id="rename-form", className="fields"),
        tap_row(
            [
                action_button(
                    "Rename this sensor", "rename", form="rename-form", said="Renamed.", **about
                ),
                *(
                    [
                        action_button(
                            f"Undo the new name {one.history.shown}",
                            "undo-rename",
                            said="The new name is undone.",
                            **about,
                        )
                    ]
                    if one.history.before_renames
                    else []
                ),
            ]
        ),
    )


def void_readings(one: SensorDetails, shop: ShopData) -> Component:
    """Form that voids readings of a span, and the voided spans, each with a tap that undoes it."""
    about = {"about": "sensor", "sensor": one.history.id}
    now, zone = now_ms(), shop.settings.zone
    return folded(
        "Void wrong readings",
        html.P(
            "Voided readings are kept, but no figure, plot or alert uses them. You can undo "
            "this at any time."
        ),
        html.Div(
            [_line("from"), _line("until"), _line("why", maxLength=NOTE_MAX)],
            id="void-form",
            className="fields",
        ),
        tap_row(
            [
                action_button(
                    "Void these readings",
                    "void-readings",
                    form="void-form",
                    sure="Tap again to void these readings",
                    said="Readings voided.",
                    then="reload",
                    **about,
                ),
                action_button(
                    "Remove this sensor: void all its readings, past and future",
                    "void-readings",
                    all="yes",
                    form="void-form",
                    sure="Tap again to remove this sensor",
                    said="Sensor removed. Sensors lists it under Removed.",
                    then="reload",
                    **about,
                ),
                *(
                    action_button(
                        f"Undo void {void.number}: {text.voided_span(void, now, zone)}",
                        "restore-readings",
                        number=str(void.number),
                        said="The readings count again.",
                        then="reload",
                        **about,
                    )
                    for void in one.history.voids
                    if not void.undone
                ),
            ]
        ),
    )


def _line(name: str, **more: Any) -> Component:
    return text_field(LABELS[name], f"sensor-{name}", name, faults=True, **more)
