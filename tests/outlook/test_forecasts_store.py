"""The archive of forecasts: nothing doubled, nothing changed, and only what was known then."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.domain.forecast import Forecast, position
from monitor.store import Reader, Writer, forecasts
from monitor.store.forecasts import SourceProgress

HOUR = 3_600_000
T0 = 1_768_046_400_000


def forecast(source="met", issued=T0, *, temp=1.0, hours=4, **more):
    n = np.full(hours, np.nan)
    return Forecast(
        source,
        position(60.1, 10.0),
        issued,
        issued + HOUR * np.arange(hours),
        np.full(hours, temp),
        np.full(hours, 80.0),
        n,
        n,
        **more,
    )


@pytest.fixture
def path(tmp_path):
    return tmp_path / "readings.sqlite3"


@pytest.fixture
def writer(path):
    writer = Writer(path)
    yield writer
    writer.close()


def put(writer, one, known=None):
    with writer.connection.transaction() as run:
        return forecasts.add(run, one, one.issued_ms if known is None else known)


def test_what_was_kept_is_read_back(writer, path):
    one = forecast(notes=("a gap",), doubt="warmer")
    assert put(writer, one, T0 + 5)
    back = forecasts.last_of(Reader(path), "met")
    assert (back.source, back.position, back.issued_ms) == ("met", (60.1, 10.0), T0)
    assert (back.notes, back.doubt) == (("a gap",), "warmer")
    for name in ("valid_ms", "temp_c", "rh_pct", "wind_m_s", "pressure_pa"):
        np.testing.assert_array_equal(getattr(back, name), getattr(one, name))
    (kept,) = forecasts.recent(Reader(path), 9)
    assert (kept.known_ms, kept.hours, kept.ends_ms) == (T0 + 5, 4, T0 + 3 * HOUR)


def test_the_first_of_a_source_and_issue_stays(writer):
    assert put(writer, forecast(temp=1.0))
    assert not put(writer, forecast(temp=2.0))
    assert put(writer, forecast("other", temp=2.0))
    assert forecasts.last_of(writer, "met").temp_c[0] == 1.0
    assert writer.connection.row("SELECT count(*) FROM forecast_hour") == (8,)


@pytest.mark.slow
@given(
    known=st.lists(
        st.tuples(st.integers(0, 90), st.integers(0, 30)),
        min_size=1,
        max_size=15,
        unique_by=lambda pair: pair[0],
    ),
    now_h=st.integers(0, 130),
)
def test_at_a_moment_only_what_was_known_then_is_told(tmp_path_factory, known, now_h):
    writer = Writer(tmp_path_factory.mktemp("store") / "readings.sqlite3")
    for issued_h, late_h in known:
        put(writer, forecast(issued=T0 + issued_h * HOUR), T0 + (issued_h + late_h) * HOUR)
    found = forecasts.newest(writer, T0 + now_h * HOUR)
    allowed = [i for i, late in known if i + late <= now_h and now_h - i < 48]
    assert (None if found is None else (found.issued_ms - T0) // HOUR) == max(
        allowed, default=None
    )
    writer.close()


def test_the_preferred_source_is_told_while_it_is_not_old(writer):
    put(writer, forecast("first", T0))
    put(writer, forecast("second", T0 + 2 * HOUR))

    def at(hours, *prefer):
        found = forecasts.newest(writer, T0 + hours * HOUR, prefer)
        return found and found.source

    assert at(3) == "second"
    assert at(3, "first", "second") == "first"
    assert at(11, "first", "second") == "first"
    assert at(12, "first", "second") == "second"
    assert at(20, "first", "second") == "second"
    assert at(48, "first") == "second"
    assert at(50, "first") is None


def test_a_doubted_forecast_is_told_only_when_asked_for(writer):
    put(writer, forecast("far", T0 + HOUR, doubt="9 K warmer"))
    put(writer, forecast("near", T0))
    assert forecasts.newest(writer, T0 + 2 * HOUR).source == "near"
    assert forecasts.newest(writer, T0 + 2 * HOUR, doubted=True).source == "far"


def test_a_span_is_told_oldest_first_and_by_source(writer):
    for source, hours in (("a", 6), ("b", 0), ("a", 0), ("a", 12)):
        put(writer, forecast(source, T0 + hours * HOUR))
    span = (T0, T0 + 12 * HOUR)
    found = [
        (one.source, (one.issued_ms - T0) // HOUR) for one in forecasts.between(writer, *span)
    ]
    assert found == [("a", 0), ("b", 0), ("a", 6)]
    assert [one.source for one in forecasts.between(writer, *span, "b")] == ["b"]


def test_how_far_we_are_with_a_source_outlives_us(writer, path):
    assert forecasts.progress_of(writer, "met") == SourceProgress("met")
    state = SourceProgress(
        "met", T0, T0 + HOUR, T0, 2, "no answer", "t", "/grid", T0, '"e"', "then"
    )
    for tried in (1, 2):
        with writer.connection.transaction() as run:
            forecasts.keep_progress(run, state._replace(failures=tried))
    assert forecasts.progress_of(Reader(path), "met") == state
