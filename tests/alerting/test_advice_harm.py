"""Advice that would do harm if followed to the letter: what must never be said together."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import ROOT

from dashboard.coming import text as coming_text
from dashboard.sensors import text as sensors_text
from dashboard.wood import text as wood_text
from monitor.cli import calibrate
from monitor.domain.air_assessment import AirState, judge
from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.alerts.rule import TEXT_MAX
from monitor.domain.cautions import (
    ADD_WATER,
    ELECTRIC_HEAT,
    HEATERS,
    HUMIDIFIER,
    NO_SOLVENTS,
    OPENED_PLATES,
    WORDS,
    Caution,
)
from monitor.domain.places import AirLimits, Place
from monitor.domain.situation import ANYWHERE
from monitor.domain.wait_types import KINDS
from monitor.science.air import dew_point
from monitor.science.waits.film import FilmLaw
from monitor.science.waits.parameters import Hold
from monitor.science.waits.timed_rest import FixedLaw
from monitor.waits.text import COAT_REMEDIES, HOLDS, _rate

LIMITS = AirLimits()
RULES = starting_set(LIMITS)
WARMS = re.compile(r"\b(warm|heat) (the (room|bench|shop)|it|its)\b", re.I)
"""An order to warm a room."""
WETS = re.compile(r"add water|humidifier|humidify", re.I)
WALLS = "water to the air, but stop when water shows on windows or cold walls"


def whole(rule):
    return " ".join((rule.why, rule.advice(), rule.caution))


def advice(kind, temp_c, rh_pct):
    temp, rh = np.array([float(temp_c)]), np.array([float(rh_pct)])
    place = Place(id="x", kind=kind)
    return judge(place, LIMITS, np.array([0]), temp, rh, dew_point(temp, rh))


ASSESSMENTS = [
    (kind, temp, rh, advice(kind, temp, rh).sentence)
    for kind in ("bench", "varnish")
    for temp in (2, 12, 17, 20, 25, 27.9, 28.5, 33, 40)
    for rh in (8, 20, 29, 35, 50, 62, 68, 78, 86, 95, 99)
]
ADVICE = (
    [(rule.id, rule.advice()) for rule in RULES.values()]
    + [(f"{kind} {temp} {rh}", said) for kind, temp, rh, said in ASSESSMENTS]
    + [(str(hold), remedy) for hold, (_, remedy) in HOLDS.items()]
    + [(str(hold), remedy) for hold, remedy in COAT_REMEDIES.items()]
    + list(coming_text.WHAT_TO_DO.items())
)


@pytest.mark.parametrize("rule", RULES.values(), ids=lambda rule: rule.id)
def test_no_rule_clamps_what_it_says_would_yield(rule):
    assert not ("clamp" in whole(rule) and "yield" in whole(rule))
    assert max(len(rule.why), len(rule.advice()), len(rule.caution)) <= TEXT_MAX


def test_opened_plates_in_dry_air_get_one_sentence_everywhere():
    # Common practice, no source: held flat by force spruce yields, free and bagged it does not.
    for word in ("Bag", "flat", "supported", "free"):
        assert word in OPENED_PLATES
    assert "clamp" not in OPENED_PLATES
    for where, said in ADVICE:
        assert "close no joints and" not in said
        if "opened plates" in said and "swell" not in said and "shrink." not in said:
            assert OPENED_PLATES in said, where
    saying = [where for where, said in ADVICE if OPENED_PLATES in said]
    assert {"dry", "very-dry", "dry-snap"} <= set(saying)
    assert any(where.startswith("bench") for where in saying)


@pytest.mark.parametrize(("where", "said"), ADVICE)
def test_a_room_is_warmed_only_where_no_solvent_is_in_it(where, said):
    if WARMS.search(said):
        assert NO_SOLVENTS in said or "take solvents, wet coats and oily rags out" in said, where
    if re.search("close (the )?windows", said, re.I):
        assert NO_SOLVENTS in said, where
        assert "if nothing burns" in said, where


def test_the_search_for_orders_to_warm_finds_them():
    assert sum(bool(WARMS.search(said)) for _, said in ADVICE) >= 8
    assert WARMS.search("Warm the bench or dry the air.")


@pytest.mark.parametrize(("kind", "temp", "rh", "said"), ASSESSMENTS)
def test_hot_air_is_never_to_be_warmed_and_cold_air_never_to_be_cooled(kind, temp, rh, said):
    if temp >= LIMITS.temp_high_c:
        assert not WARMS.search(said)
    if temp <= 12:
        assert "heating down" not in said
    assert not (kind == "varnish" and "bench" in said)


def test_very_damp_air_glues_nothing_new():
    very_damp = advice("bench", 20, 80)
    assert very_damp.state is AirState.DAMP
    assert "glue nothing new" in very_damp.sentence
    assert "glue anything new" in RULES["very-damp"].do


@pytest.mark.parametrize(("where", "said"), ADVICE)
def test_who_is_to_add_water_is_to_stop_at_wet_windows(where, said):
    if WETS.search(said):
        caution = RULES[where].caution if where in RULES else ""
        assert "windows or cold walls" in said + caution, where
    assert WALLS in ADD_WATER
    assert "windows or cold walls" in HUMIDIFIER


WARNED = {
    "olvents": ("fast-drying", "heat", "frost", "hot-spell", "near-dew-point", "blushing"),
    "ily rags": ("fast-drying", "heat", "frost", "hot-spell", "near-dew-point", "blushing"),
    "carbon monoxide": (
        *("dry", "very-dry", "damp", "very-damp", "fast-drying", "frost", "dry-snap"),
        *("dry-spell", "damp-spell", "near-dew-point", "mould-risk", "mould-grows"),
        *("far-from-rest", "near-yield"),
    ),
    "unattended": ("very-dry", "very-damp", "heat", "frost", "blushing", "cold-instrument"),
    "closed car": ("heat", "hot-spell", "cold-instrument"),
    "in the chest": ("dry", "very-dry", "dry-snap", "dry-spell", "reservoir-due"),
    "5 % a day": ("damp", "very-damp", "damp-spell", "mould-risk", "mould-grows"),
    "mask": ("mould-risk", "mould-grows", "wait-ready"),
}


@pytest.mark.parametrize(("word", "ids"), WARNED.items())
def test_rules_carry_the_cautions_of_what_they_meet(word, ids):
    for rule_id in ids:
        assert word in RULES[rule_id].caution, rule_id


def test_rules_of_waits_carry_the_cautions_of_every_kind_of_wait():
    met = {caution for kind in KINDS.values() for caution in kind.cautions}
    words = {
        Caution.SOLVENTS: "solvents",
        Caution.OILY_RAGS: "oily rags",
        Caution.DRYING_HEAT: "drying lamp on unattended or covered",
        Caution.REACTIVE_GLUES: "epoxy and cyanoacrylate",
    }
    assert met >= words.keys()
    for rule_id in ("wait-ready", "wait-held", "wait-late"):
        for caution, word in words.items():
            assert word in RULES[rule_id].caution, (rule_id, caution)
        assert "ultraviolet" in RULES[rule_id].caution
        assert "safety data sheet" in RULES[rule_id].caution


def test_heaters_and_lamps_are_never_left_covered_or_on_a_lead():
    for word in ("unattended", "cover", "extension lead", "rags", "solvents"):
        assert word in ELECTRIC_HEAT
    assert ELECTRIC_HEAT in HEATERS
    assert WORDS[Caution.DRYING_HEAT] == ELECTRIC_HEAT


def test_kinds_that_heat_may_hurry_warn_of_it_and_fixed_times_of_reactive_glues():
    for kind in KINDS.values():
        if kind.id != "settling":
            assert Caution.DRYING_HEAT in kind.cautions, kind.id
        if isinstance(kind.law, FilmLaw):
            assert Caution.LONE_WORKING in kind.cautions, kind.id
        if isinstance(kind.law, FixedLaw):
            assert Caution.REACTIVE_GLUES in kind.cautions, kind.id


def test_a_wait_on_hold_is_not_hurried_with_heat():
    for remedy in COAT_REMEDIES.values():
        assert "no heater or lamp" in remedy
    assert "Do not hurry it" in RULES["wait-late"].do
    assert not WARMS.search(RULES["wait-held"].do)


def test_a_damp_instrument_is_not_shut_in():
    do = RULES["near-yield"].do
    assert "too dry, put it in its case" in do
    assert "too damp, leave it in the room and do not shut it in" in do
    for rule_id in ("mould-risk", "mould-grows"):
        assert "Open cases only where the air is drier" in RULES[rule_id].do


def test_a_cold_case_may_be_opened_only_where_the_alert_ends():
    # Source: common reading of ISO 8502-4: a surface at least 3 K above the dew point stays dry.
    rule = RULES["cold-instrument"]
    assert rule.low + rule.back == 3.0
    assert "until this alert has ended" in rule.advice()
    for hours, time in ((None, "overnight"), (3, "for at least 3 hours")):
        do = rule.advice(ANYWHERE._replace(shut_h=hours))
        assert do.startswith(f"Leave the case shut {time}. Wait longer while it still feels cold.")


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.id)
def test_quick_air_is_no_invitation_to_release_early(kind):
    air = {"outside_claim": False, "hold": Hold.NONE}
    quick, slow = (SimpleNamespace(rate_now=rate, **air) for rate in (1.9, 0.5))
    assert kind.never_shorter
    assert _rate(quick, kind) == ""
    assert "about 2.0 times the usual time" in _rate(slow, kind)
    assert "0.5 times" in _rate(quick, replace(kind, never_shorter=False))


def test_cautions_of_salts_name_what_to_wear_and_what_feeds_fire():
    guide = (ROOT / "dashboard/help/calibration.md").read_text("utf-8")
    for said in (calibrate.CAUTION, " ".join(sensors_text.CAUTIONS), guide):
        for words in ("gloves and eye protection", "lithium chloride", "solvents, rags", "case"):
            assert words in said


def test_wood_gives_the_cautions_of_humidifiers_and_heaters_whole():
    assert HUMIDIFIER in wood_text.CAUTIONS["humidifier"]
    for words in ("vents open", "carbon monoxide alarm", ELECTRIC_HEAT):
        assert words in wood_text.CAUTIONS["heater"]


def test_safety_page_names_every_hazard_of_the_waits():
    page = (ROOT / "dashboard/help/safety.md").read_text("utf-8").lower()
    for words in (
        *("glue heat", "solvents", "oily rags", "combustion", "carbon monoxide alarm"),
        *("drying lamps", "extension lead", "unattended", "epoxy", "cyanoacrylate", "ultraviolet"),
        *("humidifiers", "walls or windows", "mould", "salts", "closed car"),
    ):
        assert words in page
