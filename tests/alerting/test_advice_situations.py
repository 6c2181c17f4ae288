"""Advice over a table of situations: nothing that the page prints contradicts or endangers."""

from __future__ import annotations

import re
from functools import cache
from itertools import product

import msgspec
import numpy as np
import pytest
from one_place import safe_humidity

from monitor.alerting.air_quantities import WatchedAir, concerns, values_of
from monitor.alerting.observations import furthest
from monitor.domain.air_assessment import judge
from monitor.domain.alerts import alert, state_machine
from monitor.domain.alerts.alert import AlertAction
from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.alerts.rule import OUTLOOK, Of, Rule, Test
from monitor.domain.alerts.rule_state import Seen, beyond
from monitor.domain.cautions import ADD_WATER, NO_BAG
from monitor.domain.cold_walls import OutdoorTemps, add_water
from monitor.domain.places import AirLimits, Place, band
from monitor.domain.situation import ADVICE, Situation, branches, rendered, unknown_marks
from monitor.domain.wait_types import KINDS
from monitor.science.air import dew_point

LIMITS = AirLimits()
RULES = starting_set(LIMITS)
WARM = re.compile(r"(?<!Do not )\b(warm|heat) (the (room|bench|shop)|it)\b", re.I)
SHUT = re.compile(r"(?<!Do not )\bclose the windows\b", re.I)
WETS = re.compile(r"(?<!no )\badd water to the air|fill the humidifier", re.I)
NO_WATER = re.compile(r"add no (more )?water|add less water", re.I)

TEMPS = (2.0, 8.0, 14.0, 17.0, 21.0, 27.5, 28.5, 33.0)
HUMIDITIES = (12.0, 25.0, 35.0, 42.0, 50.0, 58.0, 66.0, 78.0, 88.0, 98.0)
OUTDOORS = (-20.0, -8.0, 4.0, None)
DRYING = ((), ("Spirit clear coat",), ("Oil coat", "Polish rest"))


def situation(place, temp_c, rh_pct, outdoor_c, drying, flame):
    outdoors = None if outdoor_c is None else OutdoorTemps(outdoor_c, outdoor_c)
    safe = safe_humidity(place, temp_c, outdoors)
    here = Situation(
        temp_c=temp_c,
        hot=temp_c >= LIMITS.temp_high_c,
        drying=drying,
        open_flame=flame,
        water=add_water(safe, band(place, LIMITS), rh_pct),
        may_fill=safe is None or rh_pct < safe.rh_pct,
    )
    return here, np.nan if safe is None else safe.rh_pct


@cache
def printed(kind, temp_c, rh_pct, outdoor_c, drying, flame):
    """Everything that Air and the alerts of a place say to do in steady air, by who says it."""
    place = Place(id="p", kind=kind)
    here, safe = situation(place, temp_c, rh_pct, outdoor_c, drying, flame)
    t, rh = np.array([temp_c]), np.array([rh_pct])
    found = {"air": judge(place, LIMITS, np.array([0]), t, rh, dew_point(t, rh), here).sentence}
    air = WatchedAir(temp_c, rh_pct, safe_rh_pct=safe)
    for rule in RULES.values():
        if rule.of is not Of.PLACE or not concerns(rule, place):
            continue
        if rule.quantity in OUTLOOK:  # a spell of the same sort may be coming
            damp = "damp" in rule.quantity
            on = ("hot" in rule.quantity and temp_c > 25) or (
                rh_pct > 55 if damp else rh_pct < 45 and "hot" not in rule.quantity
            )
        elif rule.over_s:
            on = rule.low is not None and rh_pct < 40
        else:
            value = float(values_of(rule.quantity, air))
            on = beyond(rule, Seen("p", "P", value, band(place, LIMITS))) is True
        if on:
            found[rule.id] = rule.advice(here)
    return found


TABLE = list(product(("bench", "varnish"), TEMPS, HUMIDITIES, OUTDOORS, DRYING, (False, True)))


def _checked(case):
    """Contradictions of a case, each as a sentence."""
    _, temp_c, _, _, drying, flame = case
    found = printed(*case)
    said = " ".join(found.values())
    faults = []
    if drying and (WARM.search(said) or SHUT.search(said)):
        faults.append("warms or shuts a room with solvents in it")
    if flame and SHUT.search(said):
        faults.append("shuts a room with a flame in it")
    if temp_c >= LIMITS.temp_high_c and WARM.search(said):
        faults.append("warms hot air")
    if temp_c < 18 and "heating down" in said:
        faults.append("cools a cold shop")
    if WARM.search(said) and "heating down" in said:
        faults.append("warms and cools")
    if "Dry the air" in said and WETS.search(said):
        faults.append("dries and wets")
    if WETS.search(said) and NO_WATER.search(said):
        faults.append("adds water and forbids it")
    if re.search(r"\{|\}", said) or "  " in said:
        faults.append("has a mark left")
    return [f"{case}: {fault}: {found}" for fault in faults]


