"""Counts shut days that are seen in rooms of `tests/rooms`, and open days that are taken for shut ones.

    python tests/benchmarks/bench_shut.py [--quick] [--again] [--shops 101 102] [--days 200]
    python tests/benchmarks/bench_shut.py --errors 102

The rooms are other than the fitted model. They are learned every tenth day from day 20 on, with the
days closed that were seen by then, and nobody says which days are shut: single ones and a holiday of
nine. `--again` enters each day as closed instead, the open ones wrongly, and counts how often it is
asked whether the shop is open again. `--errors` walks through such a holiday instead, and prints the
error of RH and temperature from three days before its begin to three days after its end. Nothing is
asserted.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (2, 1, 0)]

from bench_outlook import material
from rooms.catalogue import HELD_BACK, Shop, shops

from monitor.outlook.evaluation.files import Material
from monitor.outlook.evaluation.walk_forward import HORIZONS_H, Walk
from monitor.science.outlook import shut_days
from monitor.science.outlook.room_fit import fit_room
from monitor.science.outlook.room_model import prepared_log

CLOCKS_H = (10.5, 12.5, 15.5, 20.0)
LEARNED_EACH, FIRST_DAY, SPARE_DAYS = 10, 20, 6


def came_by_day(shop: Shop) -> dict[int, bool]:
    """Whether somebody came on each day of the room, since 1970-01-01."""
    day = np.floor((shop.ts_ms / 3_600_000 + shop.spec.utc_offset_h) / 24).astype(int)
    return {int(d): bool(shop.there[day == d].any()) for d in np.unique(day)}


def usually_open(came: dict[int, bool]) -> set[int]:
    """Days of the weekdays on which somebody mostly comes."""
    share = {w: np.mean([c for d, c in came.items() if (d + 3) % 7 == w]) for w in range(7)}
    return {d for d in came if share[(d + 3) % 7] > 0.5}


def counts(shop: Shop, read: Material, *, again: bool) -> np.ndarray:
    """Of each clock time: shut days, seen (0.5), asked about; open days, taken for shut, asked about.
    With `again` of an open day that is entered as closed."""
    k, came = prepared_log(read.hours, read.issues), came_by_day(shop)
    open_days, first_h = usually_open(came), read.hours.first_h
    last, room = len(k.temp_c) - 1, None
    found = np.zeros((len(CLOCKS_H), 6))
    for stop in range(24 * FIRST_DAY - 1, last, 24 * LEARNED_EACH):
        known = k
        if room is not None:
            misfits = shut_days.day_misfits(room, k, stop)
            known = shut_days.supposed(k, shut_days.shut_outlook(room, k, misfits, stop, 24), 0)
        room = fit_room(known, stop, room)
        till = min(stop + 24 * LEARNED_EACH, last)
        misfits = shut_days.day_misfits(room, k, till)
        for day in range((first_h + stop) // 24 + 1, (first_h + till) // 24):
            if day not in open_days or not shut_days.regular(room, np.array([day]))[0]:
                continue
            for row, clock_h in zip(found, CLOCKS_H, strict=True):
                end = int(np.floor(24 * day + clock_h - shop.spec.utc_offset_h)) - first_h
                if again:
                    hours = replace(k.hours, closed=np.append(known.hours.closed, day))
                    chance = shut_days.chance_open_again(
                        room, k._replace(hours=hours), min(end, last)
                    )
                    one = np.array([1, chance >= 0.5, chance >= shut_days.ASK])
                    row[3 * came[day] : 3 * came[day] + 3] += one
                    continue
                seen = shut_days.shut_outlook(room, k, misfits, min(end, last), 24)
                chance = seen.now if len(seen.days) and seen.days[0] == day else 0.0
                one = np.array([1, chance >= 0.5, chance >= shut_days.ASK])
                row[3 * came[day] : 3 * came[day] + 3] += one
    return found


def errors(shop: Shop, read: Material) -> None:
    """Print the error around the longest run of days on which nobody came."""
    came = came_by_day(shop)
    best = run = end_day = 0
    for day in sorted(came)[40:]:
        run = 0 if came[day] else run + 1
        if run > best:
            best, end_day = run, day
    hours = read.hours.until(24 * (end_day + 7) - 1, best + 49)
    walked = Walk(hours, read.issues, None, best + 12).through()
    day = (walked.moments + hours.first_h + shop.spec.utc_offset_h) / 24
    near = (day >= end_day - best - 2) & (day < end_day + 4)
    for j, name in ((1, "RH, %"), (0, "temperature, K")):
        off = np.nanmean(np.abs(walked.given[j] - walked.outcome[j])[:, near], axis=1)
        inside = (walked.outcome[j] >= walked.low[j]) & (walked.outcome[j] <= walked.high[j])
        parts = [
            f"{h} h {off[i]:.2f} ({100 * inside[i, near].mean():.0f} % in range)"
            for i, h in enumerate(HORIZONS_H)
            if h >= 6
        ]
        print(f"{shop.number} {best} days shut, {name}: {', '.join(parts)}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--shops", type=int, nargs="*", default=list(HELD_BACK))
    parser.add_argument("--days", type=int, default=200)
    parser.add_argument("--again", action="store_true", help="days entered as closed")
    parser.add_argument("--errors", type=int, nargs="*", default=[])
    parser.add_argument("--quick", action="store_true", help="60 days of one room, for CI")
    given = parser.parse_args()
    if given.quick:
        given.shops, given.days = [102], 60
    total = np.zeros((len(CLOCKS_H), 6))
    for shop in shops(tuple(given.shops), 24 * given.days):
        read = material(shop, 0, given.days - SPARE_DAYS)
        if given.errors:
            if shop.number in given.errors:
                errors(shop, read)
            continue
        found = counts(shop, read, again=given.again)
        total += found
        print(shop.number, shop.climate, found.astype(int).tolist(), flush=True)
    if given.errors:
        return
    for clock_h, (shut, seen, asked, open_, taken, wrongly) in zip(CLOCKS_H, total, strict=True):
        if given.again:
            print(
                f"at {clock_h:4.1f} h: asked whether it is open again on {100 * wrongly / open_:.0f} % "
                f"of {open_:.0f} open days, and on {asked:.0f} of {shut:.0f} shut days"
            )
            continue
        print(
            f"at {clock_h:4.1f} h: {100 * seen / max(shut, 1):.0f} % of {shut:.0f} shut days seen, "
            f"{100 * asked / max(shut, 1):.0f} % asked about; per 100 of {open_:.0f} open days "
            f"{100 * taken / open_:.1f} taken for shut, {100 * wrongly / open_:.1f} asked about"
        )


if __name__ == "__main__":
    main()
