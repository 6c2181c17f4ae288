"""The kinds that ship, and the worked table of the documents."""

from __future__ import annotations

import re

import pytest
from worked_waits import examples, table

from monitor.core.errors import OutOfRange
from monitor.core.measurements import name_fault
from monitor.domain.cautions import Caution
from monitor.domain.wait_types import KINDS, WaitType
from monitor.science.waits.film import OIL, FilmLaw
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.timed_rest import FixedLaw

ASKED = {
    "plate-crack",
    "centre-joint",
    "rib-seam",
    "closing",
    "cleat",
    "neck-or-block",
    "linings",
    "bushing",
    "crack-filler",
    "spirit-coat",
    "oil-coat",
    "retouching",
    "polish-rest",
    "settling",
    "washed-wood",
    "fixed",
}


def test_every_kind_of_work_is_there_and_can_stand_in_a_topic():
    """Rung: property."""
    assert set(KINDS) == ASKED
    for id_, kind in KINDS.items():
        assert kind.id == id_
        assert name_fault(id_) is None
        assert re.fullmatch(r"[a-z-]+", id_)
        assert len({k.name for k in KINDS.values()}) == len(KINDS)


@pytest.mark.parametrize("kind", KINDS.values(), ids=str)
def test_every_basis_is_said_to_be_habit_and_stands_above_its_minimum(kind):
    """Rung: property."""
    assert kind.source == "common practice, no source"
    assert 0 <= kind.minimum_s <= kind.basis_s
    assert kind.never_shorter
    assert (kind.spread == 0) == isinstance(kind.law, FixedLaw)


def test_cautions_stand_where_they_belong():
    """Rung: property."""
    for kind in KINDS.values():
        glue, film = isinstance(kind.law, GlueLaw), isinstance(kind.law, FilmLaw)
        assert (Caution.HOT_GLUE_POT in kind.cautions) == glue
        assert (Caution.CHILLED_JOINT in kind.cautions) == glue
        assert (Caution.OILY_RAGS in kind.cautions) == (kind.law == OIL)
        assert (Caution.SOLVENTS in kind.cautions) == film


@pytest.mark.parametrize("change", [{"basis_s": 0}, {"minimum_s": 1e9}, {"spread": 2}])
def test_a_kind_that_cannot_be_is_refused(change):
    """Rung: property."""
    good = {"id": "x", "name": "X", "law": OIL, "basis_s": 7200, "minimum_s": 0, "spread": 0.1}
    with pytest.raises(OutOfRange):
        WaitType(**(good | change))


@pytest.mark.slow
def test_the_worked_table_is_what_the_law_says():
    """Rung: independent derivation."""
    told = {(e.air.split(",")[0], e.work.split()[0]): e for e in examples()}
    assert len(told) == 15
    for work, basis_h in (("crack", 4), ("spirit", 12), ("oil", 48)):
        still = told["reference air", work]
        assert still.additive_h == pytest.approx(basis_h, abs=1e-6)
        assert still.advised_h == pytest.approx(basis_h, rel=0.005)
        # Source: the hand working of test_waits_laws.py, at 15/75 and 24/35. Tolerance: the
        # saturation curve and the rounding.
        damp = {"crack": 17.3, "spirit": 34.3, "oil": 152.0}[work]
        assert told["cold and humid", work].additive_h == pytest.approx(damp, rel=0.005)
        # The median of the draws: the time is skewed in what is drawn, so not quite the same.
        assert told["cold and humid", work].computed_h == pytest.approx(damp, rel=0.04)
        dry = {"crack": 2.26, "spirit": 9.1, "oil": 33.5}[work]
        assert told["warm and dry", work].additive_h == pytest.approx(dry, rel=0.005)
        assert told["warm and dry", work].advised_h == basis_h
        night = told["heated winter night", work]
        assert basis_h < night.advised_h < 1.6 * basis_h
        assert told["monsoon week", work].advised_h > 160  # a week on hold
    for e in told.values():
        assert e.low_h <= e.advised_h <= e.high_h


@pytest.mark.slow
def test_the_table_prints_one_row_per_example():
    """Rung: property."""
    lines = table().splitlines()
    assert lines[0].count("|") == lines[1].count("|") == lines[2].count("|") == 8
    assert sum(line.startswith("| ") for line in lines) == 16
