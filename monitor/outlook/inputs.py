"""The log by the hour and the forecasts as they became known, from the store."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.place_means import means
from monitor.commands.closing import answers_of, shop_hours
from monitor.core.errors import OutOfRange
from monitor.domain.events import About
from monitor.domain.forecast import UNUSABLE_MS, Forecast, Moments, at_moments, members_at_moments
from monitor.domain.humidifier import HumidifierAction
from monitor.domain.opening_hours import closed_days
from monitor.science.air import dew_point
from monitor.science.outlook.calendar import NO_DAYS, Days
from monitor.science.outlook.hourly_log import STEPS, Issues, OutdoorHours, ShopHours, side_by_side
from monitor.science.outlook.weighed_fills import Fills
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader, forecasts, journal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import ArrayLike

    from monitor.science.ranges import Floats
    from monitor.settings import Settings

HOUR_MS = 3_600_000
FIRST_DAY = date(1970, 1, 1).toordinal()
LEADS = STEPS + 12
"""Hours of an issue that are used: it serves until the next one, some hours on. [h]"""


def hours_of(
    reader: Reader,
    place: str,
    outdoors: str | None,
    last_h: int,
    days: int,
    closed: Days,
    humidifier: bool | None = None,
    opened: Days = NO_DAYS,
    newest_days: int = 1,
) -> ShopHours | None:
    """The log of a place, up to and with the hour that ends at `last_h`; None without a reading.

    Parameters
    ----------
    outdoors : str or None
        The place outdoors, if there is one.
    last_h : int
        [h since 1970-01-01 UTC]
    days : int
        How far back. [d]
    closed : ndarray
        Days closed besides the weekly ones, since 1970-01-01.
    humidifier : bool or None
        See `humidifier_at`.
    opened : ndarray
        Days that somebody said it was open on, since 1970-01-01.
    newest_days : int
        The newest readings within hours are read so far back. [d]
    """
    start_ms, end_ms = (last_h - 24 * days) * HOUR_MS, last_h * HOUR_MS
    inside = means(reader, place, start_ms, end_ms, HOUR_S, typed=False)
    if not len(inside.ts_ms):
        return None
    first_h = int(inside.ts_ms[0]) // HOUR_MS + 1

    def laid(ts_ms: np.ndarray, values: Floats) -> Floats:
        """Values by the hour, the last of each."""
        out = np.full(last_h - first_h + 1, np.nan)
        at = ts_ms // HOUR_MS + 1 - first_h
        good = (at >= 0) & (at < len(out))
        out[at[good]] = values[good]
        return out

    out_temp = out_dew = np.full(last_h - first_h + 1, np.nan)
    if outdoors is not None:
        outside = means(reader, outdoors, start_ms, end_ms, HOUR_S, typed=False)
        # One that reads what air cannot be says nothing.
        sound = (outside.temp_c > -45) & (outside.temp_c < 60) & (outside.rh_pct > 0)
        rh = np.clip(outside.rh_pct[sound], 1, 100)
        out_temp = laid(outside.ts_ms[sound], outside.temp_c[sound])
        out_dew = laid(outside.ts_ms[sound], dew_point(outside.temp_c[sound], rh))
    late = means(
        reader,
        place,
        max(start_ms, end_ms - 24 * newest_days * HOUR_MS),
        end_ms,
        TEN_MINUTES_S,
        typed=False,
    )
    return ShopHours(
        first_h,
        laid(inside.ts_ms, inside.temp_c),
        laid(inside.ts_ms, np.clip(inside.rh_pct, 1, 100)),
        out_temp,
        out_dew,
        closed,
        humidifier,
        opened,
        np.stack(
            [laid(late.ts_ms, values) for values in (late.temp_c, np.clip(late.rh_pct, 1, 100))]
        ),
    )


class ClosedDays(NamedTuple):
    """Known closed days, open days by the answers, and days on which somebody answered that the shop
    is closed, since 1970-01-01."""

    closed: Days
    opened: Days
    answered: Days


def closed_and_opened(reader: Reader, settings: Settings) -> ClosedDays:
    """Closed days of the settings and of the answers; a later answer counts more."""
    said = answers_of(reader)
    opened, answered = (
        np.array([day.toordinal() for day in days], np.int64) - FIRST_DAY
        for days in (said.opened, said.begun)
    )
    return ClosedDays(closed_days(shop_hours(reader, settings)), opened, answered)


def humidifiers(reader: Reader, settings: Settings) -> dict[str, bool]:
    """Last answer about a humidifier by place; a tank of the place in the settings is a yes."""
    events, _ = journal.events_about(reader.connection, About.HUMIDIFIER)
    found = {tank.place: True for tank in settings.reservoirs}
    return found | {one.subject: one.action == HumidifierAction.THERE for one in events}


def humidifier_at(reader: Reader, settings: Settings, place: str) -> bool | None:
    """Last answer about a humidifier at a place, see `humidifiers`. None where nobody answered."""
    return humidifiers(reader, settings).get(place)


def fills_of(reader: Reader, tanks: Iterable[str]) -> list[Fills]:
    """The fills of some tanks, by their ids; none of one that was never filled."""
    events, _ = journal.events_about(reader.connection, About.RESERVOIR)
    found = []
    for tank in tanks:
        own = [event for event in events if event.subject == tank]
        if own:
            found.append(
                Fills(
                    np.array([event.recorded_ms / HOUR_MS for event in own]),
                    np.array([event.body.get("amount_l", np.nan) for event in own], np.float64),
                )
            )
    return found


class ReadForecast(NamedTuple):
    """Forecast of the archive, and its values after the hour in which it became known; those of its
    members of shape (members, leads)."""

    forecast: Forecast
    row: OutdoorHours
    members: OutdoorHours


ReadForecasts = dict[tuple[int, int], ReadForecast]
"""Forecasts by their number and that hour."""


def issues_of(
    reader: Reader,
    prefer: Sequence[str],
    until_ms: int,
    days: int,
    known: ReadForecasts | None = None,
) -> Issues:
    """The forecasts that became known in the last `days` up to a moment, of one source if the one
    to be used now has as many as all others, else of all. None that is doubted. The moment is looked
    at from the end of its last whole hour, so what became known after that counts as known then.

    Parameters
    ----------
    prefer : sequence of str
        Sources in order of preference.
    until_ms : int
        [ms since 1970-01-01 UTC]
    known : dict, optional
        What was read before. The forecasts of this time replace it.
    """
    start = until_ms - days * 24 * HOUR_MS - UNUSABLE_MS
    before = {} if known is None else dict(known)
    last_h = until_ms // HOUR_MS
    found: list[tuple[float, ReadForecast]] = []
    kept: ReadForecasts = {}
    for known_ms, number in forecasts.archived(reader, start, until_ms + 1):
        issued_h = min(known_ms / HOUR_MS, last_h)  # the hour that they tell first is the same
        key = (number, int(issued_h))
        one = before.get(key)
        if one is None:
            forecast = forecasts.read(reader, number)
            row, members = (
                _row(values_at, forecast, issued_h)
                for values_at in (at_moments, members_at_moments)
            )
            one = ReadForecast(replace(forecast, members=None), row, members)
        kept[key] = one
        if not one.forecast.doubt:
            found.append((issued_h, one))
    if known is not None:
        known.clear()
        known.update(kept)
    now = forecasts.newest(reader, until_ms, prefer)
    if now is not None:
        own = [(at, one) for at, one in found if one.forecast.source == now.source]
        found = own if 2 * len(own) >= len(found) else found
    rows = [one.row for _, one in found] or [OutdoorHours(*(np.empty(0),) * 3)]
    grids = (np.concatenate(field).reshape(len(found), LEADS) for field in zip(*rows, strict=True))
    return Issues(
        np.array([at for at, _ in found], dtype=np.float64),
        OutdoorHours(*grids),
        side_by_side([one.members for _, one in found], LEADS),
    )


def _row(
    values_at: Callable[[Forecast, ArrayLike], Moments], one: Forecast, issued_h: float
) -> OutdoorHours:
    """Values of a forecast, or of its members, at the middles of the hours after it became known."""
    middles = (np.floor(issued_h) + 0.5 + np.arange(LEADS)) * HOUR_MS
    try:
        return OutdoorHours(*values_at(one, middles.astype(np.int64)))
    except OutOfRange:  # air that a formula does not bear
        shape = np.shape(values_at(replace(one, rh_pct=np.full(len(one), np.nan)), middles[:0]))
        return OutdoorHours(*np.full((*shape[:-1], LEADS), np.nan))
