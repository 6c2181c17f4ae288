"""Worker that fits each place's log at night, and computes outlooks for each new hour or forecast.

Each is a task for one place: from the log and what is kept to new results, which its home stores whole.
A task that was cut off is done again.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.latest_air import surface_days_c
from monitor.air.place_means import places
from monitor.core.clock import to_ms
from monitor.core.errors import OutOfRange, StoreFault
from monitor.core.formats import local
from monitor.domain.places import Place, band
from monitor.outlook import files, issued
from monitor.outlook.evaluation.report import scores, snap_score
from monitor.outlook.evaluation.walk_forward import FRESH_H, WALKED_DAYS, Walk
from monitor.outlook.files import Kept, LearnedPlace, StoredOutlook, WeatherMembers
from monitor.outlook.homes import LEARN, LOOK, home_of
from monitor.outlook.inputs import (
    HOUR_MS,
    ReadForecasts,
    closed_and_opened,
    fills_of,
    hours_of,
    humidifier_at,
    humidifiers,
    issues_of,
)
from monitor.outlook.place_air import PlaceAirs
from monitor.outlook.safe_air import WALL_H, safe_ahead, wall_factor
from monitor.science.outlook import dry_snap, ensemble_statistics, shut_forecast, verification
from monitor.science.outlook.calendar import summer_time
from monitor.science.outlook.forecaster import LearnedForecaster
from monitor.science.outlook.hourly_log import STEPS, Issues, ShopHours
from monitor.science.outlook.room_model import PreparedLog, prepared_log
from monitor.science.outlook.shop_model import LEARN_DAYS, HoursAhead, launch
from monitor.science.outlook.shut_days import ShutOutlook, chance_open_again, supposed
from monitor.science.outlook.weighed_fills import Fills, calibrated_by_fills
from monitor.science.outlook.what_if import USUAL_VOLUME_M3, Launch, Water, water_to_hold
from monitor.store import HOUR_S, Reader, forecasts
from monitor.store.outlooks import Item, Turn, When

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.domain.forecast import Forecast
    from monitor.settings import Settings

log = logging.getLogger(__name__)

NIGHT_H = 3
"""Hour of the night from which places are learned. [h]  Ours."""
NIGHT_DAYS = 400
"""Days of log read at night, for the snaps of a year. [d]  Ours."""
LOOK_DAYS = 120
"""Days of log read for a look. [d]  Ours: more than `room_fit.FIT_DAYS` and the memories before it."""
FEWEST_DAYS = 4
"""Days of log from which there is an outlook. [d]"""
MEMBERS, LAUNCHED = 200, 60
"""Members of the outlook, and of the weather that a what-if is run under. [-]  Ours."""
SEED = 20_261_128
HELD_PCT = 5.0
"""Water is reckoned to hold so much above the low end of the place's band, if its coldest wall
allows. [%]  Ours."""


def night_began_ms(now_ms: int, zone: ZoneInfo) -> int:
    """The last `NIGHT_H` by the shop's clock. [ms since 1970-01-01 UTC]"""
    now = local(now_ms, zone)
    at = now.replace(hour=NIGHT_H, minute=0, second=0, microsecond=0)
    return to_ms(at if at <= now else at - timedelta(days=1))


class _Ahead(NamedTuple):
    """Forecast of a place after its last hour: `seen` with members, shut days, the state from which a
    what-if is run, and the chance of a dry snap. [-]"""

    learned: LearnedForecaster
    seen: HoursAhead
    shut: ShutOutlook
    launch: Launch
    chance: float


