"""What happens if a sheet's advice is followed: by an obedient and a lazy user, played and unplayed.

The homes and cases are those of `scenes`, whose equations are not the product's. A measure may make
the case damp by itself in at most one draw in ten, or the page says so.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
import pytest
import scenes
from scenes.advised import ask, measures_of
from scenes.homes import RoomDevice

from monitor.science.case.measures import HUMIDIFIED, HomeMeasure
from monitor.science.case.trial import MORE_DAMP_DAYS, MORE_DAMP_H, MOST_DAYS

pytestmark = pytest.mark.slow

LOW, HIGH = 40.0, 60.0
NAMES = (
    "desert, ordinary flat",
    "cold continental, leaky old house",
    "maritime, one room",
    "humid tropics, music room",
)
HOMES = tuple(home for home in scenes.homes() if home.name in NAMES)
USERS = (
    ("obedient, played", scenes.OBEDIENT, (17, 19)),
    ("obedient, unplayed", scenes.OBEDIENT, None),
    ("lazy, played", scenes.LAZY, (17, 19)),
    ("lazy, unplayed", scenes.LAZY, None),
)
WARNED = re.compile(
    r"take the humidifier out while it reads above|makes the (case|instrument) too damp", re.I
)


class Followed(NamedTuple):
    """An advice, and for each of `USERS` the share of draws that it makes damp and harm by days out of
    the band with it and with nothing done, both (users, draws)."""

    asked: object
    made_damp: np.ndarray
    out_with: np.ndarray
    out_bare: np.ndarray


def room_of(asked):
    """The room of the advice as the scenes carry it out: one room of 30 m³ in the same climate."""
    advised = asked.worked.advised
    if advised.room is None:
        return None, asked.home
    sign = 1 if advised.kind in HUMIDIFIED else -1
    device = RoomDevice(sign * advised.room.litres_day, advised.room.set_pct, advised.room.months)
    if advised.kind is HomeMeasure.ROOM:
        return device, asked.home
    changes = min(asked.home.changes_h, 0.6)
    return device, asked.home._replace(volume_m3=30, people=0, changes_h=changes)


@pytest.fixture(scope="module")
def followed():
    return followed_in(HOMES)


def followed_in(homes):
    """Advice for these homes, carried out side by side."""
    done, rows = [], []
    asked = [ask(home, "twelve months", members=10) for home in homes]
    for one in asked:
        kind = one.worked.advised.kind
        if kind in (
            HomeMeasure.COOLER_ROOM,
            HomeMeasure.WARMER_ROOM,
            HomeMeasure.AIR_CONDITIONED,
            HomeMeasure.BOTH_IN_ROOM,
        ):
            continue  # the scenes have no such room
        device, home = room_of(one)
        measures = measures_of(one)
        measures = measures._replace(room=device, windows_shut=kind is HomeMeasure.DEHUMIDIFIER)
        done.append(one)
        rows += [scenes.CaseRow(home, measures=measures, user=u, played=p) for _, u, p in USERS]
        rows += [scenes.CaseRow(one.home, user=u, played=p) for _, u, p in USERS]
    years = scenes.case_years(rows)
    dry, damp = (each.reshape(len(done), 2, len(USERS), -1) for each in years.days(LOW, HIGH))
    over_70_h = years.over_70_h.reshape(dry.shape)
    found = []
    for i, one in enumerate(done):
        (dry_made, dry_bare), (damp_made, damp_bare), (wet_made, wet_bare) = (
            values[i] for values in (dry, damp, over_70_h)
        )
        wetter = wet_made > wet_bare + MORE_DAMP_H
        worse = (damp_made > np.maximum(damp_bare + MORE_DAMP_DAYS, MOST_DAYS)) | wetter
        found.append(Followed(one, worse.mean(axis=1), dry_made + damp_made, dry_bare + damp_bare))
    return found


def test_several_kinds_of_advice_are_followed(followed):
    assert len(followed) == len(NAMES)
    assert len({one.asked.worked.advised.kind for one in followed}) >= 3


@pytest.mark.parametrize("user", range(len(USERS)), ids=[name for name, *_ in USERS])
def test_no_advice_makes_the_case_damp_in_more_than_one_draw_in_ten_without_saying_so(
    followed, user
):
    for one in followed:
        if one.made_damp[user] > 0.1:
            assert WARNED.search(one.asked.page), (
                one.asked.name,
                USERS[user][0],
                one.made_damp[user],
            )


def test_who_does_as_told_has_the_wood_in_its_band_on_more_days(followed):
    for one in followed:
        if one.asked.worked.advised.kind is not HomeMeasure.NOTHING:
            assert one.out_with[0].mean() < one.out_bare[0].mean(), one.asked.name


def test_who_is_lazy_is_not_worse_off_than_with_nothing(followed):
    for one in followed:
        assert one.out_with[2].mean() <= one.out_bare[2].mean() + MOST_DAYS, one.asked.name
