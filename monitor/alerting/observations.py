"""Observations for the rules now: places, sensors, instruments, waits, tanks and the shop itself."""

from __future__ import annotations

import math
import shutil
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.current import PlaceAir, air_now
from monitor.air.kept_looks import Inputs, KeptLooks
from monitor.air.last_day import LastDay
from monitor.air.latest_air import recent
from monitor.alerting.air_quantities import WatchedAir, concerns, values_of
from monitor.alerting.sensor_states import SensorState, sensor_states
from monitor.commands import Journal
from monitor.commands.closing import shop_hours
from monitor.core.formats import degree, unit_of
from monitor.domain.alerts.rule import OUTLOOK, Of, Rule
from monitor.domain.alerts.rule_state import ExpectedSpell, Seen
from monitor.domain.glue import Glue, GlueState
from monitor.domain.instrument import Instrument
from monitor.domain.opening_hours import last_closing
from monitor.domain.places import band
from monitor.domain.situation import ANYWHERE, drying
from monitor.outlook.kept_outlooks import KeptOutlooks
from monitor.outlook.shut_today import chance_open_again, chance_shut
from monitor.outlook.summary import PlaceOutlook, dry_words, spell_words, walls_allow_no_water
from monitor.science.waits.wait import WaitState
from monitor.store import Reader
from monitor.waits.evaluation import WaitStatus
from monitor.wood.evaluation import InstrumentStatus, case_shut_hours, warm_up_margins_k

if TYPE_CHECKING:
    from monitor.science.outlook.ensemble_statistics import OutlookSpell
    from monitor.settings import Settings

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
    looks: KeptLooks | None = None
    """What the looks before have kept."""


def snapshot(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    statuses: Sequence[WaitStatus],
    woods: Sequence[InstrumentStatus],
    troubles: ServiceTroubles,
    now_ms: int,
    only: Collection[str] | None = None,
    kept: KeptOutlooks | None = None,
    looks: KeptLooks | None = None,
    last_starts: Sequence[str] = (),
) -> Snapshot:
    """Look at everything. `statuses` are of the open waits, `woods` of the instruments here,
    `last_starts` sentences on the last starts of today. `only`: the places that are looked at, if not
    all; those outdoors are always among them. `kept`: outlooks of the looks before, `looks` what else
    those by the same reader have kept."""
    kept = kept or KeptOutlooks(settings)
    wet = drying(journal.waits.values())
    day = LastDay(reader, now_ms, looks)
    latest = recent(reader, settings, now_ms, day, only)
    airs = air_now(latest, settings, now_ms, wet, kept=day.kept)
    sensors = sensor_states(day, settings, only)
    filled, hours = journal.filled_ms, shop_hours(reader, settings)
    ahead = {air.place.id: kept.of(air.place, now_ms, hours) for air in airs}
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
        last_starts,
        looks,
    )


def observe(rules: Iterable[Rule], snapshot: Snapshot) -> dict[str, list[Seen]]:
    """Observations of each rule, by its id."""
    rules = [*rules]
    of_places = _of_places([rule for rule in rules if rule.of is Of.PLACE], snapshot)
    return {rule.id: _seen(rule, snapshot, of_places) for rule in rules}


def _of_places(rules: Sequence[Rule], s: Snapshot) -> dict[str, list[Seen]]:
    """Observations of places. Those of the present air and of outlooks are made again only where these
    have changed; a change over a time moves on with the clock."""
    kept = s.looks or KeptLooks()
    still = tuple(rule for rule in rules if not rule.over_s)
    (still,) = kept.results("rules", {"": ((), still)}, lambda _: [still]).values()
    airs = {air.place.id: air for air in s.airs}
    inputs: dict[str, Inputs] = {
        i: ((air, s.outlooks.get(i), still, s.settings), ()) for i, air in airs.items()
    }

    def made(some: list[str]) -> Iterable[dict[str, Seen]]:
        found: dict[str, dict[str, Seen]] = {i: {} for i in some}
        for rule in still:
            for one in _places(rule, [airs[i] for i in some], s):
                found[one.subject][rule.id] = one
        return found.values()

    places = kept.results("seen", inputs, made).values()
    found = {
        rule.id: _places(rule, s.airs, s)
        if rule.over_s
        else [one[rule.id] for one in places if rule.id in one]
        for rule in rules
    }
    return found | {r.id: furthest(r, found[r.id]) for r in rules if r.together}


