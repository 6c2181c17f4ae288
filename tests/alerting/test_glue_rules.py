"""Reminders of a glue pot that is on, and of glue past its discard time."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air
import pytest

from monitor.alerting.observations import ServiceTroubles, Snapshot, observe
from monitor.core.clock import to_ms
from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.events import About, Event
from monitor.domain.glue import apply
from monitor.domain.places import AirLimits

PARIS = ZoneInfo("Europe/Paris")
CONFIG = shop_air.CONFIG + '\n[hours]\nwednesday = "08:30-17:30"\nthursday = "08:30-17:30"\n'
RULES = starting_set(AirLimits())


def at(day, hour, minute=0):
    return to_ms(datetime(2026, 11, day, hour, minute, tzinfo=PARIS))


def glue(on_ms=None):
    mixed = Event(About.GLUE, "1", at(25, 8), "", "mix", {"kind": "hide", "mixed_ms": at(25, 8)})
    found = apply(None, mixed)
    if on_ms is None:
        return found
    return apply(found, Event(About.GLUE, "1", on_ms, "", "pot on", {"at_ms": on_ms}))


@pytest.mark.parametrize(
    ("rule", "on_ms", "now_ms", "raised"),
    [
        ("pot-on", at(25, 9), at(25, 12, 59), False),
        ("pot-on", at(25, 9), at(25, 13, 1), True),
        ("pot-on", None, at(25, 23), False),
        ("pot-at-closing", at(25, 9), at(25, 17, 14), False),
        ("pot-at-closing", at(25, 9), at(25, 17, 16), True),
        ("pot-at-closing", at(25, 9), at(26, 3), True),
        ("pot-at-closing", at(25, 19), at(25, 20), False),  # switched on after closing
        ("pot-at-closing", None, at(25, 20), False),
        ("glue-past", None, at(29, 8), False),
        ("glue-past", None, at(30, 9), True),
    ],
)
def test_a_pot_and_old_glue_are_reported_in_time(tmp_path, rule, on_ms, now_ms, raised):
    settings = shop_air.settings_in(tmp_path, config=CONFIG)
    sight = Snapshot(
        settings, (), (), (), (), {}, {}, ServiceTroubles(), now_ms, glues=[glue(on_ms)]
    )
    (seen,) = observe([RULES[rule]], sight)[rule]
    assert (seen.value > RULES[rule].high) == raised
    assert seen.label == "Hide glue (glue 1)"
    assert "not a fire alarm" in RULES["pot-on"].caution
    assert RULES["pot-on"].breaks_quiet  # also on a closed day that is worked on
