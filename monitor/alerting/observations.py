"""Observations for the rules now: places, sensors, instruments, waits, tanks and the shop itself."""

from __future__ import annotations

import math
import shutil
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.current import PlaceAir, air_now, recent
from monitor.air.place_means import places
from monitor.alerting.air_quantities import WatchedAir, concerns, values_of
from monitor.commands import Journal
from monitor.commands.closing import shop_hours
from monitor.core.formats import degree, unit_of
from monitor.core.measurements import BY_HAND, Quantity, Series
from monitor.domain.alerts.rule import OUTLOOK, Of, Rule
from monitor.domain.alerts.rule_state import ExpectedSpell, Seen
from monitor.domain.glue import Glue, GlueState
from monitor.domain.instrument import Instrument
from monitor.domain.opening_hours import Hours, is_open, last_closing
from monitor.domain.places import Place, band
from monitor.domain.sensor import SensorHistory
from monitor.domain.situation import ANYWHERE, drying
from monitor.outlook.shut_today import chance_open_again, chance_shut
from monitor.outlook.summary import (
    PlaceOutlook,
    dry_words,
    foreseen,
    spell_words,
    walls_allow_no_water,
)
from monitor.planning import present
from monitor.planning.last_start import BEFORE_MS
from monitor.planning.words import Names, last_start_sentence
from monitor.science.calibration.settling import SettlingStage
from monitor.science.sensor_health import saturated_s, standstill_s
from monitor.science.waits.wait import WaitState
from monitor.sensor_care.calibration import settled
from monitor.sensor_care.health import left
from monitor.store import TEN_MINUTES_S, Reader
from monitor.waits.evaluation import WaitStatus
from monitor.wood.evaluation import InstrumentStatus, warm_up_margins_k

if TYPE_CHECKING:
    from monitor.science.outlook.ensemble_statistics import OutlookSpell
    from monitor.settings import Settings

DAY_MS = 86_400_000
KNOWN_MS = 14 * DAY_MS
"""A sensor that was silent for longer is no longer observed. [ms]"""
NEAR_MS = 1_200_000
"""Greatest distance of a value from the moment that a change is taken from. [ms]"""
HOMES_APART_PCT = 5.0
"""Homes that differ by more cannot share the air of a room. [% RH]  Ours: about half of what keeps
held spruce far from its yield strain."""
SHOP = "shop"
LAST_STARTS_MAX = 600
"""Longest text on last starts. [characters]"""
CLOSING_SOON_MS = 900_000
"""Time before closing at which a pot that is on is reported. [ms]  Ours."""


class ServiceTroubles(NamedTuple):
    """Reasons why the service gets no messages or cannot store them, how its clock has jumped, and what
    is wrong with its backups; empty if all is well."""

    broker: str = ""
    store: str = ""
    clock: str = ""
    backup: str = ""


class Snapshot(NamedTuple):
    """Everything that rules test at one moment."""

    settings: Settings
    airs: Sequence[PlaceAir]
    sensors: Sequence[SensorState]
    statuses: Sequence[WaitStatus]
    woods: Sequence[InstrumentStatus]
    filled_ms: Mapping[str, int]
    outlooks: Mapping[str, PlaceOutlook]
    troubles: ServiceTroubles
    now_ms: int
    glues: Sequence[Glue] = ()
    last_starts: Sequence[str] = ()
    """Sentences on what could be started in the hour before closing."""


class SensorState(NamedTuple):
    """A sensor: where it is, when it was heard [ms], for how long its humidity has not moved, or
    has read `SATURATED_PCT` and more [s], its battery [%], how long ago it was calibrated [s], and
    whether it is at rest in its jar (1 or 0); NaN: not known."""

    sensor: str
    place: Place
    heard_ms: int
    unchanged_s: float
    saturated_s: float
    battery_pct: float
    calibrated_s: float = math.nan
    rested: float = math.nan


