"""Validates the values of a forecast document and converts them to stored units."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from monitor.core.clock import from_ms
from monitor.core.errors import BadPayload
from monitor.domain.forecast import GAP_MS, HOUR_MS, UNUSABLE_MS, Forecast, Members, Position
from monitor.domain.forecast_source import ELEMENT_UNITS, ELEMENTS, Element
from monitor.outlook.weather.members import (
    LEFT_OUT_MAX,
    RawMembers,
    check_agreement,
    means,
    members_of,
)
from monitor.science.air import dew_point, relative_humidity
from monitor.science.ranges import Floats

AHEAD_MAX_MS = 300_000
"""Most that the sender's clock may run ahead of ours. [ms]"""
EARLIEST_MS = 86_400_000
"""1970-01-02 UTC: earlier times come from a clock that was never set. [ms]"""
REACH_MIN_MS, REACH_MAX_MS = 6 * HOUR_MS, 17 * 24 * HOUR_MS
"""Least and most time that a forecast reaches beyond its issue. [ms]  Ours: shorter is half an answer,
longer a mistaken time; services issue up to 16 days."""
HOURS_MAX = 3_000
"""Most moments in one forecast."""
DEW_POINTS_APART_K = 1.0
"""Greatest difference of the stated dew point and that from RH. [K]  Ours: rounding of RH."""
DEW_ABOVE_K = 0.3
"""Most that rounding may put the dew point above the air temperature. [K]  Ours."""


class RawForecast(NamedTuple):
    """The values of a document, in the units of `ELEMENTS`, before validation.

    `valid_ms` has n times [ms since 1970-01-01 UTC]; each of `values` shape (n,), NaN where
    nothing stands. `where` says of an index where that is in the document. Without a temperature
    of its own it is the mean of its `members`.
    """

    issued_ms: int
    valid_ms: Sequence[int]
    values: Mapping[Element, Floats]
    position: Position | None = None
    where: Callable[[int], str] = lambda i: f"hour {i + 1}"
    notes: tuple[str, ...] = ()
    members: RawMembers | None = None


def stamp(ms: int) -> str:
    """Moment in words for an error text."""
    try:
        return f"{from_ms(ms):%Y-%m-%d %H:%M} UTC"
    except OverflowError:
        return f"{ms / 1000:.3g} s after 1970"


def validated(
    source: str, raw: RawForecast, arrived_ms: int, *, archive: bool = False
) -> Forecast:
    """The forecast of a document, validated.

    Parameters
    ----------
    source : str
    raw : RawForecast
    arrived_ms : int
        The present. [ms since 1970-01-01 UTC]
    archive : bool
        Whether it is an old one on purpose: then it may be of any age.

    Returns
    -------
    Forecast
        With hours before its issue, if it tells them. Unbelievable hours are left out, and that is
        noted; so are gaps.

    Raises
    ------
    BadPayload
        If times do not rise, the issue is stale or ahead, everything is past, it reaches not far
        enough or too far, more than a tenth of it cannot be believed, or its members are wrong.
    """
    _check_issue(raw.issued_ms, arrived_ms, archive=archive)
    _check_times(raw, raw.issued_ms if archive else arrived_ms)
    notes = list(raw.notes)
    valid = np.asarray(raw.valid_ms, dtype=np.int64)
    members = None if raw.members is None else members_of(raw.members, notes)
    if members is not None and Element.TEMPERATURE not in raw.values:
        raw = raw._replace(values=means(members))
    values, bad = _believable(raw, notes)
    temp = values[Element.TEMPERATURE]
    rh = _humidity(temp, values, notes)
    kept = ~np.isnan(temp + rh) & ~bad
    forecast = Forecast(
        source,
        raw.position,
        raw.issued_ms,
        valid[kept],
        temp[kept],
        rh[kept],
        values[Element.WIND][kept],
        values[Element.PRESSURE][kept],
    )
    if members is not None:
        cut = Members(*(field[:, kept] for field in members))
        check_agreement(cut, forecast)
        forecast = replace(forecast, members=cut)
    if (silent := int((~kept & ~bad).sum())) > 0:
        notes.append(f"{silent} of {len(kept)} hours have no temperature or no humidity")
    if not len(forecast) or forecast.ends_ms - raw.issued_ms < REACH_MIN_MS:
        until = stamp(forecast.ends_ms) if len(forecast) else "nowhere"
        raise BadPayload(
            f"it reaches to {until}, with temperature and humidity: must reach at least "
            f"{REACH_MIN_MS // HOUR_MS} h beyond its issue at {stamp(raw.issued_ms)}"
        )
    notes += _gaps(forecast, raw.issued_ms)
    return replace(forecast, notes=tuple(notes))


def converted(element: Element, unit: str, values: Sequence[float | None]) -> Floats:
    """Values in a declared unit as they are kept; None becomes NaN.

    Raises
    ------
    BadPayload
        If the unit does not fit.
    """
    try:
        factor, offset = ELEMENT_UNITS[element][unit]
    except KeyError:
        raise BadPayload(
            f"unit {unit!r} does not fit {element}: must be one of "
            + ", ".join(ELEMENT_UNITS[element])
        ) from None
    given = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    return given * factor + offset


