"""Measures worth trying for a case at home, each in the size that does the least harm.

Sizes that nobody would keep up are left out; `Left` says which.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.home import Basis, RoomHumidifier, home_year
from monitor.science.case.measures import Holds, HomeMeasure, MeasureReason, Option
from monitor.science.case.rooms import (
    COOLER_K,
    COOLEST_C,
    DRIEST_SET_PCT,
    HOT_C,
    WARMER_K,
    WARMEST_C,
    ChangedRoom,
    RoomChange,
    another,
    both,
    cooled,
    dehumidified,
    humidified,
    litres_needed,
    set_lower,
    wall_limit_pct,
)
from monitor.science.case.trial import Trial
from monitor.science.ranges import Floats

EVERY_D = (14.0, 7.0, 3.5)
"""Days between fillings that people keep up: every two weeks, weekly, twice a week. [d]  Common
practice, no source."""
RENEW_D = (90.0, 30.0)
"""Days between renewals of buffer. [d]  Ours: it is weighed and brought back to its set point."""
MOST_WATER_ML_L, MOST_WATER_ML = 5.0, 300.0
"""Most water in a case, for each litre of its air and in all. [mL/L], [mL]  Ours: 90 mL beside a
violin; what leaks out of more would wet the wood."""
MOST_PACKS_G_L, MOST_PACKS_G = 20.0, 500.0
"""Most buffer in a case, for each litre of its air and in all. [g/L], [g]  The first: what Thomson
took for display cases, 20 kg/m³; second-hand. The second, ours: what is carried along."""
BESIDE_G = 240.0
"""Buffer that lies beside a humidifier, at the most. [g]  Ours."""
MOST_LITRES_DAY = 8.0
"""Most water a day that somebody carries to humidifiers. [L/d]  Ours: a can in the morning and one in
the evening."""
SPARE = 1.1
"""Water in a humidifier over what suffices in 9 of 10 ways. [-]  Ours."""

COLDEST_C = 5.0
"""A dehumidifier works above this. [°C]  From memory, unchecked."""

HARD = 0.8
"""How far towards the leaky end of its spread a home lies for which its humidifiers are sized.
[-]  Ours, so that most hold."""

ALIKE, ALIKE_DAYS = 0.1, 5.0
"""Harms that differ by less than this share, or by so many days, count as alike: the lesser measure
is taken. [-], [d]  Ours."""

MASSES_G = (60.0, 120.0, 240.0, 360.0, 500.0)
WATER_ML = (5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 75.0, 90.0, 120.0, 150.0, 200.0, 300.0)
LITRES_DAY = (1.0, 2.0, 3.0, 5.0, 8.0)
RELEASES = (0.35, 0.5, 0.7, 0.9, 1.2)
"""Sizes that are tried. [g], [mL], [L/d]; release over what the driest month needs [-].  Ours."""


def alike(harm: Floats) -> int:
    """Place of the first of the harms that is about as small as the least of them."""
    least = float(np.min(harm))
    return int(np.argmax(harm <= least + max(ALIKE * least, ALIKE_DAYS)))


class Candidates:
    """Measures for a trial, the least first. `left`: why some were left out.

    `humidified`: whether humidifiers run in the home already.
    """

    def __init__(self, trial: Trial, *, humidified: bool = False) -> None:
        self.trial, self.humidified = trial, humidified
        self.left: list[MeasureReason] = []
        self.dry, self.damp = trial.dry_months(trial.band[0] + 5), trial.damp_months()

    def options(self) -> Iterator[Option]:
        """Measures with their results."""
        trial = self.trial
        yield trial.nothing
        if trial.careful != trial.use:
            yield trial.judged(HomeMeasure.DISCIPLINE, trial.careful)
        for kind, changed in self.other_rooms():
            yield trial.judged(kind, trial.careful, changed=changed)
        if not trial.case.holds_nothing:
            yield from self.in_the_case()
        for kind, changed in self.appliances():
            yield trial.judged(kind, trial.careful, changed=changed)

    def other_rooms(self) -> Iterator[tuple[HomeMeasure, ChangedRoom]]:
        """A cooler room where heating dries the air, a warmer one where the home is cool and damp."""
        trial, warmth = self.trial, self.trial.warmth
        driest = trial.dry_months(trial.band[0])
        heated = [m for m in driest if COOLEST_C + COOLER_K / 2 < warmth[m - 1] < WARMEST_C + 3]
        if heated:
            change = RoomChange(months=tuple(heated), warmer_k=-COOLER_K)
            yield HomeMeasure.COOLER_ROOM, another(trial.year, change)
        if self.humidified:
            if self.damp:
                change = RoomChange(months=self.damp, set_pct=trial.middle)
                yield HomeMeasure.SET_LOWER, set_lower(trial.year, change)
            return
        cool = [m for m in self.damp if warmth[m - 1] < WARMEST_C - WARMER_K / 2]
        if cool:
            change = RoomChange(months=tuple(cool), warmer_k=WARMER_K)
            yield HomeMeasure.WARMER_ROOM, another(trial.year, change)

    def in_the_case(self) -> Iterator[Option]:
        """Buffer, a humidifier, and both together."""
        trial = self.trial
        if not self.dry and not self.damp and trial.nothing.holds is Holds.YES:
            return
        yield trial.judged(HomeMeasure.BUFFER, trial.careful, self.buffer())
        if not self.dry:
            return
        beside = Buffer(
            mass_g=min(BESIDE_G, MOST_PACKS_G_L * trial.case.air_l), set_pct=trial.middle
        )
        for kind, packs in ((HomeMeasure.HUMIDIFIER, None), (HomeMeasure.BOTH, beside)):
            found = self.humidifier(kind, packs)
            if found is None:
                self.left.append(MeasureReason.CASE_LIMIT)
                return
            yield found

    def buffer(self) -> Buffer:
        """The least buffer, least often renewed, of about the least harm."""
        trial = self.trial
        most = min(MOST_PACKS_G_L * trial.case.air_l, MOST_PACKS_G)
        tried = [
            Buffer(mass_g=mass, set_pct=trial.middle, every_d=every)
            for every in RENEW_D
            for mass in [m for m in MASSES_G if m <= most] or [most]
        ]
        return tried[alike(trial.mean_harms(tried)[0])]

    def humidifier(self, kind: HomeMeasure, beside: Buffer | None) -> Option | None:
        """A humidifier with the release of the least harm, large enough for its interval in 9 of 10
        ways; None where it would be too large or filled too often."""
        trial = self.trial
        driest = min(m.median for m in trial.monthly)
        hours_out = 24 * trial.careful.shares(0, 24, 1)[0][0]
        per_pct = trial.case.leak_g_day_pct() + trial.case.exchange_g_h_pct * hours_out
        need = max(per_pct * (trial.middle - driest), 0.05)  # g/day
        plenty = [
            Humidifier(
                water_ml=5000.0,
                release_g_day_pct=float(
                    np.clip(round(share * need / (100 - trial.middle), 4), 1e-4, 20.0)
                ),
                every_d=EVERY_D[-1],
                months=self.dry,
            )
            for share in RELEASES
        ]
        harm, by_day = trial.mean_harms(plenty, beside)
        best = int(np.argmin(harm))
        given = by_day[:, best]
        most = min(MOST_WATER_ML_L * trial.case.air_l, MOST_WATER_ML)
        for every in EVERY_D:
            through = np.cumsum(np.concatenate([np.zeros((1, given.shape[1])), given]), axis=0)
            span = math.ceil(every)
            wanted = SPARE * float(
                np.quantile((through[span:] - through[:-span]).max(axis=0), 0.9)
            )
            for water in (w for w in WATER_ML if wanted <= w <= most):
                device = replace(plenty[best], water_ml=water, every_d=every)
                found = trial.judged(kind, trial.careful, device, beside)
                if found.empty_after_d.low >= every:
                    return found
        return None

    def appliances(self) -> Iterator[tuple[HomeMeasure, ChangedRoom]]:
        """Humidifiers in one room and in the home, cooling, a dehumidifier, and both in one room."""
        trial, (low, high) = self.trial, self.trial.band
        room = None
        if self.dry:
            change = RoomChange(months=self.dry, set_pct=min(low + 5, trial.middle))
            need = litres_needed(trial.year, change)
            litres = next((n for n in LITRES_DAY if n >= need), MOST_LITRES_DAY)
            room = humidified(trial.year, replace(change, litres_day=litres))
            yield HomeMeasure.SMALL_ROOM, room
            home = self.whole_home(change)
            if home is not None:
                yield HomeMeasure.ROOM, home
        if self.humidified:
            return
        if hot := tuple(m for m in self.damp if trial.warmth[m - 1] > HOT_C):
            yield HomeMeasure.AIR_CONDITIONED, cooled(trial.year, hot)
        if warm := tuple(m for m in self.damp if trial.warmth[m - 1] > COLDEST_C):
            set_pct = max(min(DRIEST_SET_PCT, high - 5), trial.middle)
            change = RoomChange(months=warm, set_pct=set_pct)
            need = litres_needed(trial.year, change)
            litres = next((n for n in LITRES_DAY if n >= need), MOST_LITRES_DAY)
            change = replace(change, litres_day=litres)
            yield HomeMeasure.DEHUMIDIFIER, dehumidified(trial.year, change)
            if room is not None:
                yield HomeMeasure.BOTH_IN_ROOM, both(room, change)

    def whole_home(self, change: RoomChange) -> ChangedRoom | None:
        """The least humidifiers that keep a leaky home at what they are set to; None where the
        weather is not known or nobody carries so much water."""
        year = self.trial.year
        if year.basis is Basis.READINGS or year.home is None or year.outdoors is None:
            return None
        litres = self.litres_of_the_home(change.set_pct)
        if litres > MOST_LITRES_DAY:
            self.left.append(MeasureReason.ROOM_LIMIT)
            return None
        room = RoomHumidifier(litres_day=litres, set_pct=change.set_pct)
        made = home_year(year.home, year.outdoors, humidifier=room, members=year.members)
        limit = np.maximum(wall_limit_pct(year)[:, None], year.rh_pct)
        made = replace(made, rh_pct=np.minimum(made.rh_pct, limit))
        return ChangedRoom(replace(change, litres_day=litres), made)

    def litres_of_the_home(self, set_pct: float) -> float:
        """Water that keeps a leaky home at this RH on 19 of 20 days. [L/d]"""
        home, outdoors = self.trial.year.home, self.trial.year.outdoors
        if home is None or outdoors is None:
            return math.inf
        leaks = min(home.changes_h * home.changes_times**HARD, 10.0)
        plenty = RoomHumidifier(litres_day=500.0, set_pct=set_pct)
        leaky = replace(home.usual, changes_h=leaks)
        made = home_year(leaky, outdoors.usual, humidifier=plenty, members=1)
        need = float(np.quantile(made.litres_day[:, 0], 0.95))
        return next((n for n in LITRES_DAY if n >= need), need)