def snapshot(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    statuses: Sequence[WaitStatus],
    woods: Sequence[InstrumentStatus],
    troubles: ServiceTroubles,
    now_ms: int,
) -> Snapshot:
    """Look at everything. `statuses` are of the open waits, `woods` of the instruments here."""
    wet = drying(journal.waits.values())
    airs = air_now(recent(reader, settings, now_ms), settings, now_ms, wet)
    sensors = _sensors(reader, settings, now_ms)
    filled, hours = journal.filled_ms, shop_hours(reader, settings)
    ahead = {air.place.id: foreseen(settings, air.place, now_ms, hours) for air in airs}
    outlooks = {place: one for place, one in ahead.items() if one is not None}
    glues = [one for one in journal.glues.values() if one.here]
    return Snapshot(
        settings,
        airs,
        sensors,
        statuses,
        woods,
        filled,
        outlooks,
        troubles,
        now_ms,
        glues,
        _last_starts(settings, journal, hours, now_ms),
    )


def _last_starts(settings: Settings, journal: Journal, hours: Hours, now_ms: int) -> Sequence[str]:
    """Sentences on the last starts of today, by the present plan; none earlier in the day."""
    zone = settings.zone
    closed_soon = not is_open(hours, zone, now_ms + BEFORE_MS)
    if not (is_open(hours, zone, now_ms) and closed_soon):
        return ()
    found = present.read(settings)
    if found is None or not found.fresh(now_ms):
        return ()
    names = Names(journal)
    return [last_start_sentence(one, names, now_ms, zone) for one in found.last_starts]


def observe(rules: Iterable[Rule], snapshot: Snapshot) -> dict[str, list[Seen]]:
    """Observations of each rule, by its id."""
    return {rule.id: _seen(rule, snapshot) for rule in rules}


def _seen(rule: Rule, s: Snapshot) -> list[Seen]:
    match rule.of:
        case Of.PLACE:
            found = [_place(rule, air, s) for air in s.airs if concerns(rule, air.place)]
            return furthest(rule, found) if rule.together else found
        case Of.SENSOR:
            return [_sensor(rule.quantity, one, s.now_ms) for one in s.sensors]
        case Of.WAIT:
            return [_wait(rule.quantity, one) for one in s.statuses]
        case Of.INSTRUMENT:
            airs = {air.place.id: air for air in s.airs}
            shared = _shared(s.woods)
            return [
                _instrument(rule.quantity, one, airs, s.now_ms)._replace(
                    situation=ANYWHERE._replace(own_tent=one.instrument.place in shared)
                )
                for one in s.woods
            ]
        case Of.GLUE:
            return [_glue(rule.quantity, one, s) for one in s.glues]
        case Of.RESERVOIR:
            tanks = {tank.id: tank for tank in s.settings.reservoirs}
            since = {i: (s.now_ms - at) / 1000 for i, at in s.filled_ms.items() if i in tanks}
            return [Seen(i, tanks[i].label, t - 3600 * tanks[i].lasts_h) for i, t in since.items()]
        case Of.SHOP:
            return [_shop(rule.quantity, s)]


def furthest(rule: Rule, places: Sequence[Seen]) -> list[Seen]:
    """Several places as one subject: the one whose value lies furthest out."""
    known = [one for one in places if not math.isnan(one.value)]
    if not known:
        return [Seen(SHOP, places[0].label, math.nan)] if places else []
    low, high = rule.limits(known[0].band)
    worst = max(known, key=lambda one: max(low - one.value, one.value - high))
    situation = worst.situation
    for one in places:
        situation = situation.also(one.situation)
    return [worst._replace(subject=SHOP, situation=situation)]