def check_hours(count: int) -> None:
    """Refuse too many hours, before a table is made of them.

    Raises
    ------
    BadPayload
    """
    if count > HOURS_MAX:
        raise BadPayload(f"{count} hours: at most {HOURS_MAX} are accepted")


def _check_issue(issued_ms: int, arrived_ms: int, *, archive: bool) -> None:
    if issued_ms < EARLIEST_MS:
        raise BadPayload(f"issued at {stamp(issued_ms)}: must not be before 1970-01-02")
    if issued_ms > arrived_ms + AHEAD_MAX_MS:
        raise BadPayload(
            f"issued at {stamp(issued_ms)}, after it arrived at {stamp(arrived_ms)}: must be at "
            f"most {AHEAD_MAX_MS // 60_000} min ahead; is this machine's clock right?"
        )
    if not archive and arrived_ms - issued_ms > UNUSABLE_MS:
        raise BadPayload(
            f"issued at {stamp(issued_ms)}, {(arrived_ms - issued_ms) / HOUR_MS:.0f} h before it "
            f"arrived: must be at most {UNUSABLE_MS // HOUR_MS} h; to store old forecasts, use "
            "benchweather forecast import"
        )


def _check_times(raw: RawForecast, after_ms: int) -> None:
    valid, where = raw.valid_ms, raw.where
    if not valid:
        raise BadPayload("it has no hours")
    check_hours(len(valid))
    for i, (one, next_one) in enumerate(pairwise(valid), 1):
        if next_one == one:
            raise BadPayload(f"{where(i)}: {stamp(one)} occurs twice")
        if next_one < one:
            raise BadPayload(f"{where(i)}: {stamp(next_one)} is before {stamp(one)}: must rise")
    if valid[-1] <= after_ms:
        raise BadPayload(f"all of it is past: it ends at {stamp(valid[-1])}")
    if valid[-1] - raw.issued_ms > REACH_MAX_MS:
        raise BadPayload(
            f"{where(len(valid) - 1)}: valid at {stamp(valid[-1])}, issued at "
            f"{stamp(raw.issued_ms)}: must be within {REACH_MAX_MS // (24 * HOUR_MS)} days"
        )


def _believable(raw: RawForecast, notes: list[str]) -> tuple[dict[Element, Floats], np.ndarray]:
    """The values within their ranges, NaN elsewhere, and at which hours one that is needed is out."""
    n = len(raw.valid_ms)
    found, bad, faults, total = {}, np.zeros(n, bool), [], 0
    for element, measure in ELEMENTS.items():
        values = np.asarray(raw.values.get(element, np.full(n, np.nan)), dtype=np.float64)
        out = ~np.isnan(values) & ~((values >= measure.low) & (values <= measure.high))
        if element is Element.DEW_POINT:
            above = values > raw.values[Element.TEMPERATURE] + DEW_ABOVE_K
            if (above & ~out).any():
                i = int(np.argmax(above & ~out))
                faults.append(
                    f"{raw.where(i)}: dew point {values[i]:.1f} °C above the air's "
                    f"{raw.values[Element.TEMPERATURE][i]:.1f} °C"
                )
            out |= above
        elif out.any():
            i = int(np.argmax(out))
            faults.append(
                f"{raw.where(i)}: {element} = {values[i]:g} {measure.unit}, must be "
                f"{measure.low:g} to {measure.high:g} {measure.unit}"
            )
        if element in (Element.TEMPERATURE, Element.HUMIDITY, Element.DEW_POINT):
            bad |= out
        total += int(out.sum())
        found[element] = np.where(out, np.nan, values)
    if total > LEFT_OUT_MAX * n:
        raise BadPayload(f"{total} values of {n} hours are not plausible: {faults[0]}")
    if total:
        notes.append(f"values that are not plausible are left out ({total}): {faults[0]}")
    return found, bad


def _humidity(temp: Floats, values: Mapping[Element, Floats], notes: list[str]) -> Floats:
    """RH of the document, or from the dew point where it has one. [%]"""
    rh, dew = values[Element.HUMIDITY], values[Element.DEW_POINT]
    if (above := int((rh > 100).sum())) > 0:
        notes.append(f"RH above 100 % in {above} hours, kept as saturated air")
        rh = np.minimum(rh, 100.0)
    from_dew = np.minimum(relative_humidity(temp, dew), 100.0)
    apart = np.abs(dew_point(temp, rh) - dew)
    if (apart > DEW_POINTS_APART_K).any():
        notes.append(
            f"RH and dew point disagree by up to {np.nanmax(apart):.1f} K: the dew point is kept"
        )
    return np.where(np.isnan(dew), rh, from_dew)


def _gaps(forecast: Forecast, issued_ms: int) -> list[str]:
    steps = np.diff(forecast.valid_ms)
    wide = np.flatnonzero((steps > GAP_MS) & (forecast.valid_ms[1:] > issued_ms))
    found = [
        f"there are no values for {steps[i] / HOUR_MS:.0f} h from {stamp(int(forecast.valid_ms[i]))}"
        for i in wide[:3].tolist()
    ]
    if len(wide) > 3:
        found.append(f"and {len(wide) - 3} more gaps")
    return found
