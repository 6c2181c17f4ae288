"""Parts of instruments: what can be so, what is refused at which field, and the journal's form."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.errors import MonitorError
from monitor.science.plates.parts import (
    MOST_PARTS,
    PRESETS,
    THICKNESS_MM,
    WIDTH_MM,
    Faces,
    Part,
    PartFault,
    checked_parts,
)
from monitor.science.plates.species import SPECIES, Cut

TOP = PRESETS["violin"][0]


@pytest.mark.parametrize("kind", ["violin", "viola", "cello", "bass"])
def test_each_kind_of_instrument_has_parts_to_start_from(kind):
    """Rung: property."""
    parts = checked_parts(PRESETS[kind])
    assert [p.name for p in parts] == ["top", "back", "ribs", "neck block"]
    assert [p.faces for p in parts] == [Faces.BOTH] * 3 + [Faces.INNER]


def test_presets_grow_with_the_instrument():
    """Rung: property."""
    for i in range(4):
        thick = [PRESETS[k][i].thickness_mm for k in ("violin", "viola", "cello", "bass")]
        wide = [PRESETS[k][i].width_mm for k in ("violin", "viola", "cello", "bass")]
        assert thick == sorted(thick)
        assert wide == sorted(wide)


@pytest.mark.parametrize(
    ("field", "value", "allowed"),
    [
        ("name", "", "1 to 40 characters"),
        ("name", "   ", "1 to 40 characters"),
        ("name", "x" * 41, "1 to 40 characters"),
        ("species", "plastic", "one of norway_spruce"),
        ("species", None, "one of norway_spruce"),
        ("species", ["norway_spruce"], "one of norway_spruce"),
        ("thickness_mm", 0.0, "0.3 to 80 mm"),
        ("thickness_mm", -3.0, "0.3 to 80 mm"),
        ("thickness_mm", 81.0, "0.3 to 80 mm"),
        ("thickness_mm", float("nan"), "0.3 to 80 mm"),
        ("thickness_mm", float("inf"), "0.3 to 80 mm"),
        ("thickness_mm", "3", "0.3 to 80 mm"),
        ("thickness_mm", True, "0.3 to 80 mm"),
        ("width_mm", 1.0, "2 to 1000 mm"),
        ("width_mm", 1001.0, "2 to 1000 mm"),
        ("cut", "sideways", "one of radial, tangential"),
        ("cut", ["radial"], "one of radial, tangential"),
        ("faces", "none", "one of both, inner"),
        ("varnish_sd_m", -0.1, "0 to 100 m"),
        ("varnish_sd_m", None, "0 to 100 m"),
        ("restraint", 1.1, "0 to 1"),
        ("restraint", -0.1, "0 to 1"),
    ],
)
def test_a_field_that_cannot_be_is_refused_by_name(field, value, allowed):
    """Rung: property."""
    with pytest.raises(PartFault) as caught:
        replace(TOP, **{field: value})
    (fault,) = caught.value.faults
    assert fault.field == field
    assert fault.value is value
    assert fault.allowed.startswith(allowed)
    assert f"{field} = {value}: must be {allowed}" in str(caught.value)
    assert isinstance(caught.value, MonitorError)


def test_all_faults_of_a_part_are_told_together():
    """Rung: property."""
    with pytest.raises(PartFault) as caught:
        Part(name="top", species="plastic", thickness_mm=-1, width_mm=0, restraint=2)
    assert [f.field for f in caught.value.faults] == [
        "species",
        "thickness_mm",
        "width_mm",
        "restraint",
    ]


def test_a_part_thicker_than_wide_is_refused():
    """Rung: property."""
    with pytest.raises(PartFault, match="thickness_mm = 30: must be less than the width, 20 mm"):
        replace(TOP, thickness_mm=30, width_mm=20)


def test_a_plate_thicker_than_the_block_is_refused():
    """Rung: property."""
    with pytest.raises(PartFault, match="thickness_mm = 20: must be at most the block's, 16 mm"):
        checked_parts([replace(TOP, thickness_mm=20), *PRESETS["violin"][1:]])
    assert checked_parts([replace(TOP, thickness_mm=20)])  # there is no block to compare with


def test_parts_need_names_of_their_own():
    """Rung: property."""
    with pytest.raises(PartFault, match="a name no other part has"):
        checked_parts([TOP, replace(TOP, name="TOP")])


@pytest.mark.parametrize("count", [0, MOST_PARTS + 1])
def test_too_few_or_too_many_parts_are_refused(count):
    """Rung: property."""
    with pytest.raises(PartFault, match=f"parts = {count}: must be 1 to {MOST_PARTS}"):
        checked_parts([replace(TOP, name=f"part {i}") for i in range(count)])


@given(
    st.sampled_from(sorted(SPECIES)),
    st.floats(*THICKNESS_MM),
    st.floats(*WIDTH_MM),
    st.sampled_from(Cut),
    st.sampled_from(Faces),
    st.floats(0, 100),
    st.floats(0, 1),
)
def test_a_part_survives_the_journal(species, thickness, width, cut, faces, sd, restraint):
    """Rung: property."""
    if thickness >= width:
        thickness, width = width / 2, thickness * 2
        if not (THICKNESS_MM[0] <= thickness <= THICKNESS_MM[1] and width <= WIDTH_MM[1]):
            return
    part = Part(
        name="la table",
        species=species,
        thickness_mm=thickness,
        width_mm=width,
        cut=cut,
        faces=faces,
        varnish_sd_m=sd,
        restraint=restraint,
    )
    assert Part.from_mapping(json.loads(json.dumps(part.to_mapping()))) == part


def test_what_a_mapping_leaves_out_takes_its_default():
    """Rung: property."""
    part = Part.from_mapping(
        {"name": "top", "species": "sitka_spruce", "thickness_mm": 3, "width_mm": 208}
    )
    assert part.cut is Cut.RADIAL
    assert part.faces is Faces.BOTH


@pytest.mark.parametrize(
    ("mapping", "field"),
    [
        ({**TOP.to_mapping(), "colour": "red"}, "colour"),
        ({k: v for k, v in TOP.to_mapping().items() if k != "species"}, "species"),
        ({**TOP.to_mapping(), "cut": "sideways"}, "cut"),
    ],
)
def test_a_mapping_that_does_not_fit_is_refused_by_field(mapping, field):
    """Rung: property."""
    with pytest.raises(PartFault) as caught:
        Part.from_mapping(mapping)
    assert [f.field for f in caught.value.faults] == [field]


def test_numbers_of_numpy_are_numbers():
    """Rung: property."""
    assert replace(TOP, thickness_mm=np.float64(3.1)).thickness_mm == 3.1
    assert {f.name for f in fields(Part)} == set(TOP.to_mapping())
