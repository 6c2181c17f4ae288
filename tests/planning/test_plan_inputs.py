"""The planning problem is the shop's: its repairs, its air, its hours, and what already runs."""

from __future__ import annotations

import numpy as np
import pytest
from wait_bench import DAY, NOW, Bench

from monitor.commands import Journal
from monitor.domain.wait_types import KINDS
from monitor.planning.inputs import problem_of
from monitor.planning.planner import plan
from monitor.planning.problem import steady_wait
from monitor.planning.today import today
from monitor.waits.evaluation import statuses


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    bench = Bench(tmp_path_factory.mktemp("planned"))
    bench.air("bench", 20, 50)
    bench.do("register", about="instrument", reference="VN-1", kind="violin", place="bench")
    bench.do("take in", about="repair", instrument="VN-1", template="top-cracks")
    return bench


def inputs_of(bench, now=NOW):
    return problem_of(bench.reader, bench.settings, Journal(bench.reader), now)


@pytest.mark.slow
def test_a_wait_that_starts_now_takes_as_long_as_the_bench_says(shop):
    found = inputs_of(shop)
    (repair,) = found.problem.repairs
    crack = next(s for s in repair.steps if s.name == "Glue crack, middle crack")
    assert repair.name == "VN-1"
    assert found.unknown == ()
    now = int(np.searchsorted(crack.wait.start_ms, NOW))
    usual_s = KINDS["plate-crack"].basis_s
    assert crack.wait.minimum_s >= usual_s  # never shorter than usual
    assert np.median(crack.wait.seconds[:, now]) == pytest.approx(usual_s, rel=0.1)
    assert np.median(crack.load.seconds[:, now]) == pytest.approx(24 * 3600, rel=0.1)
    assert crack.hazardous
    planned = plan(found.problem, limit_s=0.2)
    assert len(planned.steps) == len(repair.steps)
    assert planned.repairs[0].ready.low_ms < planned.repairs[0].ready.high_ms


@pytest.mark.slow
def test_damp_air_makes_waits_longer(tmp_path):
    damp = Bench(tmp_path)
    damp.air("bench", 18, 62)
    damp.do("register", about="instrument", reference="VN-1", kind="violin", place="bench")
    damp.do("take in", about="repair", instrument="VN-1", template="open-seams")
    seams = inputs_of(damp).problem.repairs[0].steps[1].wait
    assert np.median(seams.seconds[:, 0]) > 1.2 * KINDS["rib-seam"].basis_s


@pytest.mark.slow
def test_what_runs_enters_with_its_own_ready_time(tmp_path):
    bench = Bench(tmp_path)
    bench.air("bench", 20, 50)
    bench.do("register", about="instrument", reference="VN-1", kind="violin", place="bench")
    bench.do("take in", about="repair", instrument="VN-1", template="open-seams")
    bench.do("finish", about="repair", repair="1", step="1")
    bench.do("start", about="repair", repair="1", step="2")
    journal = Journal(bench.reader)
    (status,) = statuses(bench.reader, bench.settings, journal.waits.values(), NOW)
    first, second = inputs_of(bench).problem.repairs[0].steps[:2]
    assert first.done
    assert second.running.off.usual_ms == status.readiness.ready_ms
    assert second.running.ready.high_ms == status.load.ready_high_ms
    later = NOW + 60_000
    bench.do("finish", now=later, about="repair", repair="1", step="2")
    setting = inputs_of(bench, later).problem.repairs[0].steps[1]
    assert not setting.done
    assert setting.running.off.high_ms == later
    assert setting.running.ready.usual_ms == pytest.approx(status.load.ready_ms, abs=DAY / 24)


def test_without_air_the_usual_times_count_and_the_place_is_named(tmp_path):
    bench = Bench(tmp_path)
    bench.do("register", about="instrument", reference="VN-1", kind="violin", place="attic")
    bench.do("take in", about="repair", instrument="VN-1", template="open-seams")
    found = inputs_of(bench)
    assert found.unknown == ("attic",)
    seams = found.problem.repairs[0].steps[1].wait
    usual_s = KINDS["rib-seam"].basis_s
    assert seams.seconds.tolist() == steady_wait(1, usual_s, 4).seconds.tolist()


@pytest.mark.slow
@pytest.mark.parametrize("pause", [False, True])
def test_clamps_never_come_off_by_a_ready_time_that_is_not_known(tmp_path, pause):
    bench = Bench(tmp_path)
    place = "bench" if pause else "attic"
    bench.air("bench", 20, 50, end=NOW + DAY)
    bench.do("register", about="instrument", reference="VN-1", kind="violin", place=place)
    bench.do("take in", about="repair", instrument="VN-1", template="open-seams")
    bench.do("finish", about="repair", repair="1", step="1")
    bench.do("start", about="repair", repair="1", step="2")
    if pause:
        bench.do("pause", now=NOW + DAY // 24, wait="1")
    later = NOW + (DAY // 2 if pause else 3 * DAY)
    problem = inputs_of(bench, later).problem
    running = problem.repairs[0].steps[1].running
    assert not running.known
    assert running.off.usual_ms > NOW
    made = plan(problem, limit_s=0)
    assert [s.known for s in made.steps if s.running] == [False]
    assert today(made, later + DAY, later + 2 * DAY).off == ()