@pytest.mark.slow
def test_no_situation_prints_a_contradiction_or_a_danger():
    faults = [fault for case in TABLE for fault in _checked(case)]
    assert not faults, "\n".join(faults[:5])


@pytest.mark.slow
def test_the_table_meets_every_rule_of_a_place_and_every_mark():
    met = {name for case in TABLE for name in printed(*case)}
    of_place = {r.id for r in RULES.values() if r.of is Of.PLACE and r.id != "fast-damping"}
    assert of_place <= met
    marks = {mark for rule in RULES.values() for mark in ADVICE if f"{{{mark}}}" in rule.do}
    assert marks == ADVICE.keys()


@pytest.mark.slow
def test_the_search_finds_what_it_looks_for():
    assert WARM.search("Warm the room slowly.")
    assert not WARM.search("Do not warm the room.")
    assert SHUT.search("Close the windows.")
    assert WETS.search(ADD_WATER)
    assert not WETS.search("Add no water to the air of the room.")
    assert any(WARM.search(" ".join(printed(*case).values())) for case in TABLE)
    assert any(SHUT.search(" ".join(printed(*case).values())) for case in TABLE)


def test_kinds_with_solvents_forbid_to_warm():
    names = {kind.id for kind in KINDS.values() if {"solvents", "oily-rags"} & set(kind.cautions)}
    assert {"spirit-coat", "oil-coat", "retouching", "polish-rest", "crack-filler"} == names


def test_marks_are_known_and_an_unknown_one_is_refused():
    for rule in RULES.values():
        assert not unknown_marks(rule.do)
    assert unknown_marks("Do this. {burn it down}") == ["burn it down"]
    assert rendered("Do this. {burn it down}") == "Do this. {burn it down}"


def test_figures_alone_do_not_change_the_advice():
    here = Situation(water="Do not go above 41 % RH while it is −10 °C outdoors.")
    warmer = here._replace(water="Do not go above 44 % RH while it is −7 °C outdoors.")
    assert branches("{add water}", here) == branches("{add water}", warmer)
    assert branches("{add water}", here) != branches("{add water}", Situation())


RULE = Rule(
    id="r", name="R", quantity="humidity", test=Test.ABOVE, high=70.0, do="Wait. {warm to dry}"
)


def stepped(known, states, now_ms, **facts):
    seen = {"r": [Seen("b", "Bench", 80.0, situation=Situation(**facts))]}
    open_now = [one for one in known.values() if one.open]
    step = state_machine.step([RULE], states, open_now, seen, now_ms, len(known) + 1)
    for event in step.events:
        known[event.subject] = alert.apply(known.get(event.subject), event)
    return step


def test_an_open_alert_follows_the_situation_without_a_notice():
    known = {}
    states = stepped(known, {}, 0, temp_c=20.0).states
    assert WARM.search(known["1"].do)
    early = stepped(known, states, 60_000, temp_c=20.0, drying=("Oil coat",))
    assert not early.events  # at most once in ten minutes
    step = stepped(known, early.states, 700_000, temp_c=20.0, drying=("Oil coat",))
    assert [event.action for event in step.events] == [AlertAction.ADVISED]
    assert known["1"].do == (
        "Wait. Solvents evaporate here (Oil coat). Do not warm the room to dry it."
    )
    assert known["1"].told_ms == 0  # nobody is told again
    assert not stepped(known, step.states, 1_500_000, temp_c=20.0, drying=("Oil coat",)).events


def test_places_told_together_forbid_what_either_forbids():
    rule = replace_rule(RULE, together=True)
    dry, wet = (
        Seen("a", "A", 80.0, situation=Situation(temp_c=20.0)),
        Seen("b", "B", 75.0, situation=Situation(temp_c=20.0, drying=("Oil coat",))),
    )
    (one,) = furthest(rule, [dry, wet])
    assert one.label == "A"
    assert one.situation.drying == ("Oil coat",)


def replace_rule(rule, **changes):
    return msgspec.structs.replace(rule, **changes)


@pytest.mark.parametrize("own_tent", [False, True])
def test_instruments_with_other_homes_get_a_tent_each(own_tent):
    said = RULES["far-from-rest"].advice(Situation(own_tent=own_tent))
    assert ("bag or tent of its own" in said) == own_tent
    assert NO_BAG in said
    if own_tent:
        assert "air around it" not in said