def _place(rule: Rule, air: PlaceAir, s: Snapshot) -> Seen:
    limits = band(air.place, s.settings.limits)
    if rule.quantity in OUTLOOK:
        one, situation = s.outlooks.get(air.place.id), air.situation
        if one is not None:
            situation = situation._replace(may_fill=not walls_allow_no_water(one))
        return _coming(rule.quantity, air.place, s)._replace(band=limits, situation=situation)
    value = math.nan
    if not air.old:
        safe = math.nan if air.safe is None else air.safe.rh_pct
        here = WatchedAir(air.temp_c, air.rh_pct, air.surface_temp_c, air.pressure_pa, safe)
        value = float(values_of(rule.quantity, here))
        if rule.over_s:
            value -= _earlier(rule, air, s.now_ms)
    return Seen(air.place.id, air.place.label, value, limits, situation=air.situation)


def _coming(quantity: str, place: Place, s: Snapshot) -> Seen:
    """Observation of a place's outlook. A spell that has begun belongs to other rules."""
    one = s.outlooks.get(place.id)
    if one is None:
        return Seen(place.id, place.label, math.nan)
    zone, in_f = s.settings.zone, s.settings.board.temperature_unit == "F"
    dry = dry_words(one, zone, us=in_f)
    if quantity == "dry_snap":
        begun = one.dry is not None and one.dry.begins_h.middle == 0
        coming = _expected(one, one.dry, below=True)
        return Seen(place.id, place.label, one.snap, detail=dry, begun=begun, expected=coming)
    spell, unit = {
        "dry_spell_chance": (one.dry, "%"),
        "damp_spell_chance": (one.damp, "%"),
        "hot_spell_chance": (one.hot, degree(unit_of(in_f))),
    }[quantity]
    if spell is None or spell.begins_h.middle == 0:
        return Seen(place.id, place.label, 0.0, begun=spell is not None)
    words = dry if quantity == "dry_spell_chance" else spell_words(one, spell, unit, zone)
    coming = _expected(one, spell, below=quantity == "dry_spell_chance")
    return Seen(place.id, place.label, 100 * spell.chance, detail=words, expected=coming)


def _expected(
    one: PlaceOutlook, spell: OutlookSpell | None, *, below: bool
) -> ExpectedSpell | None:
    if spell is None:
        return None
    return ExpectedSpell(one.at_ms(spell.begins_h.middle), round(spell.extreme.middle, 1), below)


def _earlier(rule: Rule, air: PlaceAir, now_ms: int) -> float:
    """The value at the beginning of the time that a change is taken over; NaN if not known."""
    trace = air.trace
    if not len(trace.at_ms):
        return math.nan
    when = now_ms - 1000 * rule.over_s
    i = int(np.argmin(np.abs(trace.at_ms - when)))
    if abs(int(trace.at_ms[i]) - when) > NEAR_MS:
        return math.nan
    return float(values_of(rule.quantity, WatchedAir(trace.temp_c[i], trace.rh_pct[i])))


def _sensors(reader: Reader, settings: Settings, now_ms: int) -> list[SensorState]:
    known = {place.id: place for place in places(reader, settings)}
    ids = reader.series()
    newest: dict[tuple[str, str], int] = {}
    battery: dict[tuple[str, str], float] = {}
    for _, (series, ts_ms, value) in reader.latest(now_ms):
        one = (series.sensor, series.place)
        newest[one] = max(newest.get(one, 0), ts_ms)
        if series.quantity is Quantity.BATTERY:
            battery[one] = value
    moved = moved_on(reader, newest, now_ms)
    kept = {(one.name, one.home): one for one in reader.histories().values()}
    found = _in_jars(reader, kept.values(), known, now_ms)
    for (sensor, place), heard in sorted(newest.items()):
        if now_ms - heard > KNOWN_MS or (sensor, place) in moved:
            continue
        history = kept.get((sensor, place))
        if history is not None and history.in_jar:
            continue
        series_id = ids.get(Series(place, sensor, Quantity.HUMIDITY))
        still, wet = math.nan, math.nan
        by_hand = sensor == BY_HAND  # it sends nothing by itself, and cannot be stuck
        if series_id is not None and not by_hand:
            rows = reader.rollups(series_id, TEN_MINUTES_S, now_ms - DAY_MS, now_ms + 1)
            still, wet = standstill_s(rows), saturated_s(rows)
            if wet > 0:  # at the end of its range it may well stand still
                still = 0.0
            if known[place].kind == "outdoors":  # where saturated air is no fault
                wet = 0.0
        charge = battery.get((sensor, place), math.nan)
        age = _calibrated_s(history, now_ms)
        heard = now_ms if by_hand else heard
        found.append(SensorState(sensor, known[place], heard, still, wet, charge, age))
    return found


