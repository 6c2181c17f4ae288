"""How waits stand, from a real store: reference air gives the basis, and what is not known is said."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from wait_bench import DAY, HOUR, NOW, Bench

from dashboard.bench.text import shorter_words, taught_words
from monitor.commands import Journal
from monitor.core.errors import Rejected
from monitor.domain.events import About, Event
from monitor.domain.wait_type_registry import (
    RETIRE,
    SET,
    SetWaitType,
    apply,
    as_mapping,
    changed,
    from_mapping,
)
from monitor.domain.wait_types import KINDS
from monitor.outlook.place_air import AirSource
from monitor.science.waits.learning import JointAtRelease
from monitor.science.waits.wait import WaitState
from monitor.service.state_publisher import state_of
from monitor.waits.evaluation import NO_READING, counting, ready_by
from monitor.waits.starts import starts
from monitor.waits.text import foreseen


@pytest.fixture(scope="module")
def reference_air(tmp_path_factory):
    """A store with reference air at the bench."""
    made = Bench(tmp_path_factory.mktemp("air"))
    made.air("bench", 20.0, 50.0)
    made.reader.close()
    made.writer.close()
    return made.settings.store_path


@pytest.fixture
def bench(tmp_path, reference_air):
    shutil.copy(reference_air, tmp_path)
    made = Bench(tmp_path)
    yield made
    made.writer.close()


@pytest.mark.parametrize(
    "kind", ["plate-crack", "cleat", "spirit-coat", "oil-coat", "settling", "fixed"]
)
def test_in_reference_air_a_wait_takes_its_basis(bench, kind):
    """Rung: property."""
    basis_h = KINDS[kind].basis_s / 3600
    found = bench.status(bench.open(kind, ago_h=basis_h / 2)).readiness
    assert found.state is WaitState.WAITING
    assert found.progress.median == pytest.approx(0.5, abs=0.02)
    assert found.ready_low_ms <= found.ready_ms <= found.ready_high_ms
    assert found.ready_ms == pytest.approx(NOW + basis_h / 2 * HOUR, abs=0.04 * basis_h * HOUR)
    done = bench.status(bench.open(kind, ago_h=1.5 * basis_h)).readiness
    assert done.state is WaitState.READY


@pytest.mark.slow
def test_what_could_be_started_stands_as_it_does_once_it_is_opened(bench):
    """Rung: property."""
    bench.air("cellar", 15.0, 84.0)
    learned = bench.open("cleat", ago_h=9.0)
    bench.do("release", wait=learned, feel="soft", at_ms=NOW - HOUR)
    journal = Journal(bench.reader)
    before = starts(bench.reader, bench.settings, journal, ["bench", "cellar", "attic"], NOW)
    assert set(before) == {(k, p) for k in journal.book for p in ("bench", "cellar", "attic")}
    for (kind, place), start in before.items():
        after = bench.status(bench.open(kind, place))
        assert start.status.readiness == after.readiness, (kind, place)
        assert (start.status.load, start.status.why_not) == (after.load, after.why_not)
    cleat = before["cleat", "bench"].status.wait.kind
    assert cleat["basis_s"] > KINDS["cleat"].basis_s  # what the soft one has taught


def test_what_cannot_be_started_says_why(bench):
    """Rung: property."""
    batch = bench.do("mix", about="glue", kind="epoxy")["glue"]
    found = starts(bench.reader, bench.settings, Journal(bench.reader), ["bench"], NOW, glue=batch)
    crack, coat = found["plate-crack", "bench"], found["spirit-coat", "bench"]
    assert crack.status is None
    assert "has no clamp time" in crack.why_not
    assert coat.status.readiness.ready_ms  # it takes no glue


def test_damp_air_holds_and_says_so(bench):
    """Rung: property."""
    bench.air("cellar", 16.0, 88.0)
    found = bench.status(bench.open("cleat", "cellar", ago_h=6)).readiness
    assert found.state is WaitState.HOLD
    assert found.ready_ms is None
    told = state_of(bench.status("1"))
    assert (told["state"], told["hold"], told["ready_at"]) == ("on hold", "damp", None)


def test_a_moved_wait_has_the_air_of_each_place(bench):
    """Rung: property."""
    bench.air("stove", 26.0, 35.0)
    bench.air("cellar", 14.0, 72.0)
    stays = bench.status(bench.open("neck-or-block", ago_h=10)).readiness.progress.median
    for place, faster in (("stove", True), ("cellar", False)):
        wait_id = bench.open("neck-or-block", ago_h=10)
        bench.do("move", wait=wait_id, place=place, at_ms=NOW - 6 * HOUR)
        assert (bench.status(wait_id).readiness.progress.median > stays) is faster


def test_a_paused_wait_stands_still(bench):
    """Rung: property."""
    wait_id = bench.open("plate-crack", ago_h=4)
    bench.do("pause", wait=wait_id, at_ms=NOW - 3 * HOUR)
    paused = bench.status(wait_id).readiness
    assert paused.state is WaitState.PAUSED
    assert paused.progress.median == pytest.approx(1 / 6, abs=0.02)
    bench.do("resume", wait=wait_id, at_ms=NOW - HOUR)
    assert bench.status(wait_id).readiness.progress.median == pytest.approx(2 / 6, abs=0.02)


def test_a_place_without_a_sensor_promises_nothing(bench):
    """Rung: property."""
    status = bench.status(bench.open("cleat", "attic", ago_h=1))
    assert (status.readiness, status.why_not) == (None, NO_READING)
    assert state_of(status)["note"] == NO_READING


def test_a_sensor_dead_for_hours_widens_the_range_and_is_said(bench):
    """Rung: property."""
    bench.air("rack", 20.0, 50.0, end=NOW - 5 * HOUR)
    alive = bench.status(bench.open("neck-or-block", ago_h=10)).readiness
    dead = bench.status(bench.open("neck-or-block", "rack", ago_h=10)).readiness
    assert dead.unknown_s == pytest.approx(5 * 3600, abs=700)
    assert alive.unknown_s < 700
    assert dead.progress.high - dead.progress.low > alive.progress.high - alive.progress.low


def test_a_start_before_the_log_is_said(bench):
    """Rung: property."""
    bench.air("new", 20.0, 50.0, start=NOW - 2 * HOUR)
    found = bench.status(bench.open("neck-or-block", "new", ago_h=10)).readiness
    assert found.before_log_s == pytest.approx(8 * 3600, abs=700)


def test_a_sensor_whose_clock_ran_ahead_tells_nothing_of_the_past(bench):
    """Rung: property."""
    bench.air("jumped", 20.0, 50.0, start=NOW + HOUR, end=NOW + 3 * HOUR)
    status = bench.status(bench.open("cleat", "jumped", ago_h=2))
    assert status.readiness is None or status.readiness.state is WaitState.NO_AIR


def test_a_kind_that_is_retired_while_open_changes_nothing(bench):
    """Rung: property."""
    wait_id = bench.open("cleat", ago_h=2)
    before = bench.status(wait_id).readiness
    bench.do("kind", kind="cleat", basis_s=40 * 3600.0)
    bench.do("retire", kind="cleat")
    assert bench.status(wait_id).readiness == before
    with pytest.raises(Rejected, match="kind = 'cleat': must be one of"):
        bench.open("cleat")


def test_releases_teach_the_next_wait_its_basis_and_undo_forgets(bench):
    """Rung: property."""
    for _ in range(3):
        wait_id = bench.open("cleat", ago_h=5)
        bench.do("release", wait=wait_id, feel="soft")
    kept = Journal(bench.reader).waits[wait_id].equivalent_s
    assert kept == pytest.approx(5 * 3600, rel=0.05)
    next_id = bench.open("cleat")
    assert Journal(bench.reader).waits[next_id].kind["basis_s"] > 4.5 * 3600
    for number in ("1", "2", "3"):
        bench.do("feel", wait=number)
    next_id = bench.open("cleat")
    assert Journal(bench.reader).waits[next_id].kind["basis_s"] == 4 * 3600


@pytest.mark.slow
def test_a_series_judged_alike_is_one_piece_of_evidence(bench):
    """Rung: property."""
    opened = {"do": "open", "kind": "cleat", "place": "bench", "start_ms": NOW - 5 * HOUR}
    eight = bench.commands.carry_out(opened | {"count": 8}, NOW)["waits"]
    for wait_id in eight:
        bench.do("release", wait=wait_id, feel="soft")
    one = Journal(bench.reader).learned("cleat")
    assert [e.verdict for e in one.evidence] == [JointAtRelease.SOFT]
    bench.do("feel", wait=eight[0], feel="right")
    assert len(Journal(bench.reader).learned("cleat").evidence) == 2


def test_one_left_overnight_and_found_right_was_hard_by_then(bench):
    """Rung: property."""
    wait_id = bench.open("cleat", ago_h=40)
    before = KINDS["cleat"].basis_s
    bench.do("release", wait=wait_id, feel="right")
    learned = Journal(bench.reader).learned("cleat")
    assert [e.verdict for e in learned.evidence] == [JointAtRelease.HARD_BY_THEN]
    assert learned.basis_s == pytest.approx(before, rel=0.02)


@pytest.mark.slow
def test_learning_never_goes_below_the_safe_minimum(bench):
    """Rung: property."""
    for _ in range(6):
        wait_id = bench.open("cleat", ago_h=2.1)
        bench.do("release", wait=wait_id, feel="long before")
    assert Journal(bench.reader).learned("cleat").basis_s >= KINDS["cleat"].minimum_s


@pytest.mark.slow
def test_the_latest_start_is_ready_in_time(bench):
    """Rung: property."""
    kind = KINDS["plate-crack"]
    (found,) = ready_by(bench.reader, bench.settings, [kind], "bench", NOW, NOW + 14 * HOUR)
    assert found.sure_ms <= found.start_ms <= NOW + 14 * HOUR - 1000 * kind.basis_s
    (damp,) = ready_by(
        bench.reader, bench.settings, [kind], "bench", NOW, NOW + 14 * HOUR, drier_pct=-15
    )
    assert damp.sure_ms is None or damp.sure_ms < found.sure_ms
    (too_late,) = ready_by(bench.reader, bench.settings, [kind], "bench", NOW, NOW + HOUR)
    assert too_late.sure_ms is None
    (unknown,) = ready_by(bench.reader, bench.settings, [kind], "attic", NOW, NOW + DAY)
    assert unknown is None


def test_what_was_foreseen_at_the_opening_is_kept(bench):
    """Rung: property."""
    wait_id = bench.open("plate-crack", count=2)
    bench.open("cleat", "attic")
    waits = Journal(bench.reader).waits
    low, ready, high = waits[wait_id].foreseen_ms
    assert low <= ready <= high
    assert ready == pytest.approx(NOW + 1000 * KINDS["plate-crack"].basis_s, abs=0.3 * HOUR)
    assert waits["2"].foreseen_ms == waits["1"].foreseen_ms
    assert waits["3"].foreseen_ms is None


def test_a_wait_entered_after_it_was_ready_has_no_range(bench):
    """Rung: property."""
    wait_id = bench.open("plate-crack", ago_h=3 * KINDS["plate-crack"].basis_s / 3600)
    wait = Journal(bench.reader).waits[wait_id]
    low, ready, high = wait.foreseen_ms
    assert low == ready == high < NOW
    assert foreseen(wait, NOW, bench.settings.zone).count(":") == 1


def test_a_command_with_an_id_is_carried_out_once(bench):
    """Rung: property."""
    first = bench.do("open", kind="cleat", place="bench", id="press-9")
    assert bench.do("open", kind="cleat", place="bench", id="press-9") == first
    assert len(Journal(bench.reader).waits) == 1


@pytest.mark.parametrize(
    ("command", "why"),
    [
        ({}, "do = None"),
        ({"do": "dance"}, "must be one of open, pause"),
        ({"do": "open", "kind": "cleat", "place": "bench", "count": 0}, "from 1 to 200"),
        ({"do": "open", "kind": "cleat", "place": "bench", "count": True}, "from 1 to 200"),
        ({"do": "open", "kind": "nope", "place": "bench"}, "must be one of plate-crack"),
        ({"do": "release"}, "wait is missing"),
        ({"do": "release", "wait": ""}, "there is no wait ''"),
        ({"do": "open", "id": 5}, "id = 5: must be text of at most 100 characters"),
        ({"do": "open", "by": ["x"]}, "must be text"),
        ({"do": "kind", "kind": "Bad Id", "like": "cleat"}, "lower-case"),
        (
            {"do": "kind", "kind": "new"},
            "like is missing: name the type to copy, one of plate-crack",
        ),
        ({"do": "kind", "kind": "cleat", "basis_s": -1}, "basis_s"),
        (
            {"do": "kind", "kind": "cleat", "basis_s": "x"},
            "basis_s = 'x': must be 60 to 34560000 s",
        ),
        ({"do": "kind", "kind": "cleat", "minimum_s": 1e9}, "minimum_s"),
        ({"do": "kind", "kind": "cleat", "law": {"most_rate": 99}}, "most_rate"),
        ({"do": "kind", "kind": "cleat", "law": {"law": "magic"}}, "must be one of glue"),
        ({"do": "kind", "kind": "cleat", "cautions": ["boo"]}, "boo"),
        ({"do": "kind", "kind": "cleat", "colour": 1}, "colour is not a field of 'kind'"),
        ({"do": "retire", "kind": "none"}, "kind = 'none': must be one of plate-crack"),
    ],
)
def test_a_command_that_cannot_be_changes_nothing(bench, command, why):
    """Rung: property."""
    with pytest.raises(Rejected, match=why):
        bench.commands.carry_out(command, NOW)
    journal = Journal(bench.reader)
    assert (journal.waits, journal.book) == ({}, KINDS)


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_every_kind_is_kept_and_read_back_as_it_is(kind):
    """Rung: property."""
    assert from_mapping(as_mapping(kind)) == kind


def test_the_shops_own_kinds_stand_over_those_that_ship():
    """Rung: property."""
    law = {"most_rate": 1.2}
    mine = changed(KINDS, SetWaitType(kind="patch", like="cleat", name="Patch", law=law))
    assert (mine.name, mine.law.most_rate, mine.basis_s) == ("Patch", 1.2, KINDS["cleat"].basis_s)
    book = apply(KINDS, Event(About.KIND, "patch", NOW, "cli", SET, as_mapping(mine)))
    book = apply(book, Event(About.KIND, "fixed", NOW, "cli", RETIRE, {}))
    assert book["patch"] == mine
    assert "fixed" not in book
    assert np.isfinite(book["patch"].basis_s)


def test_a_joint_has_two_times_in_reference_air_each_its_usual_one(bench):
    """Rung: property."""
    crack = KINDS["plate-crack"]
    found = bench.status(bench.open("plate-crack"))
    for told, usual_s in ((found.readiness, crack.basis_s), (found.load, crack.load_s)):
        assert told.ready_ms == pytest.approx(NOW + 1000 * usual_s, rel=0, abs=0.04e3 * usual_s)
        assert told.ready_low_ms <= told.ready_ms <= told.ready_high_ms
    assert found.load.ready_high_ms - found.load.ready_ms > found.readiness.ready_high_ms - (
        found.readiness.ready_ms
    )
    assert bench.status(bench.open("spirit-coat")).load is None


@pytest.mark.parametrize(("temp_c", "rh_pct"), [(15.0, 70.0), (26.0, 30.0), (20.0, 50.0)])
def test_no_joint_may_be_loaded_before_its_clamps_come_off(bench, temp_c, rh_pct):
    """Rung: property."""
    bench.air("there", temp_c, rh_pct)
    bench.do("kind", kind="cleat", load_s=4 * 3600.0, never_shorter=False)  # as its usual time
    for kind in ("cleat", "neck-or-block"):
        found = bench.status(bench.open(kind, "there"))
        for name in ("ready_low_ms", "ready_ms", "ready_high_ms"):
            off, load = getattr(found.readiness, name), getattr(found.load, name)
            assert off is not None
            assert load is None or load >= off - 60_000


def test_a_joint_counts_on_after_its_clamps_are_off_and_then_is_told(bench):
    """Rung: property."""
    wait_id = bench.open("cleat", ago_h=5)
    before = bench.status(wait_id)
    assert before.ready
    bench.do("release", wait=wait_id)
    waits = Journal(bench.reader).waits.values()
    (setting,) = counting(bench.reader, bench.settings, waits, NOW)
    assert setting.load.ready_ms == pytest.approx(before.load.ready_ms, abs=60_000)
    assert (setting.ready, setting.loadable) == (False, False)
    told = state_of(setting)
    assert (told["setting"], told["state"]) == (True, "waiting")
    assert told["load_at"] > told["ready_at"]
    bench.air("bench", 20.0, 50.0, start=NOW, end=NOW + 2 * DAY)
    (after,) = counting(bench.reader, bench.settings, waits, NOW + 10 * HOUR)
    assert after.loadable
    # Nobody says that it is in work: a day later it is told no more.
    assert counting(bench.reader, bench.settings, waits, NOW + 2 * DAY) == []


def test_damp_air_after_the_clamps_are_off_puts_the_second_time_off(bench):
    """Rung: property."""
    ids = [bench.open("cleat", ago_h=5) for _ in range(2)]
    for wait_id in ids:
        bench.do("release", wait=wait_id, at_ms=NOW - HOUR)
    bench.air("cellar", 15.0, 72.0)
    bench.do("move", wait=ids[1], place="cellar", at_ms=NOW - HOUR)
    stays, moved = (bench.status(wait_id).load.ready_ms for wait_id in ids)
    assert moved > stays + 2 * HOUR


def test_what_raises_the_usual_time_raises_the_time_to_load_alike(bench):
    """Rung: property."""
    for _ in range(3):
        wait_id = bench.open("cleat", ago_h=5)
        bench.do("release", wait=wait_id, feel="soft")
    wait_id = bench.open("cleat")
    new = Journal(bench.reader).waits[wait_id].kind
    cleat = KINDS["cleat"]
    assert new["basis_s"] > cleat.basis_s
    assert new["load_s"] / cleat.load_s == pytest.approx(new["basis_s"] / cleat.basis_s)


def test_the_air_to_come_is_named_by_its_source(bench):
    """Rung: property."""
    assert bench.status(bench.open("cleat")).air_from is AirSource.PATTERN
    bench.air("new", 24.0, 35.0, start=NOW - HOUR // 4)
    new = bench.status(bench.open("cleat", "new"))
    assert new.air_from is AirSource.PRESENT
    assert new.readiness.ready_ms is not None
    bench.air("silent", 24.0, 35.0, start=NOW - 2 * DAY, end=NOW - 7 * HOUR)
    silent = bench.status(bench.open("neck-or-block", "silent", ago_h=12))
    assert (silent.air_from, silent.readiness.ready_ms) == (AirSource.NONE, None)


@pytest.mark.parametrize("kind", ["cleat", "spirit-coat", "settling", "fixed"])
@pytest.mark.parametrize("share", [0.5, 0.97, 1.02, 1.1, 3.0])
def test_no_range_ends_before_it_begins(bench, kind, share):
    """Rung: property."""
    found = bench.status(bench.open(kind, ago_h=share * KINDS[kind].basis_s / 3600)).readiness
    assert found.ready_low_ms <= found.ready_ms <= found.ready_high_ms


def released(bench, ago_h, feel, kind="plate-crack"):
    wait_id = bench.open(kind, ago_h=ago_h)
    bench.do("release", wait=wait_id, feel=feel)
    return wait_id


def test_still_soft_says_what_was_learned_and_a_corrected_answer_is_forgotten(bench):
    """Rung: property."""
    wait_id = released(bench, 6.5, "soft")
    journal = Journal(bench.reader)
    before, after = journal.taught(journal.waits[wait_id])
    assert (before, after > 6.5 * 3600) == (KINDS["plate-crack"].basis_s, True)
    words = taught_words(journal.waits[wait_id], (before, after))
    assert words.startswith("Learned: the usual time of Plate crack is now ")
    bench.do("feel", wait=wait_id, feel="right")
    journal = Journal(bench.reader)
    assert journal.learned("plate-crack").used_s == before
    assert "stays 6 h" in taught_words(
        journal.waits[wait_id], journal.taught(journal.waits[wait_id])
    )


@pytest.mark.slow
def test_a_shorter_time_is_used_only_after_somebody_said_yes(bench):
    """Rung: property."""
    for _ in range(6):
        released(bench, 6.0, "long before")
    learned = Journal(bench.reader).learned("plate-crack")
    assert (learned.shorter_from, learned.used_s) == (6, KINDS["plate-crack"].basis_s)
    question = shorter_words(KINDS["plate-crack"], learned)
    assert question == "Plate crack: the last 6 were ready long before. Use 5 h instead of 6 h?"
    unasked = bench.open("plate-crack")
    assert Journal(bench.reader).waits[unasked].kind["basis_s"] == 6 * 3600
    bench.do("kind", kind="plate-crack", basis_s=learned.shorter_s)
    asked = bench.open("plate-crack")
    journal = Journal(bench.reader)
    assert journal.waits[asked].kind["basis_s"] == learned.shorter_s
    assert journal.learned("plate-crack").shorter_s is None  # nothing new is known yet
