"""Texts about a room, learned from its log, for the page Coming."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.ui import formats
from monitor.science.outlook import room_model, vapour_balance
from monitor.science.outlook.ensemble_statistics import UNSURE

if TYPE_CHECKING:
    from dashboard.ui.formats import Unit
    from monitor.outlook.files import StoredOutlook
    from monitor.outlook.summary import PlaceOutlook
    from monitor.science.outlook.room_model import RoomEstimate


def room_words(
    one: PlaceOutlook, unit: Unit, fills_why: str = "", *, humidifier: bool = False
) -> list[str]:
    """List what the log shows of the room, and what it does not show.

    `fills_why`: as in `LearnedPlace`; `humidifier`: whether somebody said that there is one.
    """
    if one.look.room.refused:
        return [
            f"The room is not known yet: {one.look.room.refused}. Until then a typical room is "
            "assumed."
        ]
    estimates = room_model.room_description(one.look.room)
    excess, damping = estimates["moisture_excess_g_m3"], estimates["damping_h"]
    lines = [
        f"It adds {_range(excess, 1)} g of water to each m³ of outdoor air.",
        f"Wood and plaster delay changes of its moisture by {_range(damping, 0)} h.",
    ]
    day, night = estimates["day_setting_c"], estimates["night_setting_c"]
    if day.known:
        lines.append(
            f"Heated to about {formats.whole_temperature(day.middle, unit)} by day"
            + (
                f", {formats.whole_temperature(night.middle, unit)} by night."
                if night.known
                else "."
            )
        )
    if humidifier and (words := humidifier_words(one.look)):
        lines.append(words)
    change = estimates["air_change_h"]
    lines.append(
        f"Its air was changed {_range(change, 1)} times an hour on average, according to the "
        "weighed fills of its humidifier."
        if change.known
        else "RH does not show how often its air is changed; "
        f"{_range(change, 1)} times an hour is usual. "
        "So the effect of water has a wide range."
    )
    if fills_why and not change.known:
        lines.append(
            f"The measured fills of its humidifier do not show the air change yet: {fills_why}."
        )
    return lines


def humidifier_why(look: StoredOutlook) -> str:
    """Reason why a humidifier is asked about."""
    if look.room.tank is None:
        return "RH has changed as it does with a humidifier whose tank runs dry."
    setting = vapour_balance.setting_pct(look.room.tank.water.mean)
    if setting is None:
        return (
            "RH often falls, as with a humidifier whose tank runs dry. "
            "Your answer makes the outlook more accurate."
        )
    return (
        f"RH often stays near {setting:.0f} % and then falls, as with a humidifier whose tank runs dry. "
        "Your answer makes the outlook more accurate."
    )


def humidifier_words(look: StoredOutlook) -> str:
    """Describe a humidifier whose tank runs dry, judged by RH; empty where none was found."""
    if look.room.tank is None:
        return ""
    setting = vapour_balance.setting_pct(look.room.tank.water.mean)
    if setting is None:  # a wick holds no RH: only its run of dry and wet hours tells
        begin, running = "A humidifier with a wick moistens the air", look.launch.running[0]
        if running > 1 - UNSURE:
            return f"{begin}. It seems to have water now."
        if running < UNSURE:
            return f"{begin}. Its tank seems to be empty. Clean it before you fill it."
        return f"{begin}; RH does not show whether it has water now."
    begin = f"A humidifier keeps RH at about {setting:.0f} % while it has water"
    away = look.launch.rh_pct - setting
    if abs(away) <= vapour_balance.BAND_PCT:
        return f"{begin}. It seems to have water now."
    if away < 0 and look.launch.running[0] < UNSURE:
        return f"{begin}. Its tank seems to be empty. Clean it before you fill it."
    return f"{begin}; RH does not show whether it has water now."


def _range(estimate: RoomEstimate, digits: int) -> str:
    low, middle, high = (formats.figure(v, digits) for v in estimate[:3])
    return f"{middle} ({low} to {high})"
