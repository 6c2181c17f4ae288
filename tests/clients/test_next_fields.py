"""Fields that would narrow a home's range most: the order is that of the calculation."""

from __future__ import annotations

import pytest
from board_requests import said as said_by
from client_fixtures import INLAND

from dashboard.clients.view import next_taps
from monitor.clients.home_climate import HomeSources, year_of
from monitor.clients.next_fields import next_fields
from monitor.clients.request import GUESSABLE, ClientFault, read_sheet_request
from monitor.science.case.climates import CITIES


def city(name, **more):
    temps, rhs = CITIES[name].monthly()
    request = {f"temp.{m}": value for m, value in enumerate(temps, 1)}
    request |= {f"rh.{m}": value for m, value in enumerate(rhs, 1)}
    return read_sheet_request(request | {"source": "normals"} | more)


def test_a_reading_narrows_most_and_each_narrows_less_than_the_one_before():
    """Rung: property."""
    found = next_fields(city("Oslo"), HomeSources())
    names, widths = zip(*found.fields, strict=True)
    assert names[0] == f"rh.{found.month}"
    assert set(names[1:]) <= set(GUESSABLE)
    assert list(widths) == sorted(widths)
    assert all(width < found.width_pct for width in widths)


def test_the_month_is_the_driest_of_the_home_and_its_range_that_of_the_sheet():
    """Rung: property."""
    request = city("Montreal")
    found = next_fields(request, HomeSources())
    months = year_of(request, HomeSources(), members=24).monthly()
    assert found.home_pct == min(months, key=lambda one: one.median)


@pytest.mark.slow
def test_what_is_said_is_not_asked_and_no_longer_widens_the_range():
    """Rung: property."""
    free = next_fields(city("Oslo"), HomeSources())
    said = next_fields(city("Oslo", people=2, tightness="normal"), HomeSources())
    assert {"people", "tightness"}.isdisjoint(one.name for one in said.fields)
    assert said.width_pct < free.width_pct


def test_an_answer_has_the_effect_that_its_width_promises():
    """Rung: property."""
    free = next_fields(city("Oslo"), HomeSources())
    promised = {one.name: one.width_pct for one in free.fields}
    after = year_of(city("Oslo", tightness="normal"), HomeSources(), members=24)
    month = after.monthly()[free.month - 1]
    assert month.high - month.low == promised["tightness"]


def test_with_readings_the_month_farthest_from_any_is_asked():
    """Rung: property."""
    found = next_fields(read_sheet_request({"rh.1": 30.0}), HomeSources())
    assert (found.month, [one.name for one in found.fields]) == (7, ["rh.7"])
    assert not found.known
    said = " ".join(said_by(next_taps(found)).split())
    assert "The air of the home in July is not known" in said
    assert "of 10 homes" not in said
    assert found.fields[0].width_pct < found.width_pct
    every = {f"rh.{m}": 40.0 for m in range(1, 13)}
    assert next_fields(read_sheet_request(every), HomeSources()).fields == ()
    both = next_fields(read_sheet_request(INLAND), HomeSources())
    assert both.month in (4, 10)


def test_a_source_that_is_missing_is_a_fault_here_too():
    """Rung: property."""
    with pytest.raises(ClientFault):
        next_fields(read_sheet_request({"source": "weather"}), HomeSources())
