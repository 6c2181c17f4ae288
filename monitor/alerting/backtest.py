"""Replay of the rules over a stretch of the log: the alerts that they would have raised.

Rules are tested every ten minutes of the log; the service tests them every minute. The log knows
places, sensors and instruments; it has no record of waits, tanks, the broker and the disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.place_means import places
from monitor.alerting.air_quantities import WatchedAir, concerns, values_of
from monitor.alerting.observations import SHOP, knows_home
from monitor.alerting.sensor_states import KNOWN_MS, moved_on
from monitor.core.clock import EVER_MS
from monitor.core.measurements import BY_HAND, Quantity, Series, leading_order
from monitor.domain.alerts import alert, state_machine
from monitor.domain.alerts.alert import Alert
from monitor.domain.alerts.rule import Of, Rule
from monitor.domain.alerts.rule_state import RuleState, Seen
from monitor.domain.cold_walls import safe_levels
from monitor.domain.instrument import Instrument
from monitor.domain.places import Place, band
from monitor.science.plates.history import MoistureHistory
from monitor.science.plates.restraint import HELD_SHARE_MIDDLE, share_of_yield
from monitor.science.plates.species import SPECIES
from monitor.science.sensor_health import SATURATED_PCT
from monitor.store import TEN_MINUTES_S, Reader
from monitor.wood.evaluation import warm_up_margins_k, wood_history

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.settings import Settings

STEP_MS = 1000 * TEN_MINUTES_S
DAY_MS = 86_400_000
SKIPPED = (Of.WAIT, Of.RESERVOIR, Of.GLUE, Of.SHOP)


class ObservedSeries(NamedTuple):
    """Subject of a rule along a log: its value at each step, and the steps where it is present."""

    rule: Rule
    seen: Seen
    values: NDArray[np.float64]
    there: NDArray[np.bool_]


def replay(
    reader: Reader,
    settings: Settings,
    rules: Iterable[Rule],
    instruments: Iterable[Instrument],
    start_ms: int,
    end_ms: int,
    on_step: Callable[[int, int], None] | None = None,
) -> list[Alert]:
    """Every alert of a stretch, in the order they were raised.

    Parameters
    ----------
    start_ms, end_ms : int
        [ms since 1970-01-01 UTC]
    on_step : callable
        Called with the number of steps done and of all steps.
    """
    looks = np.arange(start_ms - start_ms % STEP_MS + STEP_MS, end_ms + 1, STEP_MS)
    watches = list(_watches(reader, settings, list(rules), list(instruments), looks))
    by_id = {watch.rule.id: watch.rule for watch in watches}
    matters = _matters(watches, len(looks))
    known: dict[str, Alert] = {}
    states: dict[tuple[str, str], RuleState] = {}
    open_now: list[Alert] = []
    for i, now in enumerate(looks.tolist()):
        if on_step and i % 500 == 0:
            on_step(i, len(looks))
        if not (matters[i] or states or open_now):
            continue  # nothing beyond a limit, nothing under way: a step would change nothing
        seen: dict[str, list[Seen]] = {rule_id: [] for rule_id in by_id}
        for watch in watches:
            if watch.there[i]:
                value = float(watch.values[i])
                seen[watch.rule.id].append(watch.seen._replace(value=value))
        step = state_machine.step(by_id.values(), states, open_now, seen, now, len(known) + 1)
        states = step.states
        for event in step.events:
            known[event.subject] = alert.apply(known.get(event.subject), event)
        if step.events:
            open_now = [one for one in known.values() if one.open]
    return list(known.values())


def _matters(watches: Sequence[ObservedSeries], n: int) -> NDArray[np.bool_]:
    """Steps at which any value is beyond its limits."""
    found = np.zeros(n, bool)
    for rule, seen, values, there in watches:
        low, high = rule.limits(seen.band)
        found |= there & ((values < low) | (values > high))
    return found


def _watches(
    reader: Reader,
    settings: Settings,
    rules: Sequence[Rule],
    instruments: Sequence[Instrument],
    looks: NDArray[np.int64],
) -> Iterable[ObservedSeries]:
    wanted = [rule for rule in rules if rule.on and rule.of not in SKIPPED]
    everywhere = np.ones(len(looks), bool)
    airs: dict[str, _AirGrid] = {}
    together: dict[str, list[ObservedSeries]] = {}
    known = places(reader, settings)
    outdoors = next((_AirGrid(reader, p.id, looks) for p in known if p.kind == "outdoors"), None)
    for place in known:
        air = airs[place.id] = _AirGrid(reader, place.id, looks)
        if outdoors is not None and place.kind != "outdoors":
            air.walled(place, outdoors)
        limits = band(place, settings.limits)
        for rule in wanted:
            if rule.of is Of.PLACE and concerns(rule, place):
                values = air.values(rule.quantity, rule.over_s)
                seen = Seen(place.id, place.label, 0.0, limits)
                alone = ObservedSeries(rule, seen, values, everywhere)
                if rule.together:
                    together.setdefault(rule.id, []).append(alone)
                else:
                    yield alone
    yield from map(_furthest, together.values())
    yield from _sensors(reader, settings, wanted, looks)
    for instrument in instruments:
        for rule in wanted:
            if rule.of is Of.INSTRUMENT:
                yield from _instrument(reader, rule, instrument, airs, looks)


def _furthest(many: Sequence[ObservedSeries]) -> ObservedSeries:
    """Several places as one subject: at each step the value furthest out."""
    rule, seen = many[0].rule, many[0].seen
    low, high = rule.limits(seen.band)
    values = np.array([watch.values for watch in many])
    out = np.maximum(low - values, values - high)
    worst = np.argmax(np.where(np.isnan(out), -np.inf, out), axis=0)
    label = " and ".join(watch.seen.label for watch in many)
    return ObservedSeries(
        rule,
        Seen(SHOP, label, 0.0, seen.band),
        values[worst, np.arange(values.shape[1])],
        many[0].there,
    )


class _AirGrid:
    """A place's air at the steps: the mean of the ten minutes before each."""

    def __init__(self, reader: Reader, place: str, looks: NDArray[np.int64]) -> None:
        before = DAY_MS // STEP_MS
        self._before = before
        first = int(looks[0]) - STEP_MS * (before + 1)
        self._grid = first + STEP_MS * np.arange(len(looks) + before)
        ids = reader.series()
        sensors = sorted({s.sensor for s in ids if s.place == place}, key=leading_order)
        self._columns = WatchedAir(
            *(
                self._column(reader, [ids.get(Series(place, s, q)) for s in sensors])
                for q in (
                    Quantity.TEMPERATURE,
                    Quantity.HUMIDITY,
                    Quantity.SURFACE_TEMPERATURE,
                    Quantity.PRESSURE,
                )
            )
        )

    def walled(self, place: Place, outdoors: _AirGrid) -> None:
        """Limit the humidity by the cold walls of the place, as a sensor outdoors has it."""
        now = np.asarray(outdoors.values("temperature"))
        known = np.where(np.isnan(now), 0.0, now)
        span = np.minimum(np.arange(1, len(now) + 1), self._before)
        sums = [np.cumsum(column) for column in (known, (~np.isnan(now)).astype(float))]
        day = [total - np.r_[np.zeros(self._before), total][: len(total)] for total in sums]
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(2 * day[1] >= span, day[0] / day[1], np.nan)
        levels = safe_levels(place, np.asarray(self.values("temperature")), (mean, now))
        safe = np.full(len(self._grid), np.nan)
        safe[self._before :] = np.min(np.array(list(levels.values())), axis=0)
        self._columns = self._columns._replace(safe_rh_pct=safe)

    def _column(self, reader: Reader, ids: Sequence[int | None]) -> NDArray[np.float64]:
        """Values of the first series that has one; NaN where none has."""
        column = np.full(len(self._grid), np.nan)
        for series_id in ids:
            if series_id is not None:
                rows = reader.rollups(
                    series_id, TEN_MINUTES_S, int(self._grid[0]), int(self._grid[-1]) + STEP_MS
                )
                mine = on_grid(rows["ts_ms"], rows["mean"], self._grid)
                column = np.where(np.isnan(column), mine, column)
        return column

    def values(self, quantity: str, over_s: int = 0) -> NDArray[np.float64]:
        found = values_of(quantity, self._columns)
        if over_s:
            back = max(1, round(over_s / TEN_MINUTES_S))
            return found[self._before :] - found[self._before - back : len(found) - back]
        return found[self._before :]