def _in_jars(
    reader: Reader, histories: Iterable[SensorHistory], known: Mapping[str, Place], now_ms: int
) -> list[SensorState]:
    """Sensors that are being calibrated: only whether they send, and are steady."""
    jarred = [one for one in histories if one.jar is not None]
    if not jarred:
        return []
    heard: dict[str, int] = {}
    for (place, sensor, _), ts_ms, _ in reader.raw_latest(now_ms):
        heard[f"{place}/{sensor}"] = max(heard.get(f"{place}/{sensor}", 0), ts_ms)
    return [
        SensorState(
            one.name,
            known.get(one.home, Place(id=one.home)),
            heard.get(one.id, now_ms),
            math.nan,
            math.nan,
            math.nan,
            rested=float(settled(reader, one, now_ms).rest is SettlingStage.STEADY),
        )
        for one in jarred
    ]


def _calibrated_s(history: SensorHistory | None, now_ms: int) -> float:
    proved_ms = history.proved_ms() if history is not None else None
    return math.nan if proved_ms is None else (now_ms - proved_ms) / 1000


def moved_on(
    reader: Reader, newest: Mapping[tuple[str, str], int], now_ms: int
) -> dict[tuple[str, str], int]:
    """Sensors that were carried elsewhere, and since when.

    Parameters
    ----------
    newest : mapping of (sensor, place) to ms
        When each was last heard there.

    Returns
    -------
    mapping of (sensor, place) to ms
        Those of which all that was heard under their name since comes from another place. Two that
        were heard in turn are two sensors of one name, and both are looked for. Those too that
        are known to have been moved.
    """
    places_of = Counter(sensor for sensor, _ in newest)
    twice = {one for one in newest if places_of[one[0]] > 1}
    first: dict[tuple[str, str], int] = {}
    for series, series_id in reader.series().items():
        one = (series.sensor, series.place)
        if one in twice and (span := reader.span(series_id)) is not None:
            first[one] = min(first.get(one, span[0]), span[0])
    later = {
        one: min(
            (
                at
                for other, at in first.items()
                if other[0] == one[0] and other != one and at >= newest[one]
            ),
            default=None,
        )
        for one in twice
    }
    return {one: at for one, at in later.items() if at is not None} | left(reader, now_ms)


def _sensor(quantity: str, one: SensorState, now_ms: int) -> Seen:
    values = {
        "silent_s": max(now_ms - one.heard_ms, 0) / 1000,
        "unchanged_s": one.unchanged_s,
        "saturated_s": one.saturated_s,
        "battery": one.battery_pct,
        "calibrated_s": one.calibrated_s,
        "rested": one.rested,
    }
    label = f"Sensor {one.sensor} at {one.place.label}"
    return Seen(f"{one.place.id}/{one.sensor}", label, values[quantity])


def _wait(quantity: str, one: WaitStatus) -> Seen:
    wait, found = one.wait, one.readiness
    label = ", ".join(filter(None, (wait.instrument, wait.what or one.kind.name)))
    if found is None:
        return Seen(wait.id, label, math.nan)
    values = {
        "ready": one.ready,
        "loadable": one.loadable,
        "held": found.state is WaitState.HOLD,
        "late": one.late and (one.load or found).state is not WaitState.READY,
    }
    return Seen(wait.id, label, float(values[quantity]))


