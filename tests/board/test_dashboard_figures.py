"""From a table to a figure and to its sentence, and the small drawings of the wall page."""

from __future__ import annotations

import base64
from urllib.parse import unquote
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from dashboard.ui import drawings, history_plot, plots
from dashboard.ui.history_plot import Line
from dashboard.ui.plots import View
from dashboard.ui.themes import THEMES

START = 1_790_000_000_000
HOUR = 3_600_000
VIEW = View(START, START + 24 * HOUR, ZoneInfo("Europe/Paris"), "C")


def table(mean, low=None, high=None, step=600_000):
    mean = np.asarray(mean, float)
    return pd.DataFrame(
        {
            "at_ms": START + step * np.arange(len(mean)),
            "low": mean if low is None else low,
            "mean": mean,
            "high": mean if high is None else high,
            "n": 1,
        }
    )


def figure_of(*args):
    """The plot as a Figure, which refuses whatever is no valid figure."""
    return go.Figure(history_plot.history_plot(*args))


def named(figure, name):
    return [trace for trace in figure.data if trace.name == name]


def test_a_mean_line_lies_over_a_band_from_low_to_high():
    frame = table([40, 50, 60], [39, 48, 55], [41, 52, 66])
    figure = figure_of([Line("Bench", frame)], "humidity", VIEW, THEMES["day"])
    (line,) = named(figure, "Bench")
    (band,) = named(figure, "Bench, range")
    np.testing.assert_array_equal(line.y, [40, 50, 60])
    np.testing.assert_array_equal(band.y, [41, 52, 66, 55, 48, 39])
    assert figure.data.index(band) < figure.data.index(line)


def test_a_gap_is_a_break_in_the_line_and_between_two_outlines():
    frame = table([40, 41, np.nan, 43, 44], [39, 40, np.nan, 42, 43], [41, 42, np.nan, 44, 45])
    figure = figure_of([Line("Bench", frame)], "humidity", VIEW, THEMES["day"])
    (line,) = named(figure, "Bench")
    (band,) = named(figure, "Bench, range")
    assert np.isnan(line.y[2])
    assert not line.connectgaps
    np.testing.assert_array_equal(np.isnan(band.y), [0, 0, 0, 0, 1, 0, 0, 0, 0])


def test_readings_that_stand_for_themselves_have_no_band():
    figure = figure_of([Line("B", table([4, 5]))], "humidity", VIEW, THEMES["day"])
    assert len(figure.data) == 1


def test_the_rh_band_is_drawn_where_it_means_something():
    lines = [Line("Bench", table([45, 46]), (40.0, 60.0))]
    drawn = figure_of(lines, "humidity", VIEW, THEMES["day"])
    levels = [s.y0 for s in drawn.layout.shapes if s.type == "line"]
    assert levels == [40.0, 60.0]
    other = figure_of(lines, "temperature", VIEW, THEMES["day"])
    assert not [s for s in other.layout.shapes if s.type == "line"]


def test_axes_carry_quantity_unit_and_zone_and_values_are_in_the_readers_unit():
    view = VIEW._replace(unit="F")
    figure = figure_of([Line("B", table([20.0]))], "dew_point", view, THEMES["night"])
    assert figure.layout.yaxis.title.text == "Dew point [°F]"
    assert "Europe/Paris" in figure.layout.xaxis.title.text
    assert figure.data[0].y[0] == pytest.approx(68.0)
    assert "%{y:.1f} °F" in figure.data[0].hovertemplate


def test_the_axis_is_linear_in_utc_with_local_texts():
    figure = figure_of([Line("B", table([20.0]))], "temperature", VIEW, THEMES["day"])
    axis = figure.layout.xaxis
    assert axis.type == "linear"
    assert tuple(axis.range) == (VIEW.start_ms, VIEW.end_ms)
    assert len(axis.tickvals) == len(axis.ticktext) > 3


def test_nights_are_shaded():
    figure = figure_of([Line("B", table([20.0]))], "temperature", VIEW, THEMES["day"])
    rects = [s for s in figure.layout.shapes if s.type == "rect"]
    assert sum(s.x1 - s.x0 for s in rects) == 8 * HOUR


