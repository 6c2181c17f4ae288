"""Summary of a place's outlook: spells, good hours, and the water that would help."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from monitor.core.formats import (
    counted,
    in_unit,
    room_words,
    unit_of,
    water_figure,
    water_unit,
    weekday,
    whole_temperature,
)
from monitor.domain.cautions import leave_shut
from monitor.domain.cold_walls import INSTEAD
from monitor.domain.opening_hours import Hours, is_open
from monitor.domain.places import AirLimits, Place, band
from monitor.outlook import files
from monitor.outlook.files import HOUR_MS, StoredOutlook
from monitor.outlook.safe_air import SafeAhead, safe_ahead
from monitor.science.case.travel import shut_hours, slowest_case
from monitor.science.outlook import ensemble_statistics as ensemble
from monitor.science.outlook.ensemble_statistics import (
    LIKELY,
    Fan,
    GoodHours,
    OutlookSpell,
    likely,
)
from monitor.science.outlook.hourly_log import STEPS
from monitor.science.outlook.room_model import TENTH
from monitor.science.outlook.weather_members import FEWEST
from monitor.science.outlook.what_if import HELD_H, LAG_H, USUAL_VOLUME_M3
from monitor.science.ranges import Floats

if TYPE_CHECKING:
    from collections.abc import Iterable
    from zoneinfo import ZoneInfo

    from monitor.outlook.files import LearnedPlace
    from monitor.settings import Settings

NEEDS = (
    "An outlook needs four days of readings up to the last hours, the outdoor air from a forecast or an "
    "outdoor sensor, and a running service."
)
STRAYED, LEARNED_DAYS = 0.45, 14
"""Below this share of recent readings in their range the room is said to have changed; with fewer days
of log than this the outlook is said to be new. [-], [d]  Ours."""
SOON_H = 84
"""Spells are shown that begin within so long. [h]  As the dry snap's, `snap.AHEAD_H`."""
DRY_H, DAMP_H, HOT_H, WALLS_H = 3, 6, 3, 12
"""So long on end it must be so. [h]  Ours."""
CLOSING_H, VARNISH_H = 6, 4
"""Hours of good air for closing a plate, and for a coat. [h]  Common practice, no source."""
QUIET_PCT = 6.0
"""While a plate is closed RH should not move by more. [%]  Ours."""


@dataclass(frozen=True)
class PlaceOutlook:
    """A place and its outlook.

    `dry`, `damp`, `hot`: the first spell of each within `SOON_H`, None if no member has one; `over`:
    the first above the band, where glue may harden still; `closing`, `varnishing`: the best stretch
    of opening hours for each, None where none suits. `safe`: the highest safe RH by the coldest
    wall, None where it is not known; `wet_walls`: the first spell above it.
    """

    place: Place
    look: StoredOutlook
    fan: Fan
    low_pct: float
    high_pct: float
    dry: OutlookSpell | None
    damp: OutlookSpell | None
    hot: OutlookSpell | None
    over: OutlookSpell | None
    closing: GoodHours | None
    varnishing: GoodHours | None
    safe: SafeAhead | None
    wet_walls: OutlookSpell | None

    def at_ms(self, step: float) -> int:
        """Begin of a step. [ms since 1970-01-01 UTC]"""
        return self.look.start_ms + round(step * HOUR_MS)

    @property
    def snap(self) -> float:
        """Chance of a dry snap divided by the learned threshold of this shop. [-]"""
        return self.look.chance / self.look.bar


def foreseen(settings: Settings, place: Place, now_ms: int, hours: Hours) -> PlaceOutlook | None:
    """Outlook of a place; None if there is none, or only an old one. [ms]

    `hours`: opening hours, in which work is done.
    """
    look = files.look(settings, place.id, now_ms)
    return None if look is None else described(settings, place, look, hours)