def _seen(rule: Rule, s: Snapshot, of_places: Mapping[str, list[Seen]]) -> list[Seen]:
    match rule.of:
        case Of.PLACE:
            return of_places[rule.id]
        case Of.SENSOR:
            return [_sensor(rule.quantity, one, s.now_ms) for one in s.sensors]
        case Of.WAIT:
            return [_wait(rule.quantity, one) for one in s.statuses]
        case Of.INSTRUMENT:
            airs = {air.place.id: air for air in s.airs}
            shared = _shared(s.woods)
            return [
                _instrument(rule.quantity, one, airs, s.now_ms)._replace(
                    situation=ANYWHERE._replace(
                        own_tent=one.instrument.place in shared,
                        shut_h=_shut_h(one, airs.get(one.instrument.place)),
                    )
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
        here = one.situation
        if here.drying or here.open_flame or here.hot:
            situation = situation.also(here)
    return [worst._replace(subject=SHOP, situation=situation)]


def _places(rule: Rule, airs: Iterable[PlaceAir], s: Snapshot) -> list[Seen]:
    airs = [air for air in airs if concerns(rule, air.place)]
    if rule.quantity in OUTLOOK:
        return [_foretold(rule, air, s) for air in airs]
    values = _values(rule, airs, s.now_ms)
    return [
        Seen(
            air.place.id,
            air.place.label,
            values.get(air.place.id, math.nan),
            band(air.place, s.settings.limits),
            situation=air.situation,
        )
        for air in airs
    ]


def _foretold(rule: Rule, air: PlaceAir, s: Snapshot) -> Seen:
    place, one, situation = air.place, s.outlooks.get(air.place.id), air.situation
    limits = band(place, s.settings.limits)
    if one is None:
        return Seen(place.id, place.label, math.nan, limits, situation=situation)
    situation = situation._replace(may_fill=not walls_allow_no_water(one))
    return _coming(rule.quantity, one, s)._replace(band=limits, situation=situation)


def _values(rule: Rule, airs: Sequence[PlaceAir], now_ms: int) -> dict[str, float]:
    """The quantity of a rule at the places that are not old, worked out for all together."""
    airs = [air for air in airs if not air.old]
    if not airs:
        return {}
    columns = np.array(
        [
            (
                air.temp_c,
                air.rh_pct,
                air.surface_temp_c,
                air.pressure_pa,
                math.nan if air.safe is None else air.safe.rh_pct,
            )
            for air in airs
        ]
    )
    values = values_of(rule.quantity, WatchedAir(*columns.T))
    if rule.over_s:
        earlier = np.array([_earlier(rule, air, now_ms) for air in airs])
        values = values - values_of(rule.quantity, WatchedAir(*earlier.T))
    return dict(zip((air.place.id for air in airs), values.tolist(), strict=True))


def _coming(quantity: str, one: PlaceOutlook, s: Snapshot) -> Seen:
    """Observation of a place's outlook. A spell that has begun belongs to other rules."""
    place = one.place
    zone, in_f = s.settings.zone, s.settings.board.temperature_unit == "F"
    if quantity == "dry_snap":
        begun = one.dry is not None and one.dry.begins_h.middle == 0
        coming = _expected(one, one.dry, below=True)
        words = dry_words(one, zone, us=in_f)
        return Seen(place.id, place.label, one.snap, detail=words, begun=begun, expected=coming)
    spell, unit = {
        "dry_spell_chance": (one.dry, "%"),
        "damp_spell_chance": (one.damp, "%"),
        "hot_spell_chance": (one.hot, degree(unit_of(in_f))),
    }[quantity]
    if spell is None or spell.begins_h.middle == 0:
        return Seen(place.id, place.label, 0.0, begun=spell is not None)
    dry = quantity == "dry_spell_chance"
    words = dry_words(one, zone, us=in_f) if dry else spell_words(one, spell, unit, zone)
    coming = _expected(one, spell, below=dry)
    return Seen(place.id, place.label, 100 * spell.chance, detail=words, expected=coming)


def _expected(
    one: PlaceOutlook, spell: OutlookSpell | None, *, below: bool
) -> ExpectedSpell | None:
    if spell is None:
        return None
    return ExpectedSpell(one.at_ms(spell.begins_h.middle), round(spell.extreme.middle, 1), below)


def _earlier(rule: Rule, air: PlaceAir, now_ms: int) -> tuple[float, float]:
    """Temperature and RH at the beginning of the time that a change is taken over; NaN if not known.
    [°C], [%]"""
    trace = air.trace
    if not len(trace.at_ms):
        return math.nan, math.nan
    when = now_ms - 1000 * rule.over_s
    i = int(trace.at_ms.searchsorted(when))
    if i and (i == len(trace.at_ms) or when - trace.at_ms[i - 1] <= trace.at_ms[i] - when):
        i -= 1
    if abs(int(trace.at_ms[i]) - when) > NEAR_MS:
        return math.nan, math.nan
    return float(trace.temp_c[i]), float(trace.rh_pct[i])


def _sensor(quantity: str, one: SensorState, now_ms: int) -> Seen:
    match quantity:
        case "silent_s":
            value = max(now_ms - one.heard_ms, 0) / 1000
        case "battery":
            value = one.battery_pct
        case _:
            value = getattr(one, quantity)
    label = f"Sensor {one.sensor} at {one.place.label}"
    return Seen(f"{one.place.id}/{one.sensor}", label, value)


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
    since = {"ready": found.ready_ms, "loadable": found.ready_ms, "held": found.hold_since_ms}
    return Seen(wait.id, label, float(values[quantity]), since_ms=since.get(quantity))


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


def _shut_h(one: InstrumentStatus, air: PlaceAir | None) -> int | None:
    return None if air is None else case_shut_hours(one.instrument, air.temp_c, air.rh_pct)


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
