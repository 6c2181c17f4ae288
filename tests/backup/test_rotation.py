"""Which backups are kept, when one is due, and what is reported."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.backup import state
from monitor.backup.rotation import kept
from monitor.backup.state import State, is_due, trouble
from monitor.core.clock import from_ms, to_ms
from monitor.settings.keeping_groups import Backup

PARIS = ZoneInfo("Europe/Paris")
HOUR_MS = 3_600_000
GROUP = Backup(folder=Path("/media/stick"), at="02:30")


def at(text: str) -> int:
    return to_ms(datetime.fromisoformat(text).replace(tzinfo=PARIS))


def dates(times, **rule):
    return [f"{from_ms(ms).astimezone(PARIS):%m-%d}" for ms in sorted(kept(times, PARIS, **rule))]


def test_the_newest_of_each_of_the_last_days_weeks_and_months_is_kept():
    nights = [at("2026-09-01T02:30") + 24 * HOUR_MS * i for i in range(91)]  # to 30 November
    found = dates(nights, daily=3, weekly=3, monthly=3)
    # 22 and 29 November are Sundays, and the clock changed on 25 October
    assert found == ["09-30", "10-31", "11-22", "11-28", "11-29", "11-30"]
    assert dates(nights, daily=1, weekly=0, monthly=0) == ["11-30"]
    assert dates([], daily=3, weekly=3, monthly=3) == []


def test_a_night_after_night_shop_keeps_what_the_rule_says():
    """Deleting after every backup keeps the same as deleting once at the end."""
    kept_so_far: set[int] = set()
    nights = [at("2026-01-01T02:30") + 24 * HOUR_MS * i for i in range(400)]
    for night in nights:
        kept_so_far = kept({*kept_so_far, night}, PARIS, daily=7, weekly=4, monthly=12)
    assert kept_so_far == kept(nights, PARIS, daily=7, weekly=4, monthly=12)
    assert len(kept_so_far) <= 7 + 4 + 12


def test_a_shop_that_was_off_for_weeks_keeps_its_old_backups():
    times = [at("2026-01-05T02:30"), at("2026-01-06T02:30"), at("2026-11-30T02:30")]
    assert kept(times, PARIS, daily=2, weekly=1, monthly=1) == set(times[1:])


@pytest.mark.parametrize(
    ("good", "tried", "fault", "now", "due"),
    [
        ("", "", "", "2026-11-30T12:00", True),  # never made: at once
        ("2026-11-30T02:31", "", "", "2026-11-30T12:00", False),
        ("2026-11-30T02:31", "", "", "2026-12-01T02:29", False),
        ("2026-11-30T02:31", "", "", "2026-12-01T02:30", True),
        ("2026-11-27T02:31", "", "", "2026-11-30T08:00", True),  # off over the weekend
        ("2026-11-29T02:31", "2026-11-30T02:30", "full", "2026-11-30T03:00", False),
        ("2026-11-29T02:31", "2026-11-30T02:30", "full", "2026-11-30T03:30", True),
        ("2027-11-29T02:31", "", "", "2026-11-30T12:00", True),  # the clock was ahead
        ("2026-10-24T02:31", "", "", "2026-10-25T02:30", True),  # 02:30 comes twice
        ("2026-03-28T02:31", "", "", "2026-03-29T03:31", True),  # 02:30 does not come
    ],
)
def test_a_backup_is_due_once_its_time_has_passed(good, tried, fault, now, due):
    found = State(good_ms=at(good) if good else 0, tried_ms=at(tried) if tried else 0, fault=fault)
    assert is_due(GROUP, PARIS, found, at(now)) is due


def test_each_night_of_a_year_has_one_backup():
    now, made = at("2026-01-01T12:00"), State(good_ms=at("2026-01-01T02:31"))
    count = 0
    for _ in range(365 * 24 * 4):
        now += HOUR_MS // 4
        if is_due(GROUP, PARIS, made, now):
            made, count = State(good_ms=now), count + 1
    assert count == 365


def test_what_is_reported():
    now, long_ago = at("2026-11-30T12:00"), at("2026-11-01T12:00")
    good = State(good_ms=at("2026-11-30T02:31"))
    assert trouble(GROUP, PARIS, good, long_ago, now) == ""
    old = State(good_ms=at("2026-11-28T02:31"))
    assert trouble(GROUP, PARIS, old, now - HOUR_MS, now) == ""  # it has just started
    assert trouble(GROUP, PARIS, old, long_ago, now) == (
        "No backup was made last night. The last good backup is from Sat 02:31."
    )
    failed = State(good_ms=old.good_ms, tried_ms=now, fault="The disk is full.")
    assert trouble(GROUP, PARIS, failed, now, now) == (
        "The last backup failed: The disk is full. The last good backup is from Sat 02:31."
    )
    assert trouble(GROUP, PARIS, State(), long_ago, now) == "There is no good backup yet."
    assert trouble(Backup(), PARIS, failed, long_ago, now) == ""


def test_the_state_of_another_folder_does_not_count(tmp_path):
    from monitor import settings

    def of(folder):
        return settings.load(data=tmp_path, environ={"BENCHWEATHER_BACKUP__FOLDER": folder})

    stick = of("/media/stick")
    state.note(stick, State(folder="/media/stick", good_ms=5))
    assert state.read(stick).good_ms == 5
    assert state.read(of("/media/other")) == State(folder="/media/other")
    state.path_of(stick).write_text("{half")
    assert state.read(stick) == State(folder="/media/stick")


@pytest.mark.parametrize(
    ("name", "text", "allowed"),
    [
        ("FOLDER", "backups", "must be a whole path"),
        ("AT", "25:00", "must be a time"),
        ("DAILY", "0", "must be at least 1"),
        ("PASSPHRASE", "hunter2", "must have at least 12 characters"),
    ],
)
def test_a_setting_that_cannot_be_used_says_what_is_allowed(tmp_path, name, text, allowed):
    from monitor import settings
    from monitor.core.errors import SettingsFault

    with pytest.raises(SettingsFault, match=allowed) as fault:
        settings.load(data=tmp_path, environ={f"BENCHWEATHER_BACKUP__{name}": text})
    assert "hunter2" not in str(fault.value)