def described(settings: Settings, place: Place, look: StoredOutlook, hours: Hours) -> PlaceOutlook:
    """Summary of a stored outlook, whose air may have been changed."""
    limits = settings.limits
    low, high = band(place, limits)
    temp, rh = look.air
    soon = slice(0, SOON_H + DAMP_H)
    fan = ensemble.fan(look.air)
    allowed = _open(hours, settings.zone, look)
    safe = safe_ahead(place, temp, look.launch.air.temp_c, look.wall_factor)
    return PlaceOutlook(
        place,
        look,
        fan,
        low,
        high,
        ensemble.spell(rh[:, soon], low, DRY_H, below=True),
        ensemble.spell(rh[:, soon], limits.rh_very_high_pct, DAMP_H, below=False),
        ensemble.spell(temp[:, soon], limits.temp_high_c, HOT_H, below=False),
        ensemble.spell(rh[:, soon], high, DAMP_H, below=False),
        ensemble.best_stretch(_closing(temp, rh, low, high, limits), allowed, CLOSING_H),
        ensemble.best_stretch(_varnishing(temp, rh, low, limits), allowed, VARNISH_H),
        safe,
        None
        if safe is None
        else ensemble.spell((rh - safe.levels_pct)[:, soon], 0.0, WALLS_H, below=False),
    )


