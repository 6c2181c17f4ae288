"""Cold and heat on the way: when a cold case may be opened, where a damp one gets wet, a hot car."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from monitor.science.air import TEMP_C, dew_point, frost_point
from monitor.science.case.presets import PRESETS, Case
from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import checked
from monitor.science.wood import equilibrium_moisture_content, relative_humidity_for_moisture

MARGIN_K = 3.0
"""A case may be opened once its inside is this much above the room's dew point. [K]  Ours, as in
rules for coating steel."""

LEAST_SHUT_H, LONG_SHUT_H = 2, 8
"""A cold case is left shut for at least so long; for longer than the second, overnight. [h]  Common
practice, no source."""

CAR_RISE_K, CAR_TIME_MIN, CAR_SPREAD_K = 22.0, 18.0, 5.0
"""How much hotter than outdoors a closed car in the sun gets, and its time constant [K], [min].
Source: McLaren, Null, Quinn, Pediatrics 116, 2005: dark car, clear days of 22 to 36 °C: about
40 °F in all, 80 % of it in half an hour. Second-hand. The spread: ours."""


def wets_below_c(temp_c: float, rh_pct: float) -> float:
    """Temperature of a surface below which this air wets or frosts it. [°C]

    The frost point where the dew point is below freezing: it is the higher of the two.

    >>> round(wets_below_c(21.0, 45.0), 1), round(wets_below_c(0.0, 60.0), 1)
    (8.6, -6.1)
    """
    dew = float(dew_point(temp_c, rh_pct))
    return dew if dew >= 0 else float(np.fmax(dew, frost_point(temp_c, rh_pct)))


class WarmUp(NamedTuple):
    """Time that a cold case must stay shut in a warm room. [min]

    `dew_point_min`: until nothing inside can get wet any more; `open_min`: until it may be opened,
    with `MARGIN_K` to spare. Over fast, usual and slow cases; 0: at once; infinite: the room is so
    damp that it never is.
    """

    wets_below_c: float
    dew_point_min: QuantileRange
    open_min: QuantileRange


def warm_up(case: Case, case_c: float, room_c: float, room_rh_pct: float) -> WarmUp:
    """Time that a cold case must stay shut after it is carried into a warm room.

    T(t) = T_room − (T_room − T_0) exp(−t/τ), τ = `warms_min` of the case, through its spread. Not
    for a case that is warmer than the room: then 0.

    Parameters
    ----------
    case_c : float
        What it comes from, −45 to 60. [°C]
    room_c, room_rh_pct : float
        −45 to 60 [°C], above 0, up to 100 [%].

    Raises
    ------
    OutOfRange

    Examples
    --------
    >>> from monitor.science.case.presets import PRESETS
    >>> [round(m) for m in warm_up(PRESETS["violin, hard case"], 0.0, 21.0, 45.0).open_min]
    [24, 48, 97]
    """
    cold = float(checked("case_c", case_c, "°C", *TEMP_C))
    wet = wets_below_c(room_c, room_rh_pct)
    spread = [case.warms_min * case.warms_times**corner for corner in (-1, 0, 1)]

    def minutes(goal_c: float) -> QuantileRange:
        if cold >= goal_c:
            return QuantileRange(0.0, 0.0, 0.0)
        if goal_c >= room_c:
            return QuantileRange(np.inf, np.inf, np.inf)
        return QuantileRange(
            *(tau * float(np.log((room_c - cold) / (room_c - goal_c))) for tau in spread)
        )

    return WarmUp(wet, minutes(wet), minutes(wet + MARGIN_K))


def slowest_case(instrument: str = "") -> Case:
    """The usual case that warms most slowly, of a kind of instrument or of all.

    >>> slowest_case("violin").warms_min, slowest_case().name
    (60, 'bass, cover')
    """
    found = [case for name, case in PRESETS.items() if name.startswith(instrument)]
    return max(found, key=lambda case: case.warms_min * case.warms_times)


def shut_hours(case: Case, case_c: float, room_c: float, room_rh_pct: float) -> int | None:
    """Whole hours for which a cold case is left shut in a warm room: until a slow one may be opened
    (`warm_up`), `LEAST_SHUT_H` at least. None: overnight, as it takes longer than `LONG_SHUT_H`, never
    ends in such damp air, or it is not known how cold the case can be.

    >>> from monitor.science.case.presets import PRESETS
    >>> [shut_hours(PRESETS["cello, hard case"], t, 21.0, 45.0) for t in (0.0, -25.0)]
    [4, 7]
    """
    minutes = warm_up(case, case_c, room_c, room_rh_pct).open_min.high
    if not 0 < minutes <= 60 * LONG_SHUT_H:
        return None
    return max(math.ceil(minutes / 60), LEAST_SHUT_H)


MEASURED_C = (22, 36)
"""Outdoor air at which closed cars were measured. [°C]  Source: as of `CAR_RISE_K`."""


class Car(NamedTuple):
    """The air of a closed car in the sun, and that of a shut case in it once it is as warm."""

    temp_c: QuantileRange
    case_rh_pct: float


def hot_car(outdoor_c: float, minutes: float, case_rh_pct: float = 45.0) -> Car:
    """Temperature of a closed car in the sun. An open slit of its windows does not help.

    Parameters
    ----------
    outdoor_c : float
        0 to 45; measured at 22 to 36. [°C]
    minutes : float
        Since it was shut and left, 0 or more. [min]
    case_rh_pct : float
        RH of the case at 20 °C: its wood keeps its moisture for hours, so that its RH rises. [%]

    Raises
    ------
    OutOfRange

    Examples
    --------
    >>> [round(x) for x in hot_car(25.0, 60).temp_c]
    [41, 46, 51]
    """
    warm = float(checked("outdoor_c", outdoor_c, "°C", 0, 45))
    share = 1 - float(np.exp(-checked("minutes", minutes, "min", 0) / CAR_TIME_MIN))
    ends = [warm + share * (CAR_RISE_K + off) for off in (-CAR_SPREAD_K, 0.0, CAR_SPREAD_K)]
    moisture = equilibrium_moisture_content(20.0, case_rh_pct)
    return Car(QuantileRange(*ends), float(relative_humidity_for_moisture(ends[1], moisture)))
