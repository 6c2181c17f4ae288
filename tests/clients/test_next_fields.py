"""Fields that would narrow a home's range most: the order is that of the calculation."""

from __future__ import annotations

import pytest
from client_fixtures import INLAND

from monitor.clients.home_climate import HomeSources, year_of
from monitor.clients.next_fields import USUAL, next_fields
from monitor.clients.request import ClientFault, read_sheet_request
from monitor.science.case.climates import CITIES


def city(name, **more):
    temps, rhs = CITIES[name].monthly()
    wish = {f"temp.{m}": value for m, value in enumerate(temps, 1)}
    wish |= {f"rh.{m}": value for m, value in enumerate(rhs, 1)}
    return read_sheet_request(wish | {"source": "normals"} | more)


def test_a_reading_narrows_most_and_each_narrows_less_than_the_one_before():
    """Rung: property."""
    found = next_fields(city("Oslo"), HomeSources(), frozenset())
    names, widths = zip(*found.fields, strict=True)
    assert names[0] == f"rh.{found.month}"
    assert set(names[1:]) <= set(USUAL)
    assert list(widths) == sorted(widths)
    assert all(width < found.width_pct for width in widths)
    own = found.home_pct.high - found.home_pct.low
    assert min(widths[1:]) >= own - 1e-9  # a detail does not make a home's own spread smaller
    assert widths[0] < own


def test_the_month_is_the_driest_of_the_home():
    """Rung: property."""
    wish = city("Montreal")
    found = next_fields(wish, HomeSources(), frozenset())
    months = [one.median for one in year_of(wish, HomeSources(), members=24).monthly()]
    assert months[found.month - 1] == min(months)


def test_what_is_sure_is_not_asked_and_no_longer_widens_the_range():
    """Rung: property."""
    free = next_fields(city("Oslo"), HomeSources(), frozenset())
    sure = next_fields(city("Oslo"), HomeSources(), frozenset({"people", "tightness"}))
    assert {"people", "tightness"}.isdisjoint(one.name for one in sure.fields)
    assert sure.width_pct < free.width_pct
    none = next_fields(city("Oslo"), HomeSources(), frozenset(USUAL))
    assert none.width_pct == pytest.approx(none.home_pct.high - none.home_pct.low)


def test_an_answer_has_the_effect_that_its_width_promises():
    """Rung: numerical. Where only the number of people is open, the ends of what is usual lie as far
    apart as its part of the width."""
    others = frozenset(USUAL) - {"people"}
    found = next_fields(city("Oslo"), HomeSources(), others)
    own = found.home_pct.high - found.home_pct.low
    part = (found.width_pct**2 - own**2) ** 0.5
    ends = []
    for people in USUAL["people"]:
        usual = city("Oslo", people=people)
        object.__setattr__(usual, "home", usual.home.usual)
        ends.append(year_of(usual, HomeSources(), members=1).monthly()[found.month - 1].median)
    assert part == pytest.approx(abs(ends[1] - ends[0]), abs=0.01)


def test_with_readings_the_month_farthest_from_any_is_asked():
    """Rung: property."""
    found = next_fields(read_sheet_request({"rh.1": 30.0}), HomeSources(), frozenset())
    assert (found.month, [one.name for one in found.fields]) == (7, ["rh.7"])
    assert found.fields[0].width_pct < found.width_pct
    every = {f"rh.{m}": 40.0 for m in range(1, 13)}
    assert next_fields(read_sheet_request(every), HomeSources(), frozenset()).fields == ()
    both = next_fields(read_sheet_request(INLAND), HomeSources(), frozenset())
    assert both.month in (4, 10)


def test_a_source_that_is_missing_is_a_fault_here_too():
    """Rung: property."""
    with pytest.raises(ClientFault):
        next_fields(read_sheet_request({"source": "weather"}), HomeSources(), frozenset())
