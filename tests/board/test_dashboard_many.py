"""Pages in a shop of many places: the gravest first, a search, and pages of bounded length."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import dashboard_fixtures as shop_air
import many_places
import pytest
from board_requests import said

from dashboard.air import page as air_page
from dashboard.air import wall_page
from dashboard.data import places
from dashboard.data.journal import CachedJournal
from dashboard.data.shop import ShopData
from dashboard.sensors import page as sensors_page
from dashboard.ui import paging
from dashboard.ui.paging import Asked
from monitor.air.current import air_now
from monitor.air.gravity import by_gravity
from monitor.air.last_day import LastDay
from monitor.alerting import observations
from monitor.alerting.observations import ServiceTroubles
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.alerts.alert import Alert
from monitor.store import Reader, Writer

T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
MANY = 70
GRAVE = {"room-0042": 24.0, "room-0007": 71.0}
"""Places whose air is not right. [%]"""


def filled(folder, count):
    settings = shop_air.settings_in(folder, config='[shop]\ntime_zone = "Europe/Paris"\n')
    now = now_ms()
    with contextlib.closing(Writer(settings.store_path)) as writer:
        many_places.fill(writer, count, now - 60_000)
        late = [
            Reading(Series(place, f"s{place[-4:]}", quantity), now - 1_000, value)
            for place, rh in GRAVE.items()
            for quantity, value in ((RH, rh), (T, 21.0))
        ]
        if count > 42:
            writer.write(late)
    return ShopData(settings)


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    return filled(tmp_path_factory.mktemp("many"), MANY)


def parts_of(components, name):
    """Components of a class or type among others, at any depth."""
    found = []
    for one in components if isinstance(components, list | tuple) else [components]:
        if hasattr(one, "children"):
            if name in (getattr(one, "className", None), type(one).__name__):
                found.append(one)
            found += parts_of(one.children, name)
    return found


def names(components):
    return [said(one) for one in parts_of(components, "name")]


@pytest.mark.slow
def test_air_shows_the_gravest_first_and_the_rest_by_pages(many):
    first = air_page.content(many)
    assert names(first)[:2] == ["Room 0042", "Room 0007"]
    assert len(names(first)) == air_page.MANY
    assert "70 places, the gravest first." in said(first)
    assert "Room 0042, 24\xa0%. Very dry." in said(parts_of(first, "headline"))
    last = air_page.content(many, asked=Asked("", "3"))
    assert len(names(last)) == MANY - 2 * air_page.MANY
    assert said(parts_of(last, "headline")) == said(parts_of(first, "headline"))
    assert said(parts_of(last, "Nav")).strip() == "Previous places Page 3 of 3"
    every = {
        name for page in "123" for name in names(air_page.content(many, asked=Asked("", page)))
    }
    assert len(every) == MANY


def test_a_search_finds_places_by_any_of_their_words_and_says_how_many(many):
    found = air_page.content(many, asked=Asked("ROOM -006", ""))
    assert sorted(names(found)) == [f"Room 006{i}" for i in range(10)]
    assert "70 places. 10 match “ROOM -006”." in said(found)
    assert not parts_of(found, "Nav")
    none = air_page.content(many, asked=Asked("<cellar>" * 30, "2"))
    assert names(none) == []
    assert "0 match “<cellar>" in said(none)
    assert names(air_page.content(many, asked=Asked("", "-1"))) == names(air_page.content(many))


def test_the_wall_shows_some_of_the_gravest_and_nothing_to_tap(many):
    shown = air_page.content(many, asked=None)
    assert names(shown)[:2] == ["Room 0042", "Room 0007"]
    assert len(names(shown)) == air_page.ON_WALL
    assert not parts_of(shown, "Form")
    assert not parts_of(shown, "Nav")
    assert 'id="air-query"' not in wall_page.content(many, air_page.NO_STRIPS, "", "")


def test_a_few_places_and_sensors_have_neither_search_nor_pages(tmp_path):
    few = filled(tmp_path, air_page.MANY)
    for shown in (air_page.content(few), air_page.content(few, asked=Asked("0001", "2"))):
        assert names(shown) == [f"Room {i:04}" for i in range(air_page.MANY)]
        assert not parts_of(shown, "Form")
        assert not parts_of(shown, "Nav")
    assert len(names(air_page.content(few, asked=None))) == air_page.MANY
    sensors = sensors_page.content(few)
    assert not parts_of(sensors, "Form")
    assert len(parts_of(sensors, "Tr")) == 1 + air_page.MANY


def test_sensors_shows_those_with_alerts_first_and_finds_others(many):
    class Book:
        def open(self):
            about = {"subject": "room-0055/s0055", "urgency": 2}
            return [Alert(**{**dict.fromkeys(Alert.__dataclass_fields__), **about})]

    shown = sensors_page.content(many, Book())
    rows = parts_of(shown, "Tr")[1:]
    assert len(rows) == sensors_page.MANY
    assert said(rows[0]).startswith("Room 0055")
    assert "288" in said(rows[0])
    assert "100 of 100" in said(rows[0])
    assert "70 sensors, the gravest first." in said(shown)
    rows = parts_of(sensors_page.content(many, asked=Asked("s0061", "")), "Tr")[1:]
    assert [said(row).split(" s0")[0].strip() for row in rows] == ["Room 0061"]
    assert len(parts_of(sensors_page.content(many, asked=Asked("", "2")), "Tr")) == 1 + 20


def said_of(airs):
    """All of the air of places but what follows from the mean temperature of all."""
    return [repr(replace(one, heated_to_c=0.0, heated_rh_pct=0.0)) for one in airs]


def test_places_that_are_looked_at_alone_are_as_in_the_look_at_all(many):
    now = now_ms()
    with contextlib.closing(Reader(many.settings.store_path)) as reader:
        journal = CachedJournal(many).ask(lambda _, journal: journal)
        look = reader, many.settings, journal, [], [], ServiceTroubles(), now
        every, some = (
            observations.snapshot(*look, only) for only in (None, ["room-0042", "room-0003"])
        )
    ids = {air.place.id for air in some.airs}
    assert ids == {"room-0042", "room-0003"}
    assert some.sensors == [one for one in every.sensors if one.place.id in ids]
    assert said_of(some.airs) == said_of(one for one in every.airs if one.place.id in ids)


def test_the_order_of_gravity_is_that_of_the_full_assessment(many):
    seen = places.look(many, air_page.MANY)
    airs = air_now(places.latest_air(many, seen, seen.places), many.settings, now_ms())
    weights = [air.assessment.weight for air in airs]
    assert weights == sorted(weights, reverse=True)
    assert weights[:2] == [3, 2]
    assert weights[-1] == 0
    assert seen.gravity.shop_c == pytest.approx(sum(air.temp_c for air in airs) / MANY)


def test_of_places_in_the_same_state_the_one_farthest_beyond_its_limit_stands_first(tmp_path):
    """By name the worst of many could be on a later page."""
    settings = shop_air.settings_in(tmp_path)
    rh_pct = {"a": 28.0, "b": 24.0, "c": 75.0, "d": 45.0, "e": 85.0, "f": 19.0, "g": 50.0}
    with contextlib.closing(Writer(settings.store_path)) as writer:
        readings = [
            Reading(Series(place, "s", quantity), now_ms() - 1_000, value)
            for place, rh in rh_pct.items()
            for quantity, value in ((RH, rh), (T, 21.0))
        ]
        writer.write(readings)
    with contextlib.closing(Reader(settings.store_path)) as reader:
        found = by_gravity(LastDay(reader, now_ms()), settings).places
    heard = [one.id for one in found if one.id in rh_pct]
    assert heard == ["f", "e", "b", "a", "c", "d", "g"]


def test_places_that_fell_silent_stand_before_those_that_are_right(many):
    with contextlib.closing(Reader(many.settings.store_path)) as reader:
        gravity = by_gravity(LastDay(reader, now_ms() + 900_000), many.settings)
        assert gravity.old == MANY
        gravity = by_gravity(LastDay(reader, now_ms() + 250_000), many.settings)
        assert gravity.old == MANY - len(GRAVE)
    assert [one.id for one in gravity.places[:2]] == ["room-0042", "room-0007"]


@pytest.mark.parametrize(
    "query", ["", "?", "?q=", "?page=2&q=%zz", "?q=a&q=b", "?page=9999999999"]
)
def test_any_query_of_an_address_is_a_page(query):
    asked = paging.asked_in(query)
    page = paging.page_of(list(range(99)), asked.page, 10)
    assert 1 <= page.number <= page.pages == 10
