"""Measures tried on one case at home: run through the year in every way both may be, and judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.science.case.devices import Buffer, Humidifier, ready_days
from monitor.science.case.harm import Harm, harm_of
from monitor.science.case.home import HomeYear
from monitor.science.case.measures import HomeMeasure, Option
from monitor.science.case.outdoors import month_of_hour
from monitor.science.case.presets import Case, Use
from monitor.science.case.rooms import ChangedRoom, in_first_year
from monitor.science.case.simulation import (
    RANKS,
    TOO_DAMP_PCT,
    CaseYear,
    RoomAir,
    scores,
    simulate,
)
from monitor.science.quantiles import quantile_range
from monitor.science.ranges import Floats
from monitor.science.wood import equilibrium_moisture_content

MOST_DAYS = 18
"""The wood may be out of the band on this many days of a year. [d]  Ours: 5 %."""

MORE_DAMP_DAYS = 7
"""A measure makes it damp if it adds more damp days than this to those of the bare case. [d]  Ours."""

MORE_DAMP_H = 24.0
"""A measure may add this much time to that of case air above `TOO_DAMP_PCT`. [h]  Ours."""

UNPLAYED = 0.04
"""Weight of a year without playing in the harm of what lies in the case: two weeks of a year nobody
plays and nobody takes it out. [-]  Ours."""

DRAWS = 12
"""Ways home and case may be in which sizes are compared. [-]  Ours."""

HALF_H = 181 * 24
"""Where the half year begins that is run before a year, so that its start is forgotten. [h]"""


@dataclass(frozen=True, eq=False)
class Bare:
    """Damp of the case with nothing in it, for each member. (M,) [d], [h]"""

    damp_days: Floats
    too_damp_h: Floats


class Trial:
    """A case at home in which measures are tried.

    `careful`: the same playing, with the case shut at all other times; `never`: without playing.
    `known` (365,): days of which anything is known. `unplayed`: what a measure with a device does
    while nobody plays, by kind, use, device and buffer beside it.
    """

    def __init__(
        self, case: Case, year: HomeYear, use: Use, band_pct: tuple[float, float]
    ) -> None:
        self.case, self.year, self.use, self.band = case, year, use, band_pct
        self.careful, self.never = use.careful, replace(use.careful, played=())
        self.middle = sum(band_pct) / 2
        self.known = np.isin(month_of_hour()[::24] + 1, year.months_known)
        self.most_days = MOST_DAYS * self.known.mean()
        self.monthly = year.monthly()
        self.warmth = [float(year.temp_c[month_of_hour() == m].mean()) for m in range(12)]
        (bare,) = self.through(year, [use])
        self.unplayed: dict[
            tuple[HomeMeasure, Use, Humidifier | Buffer | None, Buffer | None], Option
        ] = {}
        self.bare = Bare(self.days(bare)[1], self.too_damp_h(bare))
        self.nothing = self.judged(HomeMeasure.NOTHING, use)

    def dry_months(self, below_pct: float) -> tuple[int, ...]:
        """Months in which the home is drier than this; none if no known month is."""
        return self._months([m.median < below_pct for m in self.monthly])

    def damp_months(self) -> tuple[int, ...]:
        """Months in which the home is damper than a little below the band's high end."""
        return self._months([m.median > self.band[1] - 5 for m in self.monthly])

    def _months(self, are: Sequence[bool]) -> tuple[int, ...]:
        """Months of these; none if none of them is known. What is put to use in known months is so
        in unknown ones too, so that a stretch of known months does not begin out of the band."""
        found = tuple(m for m, is_so in enumerate(are, 1) if is_so)
        return found if set(found) & set(self.year.months_known) else ()

    def driest(self, months: Sequence[int]) -> int:
        """Driest of these months."""
        return min(months, key=lambda m: self.monthly[m - 1].median)

    def with_buffer(self, beside: Buffer | None) -> Case:
        """The case, with buffer that lies beside a humidifier counted as more lining."""
        if beside is None:
            return self.case
        return replace(self.case, lining_g_pct=self.case.lining_g_pct + beside.capacity_g_pct)

    def through(
        self,
        year: HomeYear,
        uses: Sequence[Use],
        device: Humidifier | Buffer | None = None,
        beside: Buffer | None = None,
        before: HomeYear | None = None,
    ) -> list[CaseYear]:
        """A year that begins as it ends, or as the year before it, in each of these uses: the half
        before it is run first."""
        case, members = self.with_buffer(beside), year.members
        count = members * len(uses)
        ranks = np.tile(scores(members, RANKS), (len(uses), 1))
        each = [use for use in uses for _ in range(members)]
        rh, past = np.tile(year.rh_pct, (1, len(uses))), before or year
        past_rh = np.tile(past.rh_pct[HALF_H:], (1, len(uses)))
        half = RoomAir(past.temp_c[HALF_H:], past_rh, start_day=HALF_H // 24)
        start: float | Floats = self.middle
        for room in (half, RoomAir(year.temp_c, rh)):
            made = simulate(case, room, each, device, members=count, start_pct=start, ranks=ranks)
            start = np.clip(made.wood_pct[-1], 0, 100)
        return _parts(made, len(uses))

    def mean_harms(
        self, tried: Sequence[Humidifier] | Sequence[Buffer], beside: Buffer | None = None
    ) -> tuple[Floats, Floats]:
        """Mean harm of each device (K,) [d], and what it gave off by day (365, K, draws) [g]: all in the
        same draws that home and case may be."""
        members = self.year.members
        draws = np.arange(0, members, max(members // DRAWS, 1))
        uses = (self.careful, self.never) if self.careful.played else (self.careful,)
        made = simulate(
            self.with_buffer(beside),
            RoomAir(self.year.temp_c, np.tile(self.year.rh_pct[:, draws], (1, len(uses)))),
            [use for use in uses for _ in draws],
            tried,
            members=len(uses) * len(draws),
            start_pct=self.middle,
            ranks=np.tile(scores(members, RANKS)[draws], (len(uses), 1)),
        )
        shape = (len(tried), len(uses), len(draws))
        harm = self.harm(made).total.reshape(shape).mean(axis=2)
        weights = (1 - UNPLAYED, UNPLAYED)[: len(uses)] if len(uses) > 1 else (1.0,)
        return harm @ weights, made.course.given_g.reshape(365, *shape)[:, :, 0]

    def harm(self, through: CaseYear) -> Harm:
        """Harm over the months of which anything is known."""
        return harm_of(through, self.band, self.known)

    def daily(self, through: CaseYear) -> Floats:
        """RH the wood keeps, by day. (365, M) [%]"""
        return np.asarray(
            through.wood_pct.reshape(365, -1, through.wood_pct.shape[1]).mean(axis=1)
        )

    def days(self, through: CaseYear) -> tuple[Floats, Floats]:
        """Days of the known months on which the wood is below, and above, the band. (M,) [d]"""
        daily = self.daily(through)[self.known]
        return (daily < self.band[0]).sum(axis=0), (daily > self.band[1]).sum(axis=0)

    def too_damp_h(self, through: CaseYear) -> Floats:
        """Hours of too damp air in the known months. (M,) [h]"""
        return (through.air_pct[np.repeat(self.known, 24)] >= TOO_DAMP_PCT).sum(axis=0)

    def judged(
        self,
        kind: HomeMeasure,
        use: Use,
        device: Humidifier | Buffer | None = None,
        beside: Buffer | None = None,
        changed: ChangedRoom | None = None,
    ) -> Option:
        """A measure with its results."""
        year = changed.year if changed else self.year
        uses = [use]
        if device is not None and use.played:
            uses.append(replace(use, played=()))
        through, *unplayed = self.through(year, uses, device, beside)
        for never in unplayed:
            key = (kind, use, device, beside)
            self.unplayed[key] = self._option(kind, uses[1], never, [], device, beside, changed)
        found = self._option(kind, use, through, unplayed, device, beside, changed)
        if changed is None:
            return found
        months = {*changed.change.months, *(changed.change.also or changed.change).months}
        always = len(months & {*self.year.months_known}) == 12
        before = self.year if always else None
        (through,) = self.through(in_first_year(self.year, changed), [use], before=before)
        return replace(found, first=self._option(kind, use, through, [], None, None, changed))

    def _option(
        self,
        kind: HomeMeasure,
        use: Use,
        through: CaseYear,
        unplayed: Sequence[CaseYear],
        device: Humidifier | Buffer | None,
        beside: Buffer | None,
        changed: ChangedRoom | None,
    ) -> Option:
        damp, harm = through.damp(), self.harm(through)
        dry_days, damp_days = self.days(through)
        too_damp_h = self.too_damp_h(through)
        worse_h = too_damp_h > self.bare.too_damp_h + MORE_DAMP_H
        made_damp = worse_h | (
            damp_days > np.maximum(self.bare.damp_days + MORE_DAMP_DAYS, self.most_days)
        )
        kept = (dry_days + damp_days <= self.most_days) & ~worse_h
        harms = [float(side.mean()) for side in harm]
        for never in unplayed:
            harms = [
                (1 - UNPLAYED) * one + UNPLAYED * float(side.mean())
                for one, side in zip(harms, self.harm(never), strict=True)
            ]
        daily_l = through.course.given_g / 1000
        visits = int((ready_days(device, 0, 365) & self.known).sum()) if device else 0
        if changed is not None and changed.change.litres_day:
            daily_l = changed.year.litres_day
            visits = int((daily_l[self.known, 0] > 0).sum())
        daily_l = daily_l * self.known[:, None]
        week = 1000 * daily_l[:364].reshape(52, 7, -1).sum(axis=1).max(axis=0)
        daily = self.daily(through)[self.known]
        lowest, highest = quantile_range(daily.min(axis=0)), quantile_range(daily.max(axis=0))
        moisture = equilibrium_moisture_content(20.0, [lowest.median, min(highest.median, 100.0)])
        return Option(
            kind=kind,
            use=use,
            device=device,
            beside=beside,
            room=changed.change if changed else None,
            held_share=float(kept.mean()),
            not_dry_share=float((dry_days <= self.most_days).mean()),
            not_damp_share=float(((damp_days <= self.most_days) & ~worse_h).mean()),
            made_damp_share=float(made_damp.mean()),
            harm_dry=harms[0],
            harm_damp=harms[1],
            days_in=quantile_range(self.known.sum() - dry_days - damp_days),
            days_dry=quantile_range(dry_days),
            days_damp=quantile_range(damp_days),
            lowest_pct=lowest,
            highest_pct=highest,
            moisture_pct=(float(moisture[0]), float(moisture[1])),
            too_damp_h=quantile_range(damp.too_damp_h),
            mould_h=quantile_range(damp.mould_h),
            wets_below_c=quantile_range(damp.dew_point_c),
            week_ml=quantile_range(week),
            year_l=quantile_range(daily_l.sum(axis=0)),
            visits=visits,
            empty_after_d=quantile_range(through.empties_after_d()),
            around_pct=through.daily_around_pct(),
        )


def _parts(made: CaseYear, count: int) -> list[CaseYear]:
    """A year's members in equal parts, one after another."""
    each = made.air_pct.shape[1] // count
    return [made.part(slice(k * each, (k + 1) * each)) for k in range(count)]
