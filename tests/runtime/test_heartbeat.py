"""The heartbeat file, the clock, the nightly jobs: small parts that others lean on."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from conftest import until
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.clock import from_ms, to_ms
from monitor.runtime import heartbeat
from monitor.runtime.scheduler import Scheduler


def beat(**more):
    return heartbeat.Heartbeat(**({"beat_ms": 1_000_000, "started_ms": 1, "pid": 7} | more))


def test_a_heartbeat_is_read_back_and_the_file_keeps_its_size(tmp_path):
    path = tmp_path / "heartbeat.json"
    for trouble in ("", "disk is full " * 9, ""):
        heartbeat.write(path, beat(store_trouble=trouble))
        assert heartbeat.read(path).store_trouble == trouble
        assert path.stat().st_size == heartbeat.SIZE


def test_a_trouble_too_long_for_the_file_is_cut_not_lost(tmp_path):
    heartbeat.write(tmp_path / "p", beat(store_trouble="x" * 9000, broker_trouble="away"))
    found = heartbeat.read(tmp_path / "p")
    assert (found.store_trouble, found.broker_trouble) == ("x" * 400, "away")


def test_a_file_that_is_no_heartbeat_reads_as_none(tmp_path):
    assert heartbeat.read(tmp_path / "none") is None
    (tmp_path / "p").write_text("{")
    assert heartbeat.read(tmp_path / "p") is None


def test_a_heartbeat_is_late_after_its_limit():
    last = beat().beat_ms + 1000 * heartbeat.LATE_S
    assert not beat().late(int(last))
    assert beat().late(int(last) + 1)


def test_a_heartbeat_from_the_future_is_of_a_clock_set_back():
    assert beat().late(beat().beat_ms - int(1000 * heartbeat.LATE_S) - 1)


def test_a_file_that_has_grown_is_cut_back(tmp_path):
    (tmp_path / "p").write_bytes(b"x" * 9000)
    heartbeat.write(tmp_path / "p", beat())
    assert heartbeat.read(tmp_path / "p") == beat()


def test_it_can_be_renewed_on_a_full_disk(tmp_path):
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with pytest.raises(OSError, match="No space"):
        heartbeat.write("/dev/full", beat())  # a new block cannot be had; the caller logs it
    path = tmp_path / "p"
    heartbeat.write(path, beat())
    blocks = path.stat().st_blocks
    heartbeat.write(path, beat(store_trouble="full"))
    assert path.stat().st_blocks == blocks  # written over in place: no new block is asked for


@given(st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1)))
def test_milliseconds_and_moments_are_one(moment):
    ms = to_ms(moment.replace(tzinfo=UTC))
    assert to_ms(from_ms(ms)) == ms
    assert abs(from_ms(ms) - moment.replace(tzinfo=UTC)) < timedelta(milliseconds=1)


def test_a_moment_without_a_zone_is_refused_and_one_with_is_converted():
    with pytest.raises(ValueError, match="no time zone"):
        to_ms(datetime(2026, 1, 1))
    east = timezone(timedelta(hours=5, minutes=30))
    assert to_ms(datetime(1970, 1, 1, 5, 30, tzinfo=east)) == 0


def test_a_job_that_fails_is_logged_and_the_others_go_on(caplog):
    done = threading.Event()
    jobs = Scheduler("UTC")
    jobs.nightly("broken", lambda: 1 / 0)
    jobs.nightly("sound", done.set)
    jobs.start()
    for job in jobs._scheduler.get_jobs():
        job.modify(next_run_time=datetime.now(UTC))
    assert done.wait(60)
    until(lambda: "job failed job=broken" in caplog.text)
    jobs.stop()


def test_a_job_that_fails_is_said_until_it_runs_again():
    fails = [RuntimeError("rule dry has no limit"), None]

    def work():
        if (fault := fails.pop(0)) is not None:
            raise fault

    jobs = Scheduler("UTC")
    jobs.every("round", 3_600, work)
    jobs.start()
    try:
        until(lambda: jobs.failing == {"round": "rule dry has no limit"})
        jobs.run_now("round")
        until(lambda: jobs.failing == {})
    finally:
        jobs.stop()
