"""Scores the outlook where something is missing or has changed.

    python tests/benchmarks/bench_degraded.py [--quick] [--shops 101 104] [--days 46]

Rooms of `tests/rooms`, learned each night. On day 30 the sensor is moved, or the room changed (twice
as leaky, three kelvin warmer, two more people). Errors of RH at 6, 24 and 48 h as shares of
persistence's, what the 80 % range held, and on how many days the outlook asked whether something had
changed. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (2, 1)]

from rooms import csv_files
from rooms.catalogue import Shop, shops, weather_of
from rooms.shops import simulate

from monitor.outlook.evaluation import files
from monitor.outlook.evaluation.walk_forward import HORIZONS_H, Walked, joined, outcomes, row
from monitor.outlook.issued import recently_held
from monitor.outlook.summary import STRAYED
from monitor.science.outlook.dry_snap import LOOKS_APART_H
from monitor.science.outlook.forecaster import TRIED_DAYS, Forecaster
from monitor.science.outlook.hourly_log import Issues, OutdoorHours, ShopHours
from monitor.science.outlook.room_model import prepared_log

CHANGED_DAY, MEMBERS = 30, 60
MOVED_K, MOVED_PCT = 2.0, -6.0
SPANS = ((5, 9), (9, 14), (14, 30), (30, 33), (33, 37), (37, 44))
"""Days of the log that are scored apart. [d]"""
NONE = Issues(np.empty(0), OutdoorHours(*(np.empty((0, 3)) for _ in range(3))))


def changed_room(made: list[Shop], hours: int) -> list[Shop]:
    """The same rooms, changed from a day on."""
    specs = [
        replace(
            shop.spec,
            leak_h=2 * shop.spec.leak_h,
            wind_h=2 * shop.spec.wind_h,
            day_c=shop.spec.day_c + 3,
            night_c=shop.spec.night_c + 3,
            people=shop.spec.people + 2,
        )
        for shop in made
    ]
    weathers = [weather_of(shop.number, shop.spec, hours)[1] for shop in made]
    _, temp, rh, *_ = simulate(specs, weathers, 5)
    late = np.arange(len(temp)) >= 144 * CHANGED_DAY
    return [
        shop._replace(
            temp_c=np.where(late, temp[:, r], shop.temp_c),
            rh_pct=np.where(late, rh[:, r], shop.rh_pct),
        )
        for r, shop in enumerate(made)
    ]


def material(shop: Shop, days: int) -> files.Material:
    with tempfile.TemporaryDirectory() as folder:
        csv_files.write(shop, Path(folder), 0, days)
        return files.read(Path(folder, "log.csv"), Path(folder, "forecasts.csv"))


def cases(read: files.Material, changed: files.Material) -> dict[str, tuple[ShopHours, Issues]]:
    """Log and forecasts of each case."""
    hours, nothing = read.hours, np.full(len(read.hours), np.nan)
    late = np.arange(len(hours)) >= 24 * CHANGED_DAY
    by = np.array([[MOVED_K], [MOVED_PCT]]) * late
    assert hours.newest is not None
    moved = replace(
        hours,
        temp_c=hours.temp_c + by[0],
        rh_pct=np.clip(hours.rh_pct + by[1], 1, 100),
        newest=hours.newest + by,
    )
    return {
        "as it is": (hours, read.issues),
        "no forecast": (hours, NONE),
        "no outdoor sensor": (replace(hours, out_temp_c=nothing, out_dew_c=nothing), read.issues),
        "sensor moved": (moved, read.issues),
        "room changed": (changed.hours, read.issues),
    }


def walked(hours: ShopHours, issues: Issues, days: int) -> tuple[Walked, dict[int, bool]]:
    """Forecasts each 3 h, and on which days the outlook asks whether something changed."""
    k = prepared_log(hours, issues)
    forecaster = Forecaster(k, issues)
    stop, rows, asked = 24 * TRIED_DAYS - 1, [], {}
    learned = forecaster.learn(stop)
    while stop + 24 < min(len(k.temp_c), 24 * days):
        ends = stop + np.arange(0, 24, LOOKS_APART_H)
        seen, chance = forecaster.try_out(learned, ends, MEMBERS, stop // 24)
        now = np.stack([k.temp_c[ends], k.rh_pct[ends]])
        rows.append(row(ends, seen, now, chance, learned.bar))
        stop += 24
        learned = forecaster.learn(stop, learned.shop)
        so_far = hours.until(hours.first_h + stop, 1000)
        held = recently_held(joined(rows), so_far)
        asked[(stop + 1) // 24] = bool(held < STRAYED)
    found = joined(rows)
    return found._replace(outcome=outcomes(hours, found.moments)), asked


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument(
        "--quick", action="store_true", help="one room, two cases, the first 14 days, for CI"
    )
    parser.add_argument("--shops", type=int, nargs="*", default=[101, 104, 107])
    parser.add_argument("--days", type=int, default=46)
    given = parser.parse_args()
    if given.quick:
        given.shops, given.days = given.shops[:1], 36
    last_day = 14 if given.quick else given.days
    hours = 24 * (given.days + 6)
    made = shops(tuple(given.shops), hours)
    found: dict[str, list[tuple[Walked, dict[int, bool]]]] = {}
    for shop, other in zip(made, changed_room(made, hours), strict=True):
        for name, (log, issues) in cases(
            material(shop, given.days), material(other, given.days)
        ).items():
            if given.quick and name not in ("no forecast", "no outdoor sensor"):
                continue
            found.setdefault(name, []).append(walked(log, issues, last_day))
        print(shop.number, flush=True)
    use = np.isin(HORIZONS_H, (6, 24, 48))
    for name, rows in found.items():
        for first, last in SPANS:
            late = name in ("sensor moved", "room changed")
            if last > max(last_day - 2, SPANS[0][1]) or (late and first < CHANGED_DAY):
                continue
            shares, held, days = [], [], []
            for one, asked in rows:
                at = (one.moments >= 24 * first) & (one.moments < 24 * last)
                came = one.outcome[1][use][:, at]
                off = np.nanmean(np.abs(one.given[1][use][:, at] - came), axis=1)
                shares.append(off / np.nanmean(np.abs(one.now[1][at] - came), axis=1))
                low, high = one.low[1][use][:, at], one.high[1][use][:, at]
                held.append(np.nanmean(((came >= low) & (came <= high)) / ~np.isnan(came), axis=1))
                days += [flag for day, flag in asked.items() if first < day <= last]
            print(
                f"{name:18} day {first:2d} to {last:2d}: share of persistence "
                f"{' '.join(f'{x:.2f}' for x in np.mean(shares, axis=0))}, in range "
                f"{' '.join(f'{100 * x:.0f}' for x in np.mean(held, axis=0))} %, asked on "
                f"{sum(days)} of {len(days)} days",
                flush=True,
            )


if __name__ == "__main__":
    main()
