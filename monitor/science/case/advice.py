"""Advice for one home: the least measure that keeps an instrument in its band.

Every measure is run through the year in every way the home and the case may be. Words are the
caller's: this gives codes and figures. It is no promise that a band keeps wood from cracking.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from monitor.core.errors import OutOfRange
from monitor.science.case.devices import Buffer, Humidifier, ready_days
from monitor.science.case.home import Basis, HomeYear, RoomHumidifier, home_year
from monitor.science.case.measures import (
    DAMP_SIGNS,
    DRY_SIGNS,
    Advice,
    Avoid,
    CaseAssumptions,
    Holds,
    Measure,
    Option,
    Sign,
    Why,
)
from monitor.science.case.outdoors import YEAR_H, month_of_hour
from monitor.science.case.presets import Case, Use
from monitor.science.case.simulation import CaseYear, RoomAir, simulate
from monitor.science.quantiles import quantile_range
from monitor.science.ranges import Floats, checked
from monitor.science.wood import equilibrium_moisture_content

Truths: TypeAlias = NDArray[np.bool_]

BAND_PCT = (40.0, 60.0)
"""RH a case should keep. [%]  Common practice, no source."""

MOST_DAYS = 18
"""The wood may be out of the band, to either side, on this many days of a year. [d]  Ours: 5 %."""

MORE_DAMP_DAYS = 7
"""A measure may add this many damp days to those of the bare case. [d]  Ours."""

SURE, NEVER = 0.8, 0.2
"""Held for sure: in this share of the ways home and case may be; not held: in less than the
second. [-]  Ours."""

ALIKE = 0.05
"""Where none holds for sure, the least of those that hold in as large a share of the ways, less this,
is advised. [-]  Ours."""

MORE_DAMP_H = 24.0
"""A measure may add this much time to that of case air above `TOO_DAMP_PCT`. [h]  Ours."""

MOST_PACKS_G_L = 20.0
"""Most buffer that goes into a case, for each litre of its air. [g/L]  What Thomson took for
display cases, 20 kg/m³; second-hand."""

HARD = 0.8
"""How far towards the hard end of its spread a home or case lies for which buffer and room
humidifiers are sized. [-]  Ours, so that most hold."""

HALF_H = 181 * 24
"""Where the half year begins that is run before a year, so that its start is forgotten. [h]"""

MASSES_G = np.array([60, 120, 180, 240, 360, 500, 750, 1000, 1500, 2000])
WATER_ML = np.array([5, 10, 15, 20, 30, 40, 50, 75, 100, 150, 200, 300, 500])
LITRES_DAY = (1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 30.0)
"""Sizes that are tried. [g], [mL], [L/d]  Ours."""


def advise(
    case: Case,
    year: HomeYear,
    use: Use | None = None,
    band_pct: tuple[float, float] = BAND_PCT,
    own: Humidifier | Buffer | None = None,
) -> Advice:
    """The least that keeps an instrument in its band through a year at home.

    Measures are tried in the order of `Measure`, each in its least size, until one holds.

    Parameters
    ----------
    case : Case
    year : HomeYear
    use : Use, optional
    band_pct : (float, float)
        RH the wood should keep, 20 to 75, at least 5 apart. [%]
    own : Humidifier or Buffer, optional
        What the client has in the case already: told, and not sized.

    Raises
    ------
    OutOfRange
    """
    low, high = (float(checked("band_pct", side, "%", 20, 75)) for side in band_pct)
    if not high - low >= 5:
        raise OutOfRange("width of band_pct", high - low, "%", 5, 55)
    home = _Home(case, year, use or Use(), (low, high))
    options: list[Option] = []
    for option in home.options():
        options.append(option)
        if option.holds is option.holds_damp is Holds.YES:
            break
    both = [o for o in options if o.holds is o.holds_damp is Holds.YES]
    dry_side = [o for o in options if o.holds is Holds.YES]
    may = [o for o in options if o.holds is Holds.UNCLEAR]
    best = max((o.held_share for o in may), default=0.0)
    likely = [o for o in may if o.held_share >= best - ALIKE]
    least = next(iter([*both, *dry_side, *likely]), None)
    has = None
    if own is not None:
        through = home.through(year, home.use.careful, own)
        kind = Measure.HUMIDIFIER if isinstance(own, Humidifier) else Measure.BUFFER
        has = home.judged(kind, through, home.use.careful, own)
    unplayed, never = None, replace(home.use.careful, played=())
    closest = least or max(options, key=lambda o: (o.held_share, o.days_in.median))
    if closest.device is not None and home.use.played:
        through = home.through(year, never, closest.device)
        unplayed = home.judged(closest.kind, through, never, closest.device)
    months, known = tuple(year.monthly()), year.months_known
    dry = any(months[m - 1].low < low for m in known)
    damp = any(months[m - 1].high > high for m in known)
    signs = tuple(s for s in Sign if (dry and s in DRY_SIGNS) or (damp and s in DAMP_SIGNS))
    return Advice(
        (low, high),
        least,
        tuple(options),
        has,
        months,
        home.why(options, least),
        _avoid(least, year),
        signs or DRY_SIGNS,
        home.assumed([*options, *([has] if has else [])]),
        known,
        unplayed,
    )


class _Home:
    """A case at home, and what is tried in it."""

    def __init__(
        self, case: Case, year: HomeYear, use: Use, band_pct: tuple[float, float]
    ) -> None:
        self.case, self.year, self.use, self.band = case, year, use, band_pct
        self.middle = sum(band_pct) / 2
        self.bare: CaseYear | None = None
        self.known = np.isin(month_of_hour()[::24] + 1, year.months_known)

    def options(self) -> Iterator[Option]:
        """The least first, each in the least size that may hold."""
        self.bare = self.through(self.year, self.use)
        yield self.judged(Measure.NOTHING, self.bare, self.use)
        careful = self.use.careful
        if careful != self.use:
            self.bare = self.through(self.year, careful)
            yield self.judged(Measure.DISCIPLINE, self.bare, careful)
        if not self.case.holds_nothing:
            for kind, device in self.devices():
                through = self.through(self.year, careful, device)
                yield self.judged(kind, through, careful, device)
        if self.weather_known:
            room, moist = self.room_humidifier()
            yield self.judged(
                Measure.ROOM, self.through(moist, careful), careful, None, room, moist
            )

    @property
    def weather_known(self) -> bool:
        return self.year.basis is not Basis.READINGS

    def devices(self) -> Iterator[tuple[Measure, Humidifier | Buffer]]:
        packs = [m for m in MASSES_G.tolist() if m <= MOST_PACKS_G_L * self.case.air_l]
        yield (
            Measure.BUFFER,
            self.best(
                [
                    Buffer(
                        mass_g=mass,
                        set_pct=self.middle,
                        every_d=every,
                        months=self.year.months_known,
                    )
                    for every in (90.0, 30.0, 14.0)
                    for mass in packs or [self.case.air_l * MOST_PACKS_G_L]
                ]
            ),
        )
        months = self.dry_months()
        if months:
            yield Measure.HUMIDIFIER, self.best(self.humidifiers(months))

    def dry_months(self) -> tuple[int, ...]:
        """Months in which the home is drier than a little above the band's low end."""
        monthly = self.year.monthly()
        return tuple(m for m in self.year.months_known if monthly[m - 1].median < self.band[0] + 5)

    def humidifiers(self, months: tuple[int, ...]) -> list[Humidifier]:
        """Fillings of a size and release to meet the need of the driest month, and around it."""
        driest = min(m.median for m in self.year.monthly())
        hours_out = 24 * self.use.careful.shares(0, 24, 1)[0][0]
        per_pct = self.case.leak_g_day_pct() + self.case.exchange_g_h_pct * hours_out
        need = max(per_pct * (self.middle - driest), 0.05)  # g/day
        tried = []
        for every in (14.0, 7.0, 4.0, 3.0, 2.0):
            for share in (0.6, 0.8, 1.0, 1.3):
                water = WATER_ML[min(np.searchsorted(WATER_ML, 1.2 * every * need), 12)]
                release = round(float(share * need / (100 - self.middle)), 4)
                release = min(max(release, 1e-4), 20.0)
                tried.append(
                    Humidifier(
                        water_ml=float(water),
                        release_g_day_pct=release,
                        every_d=every,
                        months=months,
                    )
                )
        return tried

    def best(self, tried: Sequence[Humidifier] | Sequence[Buffer]) -> Humidifier | Buffer:
        """The first that holds, or else comes closest: a humidifier in the usual home and case,
        where it neither lacks nor floods; buffer, which cannot flood, in a dry home and a leaky
        case."""
        count, case, member = len(tried), self.case.usual, 0
        if isinstance(tried[0], Buffer):
            leaks = min(case.closed_changes_day * self.case.closed_times**HARD, 5000.0)
            case = replace(case, closed_changes_day=leaks)
            dry = np.sort(self.year.rh_pct, axis=0)[: YEAR_H // 4].mean(axis=0)
            member = int(np.argsort(dry)[round((1 - HARD) / 2 * (len(dry) - 1))])
        usual = self.year.only(member)
        usual = replace(usual, rh_pct=np.repeat(usual.rh_pct, count, axis=1))
        through = simulate(
            case,
            usual.room(),
            self.use.careful,
            [replace(one, release_times=1.0) for one in tried],
            members=count,
            start_pct=self.middle,
        )
        releases = [
            one.every_d if isinstance(one, Humidifier) else i for i, one in enumerate(tried)
        ]
        return tried[self.first(through, np.array(releases))]

    def first(self, through: CaseYear, alike: NDArray[Any]) -> int:
        """First member that holds on both sides, else on the dry side, else comes closest; of
        those `alike` it in effort, the one nearest to the middle of the band."""
        days = self.days(through)
        held, damp = self.held(days, through.damp().too_damp_h, usual=True)
        both = held & damp
        good = both if both.any() else held
        if not good.any():
            return int(np.argmin(days[0] + days[1]))
        good &= alike == alike[int(np.argmax(good))]
        away = np.abs(self.daily(through) - self.middle).mean(axis=0)
        return int(np.argmin(np.where(good, away, np.inf)))

    def room_humidifier(self) -> tuple[RoomHumidifier, HomeYear]:
        """The least that holds in a leaky home, or else comes closest."""
        home, outdoors, count = self.year.home, self.year.outdoors, len(LITRES_DAY)
        if home is None or outdoors is None:
            raise OutOfRange("homes of the year", 0, "", 1, 1)
        set_pct = min(self.band[0] + 5, self.middle)
        tried = [RoomHumidifier(litres_day=litres, set_pct=set_pct) for litres in LITRES_DAY]
        leaks = min(home.changes_h * home.changes_times**HARD, 10.0)
        leaky = replace(home.usual, changes_h=leaks)
        year = home_year(leaky, outdoors.usual, humidifier=tried, members=count)
        careful = self.use.careful
        through = simulate(
            self.case.usual, year.room(), careful, members=count, start_pct=self.middle
        )
        room = tried[self.first(through, np.arange(count))]
        return room, home_year(home, outdoors, humidifier=room, members=self.year.members)

    def through(
        self, year: HomeYear, use: Use, device: Humidifier | Buffer | None = None
    ) -> CaseYear:
        """A year that begins as it ends: the half before it is run first."""
        room, members = year.room(), year.members
        half = RoomAir(room.temp_c[HALF_H:], room.rh_pct[HALF_H:], start_day=HALF_H // 24)
        before = simulate(self.case, half, use, device, members=members, start_pct=self.middle)
        start = np.clip(before.wood_pct[-1], 0, 100)
        return simulate(self.case, room, use, device, members=members, start_pct=start)

    def daily(self, through: CaseYear) -> Floats:
        """RH the wood keeps, by day. (365, M) [%]"""
        return np.asarray(
            through.wood_pct.reshape(365, -1, through.wood_pct.shape[1]).mean(axis=1)
        )

    def days(self, through: CaseYear) -> tuple[Floats, Floats]:
        """Days of the known months on which the wood is below, and above, the band. (M,) [d]"""
        daily = self.daily(through)[self.known]
        return (daily < self.band[0]).sum(axis=0), (daily > self.band[1]).sum(axis=0)

    def held(
        self, days: tuple[Floats, Floats], too_damp_h: Floats, *, usual: bool = False
    ) -> tuple[Truths, Truths]:
        """Members that keep from drying without getting damper than the bare case, and those that
        keep from damp. `usual`: all members are kinds of the usual one."""
        dry, damp = days
        bare_damp, bare_h = np.zeros(1), np.zeros(1)
        if self.bare is not None:
            bare_damp, bare_h = self.days(self.bare)[1], self.bare.damp().too_damp_h
        if usual:
            bare_damp, bare_h = bare_damp[:1], bare_h[:1]
        calm = damp <= np.maximum(bare_damp + MORE_DAMP_DAYS, MOST_DAYS)
        held = (dry <= MOST_DAYS) & calm & (too_damp_h <= bare_h + MORE_DAMP_H)
        return held, damp <= MOST_DAYS

    def judged(
        self,
        kind: Measure,
        through: CaseYear,
        use: Use,
        device: Humidifier | Buffer | None = None,
        room: RoomHumidifier | None = None,
        year: HomeYear | None = None,
    ) -> Option:
        damp, daily, days = through.damp(), self.daily(through), self.days(through)
        held, not_damp = self.held(days, damp.too_damp_h)
        litres = through.course.given_g.sum(axis=0) / 1000
        week = through.week_ml().max(axis=0)
        visits = int(ready_days(device, 0, 365).sum()) if device else 0
        if year is not None:
            litres = year.litres_day.sum(axis=0)
            week = 1000 * year.litres_day[:364].reshape(52, 7, -1).sum(axis=1).max(axis=0)
            visits = int((year.litres_day[:, 0] > 0).sum())
        daily = daily[self.known]
        lowest, highest = quantile_range(daily.min(axis=0)), quantile_range(daily.max(axis=0))
        moisture = equilibrium_moisture_content(20.0, [lowest.median, min(highest.median, 100.0)])
        return Option(
            kind=kind,
            use=use,
            device=device,
            room=room,
            holds=_holds(held),
            held_share=float(held.mean()),
            holds_damp=_holds(not_damp),
            damp_share=float(not_damp.mean()),
            days_in=quantile_range(self.known.sum() - days[0] - days[1]),
            days_dry=quantile_range(days[0]),
            days_damp=quantile_range(days[1]),
            lowest_pct=lowest,
            highest_pct=highest,
            moisture_pct=(float(moisture[0]), float(moisture[1])),
            too_damp_h=quantile_range(damp.too_damp_h),
            mould_h=quantile_range(damp.mould_h),
            wets_below_c=quantile_range(damp.dew_point_c),
            week_ml=quantile_range(week),
            year_l=quantile_range(litres),
            visits=visits,
            empty_after_d=quantile_range(through.empties_after_d()),
            around_pct=through.daily_around_pct(),
        )

    def why(self, options: Sequence[Option], least: Option | None) -> tuple[Why, ...]:
        why = []
        if self.case.holds_nothing:
            why.append(Why.COVER)
        last = least or max(options, key=lambda o: o.held_share + o.days_in.median / 1000)
        if last.holds is not Holds.YES and last.days_dry.high > MOST_DAYS:
            why.append(Why.TOO_DRY)
        if last.holds_damp is not Holds.YES:
            why.append(Why.TOO_DAMP)
        over = [
            o for o in options if isinstance(o.device, Humidifier) and o.holds is not Holds.YES
        ]
        if over and over[0].too_damp_h.high > options[0].too_damp_h.high + MORE_DAMP_H:
            why.append(Why.OVER_WET)
        if last.holds is Holds.UNCLEAR:
            why.append(Why.WIDE)
        if last.holds is Holds.YES:
            return tuple(why)
        if not self.weather_known:
            why.append(Why.WEATHER_UNKNOWN)
        return tuple(why)

    def assumed(self, options: Sequence[Option]) -> tuple[CaseAssumptions, ...]:
        found = [CaseAssumptions.CASE_NOT_MEASURED] * (not self.case.holds_nothing)
        if any(isinstance(o.device, Humidifier) for o in options):
            found.append(CaseAssumptions.RELEASE_GUESSED)
        if self.year.basis is Basis.NORMALS:
            found.append(CaseAssumptions.SPELLS_USUAL)
        if len(self.year.months_read) < 12:
            found.append(CaseAssumptions.MONTHS_BRIDGED)
        if self.weather_known:
            found.append(CaseAssumptions.HOME_TYPICAL)
        if self.year.clipped > 0.01:
            found.append(CaseAssumptions.RUNNING_WINDOWS)
        if self.case.instrument_g_pct > 0.8:
            found.append(CaseAssumptions.LIKE_A_VIOLIN)
        return tuple(found)


def _holds(members: Truths) -> Holds:
    share = float(members.mean())
    return Holds.YES if share >= SURE else Holds.NO if share < NEVER else Holds.UNCLEAR


def _avoid(least: Option | None, year: HomeYear) -> tuple[Avoid, ...]:
    found = [Avoid.WATER_ON_WOOD, Avoid.SHUT_IN_WET, Avoid.HOT_CAR, Avoid.HEATER_OR_SUN]
    if least is None or isinstance(least.device, Humidifier) or least.room:
        found += [Avoid.WET_SPONGE]
    found += [Avoid.HUMIDIFY_WHEN_DAMP]
    if least is not None and least.room:
        found += [Avoid.SEAL_ROOM]
    if year.outdoors is None or year.outdoors.temp_c.min() < 5:
        found += [Avoid.OPEN_WHEN_COLD]
    return tuple(found)
