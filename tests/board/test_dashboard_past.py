"""Past: spans on the calendar, dates, the axis, labels, and rows of marks."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import past_fixtures
import plotly.graph_objects as go
import pytest
from board_requests import draw_view

from dashboard.past import marks, selection, spans, view_page
from dashboard.past.selection import Choice
from dashboard.ui import history_plot, plot_labels
from dashboard.ui.history_plot import Line
from dashboard.ui.plots import View
from dashboard.ui.themes import THEMES
from monitor.core.clock import now_ms, to_ms

HOUR, DAY = 3_600_000, 86_400_000
PARIS, SYDNEY = ZoneInfo("Europe/Paris"), ZoneInfo("Australia/Sydney")
LOOK = THEMES["day"]
BAND = (40.0, 60.0)


def at(*parts: int, zone=PARIS) -> int:
    return to_ms(datetime(*parts, tzinfo=zone).astimezone(UTC))


def local(ends, zone=PARIS):
    return tuple(datetime.fromtimestamp(ms / 1000, zone).strftime("%Y-%m-%d %H:%M") for ms in ends)


# Spans and dates


@pytest.mark.parametrize(
    ("span", "now", "wanted"),
    [
        ("night", (2026, 11, 29, 9), ("2026-11-28 20:00", "2026-11-29 08:00")),
        ("night", (2026, 11, 29, 3), ("2026-11-28 20:00", "2026-11-29 08:00")),
        ("night", (2026, 11, 29, 23), ("2026-11-28 20:00", "2026-11-29 08:00")),
        ("night", (2026, 3, 29, 9), ("2026-03-28 20:00", "2026-03-29 08:00")),
        ("week-last-year", (2026, 11, 29, 9), ("2025-11-24 00:00", "2025-12-01 00:00")),
        ("week-last-year", (2028, 2, 29, 9), ("2027-02-22 00:00", "2027-03-01 00:00")),
        ("winter", (2026, 11, 29, 9), ("2025-12-01 00:00", "2026-03-01 00:00")),
        ("winter", (2027, 1, 15, 9), ("2025-12-01 00:00", "2026-03-01 00:00")),
        ("winter", (2027, 3, 1, 0), ("2026-12-01 00:00", "2027-03-01 00:00")),
        ("summer", (2026, 8, 31, 23), ("2025-06-01 00:00", "2025-09-01 00:00")),
        ("autumn", (2026, 11, 29, 9), ("2025-09-01 00:00", "2025-12-01 00:00")),
    ],
)
def test_a_named_span_lies_on_the_local_calendar(span, now, wanted):
    assert local(spans.ends(span, at(*now), PARIS)) == wanted


def test_a_night_of_a_clock_change_is_an_hour_shorter_or_longer():
    for day, hours in ((date(2026, 3, 29), 11), (date(2026, 10, 25), 13), (date(2026, 6, 1), 12)):
        start, end = spans.ends("night", at(day.year, day.month, day.day, 12), PARIS)
        assert end - start == hours * HOUR


def test_seasons_are_turned_south_of_the_equator():
    ends = spans.ends("winter", at(2026, 11, 29, 9, zone=SYDNEY), SYDNEY, south=True)
    assert local(ends, SYDNEY) == ("2026-06-01 00:00", "2026-09-01 00:00")


filled, full, client = past_fixtures.filled, past_fixtures.full, past_fixtures.client


def test_earlier_moves_a_night_by_a_day_and_a_season_by_a_year(full):
    now = at(2026, 11, 29, 9)
    for span, wanted in (("night", "2026-11-27 20:00"), ("winter", "2024-12-01 00:00")):
        choice = Choice(("front-bench",), "humidity", span, None, None)
        before = selection.moved(choice, -1, now, full)
        assert local(selection.span_of(before, now, full))[0] == wanted
        assert selection.moved(before, 1, now, full).end_ms is None


def test_a_night_that_is_not_over_ends_now(full):
    now = at(2026, 11, 29, 3)
    choice = Choice(("front-bench",), "humidity", "night", None, None)
    assert selection.span_of(choice, now, full) == (at(2026, 11, 28, 20), now)


@pytest.mark.parametrize(
    ("first", "last", "wanted"),
    [
        ("2026-03-29", "2026-03-29", 23 * HOUR),
        ("2026-10-25", "2026-10-25", 25 * HOUR),
        ("2026-11-01", "", 29 * DAY),
        ("", "2026-11-02", "From is not a date"),
        ("2026-02-30", "2026-11-02", "From is not a date"),
        ("2026-11-02", "x", "To is not a date"),
        ("2026-11-02", "2026-11-01", "To is before From"),
        ("0001-01-01", "2026-11-01", "between 1971 and this year"),
        ("2026-01-01", "9999-12-31", "between 1971 and this year"),
    ],
)
def test_dates_are_whole_local_days_or_refused_with_what_to_do(first, last, wanted):
    found = selection.dates_of(first, last, at(2026, 11, 29, 9), PARIS)
    if isinstance(wanted, str):
        assert wanted in found
    else:
        assert found[1] - found[0] == wanted


def test_dates_that_are_entered_are_shown_and_a_wrong_one_changes_nothing(full, client):
    days = {"past-places": ["front-bench"], "past-quantity": "humidity", "past-span": "day"}
    day = datetime.fromtimestamp(now_ms() / 1000 - 3 * 86_400, PARIS).date().isoformat()
    held = draw_view(client, "past", days).json["response"]
    entered = days | {"past-from": day, "past-to": day, "past-dates": 1}
    found = draw_view(client, "past", entered, held=held).json["response"]
    start, end = map(int, found["past-view"]["data"]["zoom"].split("-"))
    assert local((start, end))[0] == f"{day} 00:00"
    assert 23 * HOUR <= end - start <= 25 * HOUR
    wrong = draw_view(client, "past", entered | {"past-to": "1999-01-01"}, held=held)
    assert "before From" in wrong.json["response"]["past-dates-fault"]["children"]
    assert "zoom" not in wrong.json["response"]["past-view"]["data"]


def test_last_night_tells_both_lows_and_when(full, client):
    night = {"past-places": ["front-bench"], "past-quantity": "humidity", "past-span": "night"}
    answer = draw_view(client, "past", night).json["response"]
    texts = [one["props"]["children"] for one in answer["past-words"]["children"][:2]]
    assert all(text.startswith("Front bench, last night: ") for text in texts)
    assert " °C" in texts[1]
    start, end = spans.ends("night", now_ms(), PARIS)
    air = view_page.means(full.settings.places[0], start, min(end, now_ms()), full)
    low = datetime.fromtimestamp(air.ts_ms[air.temp_c.argmin()] / 1000, PARIS)
    told = re.search(r"Lowest at \w+ \d+ \w+ (\d\d):(\d\d)", texts[1])
    minutes = 60 * int(told[1]) + int(told[2]) - (60 * low.hour + low.minute)
    assert -1 <= minutes <= 21


# Axis and labels


def table(*values: float):
    frame = np.zeros(len(values), [("at_ms", "i8"), ("low", "f8"), ("mean", "f8"), ("high", "f8")])
    frame["at_ms"] = at(2026, 11, 1) + HOUR * np.arange(len(values))
    for name in ("low", "mean", "high"):
        frame[name] = values
    return frame


VIEW = View(at(2026, 11, 1), at(2026, 11, 2), PARIS, "C")


@pytest.mark.parametrize(
    ("quantity", "values", "axis", "words"),
    [
        ("humidity", (45, 50), (20, 80), "the usual one, 20 to 80 %"),
        (
            "humidity",
            (18.2, 91),
            (15, 95),
            "15 to 95 %, since readings leave the usual 20 to 80 %",
        ),
        ("temperature", (20, 21), (10, 30), "the usual one, 10 to 30 °C"),
        ("temperature", (-6, 21), (-10, 30), "-10 to 30 °C, since readings leave"),
    ],
)
def test_the_axis_is_always_the_same_unless_readings_leave_it(quantity, values, axis, words):
    lines = [Line("Bench", table(*values))]
    drawn = history_plot.history_plot(lines, quantity, VIEW, LOOK)
    assert tuple(drawn["layout"]["yaxis"]["range"]) == axis
    assert words in history_plot.axis_words(lines, quantity, VIEW)


@pytest.mark.parametrize("width", [390, 1280])
def test_no_label_lies_within_the_plot_and_every_curve_and_band_is_named(width):
    lines = [
        Line("Bench", table(45, 46), (40.0, 60.0)),
        Line("Varnish room", table(47, 46), (40.0, 65.0)),
    ]
    view = VIEW._replace(width_px=width)
    drawn = go.Figure(history_plot.history_plot(lines, "humidity", view, LOOK))
    names = {"Bench", "Varnish room", "▼ dry below 40 %", "▲ Bench 60 %", "▲ Varnish room 65 %"}
    notes = drawn.layout.annotations
    if width == 390:
        assert not notes
        shown = {t.name for t in drawn.data if t.showlegend is not False}
        assert shown | {s.name for s in drawn.layout.shapes if s.showlegend} == names
        assert drawn.layout.legend.y > 1
        assert drawn.layout.showlegend
    else:
        assert {note.text for note in notes} == names
        assert all(n.x == 1 and n.xanchor == "left" and n.xshift > 0 for n in notes)
        heights = sorted(note.y for note in notes)
        assert np.diff(heights).min() >= plot_labels.LABEL_SPACE - 1e-9
        assert heights[-1] <= 1


def test_names_at_the_top_move_down_and_not_out_of_the_plot():
    ends = [(str(i), np.array([99.0 + i / 10]), "#000000") for i in range(5)]
    heights = [note["y"] for note in plot_labels.end_labels(ends, (0.0, 100.0))]
    assert max(heights) <= 0.98 + 1e-9
    assert np.diff(heights).min() >= plot_labels.LABEL_SPACE - 1e-9


# Rows of marks


def mark(begin, end, row="clamps"):
    start = VIEW.start_ms
    return marks.Mark(row, f"{begin}", start + begin * HOUR, end and start + end * HOUR, "/x")


def test_clamps_that_overlap_have_rows_of_their_own_and_others_share_one():
    found = [mark(1, 5), mark(2, None), mark(3, 4), mark(6, 7), mark(2, 3, "coats")]
    plain = history_plot.history_plot([Line("B", table(45, 46))], "humidity", VIEW, LOOK)
    drawn = marks.with_marks(plain, found, VIEW, LOOK)
    go.Figure(drawn)
    rows = {t["name"]: t for t in drawn["data"] if t.get("yaxis") == "y2"}
    levels = {
        text.partition(":")[0]: y
        for text, y in zip(rows["clamps"]["text"], rows["clamps"]["y"], strict=True)
        if text
    }
    assert len({levels["1"], levels["2"], levels["3"]}) == 3
    assert levels["6"] == levels["1"]  # that row is free again
    assert rows["coats"]["y"][0] < min(levels.values())
    axis = drawn["layout"]["yaxis2"]
    assert dict(zip(axis["ticktext"], axis["tickvals"], strict=True)) == {"clamps": 3, "coats": 0}


def test_very_many_marks_leave_the_curves_more_than_half_of_the_plot():
    found = [mark(i, 23) for i in range(20)]
    plain = history_plot.history_plot([Line("B", table(45, 46))], "humidity", VIEW, LOOK)
    drawn = marks.with_marks(plain, found, VIEW, LOOK)
    assert drawn["layout"]["yaxis"]["domain"][0] < 0.5
    levels = [y for y in drawn["data"][-1]["y"] if y is not None]
    assert min(levels) >= 0
    assert len(set(levels)) == marks.LANES_MOST
