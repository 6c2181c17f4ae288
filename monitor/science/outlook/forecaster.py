"""The outlook of one place: learns from its log day by day, tries itself on it, judges itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.science.outlook import dry_snap, shut_forecast, tank
from monitor.science.outlook.hourly_log import STEPS, Issues
from monitor.science.outlook.room_model import PreparedLog
from monitor.science.outlook.shop_model import HoursAhead, ShopModel, entry
from monitor.science.outlook.verification import UNTRIED, ForecastRecord, RecordEntry, Trust
from monitor.science.ranges import Floats

TRIED_DAYS = 5
"""The outlook tries itself unheard from so many days of log on. [d]"""

TUNE_DAYS = 7
"""The snap alert's threshold is tuned anew every so many days. [d]"""


@dataclass(frozen=True, eq=False)
class LearnedForecaster:
    """Result of learning from a log.

    `shop`: the fitted shop; `trust`: weights from its own record; `bar`: probability of a dry snap
    from which an alert opens [-]; `tanks`: whether each of the last nights found a humidifier's tank.
    """

    shop: ShopModel
    trust: Trust = UNTRIED
    bar: float = dry_snap.USUAL_THRESHOLD
    tanks: tuple[bool, ...] = ()


@dataclass(frozen=True, eq=False)
class ForecasterState:
    """State of a forecaster from one night to the next, with hours since 1970-01-01 UTC.

    `learned` from the log up to the hour that ends at `stop_h`; `record` of its trials; `chances`
    (shifts, n) of a snap at `moments_h` (n,); `tuned_h`: when the alert's threshold was tuned.
    """

    stop_h: int
    learned: LearnedForecaster
    record: RecordEntry | None
    moments_h: np.ndarray
    chances: Floats
    tuned_h: int


class Forecaster:
    """Forecaster that goes through a log; a forecast at an hour uses nothing after it.

    Parameters
    ----------
    k : Known
    issues : Issues
    before : ForecasterState, optional
        Where it stopped when the log was shorter. The log may have lost its oldest hours since.
    """

    def __init__(
        self, k: PreparedLog, issues: Issues, before: ForecasterState | None = None
    ) -> None:
        self._k, self._issues = k, issues
        self._record = ForecastRecord()
        rh = k.hours.rh_pct
        self._states = [dry_snap.arming_states(rh, shift) for shift in dry_snap.SHIFTS_PCT]
        self._starts = [dry_snap.snaps(rh, shift) for shift in dry_snap.SHIFTS_PCT]
        self._moments: list[np.ndarray] = []
        self._chances: list[list[Floats]] = [[] for _ in dry_snap.SHIFTS_PCT]
        self._tanks: tuple[bool, ...] = ()
        self._tuned_at = 0
        self._bar = dry_snap.USUAL_THRESHOLD
        if before is not None:
            self._take_up(before)

    def _take_up(self, before: ForecasterState) -> None:
        first = self._k.hours.first_h
        self._tuned_at = before.tuned_h - first
        self._bar, self._tanks = before.learned.bar, before.learned.tanks
        if before.record is not None:
            self._record.add(before.record.since(first).shifted(-first))
        if (known := before.moments_h >= first).any():
            self._moments = [before.moments_h[known] - first]
            self._chances = [[chance[known]] for chance in before.chances]

    def state(self, learned: LearnedForecaster, stop: int) -> ForecasterState:
        """State after it `learned` from the log up to and with hour number `stop`."""
        first = self._k.hours.first_h
        record = self._record.joined()
        return ForecasterState(
            first + stop,
            learned,
            None if record is None else record.shifted(first),
            first + np.concatenate([np.empty(0, np.int64), *self._moments]),
            np.stack([np.concatenate([np.empty(0), *chance]) for chance in self._chances]),
            first + self._tuned_at,
        )

    def learn(self, stop: int, before: ShopModel | None = None) -> LearnedForecaster:
        """Learns from the log up to and with hour number `stop`, and from the trials so far.

        Raises
        ------
        OutOfRange
            If the log is shorter than four days.
        """
        observed = (self._k.hours.temp_c, self._k.hours.rh_pct)
        shop = shut_forecast.learn(self._k, self._issues, stop, before)
        self._tanks = (*self._tanks, shop.room.tank is not None)[-tank.ASKED_OF :]
        if self._moments and stop - self._tuned_at >= 24 * TUNE_DAYS:
            self._bar, self._tuned_at = self._tuned(stop), stop
        return LearnedForecaster(shop, self._record.judged(observed, stop), self._bar, self._tanks)

    def try_out(
        self, learned: LearnedForecaster, ends: np.ndarray, members: int, seed: int
    ) -> tuple[HoursAhead, Floats]:
        """Forecasts after the hours number `ends`, `snap.LOOKS_APART_H` apart, and each one's
        lasting probability of a snap; kept to be judged by."""
        seen = shut_forecast.predict(
            learned.shop, self._k, self._issues, ends, members, seed, learned.trust
        )
        self._record.add(entry(seen, ends))
        for shift, state, kept in zip(
            dry_snap.SHIFTS_PCT, self._states, self._chances, strict=True
        ):
            now = dry_snap.Arming(*(field[ends] for field in state))
            kept.append(dry_snap.probability(seen.members[1], now, shift))
        self._moments.append(ends)
        return seen, dry_snap.confirmed(np.concatenate(self._chances[0][-2:]))[-len(ends) :]

    def _tuned(self, stop: int) -> float:
        at = np.concatenate(self._moments)
        tallies = []
        for chance, began in zip(self._chances, self._starts, strict=True):
            p = dry_snap.confirmed(np.concatenate(chance))
            past = began[began + dry_snap.LOW_H - 1 <= stop]
            tallies.append(
                [
                    dry_snap.tally(
                        dry_snap.alerts(at, p, past, bar), past, int(at[0]), stop, STEPS
                    )
                    for bar in dry_snap.THRESHOLDS.tolist()
                ]
            )
        return dry_snap.best_threshold(tallies)
