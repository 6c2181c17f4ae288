"""Why a wait took longer, in words: each figure is that of the air, and no two of them differ."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from wait_bench import DAY, HOUR, NOW, Bench

from monitor.commands import Journal
from monitor.domain.wait_types import KINDS
from monitor.science.waits.wait import WaitState
from monitor.waits import why

PARIS = ZoneInfo("Europe/Paris")
EVENING = NOW // DAY * DAY + 17 * HOUR
"""18:00 in Paris."""


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path)
    made.air("bench", 20.0, 50.0, start=EVENING - 8 * DAY, end=EVENING)
    yield made
    made.writer.close()


def of(bench, wait_id, now):
    return why.account(bench.reader, bench.settings, Journal(bench.reader).waits[wait_id], now)


def cause(found):
    return why.cause_words(found, PARIS, "C")


def opened(bench, kind="plate-crack", **more):
    return bench.do("open", EVENING, kind=kind, place="bench", start_ms=EVENING, **more)["waits"][
        0
    ]


def minutes(text):
    """A length of time in minutes."""
    found = re.fullmatch(r"(−?)(?:(\d+) h)? ?(?:(\d+) min)?", text)
    return (-1 if found[1] else 1) * (60 * int(found[2] or 0) + int(found[3] or 0))


def test_a_cold_night_is_named_with_its_temperature_and_its_cost(bench):
    """Rung: property."""
    crack = opened(bench)
    bench.air("bench", 20.0, 50.0, start=EVENING, end=EVENING + 2 * HOUR)
    bench.air("bench", 9.0, 50.0, start=EVENING + 2 * HOUR, end=EVENING + 13 * HOUR)
    found = of(bench, crack, EVENING + 13 * HOUR)
    assert found.status.readiness.state is WaitState.READY
    # φ(9 °C) = e_w(9)/e_w(20) = 1147.5/2336.9 Pa = 0.49 (tables of saturation pressure, from memory)
    named, _, outside = cause(found).partition(" For ")
    assert re.fullmatch(r"9\.0 °C at night made it half as fast: 4 h \d+ min lost\.", named)
    assert re.fullmatch(  # the law of hide glue is made for 10 to 28 °C
        r"8 h \d+ min the air was outside 10 °C to 28 °C, the range that the calculation is made "
        r"for, so this is only a rough figure\.",
        outside,
    )
    assert why.spent_words(found).startswith("It took 10 h")
    rows = why.balance(found)
    assert sum(n for _, n in rows) == round((found.came_ms - EVENING) / 60_000)
    assert dict(rows)["temperature"] == minutes(named.rpartition(": ")[2][: -len(" lost.")])
    assert abs(dict(rows)["worth in reference air"] - 6 * 60) <= 3
    text = why.outcome_words(found, EVENING + 13 * HOUR, PARIS)
    assert text[0].startswith("Expected at the start: clamps off 00:00 (")
    assert re.search(r"It was ready \d\d:\d\d, .* after the end of that range\.", text[1])


def test_a_hold_is_named_with_its_reason(bench):
    """Rung: property."""
    crack = opened(bench, kind="centre-joint")
    bench.air("bench", 20.0, 88.0, start=EVENING, end=EVENING + 5 * HOUR)
    found = of(bench, crack, EVENING + 5 * HOUR)
    assert cause(found).startswith("It was on hold for 5 h, too damp to harden: ")
    assert why.spent_words(found).startswith("So far it has had 5 h, worth ")
    assert found.came_ms is None


def test_good_air_is_no_cause_and_a_gain_is_said(bench):
    """Rung: property."""
    crack = opened(bench)
    bench.air("bench", 20.0, 50.0, start=EVENING, end=EVENING + 7 * HOUR)
    found = of(bench, crack, EVENING + 7 * HOUR)
    assert cause(found) == "The air was about as good as reference air."
    assert why.outcome_words(found, EVENING + 7 * HOUR, PARIS)[1].endswith(", as expected.")
    warm = bench.do(
        "open", EVENING + 7 * HOUR, kind="plate-crack", place="bench", start_ms=EVENING + 7 * HOUR
    )["waits"][0]
    bench.air("bench", 25.0, 40.0, start=EVENING + 7 * HOUR, end=EVENING + 14 * HOUR)
    found = of(bench, warm, EVENING + 14 * HOUR)
    assert cause(found).startswith("The air was better than reference air: worth ")
    assert "never shorter" in cause(found)
    assert sum(n for _, n in why.balance(found)) == 6 * 60


def test_a_pause_counts_as_one_and_a_release_ends_the_account(bench):
    """Rung: property."""
    crack = opened(bench, kind="centre-joint")
    bench.air("bench", 20.0, 50.0, start=EVENING, end=EVENING + 9 * HOUR)
    bench.do("pause", EVENING + 4 * HOUR, wait=crack, at_ms=EVENING + HOUR)
    bench.do("resume", EVENING + 4 * HOUR, wait=crack, at_ms=EVENING + 4 * HOUR)
    bench.do("release", EVENING + 8 * HOUR, wait=crack, at_ms=EVENING + 8 * HOUR)
    found = of(bench, crack, EVENING + 9 * HOUR)
    assert cause(found) == "It was paused: 3 h lost."
    assert dict(why.balance(found)) == {"worth in reference air": 300, "paused": 180}
    assert why.spent_words(found) == (
        "It had 8 h, worth 5 h in reference air. Its usual time is 12 h."
    )
    assert why.outcome_words(found, EVENING + 9 * HOUR, PARIS)[1].startswith(
        "It was released before"
    )


def test_what_is_not_known_is_said(bench):
    """Rung: property."""
    attic = bench.do("open", EVENING, kind="cleat", place="attic", start_ms=EVENING)["waits"][0]
    found = of(bench, attic, EVENING + HOUR)
    assert why.spent_words(found) == "The air of this wait is not known."
    assert (cause(found), why.balance(found)) == ("", [])
    assert why.outcome_words(found, EVENING + HOUR, PARIS) == [
        "The ready time expected at the start is not known."
    ]


def test_a_release_without_a_ready_time_is_not_called_early(bench):
    """Rung: property. Nothing was read at its place: nobody knows whether it was ready."""
    (crack,) = bench.do("open", EVENING, kind="plate-crack", place="loft", start_ms=EVENING)[
        "waits"
    ]
    at = EVENING + 20 * HOUR
    bench.do("release", at, wait=crack, at_ms=at)
    text = " ".join(why.outcome_words(of(bench, crack, at + HOUR), at + HOUR, PARIS))
    assert "It was released before" not in text
    assert "Its ready time was not known when it was released." in text


def test_the_account_of_an_open_wait_and_its_row_have_one_time(bench):
    """Rung: property."""
    coat = opened(bench, kind="retouching")
    bench.air("bench", 14.0, 60.0, start=EVENING, end=EVENING + 6 * HOUR)
    found = of(bench, coat, EVENING + 6 * HOUR)
    assert found.came_ms == bench.status(coat, EVENING + 6 * HOUR).readiness.ready_ms


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 min"),
        (59 * 60 + 45, "1 h"),
        (7800, "2 h 10 min"),
        (-600, "−10 min"),
        (3 * 86_400, "3 days"),
    ],
)
def test_a_length_is_told_in_hours_and_minutes(seconds, text):
    """Rung: property."""
    assert why.length(seconds) == text


def test_the_air_expected_at_the_start_is_kept_and_compared_with_what_came(bench):
    """Rung: property."""
    crack = opened(bench)
    kept = Journal(bench.reader).waits[crack].expected_air
    assert EVENING - HOUR < kept.start_ms <= EVENING
    assert all(len(row) == len(kept.temp_c[1]) <= 48 for row in (*kept.temp_c, *kept.rh_pct))
    for low, middle, high in zip(*kept.temp_c, strict=True):
        assert low <= middle <= high
        assert middle == pytest.approx(20.0, abs=0.1)
    bench.air("bench", 9.0, 62.0, start=EVENING, end=EVENING + 13 * HOUR)
    found = of(bench, crack, EVENING + 13 * HOUR)
    words = why.air_words(found, "C")
    assert words.startswith("Air expected at the start: 20.0 °C (")
    assert words.endswith("Air that came: 9.0 °C and 62 % RH.")
    assert found.expected.rate == pytest.approx(1.0, abs=0.05)  # reference air was expected
    assert float(found.lost.rate.max()) < 0.6
    text = why.air_words(found, "F")
    assert "68.0 °F" in text
    assert "48.2 °F" in text  # 9 °C


@pytest.mark.slow
def test_a_long_wait_keeps_its_expected_air_in_few_steps(bench):
    """Rung: property."""
    for kind in KINDS:
        wait_id = opened(bench, kind=kind)
        wait = Journal(bench.reader).waits[wait_id]
        kept, (_, _, high) = wait.expected_air, wait.foreseen_ms
        assert 1 <= len(kept.temp_c[1]) <= 48
        end = kept.start_ms + 1000 * kept.step_s * len(kept.temp_c[1])
        assert end >= min(high, EVENING + 4.5 * DAY)
        assert len(json.dumps(wait.events[0].body["expected_air"])) < 2000


def test_a_wait_of_an_earlier_version_says_that_no_expected_air_was_kept(bench):
    """Rung: property."""
    crack = opened(bench)
    bench.air("bench", 20.0, 50.0, start=EVENING, end=EVENING + HOUR)
    wait = Journal(bench.reader).waits[crack]
    old = replace(wait, expected_air=None)
    found = why.account(bench.reader, bench.settings, old, EVENING + HOUR)
    assert found.expected is None
    assert why.air_words(found, "C") == "The air that was expected at the start was not kept."
