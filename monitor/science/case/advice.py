"""Advice for one home: the least measure that keeps an instrument in its band, or harms it least.

Every measure is run through the year in every way the home and the case may be. Words are the
caller's: this gives codes and figures. It is no promise that a band keeps wood from cracking.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.case.candidates import ALIKE_DAYS, Candidates, alike
from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.home import Basis, HomeYear, RoomHumidifier, home_year
from monitor.science.case.measures import (
    DAMP_SIGNS,
    DRY_SIGNS,
    HUMIDIFIED,
    Advice,
    Avoid,
    CaseAssumptions,
    Holds,
    HomeMeasure,
    MeasureReason,
    Option,
    Sign,
)
from monitor.science.case.outdoors import month_of_hour
from monitor.science.case.presets import Case, Use
from monitor.science.case.rooms import ChangedRoom, both
from monitor.science.case.rooms import humidified as in_room
from monitor.science.case.trial import Trial
from monitor.science.ranges import checked

BAND_PCT = (40.0, 60.0)
"""RH a case should keep. [%]  Common practice, no source."""

FEW = 0.1
"""Share of the ways up to which a fault of a measure need not be named. [-]  Ours: one in ten."""

HALF = 0.5
"""Share of the ways below which no measure is advised while another holds for sure. [-]  Ours."""


def advise(
    case: Case,
    year: HomeYear,
    use: Use | None = None,
    band_pct: tuple[float, float] = BAND_PCT,
    own: Humidifier | Buffer | None = None,
    *,
    humidified: bool = False,
) -> Advice:
    """The least that keeps an instrument in its band through a year at home, or harms it least.

    Measures are tried in the order of `HomeMeasure`, each in its best size, until one keeps the band for
    sure. The first is advised whose harm on both sides is about the least.

    Parameters
    ----------
    case : Case
    year : HomeYear
    use : Use, optional
    band_pct : (float, float)
        RH the wood should keep, 20 to 75, at least 5 apart. [%]
    own : Humidifier or Buffer, optional
        What the client has in the case already: not sized, and advised where it is enough and
        something is needed.
    humidified : bool
        Whether humidifiers run in the home already.

    Raises
    ------
    OutOfRange
    """
    low, high = (float(checked("band_pct", side, "%", 20, 75)) for side in band_pct)
    if not high - low >= 5:
        raise OutOfRange("width of band_pct", high - low, "%", 5, 55)
    trial = Trial(case, year, use or Use(), (low, high))
    candidates = Candidates(trial, humidified=humidified)
    options: list[Option] = []
    for option in candidates.options():
        options.append(option)
        if option.holds is Holds.YES and option.harm <= ALIKE_DAYS:
            break
    advised = _least_harmful(options)
    has = None
    if own is not None:
        kind = HomeMeasure.HUMIDIFIER if isinstance(own, Humidifier) else HomeMeasure.BUFFER
        has = trial.judged(kind, trial.careful, own)
        enough = has.holds is Holds.YES and has.harm <= advised.harm + ALIKE_DAYS
        if enough and advised.kind not in (HomeMeasure.NOTHING, HomeMeasure.DISCIPLINE):
            advised = has
    unplayed = None
    if advised.device is not None and trial.use.played:
        key = (advised.kind, advised.use, advised.device, advised.beside)
        unplayed = trial.unplayed[key]
    months, known = tuple(trial.monthly), year.months_known
    dry = any(months[m - 1].low < low for m in known)
    damp = any(months[m - 1].high > high for m in known)
    signs = tuple(s for s in Sign if (dry and s in DRY_SIGNS) or (damp and s in DAMP_SIGNS))
    return Advice(
        (low, high),
        advised,
        tuple(options),
        has,
        months,
        _why(trial, options, advised, candidates.left),
        _avoid(advised, year),
        signs or DRY_SIGNS,
        _assumed(trial, [*options, *([has] if has else [])]),
        known,
        unplayed,
        _lazy(trial, advised),
    )


def _least_harmful(options: Sequence[Option]) -> Option:
    """The first option of about the least harm; if one holds for sure, of those that hold in half
    of the ways."""
    sure = any(option.holds is Holds.YES for option in options)
    may = [option for option in options if not sure or option.held_share >= HALF]
    return may[alike(np.array([option.harm for option in may]))]


def _lazy(trial: Trial, advised: Option) -> Option | None:
    """The measure, made ready half as often and not in the driest month."""
    device, change = advised.device, advised.room
    if device is not None:
        some = replace(
            device,
            every_d=2 * device.every_d,
            months=_without(device.months, trial.driest(device.months)),
        )
        return trial.judged(advised.kind, advised.use, some, advised.beside)
    if change is None or advised.kind not in HUMIDIFIED:
        return None
    forgotten = trial.driest(change.months)
    half = replace(
        change, litres_day=change.litres_day / 2, months=_without(change.months, forgotten)
    )
    year = trial.year
    if advised.kind is not HomeMeasure.ROOM or year.home is None or year.outdoors is None:
        room = in_room(year, half)
        if half.also is not None:
            room = both(room, half.also)
        return trial.judged(advised.kind, advised.use, changed=room)
    weak = RoomHumidifier(litres_day=half.litres_day, set_pct=half.set_pct)
    made = home_year(year.home, year.outdoors, humidifier=weak, members=year.members)
    dry = (month_of_hour() + 1 == forgotten)[:, None]
    made = replace(made, rh_pct=np.where(dry, year.rh_pct, made.rh_pct))
    return trial.judged(advised.kind, advised.use, changed=ChangedRoom(half, made))


def _without(months: tuple[int, ...], month: int) -> tuple[int, ...]:
    return tuple(m for m in months if m != month) or months


def _why(
    trial: Trial, options: Sequence[Option], advised: Option, left: Sequence[MeasureReason]
) -> tuple[MeasureReason, ...]:
    why = []
    if trial.case.holds_nothing:
        why.append(MeasureReason.COVER)
    if 1 - advised.not_dry_share > FEW:
        why.append(MeasureReason.TOO_DRY)
    if trial.nothing.holds_damp is not Holds.YES and 1 - advised.not_damp_share > FEW:
        why.append(MeasureReason.TOO_DAMP)
    if advised.made_damp_share > FEW:
        why.append(MeasureReason.MADE_DAMP)
    elif not isinstance(advised.device, Humidifier) and any(
        isinstance(o.device, Humidifier) and o is not advised and o.made_damp_share > FEW
        for o in options
    ):
        why.append(MeasureReason.OVER_WET)
    if advised.holds is Holds.YES:
        return tuple(why)
    why += dict.fromkeys(left)
    if advised.holds is Holds.UNCLEAR:
        why.append(MeasureReason.WIDE)
    if trial.year.outdoors is None and trial.dry_months(trial.band[0]):
        why.append(MeasureReason.WEATHER_UNKNOWN)
    return tuple(why)


def _assumed(trial: Trial, options: Sequence[Option]) -> tuple[CaseAssumptions, ...]:
    found = [CaseAssumptions.CASE_NOT_MEASURED] * (not trial.case.holds_nothing)
    if any(isinstance(o.device, Humidifier) for o in options):
        found.append(CaseAssumptions.RELEASE_GUESSED)
    if trial.year.basis is Basis.NORMALS:
        found.append(CaseAssumptions.SPELLS_USUAL)
    if trial.year.months_carried:
        found.append(CaseAssumptions.MONTHS_CARRIED)
    elif len(trial.year.months_read) < 12:
        found.append(CaseAssumptions.MONTHS_BRIDGED)
    if trial.year.basis is not Basis.READINGS:
        found.append(CaseAssumptions.HOME_TYPICAL)
    if any(o.room for o in options):
        found.append(CaseAssumptions.ROOM_TYPICAL)
    if trial.year.clipped > 0.01:
        found.append(CaseAssumptions.RUNNING_WINDOWS)
    if trial.case.instrument_g_pct > 0.8:
        found.append(CaseAssumptions.LIKE_A_VIOLIN)
    return tuple(found)


def _avoid(advised: Option, year: HomeYear) -> tuple[Avoid, ...]:
    found = [Avoid.WATER_ON_WOOD, Avoid.SHUT_IN_WET, Avoid.HOT_CAR, Avoid.HEATER_OR_SUN]
    appliance = advised.room is not None and advised.room.set_pct > 0
    if isinstance(advised.device, Humidifier) or appliance or advised.holds is not Holds.YES:
        found += [Avoid.WET_SPONGE]
    found += [Avoid.HUMIDIFY_WHEN_DAMP]
    if appliance or advised.kind is HomeMeasure.AIR_CONDITIONED:
        found += [Avoid.SEAL_ROOM]
    if year.outdoors is None or year.outdoors.temp_c.min() < 5:
        found += [Avoid.OPEN_WHEN_COLD]
    return tuple(found)
