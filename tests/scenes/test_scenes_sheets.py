"""Clients' sheets for the made homes: what must never happen when the advice is carried out.

Rung: property, in an independent model. A client types what a cheap hygrometer reads; the sheet is
the product's; the home, the case, the obedient and the lazy user are the scenes'. The scenes are no
measurement: a sheet that holds here is not thereby validated.
"""

from __future__ import annotations

import calendar
import re
from typing import NamedTuple

import numpy as np
import pytest

from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.measures import HUMIDIFIED
from scenes.advised import TAKE_OUT, Asked, ask, carried_out
from scenes.cases import LAZY, OBEDIENT, CaseRow, CaseYears, Measures, case_years
from scenes.climates import CLIMATES, MONTH_OF_HOUR
from scenes.homes import homes
from scenes.sentences import contradictions

pytestmark = pytest.mark.slow

QUESTIONS = (
    ("one January", "none"),
    ("four seasons", "normals"),
    ("one July", "normals"),
    ("twelve months", "none"),
    ("one January", "hourly"),
    ("one July", "none"),
    ("four seasons", "none"),
    ("weather alone", "hourly"),
)
"""Questions that clients ask; each home asks one or two, in turn."""
PLAYED = ((17, 19), None)
LOW, HIGH = 40.0, 60.0
MONTH = MONTH_OF_HOUR[::24] + 1
SAYS_SO = re.compile(
    r"no measure (is certain|that was tried)|in [1-9] of 10 homes|too much in another"
    r"|left in, it could bring the wood|undo it while the hygrometer reads above",
    re.IGNORECASE,
)
"""Sentences that say that a measure may fail, or harm if it is left in."""


class Carried(NamedTuple):
    """Sheets of a climate's homes and what came of them: rows of `advised` and of `bare` by sheet,
    user and whether it is played."""

    asked: list[Asked]
    advised: dict[tuple[int, str, tuple[int, int] | None], int]
    bare: dict[tuple[int, str, tuple[int, int] | None], int]
    years: CaseYears


@pytest.fixture(scope="module", params=CLIMATES)
def carried(request):
    """All that a climate's homes asked, and the years that followed."""
    return _carry(request.param)


def _carry(climate: str) -> Carried:
    first = list(CLIMATES).index(climate)
    mine = [home for home in homes() if home.climate == climate]
    asked = [
        ask(home, *QUESTIONS[turn % len(QUESTIONS)])
        for i, home in enumerate(mine, first)
        for turn in (i, i + 3)[: 1 + i % 2]
    ]
    rows: dict[CaseRow, int] = {}
    advised, bare = {}, {}
    for i, one in enumerate(asked):
        followed = carried_out(one)
        if followed is None:
            continue
        for user in (OBEDIENT, LAZY):
            for played in PLAYED:
                key = (i, user.name, played)
                for found, (home, measures) in (
                    (advised, followed),
                    (bare, (one.home, Measures())),
                ):
                    row = CaseRow(home, measures=measures, user=user, played=played)
                    found[key] = rows.setdefault(row, len(rows))
    return Carried(asked, advised, bare, case_years(list(rows)))


def test_there_is_a_page_for_every_home(carried):
    assert len({one.home for one in carried.asked}) == 6
    assert len(carried.asked) == 9
    assert len({one.page for one in carried.asked}) > 4
    assert len(carried.advised) >= 4 * 5  # of two devices at once the scenes know nothing


def test_no_two_sentences_of_a_page_contradict_each_other(carried):
    for one in carried.asked:
        assert not contradictions(one.page), one.name


def test_nothing_is_prescribed_for_a_month_that_nobody_knows(carried):
    for one in carried.asked:
        worked, page = one.worked, one.page
        known, device = set(worked.advice.known), worked.advised.device
        if device is not None and worked.unknown:
            lead = one.sheet.lead.split("This advice is for")[0]
            assert "all year" not in lead, one.name
        if worked.refills is not None:
            assert set(worked.refills.months) <= known, one.name
        if worked.advised.room is not None:
            named = one.sheet.lead.split("This advice is for")[0]
            for month in set(range(1, 13)) - known:
                assert calendar.month_name[month] not in named, one.name
        if worked.unknown:
            assert "these months only" in page, one.name
            assert "Measure the room in" in page, one.name
            assert "all year" not in page, one.name
            for month, mark in enumerate(one.sheet.fills, 1):
                assert month in known or not re.search(r"\d", mark), one.name


