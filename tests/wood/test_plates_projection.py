"""Parts under the air to come: steady air, single members against a history, ranges, closing."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.core.errors import OutOfRange
from monitor.science.plates.air_steps import HomeAir
from monitor.science.plates.diffusion import uniform
from monitor.science.plates.history import history
from monitor.science.plates.parts import PRESETS
from monitor.science.plates.projection import project
from monitor.science.waits.air_log import air_log
from monitor.science.wood import equilibrium_moisture_content

HOUR = 3_600_000
STEPS = 120
SECONDS = np.full(STEPS, 3600.0)
PARTS = PRESETS["violin"]
REST = HomeAir(20.0, 50.0).home_moisture_pct()


def started():
    return uniform(np.full(len(PARTS), REST))


def under(rh, *, opened=True, temp=20.0):
    rh = np.atleast_2d(rh)
    return project(PARTS, started(), REST, SECONDS, np.full(rh.shape, temp), rh, opened=opened)


def test_in_the_air_of_its_home_nothing_moves_and_it_may_be_closed():
    """Rung: property."""
    found = under(np.full((3, STEPS), 50.0))
    for one in found.parts:
        assert one.from_home_pct == pytest.approx((0, 0, 0), abs=1e-6)
        assert one.change_mm == pytest.approx((0, 0, 0), abs=1e-6)
    assert found.closable.all()


def test_one_member_is_the_history_of_that_air():
    """Rung: property.

    Two ways of our own: the same air as a log of readings."""
    rh = np.repeat([38.0, 44.0], STEPS // 2)
    start = 1_700_000_000_000
    middles = start + HOUR * np.arange(STEPS) + HOUR // 2
    log = air_log(middles, np.full(STEPS, 20.0), rh, start + STEPS * HOUR, 3600.0)
    past = history(PARTS, log, start, home=HomeAir(20.0, 50.0))
    found = {one.part.name: one for one in under(rh, opened=False).parts}
    for i, part in enumerate(past.parts):
        assert found[part.name].middle_pct[-1] == pytest.approx(past.mean[i, -1], abs=0.01)


def test_dry_air_makes_it_narrower_and_no_part_goes_beyond_the_airs_balance():
    """Rung: property."""
    found = under(np.full((1, STEPS), 30.0))
    floor = float(equilibrium_moisture_content(20.0, 30.0)) - REST
    assert found.parts[0].from_home_pct.median < -0.5
    for one in found.parts:
        assert floor <= one.from_home_pct.median < 0
        assert one.change_mm.median < 0
    assert max(one.step for one in found.parts) == STEPS - 1
    assert not found.closable[-1]


def test_members_that_differ_give_a_range_and_the_part_strained_most_stands_first():
    """Rung: property."""
    found = under(np.stack([np.full(STEPS, v) for v in (28.0, 32.0, 36.0, 40.0)]))
    first = found.parts[0]
    assert first.from_home_pct.low < first.from_home_pct.median < first.from_home_pct.high
    strained = [one.yield_share for one in found.parts]
    assert strained == sorted(strained, reverse=True)
    assert first.part.name in ("top", "back")  # held all round, unlike ribs and blocks


def test_air_that_cannot_be_is_refused():
    """Rung: property."""
    with pytest.raises(OutOfRange):
        under(np.full((1, STEPS), 130.0))
