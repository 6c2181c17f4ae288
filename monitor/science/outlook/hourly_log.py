"""Inputs of the outlook: the shop's hours, and the outdoor forecasts issued so far.

Every hour bears the number of hours since 1970-01-01 UTC at its end, and holds the mean over it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from monitor.science.outlook.calendar import (
    NO_DAYS,
    NO_SUMMER_TIME,
    Calendar,
    Days,
    SummerTime,
    calendar,
)
from monitor.science.outlook.weather_members import Distances, MemberMoments, member_moments
from monitor.science.ranges import Floats

LEADS_H = np.array([1, 2, 3, 4, 6, 8, 10, 12, 15, 18, 24, 30, 36, 48, 60, 72, 96, 120])
"""Leads that corrections and spreads are learned at. [h]  Ours."""

STEPS = 120
"""Hours looked ahead. [h]"""

WIND_M_S = 3.0
"""Where no forecast tells the wind. [m/s]  Ours."""


class OutdoorHours(NamedTuple):
    """Outdoor air: temperature, dew point over water [°C], wind [m/s]; fields of one shape."""

    temp_c: Floats
    dew_c: Floats
    wind_m_s: Floats


@dataclass(frozen=True, eq=False)
class ShopHours:
    """A shop's log by the hour; every array has shape (n,), NaN where nothing was read.

    Hour i ends at `first_h` + i. `out_temp_c` and `out_dew_c` are what a sensor outdoors read, NaN
    throughout if there is none. `closed` are days that the shop was or will be closed besides its
    weekly ones, since 1970-01-01; `supposed` those of them that only look so; `opened` are days
    that somebody said it was open on, though it looked shut. `humidifier`: whether somebody said
    that there is one; None where nobody said. `newest` (2, n): temperature and RH of the last ten
    minutes of each hour in which something was read, NaN where nothing was; None where only the
    means of hours are known. `filled_h`: the hours in which somebody recorded a fill of a
    humidifier's tank here, by their ends, since 1970-01-01 UTC.
    `summer`: summer time of the shop's zone.
    """

    first_h: int
    temp_c: Floats
    rh_pct: Floats
    out_temp_c: Floats
    out_dew_c: Floats
    closed: Days = field(default_factory=lambda: NO_DAYS)
    humidifier: bool | None = None
    opened: Days = field(default_factory=lambda: NO_DAYS)
    newest: Floats | None = None
    filled_h: np.ndarray = field(default_factory=lambda: np.empty(0, np.int64))
    supposed: Days = field(default_factory=lambda: NO_DAYS)
    summer: SummerTime = NO_SUMMER_TIME

    def __len__(self) -> int:
        return len(self.temp_c)

    @property
    def ends_h(self) -> np.ndarray:
        """End of each hour. [h since 1970-01-01 UTC]"""
        return self.first_h + np.arange(len(self))

    def calendar(self, index: np.ndarray, offset_h: int, closed: Days | None = None) -> Calendar:
        """Calendar of the hours number `index`, with the closed days of the log unless others are
        given."""
        days = self.closed if closed is None else closed
        return calendar(self.first_h + index, offset_h, days, self.summer)

    def clock_h(self, index: np.ndarray | int, offset_h: int) -> np.ndarray:
        """Ends of the hours number `index` by the shop's clock. [h since 1970-01-01]"""
        ends_h = self.first_h + np.asarray(index)
        return np.asarray(ends_h + offset_h + self.summer.ahead(ends_h))

    @property
    def has_outdoors(self) -> bool:
        """True if a sensor outdoors read in at least half of the hours."""
        return bool(len(self)) and float(np.isnan(self.out_temp_c + self.out_dew_c).mean()) < 0.5

    def until(self, end_h: int, days: float) -> ShopHours:
        """The last `days` up to and with the hour that ends at `end_h`."""
        stop = end_h - self.first_h + 1
        start = max(stop - round(24 * days), 0)
        cut = slice(start, max(stop, start))
        return replace(
            self,
            first_h=self.first_h + start,
            newest=None if self.newest is None else self.newest[:, cut],
            **{
                name: getattr(self, name)[cut]
                for name in ("temp_c", "rh_pct", "out_temp_c", "out_dew_c")
            },
        )

    def with_hours_before(self, issues: Issues, most: int) -> ShopHours:
        """The log with up to `most` hours before it in which nothing was read, from the first issue
        of a forecast on."""
        known = int(self.first_h - issues.issued_h[0]) if len(issues.issued_h) else 0
        added = int(np.clip(known, 0, max(most, 0)))

        def longer(values: Floats) -> Floats:
            return np.concatenate([np.full(added, np.nan), values])

        return replace(
            self,
            first_h=self.first_h - added,
            temp_c=longer(self.temp_c),
            rh_pct=longer(self.rh_pct),
            out_temp_c=longer(self.out_temp_c),
            out_dew_c=longer(self.out_dew_c),
            newest=None,
        )