class Work:
    """The outlook's work for all places indoors. Each of two threads needs one of its own."""

    def __init__(self, settings: Settings, reader: Reader) -> None:
        self._settings, self._reader = settings, reader
        self.home = home_of(settings)
        self._by_id: dict[str, Place] = {}
        self._outdoors = next((p.id for p in settings.places if p.kind == "outdoors"), None)
        self._prefer = [source.id for source in settings.forecasts]
        self._forecasts: ReadForecasts = {}

    def indoors(self) -> list[str]:
        """Places that can have an outlook."""
        known = places(self._reader, self._settings)
        self._by_id = {place.id: place for place in known if place.kind != "outdoors"}
        return list(self._by_id)

    def learn_all(self, now_ms: int) -> None:
        """Fit the log of each place that was not fitted since the last night began, and test it on its
        last weeks. [ms since 1970-01-01 UTC]"""
        night_ms = night_began_ms(now_ms, self._settings.zone)
        wanted = dict.fromkeys(self.indoors(), When(night_ms, ""))
        for turn in self._turns(LEARN, wanted):
            before = files.fit(self._settings, turn.place)
            known = before is not None and before.tried and night_ms <= before.learned_ms <= now_ms
            self._do(turn, lambda turn: self.learned(turn, now_ms), skip=known)

    def look_all(self, now_ms: int) -> None:
        """Compute the outlook of each place with new data. [ms since 1970-01-01 UTC]"""
        newest = forecasts.newest(self._reader, now_ms, self._prefer)
        known = closed_and_opened(self._reader, self._settings)
        there = humidifiers(self._reader, self._settings)
        shop = (newest and (newest.source, newest.issued_ms), *(one.tolist() for one in known))
        wanted = {}
        for place in self.indoors():
            state = (shop, files.fitted_at(self._settings, place), there.get(place))
            digest = hashlib.sha256(repr(state).encode()).hexdigest()
            wanted[place] = When(now_ms // HOUR_MS * HOUR_MS, digest)
        for turn in self._turns(LOOK, wanted):
            self._do(turn, lambda turn: self.looked(turn, now_ms))

    def _turns(self, task: str, wanted: Mapping[str, When]) -> Iterator[Turn]:
        """Our turns to do a task for the places that need it."""
        for place in self.home.due(task, wanted):
            turn = self.home.take(task, place, wanted[place])
            if turn is not None:
                yield turn

    def _do(
        self, turn: Turn, task: Callable[[Turn], Iterable[Kept]], *, skip: bool = False
    ) -> None:
        """Do a task and store its results, unless another has taken the turn meanwhile.

        A place whose task fails has no results until the task is due again; the others go on.
        """
        found: list[Item] = []
        try:
            try:
                found = [] if skip else [files.packed(one) for one in task(turn)]
            except (OSError, StoreFault):
                raise
            except Exception:
                log.exception("outlook failed task=%s place=%s", turn.task, turn.place)
            if not self.home.finish(turn, found):
                log.warning("turn lost task=%s place=%s", turn.task, turn.place)
        except BaseException:
            self.home.drop(turn)
            raise

    def learned(self, turn: Turn, now_ms: int) -> list[Kept]:
        """Go on learning one place from where the last night stopped, if its log is recent. The first
        time, its last weeks are walked through."""
        place = turn.place
        material = self._material(place, now_ms, NIGHT_DAYS)
        if material is None:
            return []
        hours, issues = material
        try:
            before = files.walk_state(self._settings, place)
            walk = Walk(hours, issues, before, WALKED_DAYS)
            walked = walk.through(lambda done, total: self.home.note(turn, done, total))
        except OutOfRange as exc:
            log.info("outlook not learned place=%s reason=%s", place, exc)
            return []
        if walk.learned is None:
            return []
        learned, why = self._pinned(place, walk.learned, walk.known)
        days = len(hours) / 24
        log.info("outlook learned place=%s days=%d", place, days)
        return [
            LearnedPlace(
                place,
                now_ms,
                days,
                True,
                learned,
                tuple(scores(walked, 1, 0)),
                snap_score(walked, hours.rh_pct, 0),
                why,
                issued.score(self._settings, self._reader, place, hours),
            ),
            walk.state(place),
        ]

    def looked(self, turn: Turn, now_ms: int) -> list[Kept]:
        """The outlook of one place, where it is possible, and its models if there were none."""
        place, results = turn.place, list[Kept]()
        material = self._material(place, now_ms, LOOK_DAYS)
        if material is None:
            return []
        try:
            k = prepared_log(*material)
            fit = files.fit(self._settings, place)
            if fit is None:
                fit = self._guessed(turn, now_ms, k, material[1])
                results.append(fit)
            ahead = self._ahead(fit.learned, k, material[1])
        except OutOfRange as exc:
            log.info("no outlook place=%s reason=%s", place, exc)
            return results
        ours, held = issued.added(
            self._settings, place, k.hours, ahead.seen, ahead.chance, ahead.learned.bar
        )
        stored = self._stored(place, now_ms, *material, ahead, fit.learned_ms, held)
        return [*results, ours, stored]

    def _guessed(self, turn: Turn, now_ms: int, k: PreparedLog, issues: Issues) -> LearnedPlace:
        """Models of a place by a first guess, at once; the night's walk will judge them."""
        self.home.note(turn, 0, WALKED_DAYS)
        days = len(k.hours) / 24
        guess = LearnedForecaster(
            shut_forecast.learn(k, issues, len(k.hours) - 1), verification.untried(days)
        )
        learned, why = self._pinned(turn.place, guess, k)
        return LearnedPlace(turn.place, now_ms, days, False, learned, (), None, why)

    def _ahead(self, learned: LearnedForecaster, k: PreparedLog, issues: Issues) -> _Ahead:
        """Forecast by a place's models after its last hour."""
        hours, end = k.hours, len(k.hours) - 1
        if hours.humidifier is False:
            learned = replace(learned, shop=learned.shop.without_tank())
        shop = learned.shop
        looks = np.array([end - dry_snap.LOOKS_APART_H, end])
        shuts = shut_forecast.seen_by(shop, k, looks.tolist())
        seen = shut_forecast.predict(shop, k, issues, looks, MEMBERS, SEED, learned.trust, shuts)
        shut = shuts[-1]
        today = hours.clock_h(end, shop.room.offset_h) // 24
        if today not in closed_and_opened(self._reader, self._settings).answered:
            shut = shut._replace(again=chance_open_again(shop.room, k, end))
        start = launch(shop, supposed(k, shut, shut.likely), issues, end, LAUNCHED, SEED)
        armed = dry_snap.Arming(*(field[looks] for field in dry_snap.arming_states(hours.rh_pct)))
        chance = dry_snap.confirmed(dry_snap.probability(seen.members[1], armed))[-1]
        return _Ahead(learned, seen, shut, start, float(chance))

    def _stored(
        self,
        place: str,
        now_ms: int,
        hours: ShopHours,
        issues: Issues,
        ahead: _Ahead,
        fit_ms: int,
        held: float,
    ) -> StoredOutlook:
        """The outlook as it is kept, with the advice on water."""
        air, learned = ahead.seen.members[..., -1], ahead.learned
        factor = self._wall_factor(place, hours, now_ms)
        safe = safe_ahead(self._by_id[place], air[0], ahead.launch.air.temp_c, factor)
        hold = band(self._by_id[place], self._settings.limits)[0] + HELD_PCT
        hold = min(hold, safe.least.rh_pct) if safe is not None else hold
        forecast = forecasts.newest(self._reader, now_ms, self._prefer)
        first_h = hours.first_h + len(hours)
        reaches = 0 if forecast is None else (forecast.ends_ms // HOUR_MS) - first_h + 1
        sensor = PlaceAirs(self._reader, now_ms, {}, HOUR_S).sensor_error(place, self._settings)
        return StoredOutlook(
            place=place,
            made_ms=now_ms,
            read_ms=(first_h - 1 - int(_stale_h(hours))) * HOUR_MS,
            first_h=first_h,
            air=air,
            room=learned.shop.room,
            launch=ahead.launch,
            source=forecast.source if forecast else "",
            issued_ms=forecast.issued_ms if forecast else 0,
            reaches_h=int(np.clip(reaches, 0, STEPS)),
            chance=ahead.chance,
            bar=learned.bar,
            hold_pct=hold,
            water=self._water(place, ahead, hold),
            fit_ms=fit_ms,
            shut=ahead.shut,
            wall_factor=factor,
            held=held,
            outdoors=hours.has_outdoors,
            u_rh_pct=sensor.u_rh_pct,
            members=members_in_use(forecast, issues, first_h, learned.shop.forecast.members.days),
        )

    def _wall_factor(self, place: str, hours: ShopHours, now_ms: int) -> float:
        """Factor of the coldest measured wall; NaN without one. [-]"""
        own = {one: i for one, i in self._reader.series().items() if one.place == place}
        surface_c = surface_days_c(self._reader, own, now_ms).get(place, np.nan)
        return wall_factor(surface_c, hours.temp_c[-WALL_H:], hours.out_temp_c[-WALL_H:])

    def _water(self, place: str, ahead: _Ahead, hold_pct: float) -> Water | None:
        """Water a day that holds a level; None if none is needed."""
        rh = ahead.seen.members[1, ..., -1]
        falls = ensemble_statistics.spell(rh, hold_pct, dry_snap.LOW_H, below=True)
        if falls is None:
            return None
        volume = self._by_id[place].volume_m3 or USUAL_VOLUME_M3
        room, first = ahead.learned.shop.room, round(falls.begins_h.middle)
        return water_to_hold(room, ahead.launch, rh, hold_pct, volume, first)

    def _pinned(
        self, place: str, learned: LearnedForecaster, k: PreparedLog
    ) -> tuple[LearnedForecaster, str]:
        """Room with the air change that weighed fills give; else the reason why they do not."""
        volume, fills, shop = self._by_id[place].volume_m3, self._fills(place), learned.shop
        if not volume:
            measured = any(np.isfinite(one.litres).any() for one in fills)
            return learned, "volume_m3 of the place is not in the settings" if measured else ""
        room, why = calibrated_by_fills(shop.room, k, len(k.temp_c) - 1, fills, volume)
        return replace(learned, shop=replace(shop, room=room)), why

    def _fills(self, place: str) -> list[Fills]:
        """Recorded fills of the tanks of a place."""
        tanks = [tank.id for tank in self._settings.reservoirs if tank.place == place]
        return fills_of(self._reader, tanks)

    def _material(self, place: str, now_ms: int, days: int) -> tuple[ShopHours, Issues] | None:
        """The log up to the last whole hour; None if it is too short or fell silent."""
        last_h = now_ms // HOUR_MS
        humidifier = humidifier_at(self._reader, self._settings, place)
        known = closed_and_opened(self._reader, self._settings)
        hours = hours_of(
            self._reader,
            place,
            self._outdoors,
            last_h,
            days,
            known.closed,
            humidifier,
            known.opened,
            LEARN_DAYS + 1 if days > LOOK_DAYS else 1,
        )
        if hours is None or len(hours) < 24 * FEWEST_DAYS or _stale_h(hours) >= FRESH_H:
            return None
        ends = [np.floor(fills.at_h).astype(np.int64) + 1 for fills in self._fills(place)]
        summer = summer_time(self._settings.zone, hours.first_h, last_h + STEPS)
        hours = replace(hours, filled_h=np.concatenate([hours.filled_h, *ends]), summer=summer)
        return hours, issues_of(self._reader, self._prefer, now_ms, days, self._forecasts)


def members_in_use(
    forecast: Forecast | None, issues: Issues, first_h: int, days: float
) -> WeatherMembers:
    """Members of the forecast in use, and their reach after the hour before `first_h`."""
    count = 0 if forecast is None or forecast.members is None else len(forecast.members.temp_c)
    known = ~np.isnan(issues.moments_after(np.array([first_h - 1]), STEPS).variance[0, :, 0])
    return WeatherMembers(count, int(np.max(np.flatnonzero(known) + 1, initial=0)), days)


def _stale_h(hours: ShopHours) -> int:
    """Hours since both temperature and RH were last read."""
    good = np.flatnonzero(~np.isnan(hours.temp_c + hours.rh_pct))
    return len(hours) - 1 - int(good[-1]) if len(good) else len(hours)
