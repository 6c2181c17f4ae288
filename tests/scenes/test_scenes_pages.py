"""Clients' pages for made homes of every climate: no contradiction, nothing for months unknown.

What comes of following the advice is in `tests/clients/test_advice_followed.py`.
"""

from __future__ import annotations

import calendar
import re

import pytest

from monitor.science.case.devices import Humidifier
from monitor.science.case.measures import HUMIDIFIED
from scenes.advised import ask
from scenes.climates import CLIMATES
from scenes.homes import homes
from scenes.sentences import contradictions

pytestmark = pytest.mark.slow

QUESTIONS = ("one January", "one July", "four seasons", "twelve months")
HOMES = [homes()[6 * i + i % 6] for i in range(len(CLIMATES))]
"""A home of each climate, each of another kind than the one before."""


@pytest.mark.parametrize(
    ("home", "question"),
    [(home, QUESTIONS[i % len(QUESTIONS)]) for i, home in enumerate(HOMES)],
    ids=lambda value: value if isinstance(value, str) else value.name,
)
def test_a_page_contradicts_nothing_and_prescribes_nothing_for_unknown_months(home, question):
    """Rung: property, of pages for homes that the product's model did not make."""
    one = ask(home, question)
    worked, page = one.worked, one.page
    assert not contradictions(page)
    known, advised = set(worked.advice.known), worked.advised
    if worked.refills is not None:
        assert set(worked.refills.months) <= known
    if worked.unknown:
        before = one.sheet.lead.split("This advice is for")[0]
        assert "these months only" in page
        assert "Measure the room in" in page
        assert "all year" not in before
        for month in set(range(1, 13)) - known:
            assert calendar.month_name[month] not in before
        for month, mark in enumerate(one.sheet.fills, 1):
            assert month in known or not re.search(r"\d", mark)
    if isinstance(advised.device, Humidifier):
        lasts_d = advised.device.water_ml / (advised.device.release_g_day_pct * (100 - 45))
        assert lasts_d >= 0.6 * advised.device.every_d
    if advised.kind in HUMIDIFIED:
        assert "windows or cold walls" in page
        assert advised.room.litres_day <= 10
        assert advised.room.set_pct <= 50


def test_homes_of_every_climate_are_asked():
    """Rung: property."""
    assert {home.climate for home in HOMES} == set(CLIMATES)
    assert len({home.name.split(", ")[1] for home in HOMES}) == 6