def _glue(quantity: str, one: Glue, s: Snapshot) -> Seen:
    label, on_ms = f"{one.label} (glue {one.id})", one.pot_on_ms
    if quantity == "glue_past":
        return Seen(one.id, label, float(one.state(s.now_ms) is GlueState.PAST))
    if on_ms is None:
        return Seen(one.id, label, 0.0)
    if quantity == "pot_on_s":
        return Seen(one.id, label, max(s.now_ms - on_ms, 0) / 1000)
    # By the settings alone: a wrong or forgotten answer about closed days must not silence it.
    hours, zone = s.settings.hours.model_dump(), s.settings.zone
    closed = last_closing(hours, zone, s.now_ms + CLOSING_SOON_MS)
    return Seen(one.id, label, float(closed is not None and on_ms < closed))


def _instrument(
    quantity: str, one: InstrumentStatus, airs: Mapping[str, PlaceAir], now_ms: int
) -> Seen:
    instrument, found = one.instrument, one.answer
    value, part = math.nan, ""
    if quantity == "warm_up_margin":
        air = airs.get(instrument.place)
        # One that did not come in cold has nothing to warm up from.
        value = math.inf
        if air is not None and not air.old and instrument.arrived_temp_c is not None:
            margin = float(warm_up_margins_k(instrument, air.temp_c, air.dew_point_c, now_ms))
            value = math.inf if math.isnan(margin) else margin
    elif found is not None and found.parts and knows_home(instrument):
        if quantity == "from_rest":
            held = [p for p in found.parts if p.part.restraint > 0] or found.parts
            furthest = max(held, key=lambda p: abs(p.from_home_pct.median))
            value, part = furthest.from_home_pct.median, furthest.part.name
        else:
            nearest = max(found.parts, key=lambda p: p.yield_share.median)
            value, part = 100 * nearest.yield_share.median, nearest.part.name
            if instrument.open_now:  # an opened plate is free to move
                value = 0.0
    return Seen(instrument.id, instrument.reference, value, detail=part)


def _shared(woods: Iterable[InstrumentStatus]) -> set[str]:
    """Places of instruments with homes further apart than `HOMES_APART_PCT`."""
    homes: dict[str, list[float]] = {}
    for one in woods:
        home = one.instrument.home
        if home is not None and home.rh_pct is not None:
            homes.setdefault(one.instrument.place, []).append(home.rh_pct)
    return {place for place, rh in homes.items() if max(rh) - min(rh) > HOMES_APART_PCT}


def knows_home(instrument: Instrument) -> bool:
    """True if an instrument's home moisture is known."""
    return instrument.home is not None and instrument.home.rh_pct is not None


def _shop(quantity: str, s: Snapshot) -> Seen:
    if quantity == "disk_free":
        try:
            return Seen(SHOP, "Shop", shutil.disk_usage(s.settings.data).free / 1e9)
        except OSError:
            return Seen(SHOP, "Shop", math.nan)
    if quantity == "last_starts":
        kept, more = list(s.last_starts), ""
        while len(" ".join(kept)) > LAST_STARTS_MAX:
            kept.pop()
            more = "More on the page Plan."
        return Seen(
            SHOP, "Shop", float(len(s.last_starts)), detail=" ".join([*kept, more]).strip()
        )
    if quantity == "shut_chance":
        looks = [one.look for one in s.outlooks.values()]
        return Seen(SHOP, "Shop", 100 * chance_shut(looks, s.settings, s.now_ms))
    if quantity == "open_chance":
        looks = [one.look for one in s.outlooks.values()]
        chance = chance_open_again(looks, s.settings, s.now_ms)
        return Seen(SHOP, "Shop", 0.0 if math.isnan(chance) else 100 * chance)
    troubles = {
        "broker_away": s.troubles.broker,
        "store_trouble": s.troubles.store,
        "clock_jump": s.troubles.clock,
        "backup_trouble": s.troubles.backup,
    }
    trouble = troubles[quantity]
    return Seen(SHOP, "Shop", float(bool(trouble)), detail=trouble[:200])
