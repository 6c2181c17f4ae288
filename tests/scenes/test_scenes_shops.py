"""Shops of the scenes under the starting rules: what the board must never say at one moment.

Rung: property. The texts, the assessment and the rules are the product's; the air is the scenes'.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from one_place import safe_humidity

import scenes
from monitor.alerting.air_quantities import WatchedAir, concerns, values_of
from monitor.domain import cautions
from monitor.domain.air_assessment import FORBIDS_WEIGHT, AirState, judge
from monitor.domain.alerts import alert, state_machine
from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.alerts.rule import OUTLOOK, Of
from monitor.domain.alerts.rule_state import Seen
from monitor.domain.cold_walls import OutdoorTemps, add_water
from monitor.domain.places import AirLimits, Place, band
from monitor.domain.situation import Situation
from monitor.domain.wait_types import KINDS as WAITS
from monitor.science.air import dew_point
from monitor.science.waits.film import FilmLaw
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.parameters import Hold
from monitor.waits.text import COAT_REMEDIES, HOLDS
from scenes.climates import saturation_pa
from scenes.sentences import KINDS, contradictions, orders, sentences

LIMITS = AirLimits()
RULES = starting_set(LIMITS)
HOUR_MS = 3_600_000
TEMPS_C = (2.0, 8.0, 13.0, 17.0, 20.0, 24.0, 27.5, 29.0, 31.0, 35.0)
RHS_PCT = (8.0, 18.0, 28.0, 34.0, 39.0, 45.0, 52.0, 58.0, 63.0, 68.0, 74.0, 79.0, 84.0, 90.0, 97.0)
PLACES = (Place(id="bench", kind="bench"), Place(id="varnish", kind="varnish"))
AIRS = [(t, rh) for t in TEMPS_C for rh in RHS_PCT]


@cache
def firing(place, temp_c, rh_pct):
    """Rules on the air that a place of this steady air is beyond."""
    found = []
    for rule in RULES.values():
        if rule.of is not Of.PLACE or rule.quantity in OUTLOOK or rule.over_s:
            continue
        if not concerns(rule, place):
            continue
        value = float(values_of(rule.quantity, WatchedAir(temp_c, rh_pct)))
        low, high = rule.limits(band(place, LIMITS))
        if value < low or value > high:
            found.append(rule)
    return tuple(found)


def assessed(place, temp_c, rh_pct):
    t, rh = np.array([temp_c]), np.array([rh_pct])
    return judge(place, LIMITS, np.array([0]), t, rh, dew_point(t, rh))


@cache
def shown(place, temp_c, rh_pct):
    """All orders at a place at one moment: its assessment and the rules that its air is beyond."""
    return " ".join(
        (
            assessed(place, temp_c, rh_pct).sentence,
            *(f"{rule.advice()} {rule.caution}" for rule in firing(place, temp_c, rh_pct)),
        )
    )


def test_the_table_of_kinds_finds_the_sentences_that_are_written():
    every = " ".join(rule.advice() for rule in RULES.values())
    every += " ".join(assessed(p, *air).sentence for p in PLACES for air in AIRS)
    every += cautions.SOLVENTS
    found = {order.kind for order in orders(every)}
    assert found >= {
        *("add water", "dry the air", "shut windows", "open windows", "warm", "cool"),
        *("close nothing", "keep cases shut", "do not release", "free plates", "longer"),
    }
    assert contradictions("Close the windows. Open a window.")
    assert contradictions("Add water to the air. Dry the air slowly.")
    assert not contradictions("Close the windows only if nothing burns. Open a window.")
    assert len(KINDS) > 20


@pytest.mark.parametrize("place", PLACES, ids=lambda p: p.kind)
def test_no_two_sentences_contradict_each_other_in_any_steady_air(place):
    for temp_c, rh_pct in AIRS:
        assert not contradictions(shown(place, temp_c, rh_pct)), (temp_c, rh_pct)


@pytest.mark.parametrize("place", PLACES, ids=lambda p: p.kind)
def test_water_is_never_ordered_into_damp_air_nor_taken_from_dry(place):
    low, high = band(place, LIMITS)
    for temp_c, rh_pct in AIRS:
        kinds = {order.kind for order in orders(shown(place, temp_c, rh_pct))}
        if rh_pct > high:
            assert "add water" not in kinds, (temp_c, rh_pct)
        if rh_pct < low:
            assert "dry the air" not in kinds - _cautioned(place, temp_c, rh_pct)


def _cautioned(place, temp_c, rh_pct):
    """Kinds that only a caution speaks of, such as how fast damp air may be dried."""
    rules = firing(place, temp_c, rh_pct)
    return {order.kind for rule in rules for order in orders(rule.caution)}


@pytest.mark.parametrize("place", PLACES, ids=lambda p: p.kind)
def test_hot_air_is_not_warmed_and_cold_air_is_not_cooled(place):
    for temp_c, rh_pct in AIRS:
        found = [order for order in orders(shown(place, temp_c, rh_pct)) if order.kind == "warm"]
        if temp_c > 30:
            assert not [order for order in found if not order.conditional], (temp_c, rh_pct)
        if found:
            text = shown(place, temp_c, rh_pct)
            assert cautions.NO_SOLVENTS in text or "take solvents" in text, (temp_c, rh_pct)
        if temp_c < 10:
            kinds = {o.kind for o in orders(shown(place, temp_c, rh_pct)) if not o.conditional}
            cooled = "do not let the shop get cold" in shown(place, temp_c, rh_pct)
            assert "cool" not in kinds or cooled, (temp_c, rh_pct)


@pytest.mark.slow
def test_a_yes_to_closing_is_withdrawn_wherever_a_sentence_says_close_nothing():
    # `wood.evaluation` takes a Yes back where the assessment's weight forbids; so every air in which
    # a rule or the assessment says to close or glue nothing must have that weight.
    said = 0
    for temp_c, rh_pct in AIRS:
        text = shown(PLACES[0], temp_c, rh_pct)
        if any(o.kind == "close nothing" and not o.conditional for o in orders(text)):
            said += 1
            assert assessed(PLACES[0], temp_c, rh_pct).weight >= FORBIDS_WEIGHT, (temp_c, rh_pct)
    assert said > 30


def test_air_that_is_right_fires_no_rule_that_calls_it_dry_damp_hot_or_cold():
    for place in PLACES:
        for temp_c, rh_pct in AIRS:
            if assessed(place, temp_c, rh_pct).state is AirState.RIGHT:
                names = {rule.id for rule in firing(place, temp_c, rh_pct)}
                assert not names & {"dry", "very-dry", "damp", "very-damp", "heat", "frost"}


SOLVENT_WAITS = [kind for kind in WAITS.values() if cautions.Caution.SOLVENTS in kind.cautions]


@pytest.mark.slow
@pytest.mark.parametrize("outdoor_c", [-15.0, 5.0, 30.0])
def test_with_a_solvent_wait_open_nothing_orders_windows_shut_or_heat_without_asking(outdoor_c):
    assert SOLVENT_WAITS
    for place in PLACES:
        for temp_c, rh_pct in AIRS:
            for order in orders(shown(place, temp_c, rh_pct)):
                if order.kind in ("shut windows", "warm"):
                    text = shown(place, temp_c, rh_pct)
                    condition = order.conditional and cautions.NO_SOLVENTS in order.sentence
                    assert condition or "take solvents" in text, (outdoor_c, order)


@pytest.mark.parametrize("kind", WAITS.values(), ids=lambda kind: kind.id)
def test_a_wait_on_hold_orders_nothing_that_its_place_forbids(kind):
    law = kind.law
    if not isinstance(law, GlueLaw | FilmLaw):
        return
    remedies = {hold: text for hold, (_, text) in HOLDS.items()}
    if isinstance(law, FilmLaw):
        remedies |= COAT_REMEDIES
    place = PLACES[1] if isinstance(law, FilmLaw) else PLACES[0]
    for temp_c, rh_pct in AIRS:
        hold = Hold(int(law.hold(np.array([temp_c]), np.array([rh_pct]))[0]))
        if hold is Hold.NONE:
            continue
        text = f"{remedies.get(hold, '')} {shown(place, temp_c, rh_pct)}"
        assert not contradictions(text), (temp_c, rh_pct, hold)
        if cautions.Caution.SOLVENTS in kind.cautions:
            for order in orders(remedies.get(hold, "")):
                assert order.kind not in ("shut windows",)
                if order.kind == "warm":
                    assert cautions.NO_SOLVENTS in order.sentence


# --- The shops' own years -----------------------------------------------------------------------


def spells_of(shop):
    """Hours of the shop's year that are worth a look: its driest, dampest, coldest, hottest weeks."""
    room = scenes.shop_year(shop).room
    week = 24 * 7
    weeks = [np.arange(i, i + week) for i in range(0, 8760 - week, week)]
    picked = set()
    for values in (room.rh_pct, -room.rh_pct, room.temp_c, -room.temp_c):
        picked.add(int(np.argmax([values[w].max() for w in weeks])))
    picked |= {min(spell.first // 7, len(weeks) - 1) for spell in shop.spells}
    return [weeks[i] for i in sorted(picked)]


def moments(shop, place):
    """For each hour of those weeks: the assessment and the rules whose alerts are open then."""
    room = scenes.shop_year(shop).room
    rules = [
        r
        for r in RULES.values()
        if r.of is Of.PLACE and r.quantity not in OUTLOOK and not r.over_s and concerns(r, place)
    ]
    limits = band(place, LIMITS)
    for hours in spells_of(shop):
        t, rh = room.temp_c[hours], np.minimum(room.rh_pct[hours], 100)
        dew = dew_point(t, rh)
        values = {r.id: values_of(r.quantity, WatchedAir(t, rh)) for r in rules}
        states, known = {}, {}
        for i in range(len(hours)):
            seen = {
                r.id: [Seen(place.id, place.id, float(values[r.id][i]), limits)] for r in rules
            }
            open_now = [one for one in known.values() if one.open]
            now = HOUR_MS * (i + 1)
            step = state_machine.step(rules, states, open_now, seen, now, len(known) + 1)
            states = step.states
            for event in step.events:
                known[event.subject] = alert.apply(known.get(event.subject), event)
            if i % 4:
                continue
            part = slice(max(i - 48, 0), i + 1)
            ts = HOUR_MS * np.arange(part.start, part.stop)
            found = judge(place, LIMITS, ts, t[part], rh[part], dew[part])
            yield i, found, [RULES[one.rule] for one in known.values() if one.open]


@pytest.mark.slow
@pytest.mark.parametrize("shop", scenes.shops(), ids=lambda shop: shop.name)
def test_a_shop_in_its_worst_weeks_is_told_nothing_that_contradicts(shop):
    checked = 0
    for place in PLACES:
        for hour, found, rules in moments(shop, place):
            text = " ".join((found.sentence, *(rule.advice() for rule in rules)))
            assert not contradictions(text), (place.kind, hour, [rule.id for rule in rules])
            checked += bool(rules)
    assert checked or shop.name in ("cooled shop", "desert shop"), "no alert in its worst weeks"


@pytest.mark.slow
def test_the_dew_point_of_the_scenes_is_the_products_within_their_formulas():
    # Independent derivation: Bolton here, Hyland and Wexler or Sonntag there; −20 to 40 °C.
    for shop in scenes.shops():
        room = scenes.shop_year(shop).room
        t, rh = room.temp_c[::50], np.minimum(room.rh_pct[::50], 100)
        ours = np.asarray(dew_point(t, rh))
        assert saturation_pa(ours) == pytest.approx(room.vapour_pa[::50], rel=0.006)
    assert sentences("One is 5.0 mL. Two.") == ["One is 5.0 mL.", "Two."]


@pytest.mark.parametrize("outdoor_c", [-25.0, -10.0, 5.0])
def test_water_is_added_only_as_far_as_cold_walls_bear_it(outdoor_c):
    """Rung: independent derivation. Bolton's saturation at a corner of temperature factor 0.7, 80 %
    RH there at the most (EN ISO 13788, from memory)."""
    place, limited = PLACES[0], 0
    for temp_c, rh_pct in AIRS:
        if not 16 < temp_c < 25 or rh_pct > 45:
            continue
        safe = safe_humidity(place, temp_c, OutdoorTemps(outdoor_c, outdoor_c))
        corner_c = outdoor_c + 0.7 * (temp_c - outdoor_c)
        at_corner = safe.rh_pct * saturation_pa(temp_c) / saturation_pa(corner_c)
        assert at_corner <= 80.8, (temp_c, rh_pct)
        water = add_water(safe, band(place, LIMITS), rh_pct)
        here = Situation(temp_c=temp_c, water=water, may_fill=rh_pct < safe.rh_pct)
        t, rh = np.array([temp_c]), np.array([rh_pct])
        found = judge(place, LIMITS, np.array([0]), t, rh, dew_point(t, rh), here)
        rules = firing(place, temp_c, rh_pct)
        text = " ".join((found.sentence, *(rule.advice(here) for rule in rules)))
        assert not contradictions(text), (temp_c, rh_pct, text)
        if rh_pct >= safe.rh_pct and found.state is AirState.DRY:
            limited += 1
            assert "add water" not in {order.kind for order in orders(text)}, (temp_c, rh_pct)
    assert limited or outdoor_c > -20
