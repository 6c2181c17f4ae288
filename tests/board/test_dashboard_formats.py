"""Local time over the changes of the clock, display units, figures and ages in words."""

from __future__ import annotations

import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dashboard.ui import formats
from dashboard.ui.formats import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.core.clock import to_ms

PARIS = ZoneInfo("Europe/Paris")
ROOT = Path(__file__).parents[2]


def ms(*when: int) -> int:
    return to_ms(datetime(*when, tzinfo=UTC))


@pytest.mark.parametrize(
    ("header", "fahrenheit"),
    [
        ("en-US,en;q=0.9", True),
        ("es-PW", True),
        ("en-GB,en-US;q=0.8", False),
        ("en", False),
        ("", False),
        ("zh-Hans-KY;q=1", True),
        ("us", False),
        ("*", False),
    ],
)
def test_the_first_language_says_whether_temperatures_are_in_fahrenheit(header, fahrenheit):
    assert formats.prefers_fahrenheit(header) is fahrenheit


def test_temperatures_differences_and_other_quantities_come_in_the_readers_unit():
    assert formats.with_unit("temperature", 20.0, "F") == "68.0 °F"
    assert formats.with_unit("dew_point", -0.04, "C") == "0.0 °C"
    assert formats.shown("temperature", -3.25, "C") == "−3.2"
    assert formats.spread(1.0, "F") == "1.8"
    assert formats.with_unit("humidity", 46.4, "F") == "46 %"
    assert formats.with_unit("pressure", 101_325, "C") == "1013 hPa"
    assert formats.shown("humidity", float("nan"), "C") == formats.UNKNOWN


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s ago"),
        (89, "89 s ago"),
        (90, "1 min ago"),
        (5399, "89 min ago"),
        (5400, "1 h ago"),
        (129_599, "35 h ago"),
        (129_600, "1 day ago"),
        (200_000, "2 days ago"),
        (-3, "0 s ago"),
    ],
)
def test_an_age_is_said_in_the_unit_that_suits_it(seconds, text):
    assert formats.age(seconds) == text


def test_the_day_of_25_hours_marks_the_hour_that_comes_twice_twice():
    start, end = ms(2026, 10, 24, 22), ms(2026, 10, 25, 23)  # local midnight to midnight
    assert end - start == 25 * HOUR_MS
    ticks = formats.ticks(start, end, PARIS, most=30)
    hours = [tick.text[:2] for tick in ticks]
    assert hours.count("02") == 2
    assert [t.at_ms for t in ticks] == sorted({t.at_ms for t in ticks})


def test_the_day_of_23_hours_has_no_mark_in_the_hour_left_out():
    ticks = formats.ticks(ms(2026, 3, 28, 23), ms(2026, 3, 29, 22), PARIS, most=30)
    assert "02" not in [tick.text[:2] for tick in ticks]


@pytest.mark.parametrize(
    "span_ms", [HOUR_MS, DAY_MS, 7 * DAY_MS, 30 * DAY_MS, 366 * DAY_MS, 3000 * DAY_MS]
)
@pytest.mark.parametrize("zone", ["Europe/Paris", "Asia/Kathmandu", "America/New_York"])
def test_ticks_are_few_inside_the_span_and_at_round_local_times(span_ms, zone):
    start = ms(2026, 10, 20, 7, 13)
    ticks = formats.ticks(start, start + span_ms, ZoneInfo(zone), most=9)
    assert 2 <= len(ticks) <= 13
    assert all(start <= tick.at_ms <= start + span_ms for tick in ticks)
    assert all(formats.local(t.at_ms, ZoneInfo(zone)).minute % 5 == 0 for t in ticks)


def test_nights_last_eight_local_hours_but_nine_or_seven_when_the_clock_changes():
    autumn = formats.nights(ms(2026, 10, 24, 12), ms(2026, 10, 26, 12), PARIS)
    assert [(b - a) / HOUR_MS for a, b in autumn] == [9, 8]
    spring = formats.nights(ms(2026, 3, 28, 12), ms(2026, 3, 29, 12), PARIS)
    assert [(b - a) / HOUR_MS for a, b in spring] == [7]
    assert formats.nights(0, 60 * DAY_MS, PARIS) == []


def test_the_hour_that_comes_twice_is_told_apart():
    first, second = ms(2026, 10, 25, 0, 30), ms(2026, 10, 25, 1, 30)
    assert formats.clock(first, PARIS) == "02:30 CEST"
    assert formats.clock(second, PARIS) == "02:30 CET"
    assert formats.iso_local(np.array([first, second]), PARIS) == [
        "2026-10-25T02:30:00.000+02:00",
        "2026-10-25T02:30:00.000+01:00",
    ]