def test_the_band_is_broken_by_the_advice_in_one_draw_in_ten_at_most_or_the_page_says_so(carried):
    years = carried.years
    for key, row in carried.advised.items():
        one = carried.asked[key[0]]
        kept = np.isin(MONTH, one.worked.advice.known)
        with_it, without = (years.wood_pct[kept][:, r] for r in (row, carried.bare[key]))
        damp = ((with_it > HIGH + 3) & (without <= HIGH)).sum(axis=0) > 7
        damp |= years.over_70_h[row] > years.over_70_h[carried.bare[key]] + 24
        dry = ((with_it < LOW - 3) & (without >= LOW)).sum(axis=0) > 7
        if damp.mean() > 0.1:
            assert SAYS_SO.search(one.page), (one.name, key, damp.mean())
            device = one.worked.advised.device
            assert not isinstance(device, Humidifier) or TAKE_OUT.search(one.page), (one.name, key)
        assert dry.mean() <= 0.1, (one.name, key, dry.mean())


def test_a_buffer_harms_nobody_not_the_lazy_either(carried):
    for key, row in carried.advised.items():
        one = carried.asked[key[0]]
        if isinstance(one.worked.advised.device, Buffer):
            years, bare = carried.years, carried.bare[key]
            longer = years.over_70_h[row] - years.over_70_h[bare]
            assert (longer <= 24).mean() >= 0.9, (one.name, key)


def test_how_damp_a_humidifier_makes_an_unplayed_case_is_not_understated(carried):
    for i, one in enumerate(carried.asked):
        said = re.search(r"could bring the wood to \d+\s?% \(up to (\d+)", one.page)
        device = one.worked.advised.device
        if not isinstance(device, Humidifier) or (i, "lazy", None) not in carried.advised:
            continue
        kept = np.isin(MONTH, device.months)
        row = carried.advised[i, "lazy", None]
        highest = carried.years.wood_pct[kept][:, row].max(axis=0)
        if said:
            assert np.quantile(highest, 0.8) <= float(said[1]) + 5, one.name
        else:
            assert np.quantile(highest, 0.8) <= HIGH + 5, one.name


def test_a_page_that_calls_damp_rare_is_right_in_nine_draws_of_ten(carried):
    for i, one in enumerate(carried.asked):
        if "for less than an hour a year in 9 of 10 homes" not in one.page:
            continue
        if (i, "obedient", (17, 19)) not in carried.advised:
            continue
        row = carried.advised[i, "obedient", (17, 19)]
        bare = carried.bare[i, "obedient", (17, 19)]
        longer = carried.years.over_70_h[row] - carried.years.over_70_h[bare]
        assert (longer <= 24).mean() >= 0.9, one.name


def test_a_humidifier_is_filled_before_it_has_long_been_empty(carried):
    for one in carried.asked:
        device = one.worked.advised.device
        if isinstance(device, Humidifier):
            lasts_d = device.water_ml / (device.release_g_day_pct * (100 - 45))
            assert lasts_d >= 0.6 * device.every_d, one.name


def test_who_is_to_run_a_room_humidifier_is_told_when_to_turn_it_down(carried):
    for one in carried.asked:
        if one.worked.advised.kind in HUMIDIFIED:
            assert "windows or cold walls" in one.page, one.name
            assert one.worked.advised.room.set_pct <= HIGH - 10, one.name


def test_no_one_is_told_to_carry_ten_litres_a_day(carried):
    for one in carried.asked:
        if one.worked.advised.kind in HUMIDIFIED:
            assert one.worked.advised.room.litres_day <= 10, one.name
