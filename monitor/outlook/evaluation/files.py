"""A log and archived forecasts from CSV files, refused with line and reason where they cannot be.

Log: `time,place,temp_c,rh_pct`. Forecasts: `issued_at,valid_at,temp_c,rh_pct` and, if there are,
`wind_m_s,pressure_hpa`; with `member` as `benchweather forecast export` writes it. Times are ISO 8601
in UTC, or with their offset from it. Nothing is guessed and no unit is converted. Rows may be in any
order; of two for one moment the first counts.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import tzinfo
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from monitor.core.errors import ImportFault
from monitor.core.files import FileFault, open_table
from monitor.domain.opening_hours import closed_dates, closed_days
from monitor.outlook.evaluation import tables
from monitor.outlook.inputs import LEADS
from monitor.science.air import dew_point
from monitor.science.outlook.calendar import Days, summer_time
from monitor.science.outlook.hourly_log import STEPS, Issues, OutdoorHours, ShopHours, side_by_side
from monitor.science.outlook.weather_members import known_mean
from monitor.science.ranges import Floats

LOG_COLUMNS = ("time", "place", "temp_c", "rh_pct")
FORECAST_COLUMNS = ("issued_at", "valid_at", "temp_c", "rh_pct")
OUTDOORS = "outdoors"
"""Name of the outdoor place unless another is given."""

HOUR_NS = 3_600_000_000_000
TEN_MINUTES_NS = HOUR_NS // 6
BRIDGED_H = 6.5
"""Values of a forecast so far apart are joined by a straight line. [h]  Ours."""

FEWEST_SHARE = 0.1
"""A log with readings of both in fewer of its hours is refused: some time in it must be wrong. [-]
Ours; one reading each three hours is a third."""

FEWEST_DAYS = 14
"""A shorter log cannot be scored: the outlook speaks from the tenth day on. [d]  Ours."""

CLOSED_MAX_DAYS = 366
"""Most days of one closed span. [d]  Ours: more is a mistyped year."""

AGREES_K = 4.0
"""Forecasts whose temperature is off by more in half of the first 12 h are another place's. [K]
Ours: an ordinary one is within about 1 K there."""

TELL_K = 15.0
"""Outdoor air whose dew point lies so far above the shop's in half of the hours is reported. [K]
Ours: cooled or dried rooms come near it, °F taken for °C goes beyond."""

PRESSURE_HPA = (300.0, 1100.0)


class Material(NamedTuple):
    """Input of a score: the log by the hour, the forecasts, and the notes on both."""

    place: str
    hours: ShopHours
    issues: Issues
    notes: list[str]

    def with_closed(self, days: Days) -> Material:
        """Inputs with days on which the shop was closed, and a note on how many are in the log."""
        first, last = ((int(h) - 1) // 24 for h in self.hours.ends_h[[0, -1]])
        count = int(((days >= first) & (days <= last)).sum())
        notes = [*self.notes, f"closed days in the log, known ahead of time: {count}"]
        return self._replace(hours=replace(self.hours, closed=days), notes=notes)

    def with_zone(self, zone: tzinfo) -> Material:
        """Inputs with the summer time of the shop's zone."""
        first, last = (int(h) for h in self.hours.ends_h[[0, -1]])
        return self._replace(
            hours=replace(self.hours, summer=summer_time(zone, first, last + STEPS))
        )