def test_hover_times_agree_with_the_slow_way_over_the_change_of_the_clock():
    at = np.arange(ms(2026, 10, 24, 20), ms(2026, 10, 25, 6), 7 * MINUTE_MS)
    slow = [
        f"{formats.day(formats.local(m, PARIS).date())} {formats.local(m, PARIS):%H:%M}"
        for m in at
    ]
    assert formats.moments(at, PARIS) == slow


def test_a_day_earlier_is_the_same_time_of_day_across_the_change():
    noon = ms(2026, 10, 25, 11)  # 12:00 local, after the change
    before = formats.moved(noon, "day", -1, PARIS)
    assert noon - before == 25 * HOUR_MS
    assert formats.clock(before, PARIS) == "12:00"


def test_a_month_earlier_than_the_31st_is_the_last_of_the_month():
    end = formats.moved(ms(2026, 3, 31, 10), "month", -1, PARIS)
    assert formats.stamp(end, PARIS) == "Sat 28 Feb 2026 12:00"


def test_a_moment_is_said_as_briefly_as_it_stays_clear():
    now = ms(2026, 11, 25, 12)
    assert formats.when(now - HOUR_MS, now, PARIS) == "12:00"
    assert formats.when(now - DAY_MS, now, PARIS) == "yesterday 13:00"
    assert formats.when(now - 3 * DAY_MS, now, PARIS) == "Sun 13:00"
    assert formats.when(now - 400 * DAY_MS, now, PARIS) == "21 Oct 2025 14:00"


def test_the_stylesheet_and_the_plots_have_the_same_colours():
    from dashboard.ui.themes import THEMES

    css = (ROOT / "dashboard/assets/tokens.css").read_text(encoding="utf-8")
    blocks = {"day": css.split(":root {")[1].split("}")[0]}
    for name in ("night", "contrast"):
        blocks[name] = css.split(f'[data-theme="{name}"]')[1].split("}")[0]
    for name, look in THEMES.items():
        told = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[name]))
        for token in ("ground", "ink", "quiet", "rule", "dry", "damp"):
            assert told[token] == getattr(look, token), (name, token)


def _luminance(colour: str) -> float:
    # Source: WCAG 2.2, relative luminance and contrast ratio; from memory.
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", ["day", "night", "contrast"])
def test_every_ink_stands_out_from_its_ground(name):
    from dashboard.ui.themes import THEMES

    look = THEMES[name]
    for colour in (look.ink, look.quiet, look.dry, look.damp, *look.lines):
        light, dark = sorted((_luminance(colour), _luminance(look.ground)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (name, colour)


INKS, GROUNDS = ("ink", "quiet", "dry", "damp"), ("ground", "wash")
CSS = sorted((ROOT / "dashboard/assets").glob("*.css"))


@pytest.mark.parametrize("name", ["day", "night", "contrast"])
@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("ink", INKS)
def test_every_ink_can_be_read_on_every_ground_in_every_theme(name, ground, ink):
    # Source: WCAG 2.2, success criterion 1.4.3: 4.5:1. From memory, unchecked.
    css = (ROOT / "dashboard/assets/tokens.css").read_text(encoding="utf-8")
    block = css.split(":root {" if name == "day" else f'[data-theme="{name}"]')[1].split("}")[0]
    told = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block))
    light, dark = sorted((_luminance(told[ink]), _luminance(told[ground])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@pytest.mark.parametrize("sheet", CSS, ids=lambda sheet: sheet.stem)
def test_text_has_an_ink_of_the_tokens_or_the_ground_on_ink(sheet):
    """So that the contrast of every page in every theme follows from the tokens."""
    for rule, body in re.findall(r"([^{}]+){([^{}]*)}", sheet.read_text(encoding="utf-8")):
        told = dict(re.findall(r"(?:^|[;\s])([a-z-]+):\s*([^;]+)", body))
        colour = told.get("color", "inherit").strip()
        if colour == "var(--ground)":
            assert told.get("background", "").strip() == "var(--ink)", rule
        else:
            assert colour in {f"var(--{ink})" for ink in INKS} | {"inherit", "currentColor"}, rule


@pytest.mark.slow
def test_importing_the_board_opens_nothing_and_leaves_pandas_out():
    code = (
        "import sys, socket, sqlite3; import dashboard.app, dashboard.__main__;"
        "assert 'pandas' not in sys.modules; import dash; assert not dash.page_registry"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)
