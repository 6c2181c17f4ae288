"""What is typed and tapped about a sensor, as a command for the desk."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.ui import formats
from dashboard.ui.form_input import WishFault, number
from monitor.core.measurements import Quantity
from monitor.domain.sensor import SensorAction

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.data.shop import ShopData

PASSED_ON = ("id", "by", "do", "about", "sensor", "salt", "quantity", "place", "of")
"""What a tap carries that goes on as it is."""
TIMED = (
    SensorAction.MOVE,
    SensorAction.SEAL,
    SensorAction.COMPARE,
    SensorAction.BACK,
    SensorAction.ABANDON,
)
LABELS = {
    "value": "It reads",
    "u": "Good to ± (k = 2)",
    "with": "Which instrument, its mark",
    "since": "Holds from (empty: now)",
    "text": "Note",
    "place": "Another place",
}
"""What each field is called on the page."""


def command_of(
    asked: Mapping[str, Any], form: Mapping[str, str], shop: ShopData
) -> dict[str, Any]:
    """The command that a tap means.

    Parameters
    ----------
    asked : mapping
        `PASSED_ON` as texts, `at_ms` when it was tapped, `number` of a correction, `line` yes or no.
    form : mapping
        What was typed: for COMPARE `value`, `u` and `with`; for FIT `since`; for NOTE `text`; for
        MOVE `place`, if none was tapped.

    Raises
    ------
    WishFault
        With every field that cannot be read.
    """
    command = {name: asked[name] for name in PASSED_ON if isinstance(asked.get(name), str)}
    do, faults = command.get("do"), dict[str, str]()
    if do in TIMED and isinstance(asked.get("at_ms"), int):
        command["at_ms"] = asked["at_ms"]
    match do:
        case SensorAction.COMPARE:
            unit = formats.temperature_unit(shop.settings.board.temperature_unit)
            warm = command.get("quantity") == Quantity.TEMPERATURE and unit == "F"
            for name in ("value", "u"):
                try:
                    typed = number(form.get(name, ""))
                except ValueError:
                    faults[name] = f"{form.get(name, '')!r:.40} is no number"
                    continue
                if warm:
                    absolute = name == "value"
                    back = formats.to_celsius if absolute else formats.difference_from_unit
                    typed = back(typed, unit)
                command[name] = typed
            if form.get("with"):
                command["with"] = form["with"]
        case SensorAction.FIT:
            if asked.get("line") in ("yes", "no"):
                command["line"] = asked["line"] == "yes"
            if form.get("since"):
                try:
                    command["since_ms"] = formats.of_input(form["since"], shop.settings.zone)
                except (ValueError, OverflowError):
                    faults["since"] = f"{form['since']!r:.40} is no date and time"
        case SensorAction.VOID:
            given = str(asked.get("number", ""))
            command["number"] = int(given) if given.isdecimal() else given
        case SensorAction.NOTE:
            command["text"] = form.get("text", "")
        case SensorAction.MOVE:
            command.setdefault("place", form.get("place", ""))
    if faults:
        raise WishFault("; ".join(f"{LABELS[n]}: {why}" for n, why in faults.items()), faults)
    return command
