"""Scores warnings of damp, hot and dry spells and of dew as the dry snap's, and ranges against the air.

    python tests/benchmarks/bench_spells.py [--quick] [--shops 101 103] [--days 60] [--first 150]

Rooms of `tests/rooms`, learned each night, from day 15 on. A warning opens at the rules' 70 % and is
withdrawn at 28 %. Spells past the rules' own limits are few, so others are scored too. The true air is
that of the same room with a perfect sensor. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (2, 1, 0)]

from bench_outlook import material
from rooms.catalogue import HELD_BACK, Shop, shops, spec_of, weather_of
from rooms.shops import simulate

from monitor.outlook.evaluation.files import Material
from monitor.outlook.summary import DAMP_H, DRY_H, HOT_H, SOON_H
from monitor.science.air import dew_point
from monitor.science.outlook import dry_snap
from monitor.science.outlook.ensemble_statistics import dew_on_cold, spell
from monitor.science.outlook.forecaster import TRIED_DAYS, Forecaster
from monitor.science.outlook.room_model import prepared_log
from monitor.science.outlook.shop_model import launch

SPELLS = {
    "damp": (1, DAMP_H, False, (80.0, 70.0, 60.0)),
    "hot": (0, HOT_H, False, (28.0, 26.0, 24.0)),
    "dry": (1, DRY_H, True, (40.0, 45.0)),
}
"""Quantity, hours on end, whether below the limit, and limits: the rules' own first. [°C], [%]"""
OPENS, FIRST_DAY, MEMBERS, SEED = 0.7, 15, 100, 3
LEADS_H = np.array([1, 3, 6, 12, 24, 48, 72])
TENTH, U_RH_PCT = 1.2816, 2.0
"""Half of a range of 80 % in standard deviations; a sensor's stated uncertainty, k = 2. [-], [%]"""


def true_air(made: list[Shop], hours: int, first_day: int, days: int) -> np.ndarray:
    """RH of the air by the hour and room, as perfect sensors read it. [%]"""
    specs = [
        replace(shop.spec, rh_offset_pct=0.0, rh_noise_pct=0.0, rh_step_pct=0.01) for shop in made
    ]
    weathers = [weather_of(shop.number, spec_of(shop.number), hours)[1] for shop in made]
    _, _, rh, *_ = simulate(specs, weathers, 5)
    part = rh[144 * first_day : 144 * (first_day + days)]
    return part.reshape(-1, 6, len(made)).mean(axis=1)


def begun(values: np.ndarray, limit: float, hours: int, *, below: bool) -> np.ndarray:
    """Hours at which a spell began that lasted, none within a day after another."""
    out = values < limit if below else values > limit
    windows = np.lib.stride_tricks.sliding_window_view(out, hours).all(axis=1)
    starts = np.flatnonzero(windows & ~np.append(False, windows[:-1]))
    return starts[np.append(True, np.diff(starts) > 24)] if len(starts) else starts


