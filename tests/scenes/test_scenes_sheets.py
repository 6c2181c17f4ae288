"""Clients' sheets for the made homes: what must never happen when the advice is carried out.

A client types what a cheap hygrometer reads; the sheet is the product's; the home, the case, the
obedient and the lazy user are the scenes'. The scenes are no measurement: a sheet that holds here
is not thereby validated.
"""

from __future__ import annotations

import calendar
import re
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest

from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.measures import HUMIDIFIED
from scenes.advised import TAKE_OUT, Asked, ask, carried_out
from scenes.cases import LAZY, OBEDIENT, CaseRow, CaseYears, Measures, User, case_years
from scenes.climates import CLIMATES, MONTH_OF_HOUR
from scenes.homes import Home, HomeYear, each_year, homes, year_of
from scenes.sentences import contradictions

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1500)]

READINGS = ("one January", "one July", "four seasons", "twelve months")
QUESTIONS = tuple((reading, weather) for weather in ("none", "normals") for reading in READINGS)
"""Questions that clients ask; each home asks one, in turn, so that each kind of home, each climate
and each question meet."""
USERS = tuple((user, played) for user in (OBEDIENT, LAZY) for played in ((17, 19), None))
LOW, HIGH = 40.0, 60.0
FEW = 0.1
"""One draw in ten."""
MADE_H, MADE_DAYS, OUT_PCT = 24, 7, 3.0
"""A measure breaks the band by itself where it adds more hours above 70 % or below 30 %, or more days
farther out than `OUT_PCT` on which the wood would have kept its band. [h], [d], [%]  Ours."""
WET_H, MOULD_H = 450, 72
"""Hours a year of wet panes, and of a corner above 80 %, that a room humidifier may add for one who
turns it down when water shows. [h]  Ours, for the panes a regression: single panes have 409 today,
because water shows before anyone turns it down. One who never does has 1,000 to 2,500 h."""
MONTH = MONTH_OF_HOUR[::24] + 1
SAYS_SO = re.compile(
    r"no measure (is certain|that was tried)|in [1-9] of 10 homes|too much in another"
    r"|left in, it could bring the wood|take the humidifier out while it reads above"
    r"|makes the (case|instrument) too damp",
    re.IGNORECASE,
)
"""Sentences that say that a measure may fail, or harm if it is left in."""


class Followed(NamedTuple):
    """Hours and days by draw that advice adds for one sheet, user and playing. (draws,)"""

    one: Asked
    user: User
    played: tuple[int, int] | None
    damp_h: np.ndarray
    damp_days: np.ndarray
    dry_h: np.ndarray
    dry_days: np.ndarray

    @property
    def name(self) -> str:
        kind = self.one.worked.advised.kind.value
        played = "played" if self.played else "unplayed"
        return f"{self.one.name}; {kind}; {self.user.name}, {played}"

    @property
    def made_damp(self) -> float:
        """Share of draws that the advice makes damp."""
        return float(((self.damp_h > MADE_H) | (self.damp_days > MADE_DAYS)).mean())

    @property
    def made_dry(self) -> float:
        """Share of draws that the advice makes dry."""
        return float(((self.dry_h > MADE_H) | (self.dry_days > MADE_DAYS)).mean())