def on_grid(
    ts_ms: NDArray[np.int64], values: NDArray[np.float64], grid: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Values at the moments of a grid of `STEP_MS`, NaN where there is none."""
    column = np.full(len(grid), np.nan)
    i = (ts_ms - grid[0]) // STEP_MS
    inside = (i >= 0) & (i < len(grid))
    column[i[inside]] = values[inside]
    return column


def _sensors(
    reader: Reader, settings: Settings, rules: Sequence[Rule], looks: NDArray[np.int64]
) -> Iterable[ObservedSeries]:
    rules = [rule for rule in rules if rule.of is Of.SENSOR]
    labels = {place.id: place.label for place in places(reader, settings)}
    outdoors = {place.id for place in places(reader, settings) if place.kind == "outdoors"}
    ids = reader.series()
    last: dict[tuple[str, str], int] = {}
    for _, (series, ts_ms, _) in reader.latest(EVER_MS):
        one = (series.sensor, series.place)
        last[one] = max(last.get(one, 0), ts_ms)
    carried = moved_on(reader, last, EVER_MS)
    kept = {(one.name, one.home): one for one in reader.histories().values()}
    for sensor, place in sorted(last):
        mine = [s for s in ids if (s.sensor, s.place) == (sensor, place)]
        heard = np.full(len(looks), np.iinfo(np.int64).min)
        columns = {
            name: np.full(len(looks), np.nan) for name in ("unchanged_s", "saturated_s", "battery")
        }
        for series in mine:
            if series.quantity not in (Quantity.HUMIDITY, Quantity.BATTERY):
                continue
            rows = reader.rollups(
                ids[series], TEN_MINUTES_S, int(looks[0]) - KNOWN_MS, int(looks[-1]) + 1
            )
            if not len(rows):
                continue
            at = np.searchsorted(rows["ts_ms"] + STEP_MS, looks, side="right") - 1
            known = at >= 0
            heard[known] = np.maximum(heard[known], rows["ts_ms"][at[known]] + STEP_MS)
            if series.quantity is Quantity.BATTERY:
                columns["battery"][known] = rows["mean"][at[known]]
                continue
            wet = rows["low"] >= SATURATED_PCT
            moved = (
                wet
                | (rows["low"] != rows["high"])
                | np.r_[True, rows["low"][1:] != rows["low"][:-1]]
            )
            for name, broken in (
                ("unchanged_s", moved),
                ("saturated_s", ~wet | (series.place in outdoors)),
            ):
                columns[name][known] = _lasting_s(rows["ts_ms"], broken)[at[known]]
        if (heard == np.iinfo(np.int64).min).all():
            continue
        history = kept.get((sensor, place))
        proved_ms = history.proved_ms() if history is not None else None
        columns["rested"] = np.full(len(looks), np.nan)  # jars leave no trace in a place's air
        columns["calibrated_s"] = np.full(len(looks), np.nan)
        if proved_ms is not None:
            columns["calibrated_s"] = np.where(
                looks >= proved_ms, (looks - proved_ms) / 1000, np.nan
            )
        columns["silent_s"] = np.where(heard > 0, (looks - heard) / 1000, np.nan)
        if sensor == BY_HAND:  # it sends nothing by itself, and cannot be stuck
            for name in ("silent_s", "unchanged_s", "saturated_s"):
                columns[name][:] = np.nan
        there = (heard > 0) & (looks - heard <= KNOWN_MS)
        there &= looks < carried.get((sensor, place), looks[-1] + 1)
        label = f"Sensor {sensor} at {labels[place]}"
        for rule in rules:
            yield ObservedSeries(
                rule, Seen(f"{place}/{sensor}", label, 0.0), columns[rule.quantity], there
            )


def _lasting_s(ts_ms: NDArray[np.int64], broken: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Time without a break up to the end of each rollup. [s]"""
    last = np.maximum.accumulate(np.where(broken, np.arange(len(ts_ms)), -1))
    first = np.minimum(last + 1, len(ts_ms) - 1)
    lasting = (ts_ms - ts_ms[first]) / 1000 + TEN_MINUTES_S
    return np.where(last == np.arange(len(ts_ms)), 0.0, lasting)


def _instrument(
    reader: Reader,
    rule: Rule,
    instrument: Instrument,
    airs: dict[str, _AirGrid],
    looks: NDArray[np.int64],
) -> Iterable[ObservedSeries]:
    there = (looks >= instrument.arrived_ms) & (looks < (instrument.left_ms or looks[-1] + 1))
    if not there.any():
        return
    seen = Seen(instrument.id, instrument.reference, 0.0)
    if rule.quantity == "warm_up_margin":
        air = airs.get(instrument.place)
        if air is not None and instrument.arrived_temp_c is not None:
            margin = warm_up_margins_k(
                instrument, air.values("temperature"), air.values("dew_point"), looks
            )
            yield ObservedSeries(rule, seen, np.where(np.isnan(margin), np.inf, margin), there)
        return
    if not knows_home(instrument):
        return
    past = wood_history(reader, instrument, int(looks[-1]))
    if past is None:
        return
    at = np.searchsorted(past.at_ms, looks, side="right") - 1
    value = instrument_values(rule.quantity, past)
    values = np.where(at >= 0, value[np.maximum(at, 0)], np.nan)
    yield ObservedSeries(rule, seen, values, there)


def instrument_values(quantity: str, past: MoistureHistory) -> NDArray[np.float64]:
    """A quantity of an instrument's wood at each step of its history, best estimate, in its unit of
    `WATCHABLE`."""
    off = past.mean - past.home_moisture_pct
    free = np.array([part.restraint == 0 for part in past.parts])
    off[free] = 0.0
    if quantity == "from_rest":
        return np.asarray(off[np.argmax(np.abs(off), axis=0), np.arange(off.shape[1])])
    held = [part.restraint for part in past.parts]
    per_pct = [SPECIES[part.species].along(part.cut).coefficient for part in past.parts]
    per_point = HELD_SHARE_MIDDLE * np.array(held) * per_pct
    share = share_of_yield(-per_point[:, None] * off)
    return np.asarray(np.where(past.opened, 0.0, 100 * share.max(axis=0)))