def scored(read: Material, truth: np.ndarray) -> dict[str, list]:
    """Tallies of each spell, chances of dew and outcomes, and what the ranges held."""
    k = prepared_log(read.hours, read.issues)
    forecaster = Forecaster(k, read.issues)
    stop = 24 * TRIED_DAYS - 1
    learned = forecaster.learn(stop)
    moments, dew, held = [], [], []
    chances: dict[tuple[str, float], list[float]] = {}
    seen_values = (k.temp_c, k.rh_pct)
    while stop + 24 < len(k.temp_c):
        ends = stop + np.arange(0, 24, dry_snap.LOOKS_APART_H)
        seen, _ = forecaster.try_out(learned, ends, MEMBERS, stop // 24)
        if stop >= 24 * FIRST_DAY:
            for i, end in enumerate(ends.tolist()):
                moments.append(end)
                for name, (j, hours, below, limits) in SPELLS.items():
                    for limit in limits:
                        now = seen_values[j][end]
                        inside = now < limit if below else now > limit
                        soon = seen.members[j, :, : SOON_H + hours, i]
                        found = spell(soon, limit, hours, below=below)
                        chance = 0.0 if found is None or inside else found.chance
                        chances.setdefault((name, limit), []).append(chance)
            low, high = np.quantile(seen.members[1][:, LEADS_H - 1], [0.1, 0.9], axis=0)
            at = ends + LEADS_H[:, None]
            at = np.where(at < len(truth), at, -1)
            held.append(
                np.stack([low, high, k.rh_pct[at], truth[at], np.where(at < 0, np.nan, 1)])
            )
            air = launch(learned.shop, k, read.issues, int(ends[0]), 60, SEED).air.temp_c
            one = dew_on_cold(seen.members[:, :, :SOON_H, 0], air[:SOON_H])
            if (then := int(ends[0]) + 1 + one.at) < len(k.temp_c):
                wet = k.past.temp_c[then] < dew_point(k.temp_c[then], k.rh_pct[then])
                dew.append((one.chance, float(wet)))
        stop += 24
        learned = forecaster.learn(stop, learned.shop)
    tallies = {}
    for (name, limit), chance in chances.items():
        j, hours, below, _ = SPELLS[name]
        starts = begun(seen_values[j], limit, hours, below=below)
        p = dry_snap.confirmed(np.array(chance))
        raised = dry_snap.alerts(np.array(moments), p, starts, OPENS)
        tallies[name, limit] = dry_snap.tally(raised, starts, moments[0], stop, SOON_H + hours)
    return {"tallies": [tallies], "dew": dew, "held": held}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="one room, 19 days, for CI")
    parser.add_argument("--shops", type=int, nargs="*", default=list(HELD_BACK))
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--first", type=int, default=150, help="first day of the year")
    given = parser.parse_args()
    if given.quick:
        given.shops, given.days, given.first = given.shops[:1], 19, 20
    hours = 24 * min(given.first + given.days + 6, 365)
    found: dict[str, list] = {"tallies": [], "dew": [], "held": []}
    made = shops(tuple(given.shops), hours)
    for shop, truth in zip(made, true_air(made, hours, given.first, given.days).T, strict=True):
        one = scored(material(shop, given.first, given.days), truth)
        for name, rows in one.items():
            found[name] += rows
        print(f"{shop.number} {shop.climate}", flush=True)
    for key in found["tallies"][0]:
        rows = [one[key] for one in found["tallies"]]
        leads = [lead for row in rows for lead in row.lead_h]
        months = sum(row.months for row in rows)
        print(
            f"{key[0]} {key[1]:.0f}: {len(leads)} spells, {sum(lead > 0 for lead in leads)} found, "
            f"{sum(lead >= 18 for lead in leads)} by 18 h, "
            f"{sum(row.false_alarms for row in rows) / months:.2f} false a month"
        )
    chance, wet = np.array(found["dew"]).T
    base = np.mean((wet - wet.mean()) ** 2)
    print(
        f"dew: {len(wet)} looks, dew on {100 * wet.mean():.0f} %, mean chance "
        f"{100 * chance.mean():.0f} %, Brier score {np.mean((chance - wet) ** 2):.3f}, of the base "
        f"rate {base:.3f}"
    )
    low, high, read_, true_, known = np.concatenate(found["held"], axis=-1)
    middle, half = (low + high) / 2, (high - low) / 2
    wide = np.hypot(half, TENTH * U_RH_PCT / 2)
    for name, value, by in (
        ("reading", read_, half),
        ("air", true_, half),
        ("air, widened by the sensor's uncertainty", true_, wide),
    ):
        inside = np.nanmean(
            np.where(np.isnan(known), np.nan, np.abs(value - middle) <= by), axis=1
        )
        print(f"in 80 % range, {name}: {' '.join(f'{100 * part:.0f}' for part in inside)} %")


if __name__ == "__main__":
    main()