@cache
def all_asked() -> tuple[Asked, ...]:
    """The sheet of each home of the table."""
    return tuple(
        ask(home, *QUESTIONS[(i + i // 6 * 3) % len(QUESTIONS)], members=10)
        for i, home in enumerate(homes())
    )


@pytest.fixture(scope="module")
def asked() -> tuple[Asked, ...]:
    return all_asked()


@cache
def all_followed() -> tuple[Followed, ...]:
    """What comes of each sheet, for each of `USERS`."""
    rows: dict[CaseRow, int] = {}
    wanted = []
    for one in all_asked():
        for user, played in USERS:
            followed = carried_out(one, obedient=user is OBEDIENT)
            if followed is None:
                continue
            home, measures = followed
            with_it = CaseRow(home, measures=measures, user=user, played=played)
            bare = CaseRow(one.home, measures=Measures(), user=user, played=played)
            at, without = (rows.setdefault(row, len(rows)) for row in (with_it, bare))
            wanted.append((one, user, played, at, without))
    years = case_years(list(rows), hourly=True)
    return tuple(_found(*each, years) for each in wanted)


def _found(one, user, played, at, without, years: CaseYears) -> Followed:
    days = np.isin(MONTH, one.worked.advice.known)
    hours = np.repeat(days, 24)
    draws = years.over_70_h.shape[1]
    column = lambda row: slice(row * draws, (row + 1) * draws)  # noqa: E731 # one row's draws
    air = years.hourly_air_pct.reshape(8760, -1)
    made, bare = (air[hours, column(row)] for row in (at, without))
    wood, kept = (years.wood_pct[days][:, row] for row in (at, without))
    return Followed(
        one,
        user,
        played,
        (made > 70).sum(axis=0) - (bare > 70).sum(axis=0),
        ((wood > HIGH + OUT_PCT) & (kept <= HIGH)).sum(axis=0),
        (made < 30).sum(axis=0) - (bare < 30).sum(axis=0),
        ((wood < LOW - OUT_PCT) & (kept >= LOW)).sum(axis=0),
    )


@pytest.fixture(scope="module")
def followed() -> tuple[Followed, ...]:
    return all_followed()


def test_every_home_has_a_page_and_most_advice_is_carried_out(asked, followed):
    """Rung: property."""
    assert len({one.home for one in asked}) == len(homes()) >= 60
    assert {one.home.climate for one in asked} == set(CLIMATES)
    assert {(one.readings, one.weather) for one in asked} == set(QUESTIONS)
    assert len({one.worked.advised.kind for one in asked}) >= 6
    assert len({each.one.home for each in followed}) >= 60


def test_no_two_sentences_of_a_page_contradict_each_other(asked):
    """Rung: property."""
    for one in asked:
        assert not contradictions(one.page), one.name


def test_nothing_is_prescribed_for_a_month_that_nobody_knows(asked):
    """Rung: property."""
    for one in asked:
        worked, page = one.worked, one.page
        known = set(worked.advice.known)
        if worked.refills is not None:
            assert set(worked.refills.months) <= known, one.name
        if not worked.unknown:
            continue
        lead = one.sheet.lead.split("This advice is for")[0]
        for month in set(range(1, 13)) - known:
            assert calendar.month_name[month] not in lead, one.name
        assert "these months only" in page, one.name
        assert "Measure the room in" in page, one.name
        assert "all year" not in page, one.name
        for month, mark in enumerate(one.sheet.fills, 1):
            assert month in known or not re.search(r"\d", mark), one.name


def test_advice_breaks_the_band_in_one_draw_in_ten_at_most_or_the_page_says_so(followed):
    """Rung: property, in an independent model."""
    wrong = [
        (each.name, each.made_damp, each.made_dry)
        for each in followed
        if max(each.made_damp, each.made_dry) > FEW and not SAYS_SO.search(each.one.page)
    ]
    assert not wrong


def test_what_may_make_the_case_damp_is_told_to_be_taken_out(followed):
    """Rung: property, in an independent model."""
    wrong = [
        (each.name, each.made_damp)
        for each in followed
        if each.made_damp > FEW
        and isinstance(each.one.worked.advised.device, Humidifier)
        and not TAKE_OUT.search(each.one.page)
    ]
    assert not wrong


def test_a_buffer_harms_nobody_not_the_lazy_either(followed):
    """Rung: property, in an independent model."""
    for each in followed:
        if isinstance(each.one.worked.advised.device, Buffer):
            assert (each.damp_h <= MADE_H).mean() >= 1 - FEW, each.name


def test_a_humidifier_is_filled_before_it_has_long_been_empty(asked):
    """Rung: property."""
    for one in asked:
        device = one.worked.advised.device
        if isinstance(device, Humidifier):
            lasts_d = device.water_ml / (device.release_g_day_pct * (100 - 45))
            assert lasts_d >= 0.6 * device.every_d, one.name


# --- Rooms that are humidified ------------------------------------------------------------------


class Wetted(NamedTuple):
    """Hours a year that a room humidifier adds of wet panes and of a damp corner. [h]"""

    one: Asked
    panes_h: int
    corner_h: int


def wetted(some: tuple[Asked, ...], obedient: bool) -> list[Wetted]:
    """The humidified rooms of these sheets beside the same rooms as they were."""
    each = [one for one in some if one.worked.advised.kind in HUMIDIFIED]
    rooms: list[Home] = []
    for one in each:
        found = carried_out(one, obedient)
        assert found is not None
        rooms.append(found[0]._replace(device=found[1].room))
    return [
        Wetted(one, *(a - b for a, b in zip(_wet(made), _wet(year_of(one.home)), strict=True)))
        for one, made in zip(each, each_year(rooms), strict=True)
    ]


def _wet(year: HomeYear) -> tuple[int, int]:
    corner = year.corner_pct.reshape(365, 24).mean(axis=1)
    return int((year.window_pct >= 100).sum()), 24 * int((corner > 80).sum())


def test_who_turns_a_humidifier_down_when_water_shows_has_no_damp_corner(asked):
    """Rung: property, in an independent model; the hours of wet panes are a regression."""
    found = wetted(asked, obedient=True)
    assert len(found) >= 10
    wrong = [
        (each.one.name, each.panes_h, each.corner_h)
        for each in found
        if each.panes_h > WET_H or each.corner_h > MOULD_H
    ]
    assert not wrong
    # The humidified rooms do get wet where nobody looks: else the test above proves nothing.
    assert max(each.panes_h for each in wetted(asked, obedient=False)) > WET_H


def test_who_is_to_run_a_room_humidifier_is_told_when_to_turn_it_down(asked):
    """Rung: property."""
    for one in asked:
        if one.worked.advised.kind in HUMIDIFIED:
            assert "windows or cold walls" in one.page, one.name
            assert one.worked.advised.room.set_pct <= HIGH - 10, one.name
            assert one.worked.advised.room.litres_day <= 10, one.name