def test_direct_labels_do_not_touch_and_a_name_is_never_markup():
    lines = [Line(name, table([45.0, 45.1])) for name in ("<b>x</b>", "Two", "Three")]
    figure = figure_of(lines, "humidity", VIEW, THEMES["day"])
    labels = [a for a in figure.layout.annotations if a.yref == "paper"]
    heights = sorted(a.y for a in labels)
    assert np.diff(heights).min() >= plots.LABEL_SPACE - 1e-9
    assert "&lt;b&gt;x&lt;/b&gt;" in {a.text for a in labels}
    assert "<b>x</b>" not in figure.data[0].hovertemplate
    assert "%{" not in plots.escaped("%{y}")


def test_what_travels_is_what_was_drawn():
    plot = history_plot.history_plot(
        [Line("B", table([1, np.nan, 3], [0, np.nan, 2], [2, np.nan, 5]))],
        "humidity",
        VIEW,
        THEMES["day"],
    )
    line = plots.sent(plot)["data"][-1]
    values = np.frombuffer(base64.b64decode(line["y"]["bdata"]), "<f8")
    np.testing.assert_array_equal(values, [1, np.nan, 3])
    assert line["customdata"]["shape"] == "3, 2"
    go.Figure(plots.sent(plot))


def test_an_empty_plot_says_why():
    figure = go.Figure(plots.empty_plot("No <readings>.", THEMES["day"]))
    assert figure.layout.annotations[0].text == "No &lt;readings&gt;."


@pytest.mark.parametrize("name", list(THEMES))
def test_grounds_are_transparent_and_letters_in_the_themes_ink(name):
    figure = figure_of([Line("B", table([1, 2]))], "humidity", VIEW, THEMES[name])
    layout = figure.layout.template.layout
    assert layout.paper_bgcolor == layout.plot_bgcolor == "rgba(0,0,0,0)"
    assert layout.font.color == THEMES[name].ink
    assert layout.showlegend is False


def test_the_sentence_tells_range_mean_end_and_time_outside_the_band():
    line = Line("Front bench", table([38, 40, 50, 52], [37, 40, 50, 52]), (40.0, 60.0))
    assert history_plot.summary(line, "humidity", "last day", VIEW) == (
        "Front bench, last day: 37 to 52 %, mean 45 %, 52 % at the end; "
        "below its band 25 % of the readings, above it 0 %. "
        "Lowest at Mon 21 Sep 16:13, highest at Mon 21 Sep 16:43."
    )
    empty = Line("Front bench", table([np.nan]))
    assert history_plot.summary(empty, "humidity", "last day", VIEW) == (
        "Front bench, last day: no readings."
    )


def test_the_descent_ends_at_the_present_value_and_breaks_at_a_gap():
    at = np.array([START, START + 600_000, START + 6_000_000])
    svg = unquote(drawings.descent(at, np.array([20.0, 50.0, 80.0]), int(at[-1]), 24 * HOUR))
    path = svg.split("d='")[1].split("'")[0]
    assert path.count("M") == 2
    assert path.endswith(f"M{drawings.WIDTH} {drawings.HEIGHT}")


def test_small_noise_stays_small_and_nothing_known_draws_nothing():
    at = START + 600_000 * np.arange(10)
    values = 20 + 0.01 * (-1.0) ** np.arange(10)
    svg = unquote(drawings.spark(at, values, int(at[-1]), 24 * HOUR, 2.0))
    path = svg.split("d='")[1].split("'")[0].replace("M", "L")
    heights = [float(p.split()[1]) for p in path.split("L") if p]
    assert max(heights) - min(heights) < 5
    assert drawings.spark(at, np.full(10, np.nan), int(at[-1]), 24 * HOUR, 2.0) == "none"
    two = drawings.spark(at[-2:], np.array([20.0, 23.0]), int(at[-1]), 24 * HOUR, 2.0)
    assert two == "none"  # a stray bar


def test_the_strip_keeps_values_beyond_its_scale_at_its_ends():
    assert [drawings.strip_place(v) for v in (5, 20, 50, 80, 99)] == [0, 0, 50, 100, 100]


@pytest.mark.parametrize("name", THEMES)
def test_a_figure_is_checked_and_has_the_template_of_its_theme(name):
    look = THEMES[name]
    drawn = plots.figure([go.Scatter(y=[1, 2])], {"dragmode": False}, look)
    assert drawn.layout.template.layout.font.color == look.ink
    assert drawn.layout.template.layout.hoverlabel.bgcolor == look.ground
    with pytest.raises(ValueError, match="Invalid property"):
        plots.figure([], {"dragmoed": False}, look)