@dataclass(frozen=True, eq=False)
class Issues:
    """Outdoor forecasts, oldest first.

    `issued_h` (n,) is when each became known [h since 1970-01-01 UTC, fractions allowed];
    `air` holds fields of shape (n, leads): column k is the mean over the hour that ends at
    floor(issued_h) + 1 + k, NaN where it has no value. `members`: those of each issue, fields of
    shape (n, members, leads), NaN where there is none; None if no issue has members.
    """

    issued_h: Floats
    air: OutdoorHours
    members: OutdoorHours | None = None

    def newest(self, now_h: np.ndarray, back: int = 0) -> np.ndarray:
        """Index of the newest issue known at each of `now_h`, or the one `back` before; −1: none."""
        return np.maximum(np.searchsorted(self.issued_h, now_h, side="right") - 1 - back, -1)

    def after(self, now_h: np.ndarray, steps: int, back: int = 0) -> OutdoorHours:
        """Newest forecast for the `steps` hours after each of `now_h`, (steps, moments); NaN if
        unknown."""
        return self.take(self.newest(now_h, back), now_h + 1 + np.arange(steps)[:, None])

    def take(self, issue: np.ndarray, end_h: np.ndarray) -> OutdoorHours:
        """Forecast number `issue` for the hours ending at `end_h`; both broadcast."""
        return OutdoorHours(*self._taken(issue, end_h, *self.air))

    def _taken(self, issue: np.ndarray, end_h: np.ndarray, *tables: Floats) -> list[Floats]:
        """Values of tables (..., n, leads) for the hours ending at `end_h`; NaN if unknown."""
        issue, end_h = np.broadcast_arrays(issue, end_h)
        if not len(self.issued_h):
            return [np.full((*table.shape[:-2], *end_h.shape), np.nan) for table in tables]
        lead = end_h - np.floor(self.issued_h[issue]).astype(np.int64) - 1
        leads = self.air.temp_c.shape[1]
        good = (issue >= 0) & (lead >= 0) & (lead < leads)
        at = np.where(good, lead, 0)
        return [np.where(good, table[..., issue, at], np.nan) for table in tables]

    @cached_property
    def moments(self) -> MemberMoments | None:
        """Mean and variance of the members, (2, n, leads); None if no issue has members."""
        if self.members is None:
            return None
        return member_moments(self.members.temp_c, self.members.dew_c)

    def moments_after(self, now_h: np.ndarray, steps: int) -> MemberMoments:
        """Mean and variance of the newest issue's members for the `steps` hours after each of
        `now_h`, (2, steps, moments); NaN if unknown."""
        if self.moments is None:
            none = np.full((2, steps, len(now_h)), np.nan)
            return MemberMoments(none, none)
        at = self.newest(now_h), now_h + 1 + np.arange(steps)[:, None]
        return MemberMoments(*self._taken(*at, *self.moments))

    def distances_after(self, now_h: np.ndarray, steps: int) -> Distances | None:
        """Distances of the newest issue's members for the `steps` hours after each of `now_h`; None
        if no issue has members."""
        if self.members is None:
            return None
        at = self.newest(now_h), now_h + 1 + np.arange(steps)[:, None]
        moments = self.moments_after(now_h, steps)
        fields = self._taken(*at, *(np.swapaxes(field, 0, 1) for field in self.members))
        wind = np.asarray(fields[2], np.float64)
        known = ~np.isnan(wind)
        calm = np.where(known, wind, 0).sum(0) / np.maximum(known.sum(0), 1)
        off = [fields[0] - moments.mean[0], fields[1] - moments.mean[1], wind - calm]
        return Distances(np.stack(off), moments.variance)

    def nearest(self, end_h: np.ndarray) -> OutdoorHours:
        """Forecast of each hour by the newest issue known at its beginning. Shape of `end_h`."""
        return self.take(self.newest(end_h - 1.0), end_h)


def side_by_side(each: Sequence[OutdoorHours], leads: int) -> OutdoorHours | None:
    """Members of some issues, each (members, leads), as `Issues` has them; None if none has any."""
    most = max((len(one.temp_c) for one in each), default=0)
    if not most:
        return None
    grid = np.full((3, len(each), most, leads), np.nan, np.float32)
    for n, one in enumerate(each):
        grid[:, n, : len(one.temp_c)] = np.stack(one)
    return OutdoorHours(*grid)


def since_mean(hours: ShopHours) -> Floats:
    """Newest readings less the mean of their hour, (2, n), 0 where not known. [K], [%]"""
    means = np.stack([hours.temp_c, hours.rh_pct])
    return np.zeros(means.shape) if hours.newest is None else np.nan_to_num(hours.newest - means)


def filled(values: Floats, spare: Floats) -> Floats:
    """Values (n,) with their gaps from `spare`, and the rest of them from the last known value.

    Nothing is filled from what came later, but before the first value there is only that.
    """
    both = np.where(np.isnan(values), spare, values)
    known = ~np.isnan(both)
    if not known.any():
        return both
    last = np.maximum.accumulate(np.where(known, np.arange(len(both)), -1))
    return both[np.where(last < 0, int(np.argmax(known)), last)]


def past_outdoors(hours: ShopHours, issues: Issues) -> OutdoorHours:
    """Outdoor air of the log's own hours: the sensor's, and where it is silent the forecasts'."""
    issued = issues.nearest(hours.ends_h)
    temp = filled(hours.out_temp_c, issued.temp_c)
    dew = np.minimum(filled(hours.out_dew_c, issued.dew_c), temp)
    wind = filled(issued.wind_m_s, np.full(len(hours), np.nan))
    return OutdoorHours(temp, dew, np.where(np.isnan(wind), WIND_M_S, wind))


def lagged(values: Floats, constants_h: Floats) -> Floats:
    """Values (n,) smoothed with each time constant, shape (constants, n); gaps change nothing.

    Starts at the mean of the first 48 values. Implicit steps of an hour, as the models take them.
    """
    read = values[~np.isnan(values)][:48]
    begin = float(read.mean()) if len(read) else 0.0
    out = []
    for share in (1 / (np.asarray(constants_h) + 1)).tolist():
        level, levels = begin, []
        for value in values.tolist():
            if value == value:
                level += share * (value - level)
            levels.append(level)
        out.append(levels)
    return np.array(out)
