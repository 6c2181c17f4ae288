"""Suggestions of closed days under Settings, Hours: public holidays, and last year's closings."""

from __future__ import annotations

from datetime import date

import dashboard_fixtures as shop_air
import pytest
from board_requests import said

from dashboard.data.journal import CachedJournal
from dashboard.data.settings import SettingsQueries
from dashboard.data.shop import ShopData
from dashboard.settings import forms as settings_forms
from dashboard.settings import holidays
from dashboard.settings import page as settings_page
from dashboard.ui.form_input import Form
from monitor.core import public_holidays
from monitor.core.errors import SettingsFault
from monitor.domain.settings_change import SettingValue
from monitor.settings import Settings
from monitor.settings.change import SettingsFile

TODAY = date(2026, 11, 29)
HOURS = """
[hours]
saturday = ""
closed = {closed}
"""


def settings_of(folder, country="", region="", closed="[]") -> Settings:
    place = f'altitude_m = 120\ncountry = "{country}"\nregion = "{region}"'
    config = shop_air.CONFIG.replace("altitude_m = 120", place) + HOURS.format(closed=closed)
    return shop_air.settings_in(folder, config=config.replace("{port}", "8050"))


def words(settings, today=TODAY, answered=()) -> str:
    return said(holidays.suggestions(settings, today, answered))


def test_public_holidays_of_the_country_are_suggested_and_none_without_it(tmp_path):
    # Source: Art. L3133-1 Code du travail (France). From memory, unchecked.
    french = words(settings_of(tmp_path / "fr", "FR"))
    assert "Fri 25 Dec 2026: Christmas Day" in french
    assert "Wed 14 Jul 2027: National Day" in french
    assert "Mon 29 Mar 2027: Easter Monday" in french
    assert "15 Aug" not in french  # a Sunday in 2027: closed anyhow
    assert "Wed 11 Nov 2026" not in french  # it has been
    none = words(settings_of(tmp_path / "none"))
    assert "Enter the country" in none
    assert "Christmas" not in none


def test_a_region_adds_its_own(tmp_path):
    # Source: Bavaria keeps Epiphany, Germany as a whole does not. From memory, unchecked.
    assert "Epiphany" not in words(settings_of(tmp_path / "de", "DE"))
    assert "Wed 6 Jan 2027: Epiphany" in words(settings_of(tmp_path / "by", "DE", "BY"))


def test_what_is_closed_already_is_not_suggested(tmp_path):
    shut = words(settings_of(tmp_path, "FR", closed='["2026-12-24/2027-01-02"]'))
    assert "Christmas" not in shut
    assert "Mon 29 Mar 2027: Easter Monday" in shut


def test_a_tap_adds_the_day_to_the_closed_days_and_nothing_is_closed_without_one(tmp_path):
    settings = settings_of(tmp_path, "FR", closed='["2026-12-24"]')
    data = ShopData(settings)
    book = SettingsQueries(data, CachedJournal(data))
    settings_page.one(data, book, "hours")
    assert book.present().hours.closed == ["2026-12-24"]
    tap = {"do": "change", "version": settings.version, "close": "2026-12-25"}
    fields = settings_forms.values_of(tap, Form({}, settings), book)
    file = SettingsFile(settings)
    sets = [SettingValue(tuple(one["path"]), one["value"]) for one in fields["set"]]
    file.write(file.changed(sets, (), settings.version))
    assert file.present().hours.closed == ["2026-12-24", "2026-12-25"]
    assert "Christmas Day" not in words(file.present())


@pytest.mark.parametrize(
    ("closed", "answered", "expected"),
    [
        (["2025-12-24/2026-01-02"], (), [(date(2026, 12, 24), date(2027, 1, 2))]),
        (["2025-12-24/2026-01-02", "2026-12-24/2027-01-02"], (), []),
        (["2024-12-24/2025-01-02"], (), []),  # two years ago
        ([], (date(2026, 2, 17), date(2026, 2, 18)), [(date(2027, 2, 17), date(2027, 2, 18))]),
        (["2025-11-29/2025-12-04"], (), [(TODAY, date(2026, 12, 4))]),  # under way
        ([], (date(2026, 2, 21),), []),  # 21 February 2027 is a Sunday
    ],
)
def test_closings_of_last_year_are_suggested_again(tmp_path, closed, answered, expected):
    settings = settings_of(tmp_path, closed=str(closed).replace("'", '"'))
    assert holidays.last_year(settings, TODAY, answered) == expected
    if expected and closed == ["2025-12-24/2026-01-02"]:
        assert "Thu 24 Dec 2026 to Sat 2 Jan 2027" in words(settings)


def test_the_29th_of_february_becomes_the_28th(tmp_path):
    leap = settings_of(tmp_path, closed='["2028-02-29"]')
    assert holidays.last_year(leap, date(2028, 12, 1)) == [(date(2029, 2, 28), date(2029, 2, 28))]


@pytest.mark.parametrize(
    ("country", "region", "why"),
    [
        ("FRA", "", "must be a country code of two letters (ISO 3166-1)"),
        ("XX", "", "'XX'"),
        ("DE", "ZZ", "'ZZ': must be one of BB, BE, BW, BY"),
        ("", "BY", "'BY': enter its country as well"),
        ("JP", "13", "no regions of JP are known"),
    ],
)
def test_a_country_or_region_that_is_not_known_is_refused_in_words(tmp_path, country, region, why):
    with pytest.raises(SettingsFault) as caught:
        settings_of(tmp_path, country, region)
    (fault,) = caught.value.faults
    assert why in fault


def test_a_country_may_be_typed_in_small_letters(tmp_path):
    assert settings_of(tmp_path, "fr").shop.country == "FR"


def test_every_known_country_has_holidays_in_the_next_year():
    for country in ("FR", "DE", "GB", "US", "JP", "IT", "BR", "AU", "ZA"):
        assert country in public_holidays.countries()
        found = public_holidays.next_year(country, "", TODAY)
        assert found
        assert all(TODAY <= one.day <= date(2027, 11, 29) and one.name for one in found)
    assert public_holidays.next_year("", "", TODAY) == []