def read(log: Path, forecasts: Path, place: str = "", outdoors: str = OUTDOORS) -> Material:
    """Read the log and the forecasts.

    Raises
    ------
    ImportFault
        Naming the file, the line and what is allowed; or that they do not fit together.
    """
    table = tables.table(log, LOG_COLUMNS)
    when = tables.moments(log, table["time"], "time")
    temp, rh = tables.numbers(log, table, "temp_c"), tables.numbers(log, table, "rh_pct")
    tables.believable(log, temp, rh)
    names = table["place"].str.strip()
    if (empty := np.flatnonzero(names == "")).size:
        raise ImportFault(f"{log}, line {empty[0] + 2}: place is empty")
    once, doubled = tables.once(log, [when, names.to_numpy()], [temp, rh])
    when, temp, rh, names = when[once], temp[once], rh[once], names[once]
    chosen = _place(log, names, place, outdoors)
    inside, outside = (names == chosen).to_numpy(), (names == outdoors).to_numpy()
    ends = -(-when // HOUR_NS)
    first, last = int(ends[inside].min()), int(ends[inside].max())
    if (days := (last - first + 1) / 24) < FEWEST_DAYS:
        raise ImportFault(f"{log}: {days:.1f} days of {chosen}: must be at least {FEWEST_DAYS}")

    def hourly(rows: np.ndarray, values: Floats) -> Floats:
        return _means(ends[rows], values[rows], first, last)

    def newest(values: Floats) -> Floats:
        tens = -(-when[inside] // TEN_MINUTES_NS)
        of_hour = _means(tens, values[inside], 6 * first - 5, 6 * last).reshape(-1, 6)
        last_known = np.where(np.isnan(of_hour), -1, np.arange(6)).max(1)
        return np.where(last_known < 0, np.nan, of_hour[np.arange(len(of_hour)), last_known])

    dew = dew_point(temp, np.maximum(rh, 1.0))
    hours = ShopHours(
        first,
        hourly(inside, temp),
        hourly(inside, rh),
        hourly(outside, temp),
        hourly(outside, dew),
        newest=np.stack([newest(temp), newest(rh)]),
    )
    issues, again = _read_forecasts(forecasts)
    notes = [*doubled, *again, *_checked(log, forecasts, chosen, hours, issues)]
    return Material(chosen, hours, issues, notes)


def read_closed(path: Path) -> Days:
    """Closed days, since 1970-01-01: a date or a span a line; `#` begins a comment.

    Raises
    ------
    ImportFault
        Naming the file, the line and what is allowed.
    """
    try:
        with open_table(path) as file:
            lines = file.read().decode("utf-8-sig").splitlines()
    except FileFault as exc:
        raise ImportFault(str(exc)) from exc
    except UnicodeDecodeError as exc:
        raise ImportFault(f"{path} is not UTF-8 text ({exc.reason} at byte {exc.start})") from exc
    texts = {n: line.partition("#")[0].strip() for n, line in enumerate(lines, 1)}
    spans = {n: text for n, text in texts.items() if text}
    if not spans:
        raise ImportFault(f"{path} names no day: must have a date such as 2026-12-24 on a line")
    for n, text in spans.items():
        try:
            first, last = closed_dates(text)
        except ValueError as exc:
            raise ImportFault(f"{path}, line {n}: {exc}") from exc
        if (last - first).days > CLOSED_MAX_DAYS:
            raise ImportFault(
                f"{path}, line {n}: {text!r} is {(last - first).days + 1} days long: must be at most "
                f"{CLOSED_MAX_DAYS}"
            )
    return closed_days({"closed": list(spans.values())})


def _read_forecasts(path: Path) -> tuple[Issues, list[str]]:
    table = tables.table(path, FORECAST_COLUMNS)
    issued = tables.moments(path, table["issued_at"], "issued_at")
    valid = tables.moments(path, table["valid_at"], "valid_at")
    if (late := np.flatnonzero(issued > valid)).size:
        row = table.iloc[late[0]]
        raise ImportFault(
            f"{path}, line {late[0] + 2}: issued_at {row['issued_at']} is after valid_at "
            f"{row['valid_at']}: a forecast must be issued before the time it is for"
        )
    temp, rh = tables.numbers(path, table, "temp_c"), tables.numbers(path, table, "rh_pct")
    tables.believable(path, temp, rh)
    wind = (
        tables.numbers(path, table, "wind_m_s")
        if "wind_m_s" in table
        else np.full(len(temp), np.nan)
    )
    if (bad := np.flatnonzero((wind < 0) | (wind > 75))).size:
        raise ImportFault(
            f"{path}, line {bad[0] + 2}: wind_m_s {wind[bad[0]]:g}: must be 0 to 75 m/s"
        )
    if "pressure_hpa" in table:
        pressure, (low, high) = tables.numbers(path, table, "pressure_hpa"), PRESSURE_HPA
        if (bad := np.flatnonzero((pressure < low) | (pressure > high))).size:
            raise ImportFault(
                f"{path}, line {bad[0] + 2}: pressure_hpa {pressure[bad[0]]:g}: must be {low:g} to "
                f"{high:g} hPa"
            )
    member = tables.member_numbers(path, table)
    once, doubled = tables.once(path, [issued, valid, member], [temp, rh, wind])
    order = once[np.lexsort((valid[once], member[once], issued[once]))]
    issued, valid, member = issued[order], valid[order], member[order]
    dew = dew_point(temp, np.maximum(rh, 1.0))
    columns = [values[order] for values in (temp, dew, wind)]
    moments, starts = np.unique(issued, return_index=True)
    ends = np.append(starts[1:], len(issued))
    grid = [np.full((len(moments), LEADS), np.nan) for _ in range(3)]
    members = []
    for n, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        middle = np.floor(moments[n] / HOUR_NS) + 0.5 + np.arange(LEADS)
        numbers, begins = np.unique(member[start:end], return_index=True)
        cuts = [start + int(begin) for begin in begins] + [end]
        rows = [
            [_drawn(middle, valid[a:b] / HOUR_NS, values[a:b]) for values in columns]
            for a, b in pairwise(cuts)
        ]
        own, others = (
            np.array(
                [row for number, row in zip(numbers, rows, strict=True) if (number < 0) == is_own]
            )
            for is_own in (True, False)
        )
        others = others.reshape(-1, 3, LEADS)
        for i, out in enumerate(grid):
            out[n] = own[0, i] if len(own) else known_mean(others[:, i])
        members.append(OutdoorHours(*np.moveaxis(others, 1, 0)))
    air, ensemble = OutdoorHours(*grid), side_by_side(members, LEADS)
    return Issues(moments / HOUR_NS, air, ensemble), doubled


def _drawn(middle: Floats, at: Floats, values: Floats) -> Floats:
    """Values (n,) from moments `at` [h], at the middles of hours; NaN where too far from any."""
    good = ~np.isnan(values)
    if not good.any():
        return np.full(len(middle), np.nan)
    at, values = at[good], values[good]
    after = np.searchsorted(at, middle)
    before_h = at[np.maximum(after - 1, 0)]
    after_h = at[np.minimum(after, len(at) - 1)]
    near = np.where((after > 0) & (after < len(at)), after_h - before_h <= BRIDGED_H, False)
    near |= (np.abs(middle - before_h) <= 1) | (np.abs(middle - after_h) <= 1)
    return np.where(near, np.interp(middle, at, values), np.nan)


def _means(ends: np.ndarray, values: Floats, first: int, last: int) -> Floats:
    inside = (ends >= first) & (ends <= last) & ~np.isnan(values)
    at = (ends[inside] - first).astype(np.int64)
    count = np.bincount(at, minlength=last - first + 1)
    total = np.bincount(at, weights=values[inside], minlength=last - first + 1)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _place(path: Path, names: pd.Series, place: str, outdoors: str) -> str:
    there = sorted(set(names) - {outdoors})
    if not there:
        raise ImportFault(f"{path} has only the place {outdoors}: the outlook needs one indoors")
    if place:
        if place not in there:
            raise ImportFault(f"{path} has no place {place!r}: must be one of {', '.join(there)}")
        return place
    if len(there) > 1:
        other = "" if outdoors in set(names) else ", and the one outdoors with --outdoors"
        raise ImportFault(
            f"{path} holds several places: name one with --place{other}: {', '.join(there)}"
        )
    return str(there[0])


def _checked(
    log: Path, forecasts: Path, place: str, hours: ShopHours, issues: Issues
) -> list[str]:
    """Check that both files fit together; return the notes on them."""
    notes = []
    missing = np.isnan(hours.temp_c + hours.rh_pct)
    if missing.mean() > 1 - FEWEST_SHARE:
        start, end = (
            str(np.datetime64(int(h) - 1, "h")) + ":00Z" for h in (hours.first_h, hours.ends_h[-1])
        )
        raise ImportFault(
            f"{log}: {int((~missing).sum())} of the {len(hours)} hours of {place} from {start} to "
            f"{end} have both temp_c and rh_pct: must be at least a tenth; is a time wrong?"
        )
    newest = issues.newest(hours.ends_h.astype(float))
    known = ~np.isnan(issues.take(newest, hours.ends_h + 1).temp_c)
    if not known.any():
        raise ImportFault(f"{forecasts} does not cover the time of {log}: no hour is in both")
    forecast = issues.nearest(hours.ends_h)
    apart = np.abs(forecast.temp_c - hours.out_temp_c)
    apart = apart[~np.isnan(apart)]
    if apart.size >= 48 and (middle := float(np.median(apart))) > AGREES_K:
        raise ImportFault(
            f"{forecasts} may be for another place, or in another unit or time: its first hours differ "
            f"by {middle:.1f} K (median) from the sensor outdoors: must be "
            f"within {AGREES_K:g} K"
        )
    if missing.any():
        notes.append(f"{int(missing.sum())} of {len(hours)} hours of {place} have no reading")
    if not known.all():
        notes.append(f"{int((~known).sum())} of {len(hours)} hours have no forecast for the next")
    over = forecast.dew_c - dew_point(hours.temp_c, hours.rh_pct)
    if np.isfinite(over).any() and np.nanmedian(over) > TELL_K:
        notes.append(
            f"the outdoor air of {forecasts.name} is far damper than the shop's: is its temp_c in °F?"
        )
    if not hours.has_outdoors:
        notes.append("no sensor outdoors: the forecasts' first hours are used instead")
    return notes
