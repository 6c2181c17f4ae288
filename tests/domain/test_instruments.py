"""Instruments as the fold of what was done with them; what cannot be is refused at its field."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.commands import read_request
from monitor.core.errors import Rejected
from monitor.domain.events import About, Event
from monitor.domain.instrument import (
    ARRIVED_TEMP_C,
    DUE_MAX_MS,
    HOME_RH_PCT,
    HOME_TEMP_C,
    KINDS,
    InstrumentAction,
    apply,
    decide,
    id_of,
)
from monitor.science.plates.assessment import HomeAir, Opened
from monitor.science.plates.parts import PRESETS

NOW = 1_790_000_000_000
HOUR, DAY = 3_600_000, 86_400_000
VIOLIN = {"reference": "VN-31 violin", "kind": "violin", "place": "bench"}


def body_of(one, did, fields, now):
    """The body of the event that an action with some fields becomes."""
    own = {} if did is InstrumentAction.REGISTER else {"instrument": one.id if one else "none"}
    request = read_request({"about": "instrument", "do": did} | own | fields, now)
    return decide(one, request, now)


def do(one, did, at=NOW, **request):
    body = body_of(one, did, request, at)
    subject = id_of(request["reference"]) if did is InstrumentAction.REGISTER else one.id
    return apply(one, Event(About.INSTRUMENT, subject, at, "test", did, body))


@pytest.fixture
def violin():
    return do(
        None, InstrumentAction.REGISTER, NOW - 10 * DAY, **VIOLIN, home_rh_pct=46, home_temp_c=21
    )


def test_one_that_comes_in_has_the_parts_of_its_kind_and_its_home(violin):
    assert (violin.id, violin.here, violin.open_now) == ("vn-31-violin", True, False)
    assert violin.parts == PRESETS["violin"]
    assert violin.home == HomeAir(21, 46)
    assert violin.places == ((NOW - 10 * DAY, "bench"),)


def test_an_unknown_home_is_kept_as_unknown():
    assert do(None, InstrumentAction.REGISTER, **VIOLIN).home == HomeAir()


def test_it_is_opened_closed_moved_handed_out_and_keeps_its_history(violin):
    one = do(violin, InstrumentAction.OPEN, at_ms=NOW - 5 * DAY)
    assert one.open_now
    one = do(one, InstrumentAction.MOVE, at_ms=NOW - 4 * DAY, place="rack")
    one = do(one, InstrumentAction.CLOSE, at_ms=NOW - 3 * DAY)
    one = do(one, InstrumentAction.LEAVE, at_ms=NOW - DAY)
    assert one.opened == (Opened(NOW - 5 * DAY, NOW - 3 * DAY),)
    assert (one.place, one.here, one.open_now) == ("rack", False, False)
    assert [e.action for e in one.events] == ["register", "open", "move", "close", "leave"]
    assert one.version == 5


def test_one_that_comes_again_begins_a_new_stay_and_keeps_the_earlier_one(violin):
    gone = do(violin, InstrumentAction.LEAVE, at_ms=NOW - DAY)
    back = do(
        gone,
        InstrumentAction.REGISTER,
        reference="vn 31 VIOLIN",
        kind="violin",
        place="rack",
        open=True,
    )
    assert (back.id, back.reference) == (violin.id, "vn 31 VIOLIN")
    assert (back.here, back.open_now, back.arrived_ms) == (True, True, NOW)
    assert len(back.events) == 3


def test_what_was_opened_and_closed_in_the_same_moment_was_not_open(violin):
    one = do(violin, InstrumentAction.OPEN, at_ms=NOW - DAY)
    assert do(one, InstrumentAction.CLOSE, at_ms=NOW - DAY).opened == ()


def test_a_correction_changes_what_was_given_and_nothing_else(violin):
    one = do(violin, InstrumentAction.CORRECT, home_rh_pct=62, note="ask for the case")
    assert (one.home, one.note, one.parts) == (HomeAir(21, 62), "ask for the case", violin.parts)
    assert do(one, InstrumentAction.CORRECT, home_rh_pct=None).home == HomeAir(21, None)
    thin = PRESETS["violin"][0].to_mapping() | {"thickness_mm": 2.4}
    assert do(one, InstrumentAction.CORRECT, parts=[thin]).parts[0].thickness_mm == 2.4


def test_when_it_came_can_be_put_right_and_what_came_open_moves_along():
    one = do(None, InstrumentAction.REGISTER, NOW - 3 * DAY, **VIOLIN, open=True)
    earlier = do(one, InstrumentAction.CORRECT, arrived_ms=NOW - 9 * DAY)
    assert earlier.places == ((NOW - 9 * DAY, "bench"),)
    assert earlier.opened == (Opened(NOW - 9 * DAY),)
    closed = do(one, InstrumentAction.CLOSE, at_ms=NOW - DAY)
    with pytest.raises(Rejected, match="arrived is after a later entry"):
        body_of(closed, InstrumentAction.CORRECT, {"arrived_ms": NOW - HOUR}, NOW)
    assert do(closed, InstrumentAction.CORRECT, arrived_ms=NOW - DAY).opened == ()


PLATE = PRESETS["violin"][0].to_mapping()
BLOCK = PRESETS["violin"][3].to_mapping()
REFUSED = [
    ({"reference": " "}, "reference", "reference is empty"),
    ({"reference": "…"}, "reference", "a letter from a to z or a figure"),
    ({"reference": "x" * 61}, "reference", "at most 60"),
    ({"reference": 5}, "reference", "must be text"),
    ({"reference": "a\nb"}, "reference", "cannot be printed"),
    ({"kind": "guitar"}, "kind", "must be one of violin, viola, cello, bass"),
    ({"kind": ["violin"]}, "kind", "must be one of"),
    ({"place": ""}, "place", "place is empty"),
    ({"place": "a/b"}, "place", "special meaning in a topic"),
    ({"place": 5}, "place", "must be text"),
    ({"open": "yes"}, "open", "true or false"),
    ({"home_rh_pct": 100}, "home_rh_pct", "must be 5 to 95 %"),
    ({"home_rh_pct": float("nan")}, "home_rh_pct", "must be 5 to 95 %"),
    ({"home_rh_pct": True}, "home_rh_pct", "must be 5 to 95 %"),
    ({"home_rh_pct": 10**400}, "home_rh_pct", "must be 5 to 95 %"),
    ({"home_temp_c": 41}, "home_temp_c", "must be -5 to 40 °C"),
    ({"home_temp_c": None}, "home_temp_c", "must be -5 to 40 °C"),
    ({"arrived_temp_c": -31}, "arrived_temp_c", "must be -30 to 50 °C"),
    ({"arrived_ms": NOW + HOUR}, "arrived_ms", "60 min in the future"),
    ({"arrived_ms": 0}, "arrived_ms", "more than 5 years in the past"),
    ({"arrived_ms": "today"}, "arrived_ms", "must be a time"),
    ({"arrived_ms": True}, "arrived_ms", "must be a time"),
    ({"due_ms": NOW - HOUR}, "due_ms", "due is before the instrument came in"),
    ({"due_ms": NOW + DUE_MAX_MS + 1}, "due_ms", "more than 5 years in the future"),
    ({"due_ms": "x", "arrived_ms": NOW}, "due_ms", "must be a time"),
    ({"note": "x" * 2001}, "note", "at most 2000"),
    ({"note": "a\x00"}, "note", "cannot be printed"),
    ({"note": 5}, "note", "must be text"),
    ({"parts": []}, "parts", "1 to 20"),
    ({"parts": "top"}, "parts", "a list of parts"),
    ({"parts": [5]}, "parts", "a list of parts"),
    ({"parts": [PLATE | {"species": ["spruce"]}]}, "parts.0.species", "one of norway_spruce"),
    ({"parts": [PLATE | {"thickness_mm": 0}]}, "parts.0.thickness_mm", "0.3 to 80 mm"),
    ({"parts": [PLATE | {"species": "teak"}]}, "parts.0.species", "one of norway_spruce"),
    ({"parts": [PLATE, PLATE]}, "parts.1.name", "a name no other part has"),
    (
        {"parts": [BLOCK, PLATE | {"thickness_mm": 17}]},
        "parts.1.thickness_mm",
        "the block's, 16 mm",
    ),
    ({"parts": [PLATE | {"width_mm": 2.5}]}, "parts.0.thickness_mm", "less than the width"),
    ({"parts": [PLATE | {"colour": 1}]}, "parts.0.colour", "a field"),
    ({"colour": "red"}, "colour", "colour is not a field of 'register'"),
]


@pytest.mark.parametrize(
    ("more", "field", "why"), REFUSED, ids=[f"{f} {w}" for _, f, w in REFUSED]
)
def test_a_registration_that_cannot_be_is_refused_at_its_field(more, field, why):
    with pytest.raises(Rejected, match=why) as caught:
        body_of(None, InstrumentAction.REGISTER, VIOLIN | more, NOW)
    assert [fault.field for fault in caught.value.faults] == [field]
    assert str(caught.value) == str(caught.value.faults[0])


def test_all_that_is_wrong_is_told_at_once():
    with pytest.raises(Rejected) as caught:
        body_of(
            None,
            InstrumentAction.REGISTER,
            {"kind": "x", "home_rh_pct": 2, "due_ms": NOW - 1},
            NOW,
        )
    assert sorted(f.field for f in caught.value.faults) == [
        "due_ms",
        "home_rh_pct",
        "kind",
        "place",
        "reference",
    ]


@pytest.mark.parametrize(
    ("low", "high", "name"),
    [
        (*HOME_RH_PCT, "home_rh_pct"),
        (*HOME_TEMP_C, "home_temp_c"),
        (*ARRIVED_TEMP_C, "arrived_temp_c"),
    ],
)
def test_both_ends_of_a_range_are_allowed(low, high, name):
    for value in (low, high):
        assert body_of(None, InstrumentAction.REGISTER, VIOLIN | {name: value}, NOW)[name] == value


def test_what_does_not_fit_its_state_is_refused(violin):
    opened = do(violin, InstrumentAction.OPEN, at_ms=NOW - DAY)
    gone = do(violin, InstrumentAction.LEAVE, at_ms=NOW - DAY)
    cases = [
        (None, InstrumentAction.OPEN, {}, "no such instrument"),
        (violin, InstrumentAction.REGISTER, VIOLIN, "is already in the shop"),
        (violin, InstrumentAction.CLOSE, {}, "is not open"),
        (opened, InstrumentAction.OPEN, {}, "is already open"),
        (
            opened,
            InstrumentAction.CLOSE,
            {"at_ms": NOW - 2 * DAY},
            "at is before the last change of",
        ),
        (
            violin,
            InstrumentAction.OPEN,
            {"at_ms": NOW - 11 * DAY},
            "at is before the last change of",
        ),
        (violin, InstrumentAction.MOVE, {}, "place is missing"),
        (violin, InstrumentAction.MOVE, {"place": ""}, "place is empty"),
        (violin, InstrumentAction.MOVE, {"place": "bench"}, "is already there"),
        (violin, InstrumentAction.CORRECT, {}, "no field to correct"),
        (violin, InstrumentAction.CORRECT, {"reference": "VN-32"}, "reference is not a field"),
        (
            violin,
            InstrumentAction.CORRECT,
            {"due_ms": NOW - 11 * DAY},
            "due is before the instrument",
        ),
        (gone, InstrumentAction.OPEN, {}, "has left: register it again first"),
        (gone, InstrumentAction.LEAVE, {}, "has left"),
        (gone, InstrumentAction.CORRECT, {"arrived_ms": NOW}, "arrived is after a later entry"),
        (
            gone,
            InstrumentAction.REGISTER,
            VIOLIN | {"arrived_ms": NOW - 2 * DAY},
            "before the instrument left last time",
        ),
    ]
    for of, did, request, why in cases:
        with pytest.raises(Rejected, match=why):
            body_of(of, did, request, NOW)


def test_a_second_stay_cannot_be_put_before_the_end_of_the_first(violin):
    gone = do(violin, InstrumentAction.LEAVE, at_ms=NOW - 3 * DAY)
    back = do(gone, InstrumentAction.REGISTER, NOW - DAY, **VIOLIN)
    with pytest.raises(Rejected, match="before the instrument left last time"):
        body_of(back, InstrumentAction.CORRECT, {"arrived_ms": NOW - 4 * DAY}, NOW)
    assert do(back, InstrumentAction.CORRECT, arrived_ms=NOW - 2 * DAY).arrived_ms == NOW - 2 * DAY


MOMENTS = st.integers(0, 8).map(lambda n: NOW - 8 * DAY + n * DAY)
WISHES = st.one_of(
    st.tuples(
        st.just(InstrumentAction.REGISTER),
        st.fixed_dictionaries(
            {
                "reference": st.just("VN-31"),
                "kind": st.sampled_from(KINDS),
                "place": st.just("bench"),
            },
            optional={"open": st.booleans(), "arrived_ms": MOMENTS, "due_ms": MOMENTS},
        ),
    ),
    st.tuples(
        st.sampled_from([InstrumentAction.OPEN, InstrumentAction.CLOSE, InstrumentAction.LEAVE]),
        st.fixed_dictionaries({}, optional={"at_ms": MOMENTS}),
    ),
    st.tuples(
        st.just(InstrumentAction.MOVE),
        st.fixed_dictionaries(
            {"place": st.sampled_from(["bench", "rack"])}, optional={"at_ms": MOMENTS}
        ),
    ),
    st.tuples(
        st.just(InstrumentAction.CORRECT),
        st.fixed_dictionaries(
            {},
            optional={
                "arrived_ms": MOMENTS,
                "due_ms": st.none() | MOMENTS,
                "home_rh_pct": st.none() | st.floats(0, 100),
                "note": st.text(max_size=5),
            },
        ),
    ),
)


@pytest.mark.slow
@given(st.lists(WISHES, max_size=14))
def test_whatever_is_asked_the_history_stays_one_that_can_be(requests):
    one = None
    for did, request in requests:
        try:
            body = body_of(one, did, request, NOW)
        except Rejected:
            continue
        one = apply(one, Event(About.INSTRUMENT, "vn-31", NOW, "test", did, body))
    if one is None:
        return
    times = [at for at, _ in one.places]
    assert times[0] == one.arrived_ms
    assert times == sorted(times)
    edges = [t for span in one.opened for t in span if t is not None]
    assert all(a < b for a, b in one.opened if b is not None)
    assert all(b is not None for _, b in one.opened[:-1])
    assert edges == sorted(edges)
    assert all(one.arrived_ms <= t for t in edges)
    if one.left_ms is not None:
        assert max(times + edges) <= one.left_ms
    if one.due_ms is not None:
        assert one.arrived_ms <= one.due_ms
    stays = [e.body["at_ms"] for e in one.events if e.action == InstrumentAction.LEAVE]
    assert all(a <= b for a, b in pairwise(stays))


def test_references_in_any_letters_have_an_id_of_their_own():
    references = ["Ä1", "Ö1", "A1", "日本", "中国", "VN-31 ¼"]
    ids = [id_of(reference) for reference in references]
    assert len(set(ids)) == len(ids)
    assert all(found.isascii() and found for found in ids)
    assert [id_of(found) for found in ids] == ids