def _closing(temp: Floats, rh: Floats, low: float, high: float, limits: AirLimits) -> np.ndarray:
    """Chance members in the band, warm enough for glue, and calm over the next hours."""
    ahead = np.pad(rh, ((0, 0), (0, CLOSING_H - 1)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(ahead, CLOSING_H, axis=1)
    calm = np.asarray(windows.max(axis=2) - windows.min(axis=2)) <= QUIET_PCT
    return (rh >= low) & (rh <= high) & (temp >= limits.glue_temp_low_c) & calm


def closing_hours(
    settings: Settings, one: PlaceOutlook, closable: np.ndarray, hours: Hours
) -> GoodHours | None:
    """Best opening hours to close an instrument: the air is good and its wood near home moisture.

    Parameters
    ----------
    closable : ndarray of bool (steps,)
        The last steps of the outlook at which its wood may be closed (`plates.projection`).
    """
    temp, rh = one.look.air
    good = _closing(temp, rh, one.low_pct, one.high_pct, settings.limits)
    near = np.zeros(good.shape[1], bool)
    near[len(near) - len(closable) :] = closable
    return ensemble.best_stretch(good & near, _open(hours, settings.zone, one.look), CLOSING_H)


def _varnishing(temp: Floats, rh: Floats, low: float, limits: AirLimits) -> np.ndarray:
    """Chance members away from the dew point, dry and warm enough; too dry is not good either."""
    spread = temp - ensemble.dew_point(temp, rh)
    good = (
        (rh >= low) & (rh <= limits.varnish_rh_high_pct) & (spread >= limits.varnish_spread_low_k)
    )
    return np.asarray(good & (temp >= limits.varnish_temp_low_c) & (temp <= limits.temp_high_c))


def _open(hours: Hours, zone: ZoneInfo, look: StoredOutlook) -> np.ndarray:
    """Mask of the steps in opening hours."""
    middles = (look.edges_ms[:STEPS] + HOUR_MS // 2).tolist()
    return np.array([is_open(hours, zone, at) for at in middles])


def dry_words(one: PlaceOutlook, zone: ZoneInfo, *, us: bool = False) -> str:
    """Text on the dry spell and the water that would help. `us`: in US measures."""
    spell = one.dry
    if spell is None:
        return ""
    begins_h = spell.begins_h.middle
    begins = f"from about {weekday(one.at_ms(begins_h), zone)}" if begins_h else "now"
    furthest = weekday(one.at_ms(furthest_h(spell)), zone)
    text = (
        f"RH below {one.low_pct:.0f} % {begins}, down to about {_span(spell.extreme, '%')} by "
        f"{furthest}, chance {likely(spell.chance)}"
    )
    return ". ".join(filter(None, (text, water_words(one, zone, us=us))))


def furthest_h(spell: OutlookSpell) -> float:
    """Time of a spell's extreme, no earlier than it begins. [h from the first step]"""
    return max(spell.extreme_at_h, spell.begins_h.middle)


def _span(values: Iterable[float], sign: str) -> str:
    low, middle, high = (f"{value:.0f}" for value in values)
    return f"{middle} {sign}" if low == high else f"{middle} {sign} ({low} to {high} {sign})"


def water_words(one: PlaceOutlook, zone: ZoneInfo, *, us: bool = False) -> str:
    """The water a day that holds the air, and from when, as sentences without the last full stop;
    empty if none is needed. `us`: in its measures."""
    water, place = one.look.water, one.place
    walls = wall_words(one, us=us)
    if water is None:
        return walls
    if not np.isfinite(water.middle):
        cannot = f"A humidifier of usual size cannot hold {one.look.hold_pct:.0f} %"
        return ". ".join(filter(None, (cannot, walls)))
    volume = room_words(place.volume_m3 or USUAL_VOLUME_M3, us=us)
    room = f"in a room of {volume}" if place.volume_m3 else f"if the room has {volume}"
    unit = water_unit(water.middle, us=us)
    low, middle, high = (water_figure(litres, unit) for litres in water[:3])
    level, soon = one.look.hold_pct, one.look.air[1][:, :LAG_H]
    late = ensemble.spell(soon, level, HELD_H, below=True)  # so soon that water comes too late
    since = f" from {weekday(one.at_ms(LAG_H), zone)} on" if late and late.chance >= 0.5 else ""
    begins = weekday(one.at_ms(water.start), zone) if water.start else "now"
    text = (
        f"About {middle} {unit} of water a day ({low} to {high} {unit}) from {begins} would hold "
        f"{level:.0f} %{since}, even in the driest hours, {room}. A humidifier set to {level:.0f} % "
        "gives less water in other hours. Stop when water shows on windows or cold walls"
    )
    return ". ".join(filter(None, (text, walls)))


def walls_allow_no_water(one: PlaceOutlook) -> bool:
    """True if the cold walls leave no room for more water."""
    limited = one.safe is not None and one.safe.least.rh_pct < one.high_pct
    return limited and one.look.water is None


def wall_words(one: PlaceOutlook, *, us: bool = False) -> str:
    """Text on the highest safe RH in the next days, and what to do where the band lies above it;
    empty where it does not limit the band, or is not known. `us`: in °F."""
    if one.safe is None or one.safe.least.rh_pct >= one.high_pct:
        return ""
    text = one.safe.least.words(unit_of(us)).rstrip(".")
    if one.safe.least.rh_pct >= one.low_pct:
        return text
    return f"{text}. {INSTEAD.rstrip('.')}"


def spell_words(one: PlaceOutlook, spell: OutlookSpell | None, unit: str, zone: ZoneInfo) -> str:
    """Text on the begin and extreme of a damp or hot spell. `unit`: %, °C or °F."""
    if spell is None:
        return ""
    sign = "% RH" if unit == "%" else unit
    extreme = _span((in_unit(v, unit_of(unit == "°F")) for v in spell.extreme), sign)
    begins_h = spell.begins_h.middle
    begins = f"from about {weekday(one.at_ms(begins_h), zone)}" if begins_h else "now"
    return f"{begins}, rising to about {extreme}, chance {likely(spell.chance)}"


def stretch_words(what: str, one: PlaceOutlook, stretch: GoodHours | None, zone: ZoneInfo) -> str:
    """The best hours for something, `to close a plate`, or that there are none."""
    if stretch is None:
        return f"No good hours {what} are expected."
    begin, end = (one.at_ms(step) for step in (stretch.start, stretch.start + stretch.hours))
    if stretch.chance < LIKELY:
        return (
            f"No hours are likely to be good {what}. The best are {weekday(begin, zone)} to "
            f"{weekday(end, zone)}, chance {likely(stretch.chance)}."
        )
    return (
        f"Best hours {what}: {weekday(begin, zone)} to {weekday(end, zone)}, chance "
        f"{likely(stretch.chance)}."
    )


def cold_words(one: PlaceOutlook, zone: ZoneInfo, unit: str) -> str:
    """Warning of dew on what comes in from the cold, and what to do; empty if dew is not likely.

    `unit`: °C or °F. What to do is common practice, no source.
    """
    dew = ensemble.dew_on_cold(one.look.air[:, :, :SOON_H], one.look.launch.air.temp_c[:SOON_H])
    if dew.chance < LIKELY:
        return ""
    reader = unit_of(unit == "°F")
    low, cold, high = (whole_temperature(v, reader) for v in dew.outdoors)
    span = "" if low == high else f" ({low} to {high})"
    point = whole_temperature(dew.dew_point.middle, reader)
    room_c, room_pct = np.median(one.look.air[:, :, dew.at], axis=1).tolist()
    shut = shut_hours(slowest_case(), dew.outdoors.low, room_c, max(room_pct, 1.0))
    return (
        f"For {weekday(one.at_ms(dew.at), zone)} the outlook gives about {cold} outdoors"
        f"{span}, and a dew point of about {point} in here. Dew "
        f"forms on an instrument that comes in that cold, chance {likely(dew.chance)}. "
        f"{leave_shut(shut)}"
    )


def _reach_words(one: PlaceOutlook, zone: ZoneInfo) -> list[str]:
    """Sentence on a forecast that ends before the outlook does."""
    reaches_h = one.look.reaches_h
    if reaches_h >= one.look.air.shape[2]:
        return []
    return [
        f"It ends {weekday(one.at_ms(reaches_h), zone)}. After that, the usual weather of the season "
        "is used, which is less certain."
    ]


def _member_words(one: PlaceOutlook, zone: ZoneInfo) -> list[str]:
    """Sentences on the members of the forecast; none if it never had any."""
    members = one.look.members
    count, reaches_h, days = members.count, members.reaches_h, members.days
    if not count:
        without = (
            "This forecast has no members, although earlier forecasts had. The usual error of the "
            "forecasts is used for the range."
        )
        return [without] if days else []
    if not reaches_h:
        return [
            f"The forecast has only {count} members: at least {FEWEST} are needed, so they are "
            "not used."
        ]
    spread = (
        f"Their spread is corrected by their errors in the last "
        f"{counted(max(round(days), 1), 'day')}."
        if days
        else "Their spread is not corrected yet, because there are no earlier members to compare."
    )
    return [
        f"The forecast has {count} members: each is one way in which the weather may go on. They "
        f"end {weekday(one.at_ms(reaches_h), zone)}. {spread}"
    ]


def rests_on(one: PlaceOutlook, fit: LearnedPlace | None, zone: ZoneInfo) -> str:
    """Text on the basis of an outlook and its past errors."""
    look = one.look
    if look.source:
        said = [
            f"Based on the forecast from {look.source}, issued {weekday(look.issued_ms, zone)}.",
            *_reach_words(one, zone),
            *_member_words(one, zone),
        ]
    else:
        said = [
            "There is no forecast. The outdoor air is assumed to be usual for the season, so this "
            "outlook is weak."
        ]
    if look.source and not look.outdoors:
        said.append(
            "There is no outdoor sensor, so the errors of the forecast are not corrected as well."
        )
    if look.room.refused:
        said.append(f"The room is not known yet ({look.room.refused}).")
    if look.held < STRAYED:
        said.append(
            f"Of 100 readings in the last three days {100 * look.held:.0f} were in the range that "
            "should hold 80. Was the sensor moved, or did the heating, the windows or the use of the "
            "room change? The outlook learns most of that in a few days. Until then, rely on it less."
        )
    if fit is not None:
        said.append(f"It uses {fit.days:.0f} days of readings.")
        if fit.days < LEARNED_DAYS:
            said.append(f"With {LEARNED_DAYS} days or more it is more accurate.")
        scores = fit.issued.scores if fit.issued else fit.scores
        day = next((s for s in scores if s.horizon_h == 24), None)
        if day is not None:
            said.append(
                f"A day ahead it was wrong by {day.mae:.1f} % RH on average, "
                f"{100 * day.of_persistence:.0f} % of the error of assuming no change."
            )
    if look.u_rh_pct:
        low, high = np.quantile(look.air[1, :, 0], [0.1, 0.9])
        read, sensor = float(high - low) / 2, TENTH * look.u_rh_pct / 2
        said.append(
            f"The ranges are for what the sensor reads: ±{read:.1f} % RH one hour ahead, in 8 of 10 "
            f"cases. For the air itself it is ±{math.hypot(read, sensor):.1f} %, because the sensor has "
            f"an error of its own: up to {sensor:.1f} % in 8 of 10 cases."
        )
    return " ".join(said)
