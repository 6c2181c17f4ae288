"""Two measured rooms of a house (`data/published/open_house.csv.gz`), and the ready times of waits in
them, foreseen from what was known and from what came."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from rooms.forecasts import archive
from rooms.weather import HOUR_MS, START_MS, Weather

from monitor.domain.wait_types import KINDS
from monitor.science.air import dew_point
from monitor.science.outlook import shut_forecast
from monitor.science.outlook.dry_snap import LOOKS_APART_H
from monitor.science.outlook.forecaster import TRIED_DAYS, Forecaster
from monitor.science.outlook.hourly_log import STEPS, Issues, OutdoorHours, ShopHours
from monitor.science.outlook.room_model import PreparedLog
from monitor.science.outlook.shop_model import ShopModel
from monitor.science.ranges import Floats
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import air_log
from monitor.science.waits.daily_pattern import daily_pattern_ensemble
from monitor.science.waits.laws import Law
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.wait import WaitInputs

FILE = Path(__file__).parents[1] / "data" / "published" / "open_house.csv.gz"
FIRST_MS = 1_452_531_600_000
"""2016-01-11T17:00Z, the first row; ten minutes from row to row."""
ROOMS = (3, 4)
OPENED = ("plate-crack", "centre-joint", "neck-or-block", "spirit-coat", "oil-coat", "washed-wood")
MEMBERS, SEED = 60, 5
WIND_M_S = 3.0


class House(NamedTuple):
    """A room's log each ten minutes and by the hour, and made forecasts of its outdoor air."""

    ts_ms: np.ndarray
    temp_c: Floats
    rh_pct: Floats
    hours: ShopHours
    issues: Issues


def house(room: int) -> House:
    """A room of the house, 3 (laundry) or 4 (office)."""
    table = pd.read_csv(FILE)
    ts = FIRST_MS + HOUR_MS // 6 * np.arange(len(table))
    temp, rh, out_c, out_rh = (
        table[name].to_numpy(float)
        for name in (f"room{room}_temp_c", f"room{room}_rh_pct", "out_temp_c", "out_rh_pct")
    )
    whole = len(ts) // 6 * 6

    def hourly(values: Floats) -> Floats:
        return values[:whole].reshape(-1, 6).mean(1)

    out_t, out_dew = hourly(out_c), hourly(dew_point(out_c, out_rh))
    first_h = FIRST_MS // HOUR_MS + 1
    newest = np.stack([values[:whole].reshape(-1, 6)[:, -1] for values in (temp, rh)])
    hours = ShopHours(first_h, hourly(temp), hourly(rh), out_t, out_dew, newest=newest)
    still = np.full(len(out_t), WIND_M_S)
    made = archive(Weather(out_t, out_dew, still, still), SEED)
    issued_h = (made.issued_ms - START_MS) / HOUR_MS + first_h
    air = OutdoorHours(made.temp_c, dew_point(made.temp_c, made.rh_pct), made.wind_m_s)
    return House(ts, temp, rh, hours, Issues(issued_h, air))


def exact(law: Law) -> Law:
    """The law without its own uncertainty: what is left comes from the air."""
    names = ("hard_activity_sd", "activation_sd_kj_mol", "dry_moisture_sd_pct")
    return replace(law, **{name: 0.0 for name in names if hasattr(law, name)})


class Opening(NamedTuple):
    """A wait from its opening [h]: foreseen 10, 50 and 90 %, as it came, and its usual time."""

    kind: str
    low: float
    middle: float
    high: float
    came: float
    usual: float


def outlook_air(
    one: House, k: PreparedLog, shop: ShopModel, ends: np.ndarray
) -> list[AirEnsemble]:
    """Outlooks after the log's hours number `ends`."""
    seen = shut_forecast.predict(shop, k, one.issues, ends, MEMBERS, SEED)
    starts_ms = (one.hours.first_h + ends) * HOUR_MS
    return [AirEnsemble(int(ms), 3600.0, *seen.members[..., i]) for i, ms in enumerate(starts_ms)]


def pattern_air(one: House, ends: np.ndarray) -> list[AirEnsemble]:
    """The same from the daily pattern of the weeks before."""
    return [
        daily_pattern_ensemble(
            one.ts_ms, one.temp_c, one.rh_pct, int(ms), STEPS * 3600.0, MEMBERS, SEED
        )
        for ms in (one.hours.first_h + ends) * HOUR_MS
    ]


def openings(one: House, airs: Iterable[AirEnsemble]) -> list[Opening]:
    """Waits of the kinds `OPENED` begun at the start of each outlook, usual time and sensor exact.

    Those that came after its end are left out.
    """
    found = []
    for air in airs:
        start = air.start_ms
        then, later = start, start + round(STEPS * 3600e3)
        asked = []
        for kind in map(KINDS.get, OPENED):
            assert kind is not None
            common = {"law": exact(kind.law), "basis_s": kind.basis_s, "start_ms": start}
            sure = {"spread": 0.0, "never_shorter": False, "sensor": SensorUncertainty(0.0, 0.0)}
            asked.append(common | sure)
        logs = [air_log(one.ts_ms, one.temp_c, one.rh_pct, until) for until in (then, later)]
        foreseen = ready_times(
            [WaitInputs(air=logs[0], outlook=air, **each) for each in asked], then, draws=MEMBERS
        )
        came = ready_times(
            [WaitInputs(air=logs[1], outlook=None, **each) for each in asked], later, draws=1
        )
        for name, each, ahead, past in zip(OPENED, asked, foreseen, came, strict=True):
            if past.ready_ms is None:
                continue
            known = (ahead.ready_low_ms, ahead.ready_ms, ahead.ready_high_ms)
            hours = [np.inf if ms is None else (ms - start) / HOUR_MS for ms in known]
            usual = each["basis_s"] / 3600
            found.append(Opening(name, *hours, (past.ready_ms - start) / HOUR_MS, usual))
    return found


def walked_air(one: House, k: PreparedLog, first_day: int, every: int) -> Iterator[AirEnsemble]:
    """Outlooks as they are issued, learned anew each night: each `every`-th of those each 3 h, from a
    day of the log on, as far as what came is known."""
    forecaster = Forecaster(k, one.issues)
    stop, count = 24 * TRIED_DAYS - 1, 0
    learned = forecaster.learn(stop)
    while stop + 24 + STEPS < len(k.temp_c):
        ends = stop + np.arange(0, 24, LOOKS_APART_H)
        seen, _ = forecaster.try_out(learned, ends, MEMBERS, stop // 24)
        for i, end in enumerate(ends.tolist()):
            count += 1
            if end >= 24 * first_day and count % every == 0:
                yield AirEnsemble(
                    (one.hours.first_h + end) * HOUR_MS, 3600.0, *seen.members[..., i]
                )
        stop += 24
        learned = forecaster.learn(stop, learned.shop)
