"""The psychrometric chart against PsychroLib, its sentences against arithmetic of their own."""

from __future__ import annotations

from types import SimpleNamespace
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air
import numpy as np
import psychrolib
import pytest
from board_requests import said

from dashboard.app import create_app
from dashboard.data.shop import ShopData
from dashboard.past import psychrometric_page as page
from dashboard.past import view_page
from dashboard.past.psychrometric_chart import ChangedAir, psychrometric_chart, warmed
from dashboard.past.selection import Choice
from dashboard.ui.plots import View
from dashboard.ui.themes import THEMES
from monitor.air.place_means import Means
from monitor.core.clock import now_ms
from monitor.core.errors import OutOfRange
from monitor.science.humidity_causes import humidity_spread
from monitor.store import Writer

DAY = shop_air.DAY_MS
PARIS = ZoneInfo("Europe/Paris")
LOOK = THEMES["day"]
psychrolib.SetUnitSystem(psychrolib.SI)


def chosen(place: str, span: str = "day") -> Choice:
    return Choice((place,), "humidity", span, None, None)


def path(temp_c, rh_pct) -> Means:
    n = len(temp_c)
    return Means(np.arange(n) * 600_000, np.asarray(temp_c, float), np.asarray(rh_pct, float))


def drawn(air, changes=(), band=(40.0, 55.0), unit="C", width=1280, pressure=101_325.0):
    view = View(0, 600_000 * len(air.ts_ms), PARIS, unit, width)
    return psychrometric_chart(air, band, list(changes), view, LOOK, pressure)


@pytest.mark.parametrize("pressure", [101_325.0, 84_556.0])
def test_the_path_and_the_curves_lie_where_psychrolib_has_them(pressure):
    """Rung: independent library. PsychroLib 2.5, GetHumRatioFromRelHum (ASHRAE)."""
    air = path([15.0, 20.0, 24.0], [60.0, 45.0, 35.0])
    traces = {t.name: t for t in drawn(air, pressure=pressure).data}
    for name, points in (("air", zip(air.temp_c, air.rh_pct, strict=True)), ("50 %", None)):
        trace = traces[name]
        points = points or ((t, 50.0) for t in trace.x)
        wanted = [
            1000 * psychrolib.GetHumRatioFromRelHum(t, rh / 100, pressure) for t, rh in points
        ]
        assert list(trace.y) == pytest.approx(wanted, rel=1e-3)


def test_warming_keeps_the_water_and_moves_straight_to_the_right():
    """Rung: independent library. PsychroLib 2.5, RH of the same humidity ratio at 23 °C."""
    w = psychrolib.GetHumRatioFromRelHum(20.0, 0.40, 101_325.0)
    wanted = 100 * psychrolib.GetRelHumFromHumRatio(23.0, w, 101_325.0)
    change = warmed(20.0, 40.0, 3.0)
    assert change.rh_pct == pytest.approx(wanted, abs=0.05)
    plot = drawn(path([20.0, 20.0], [40.0, 40.0]), [change])
    arrow = next(a for a in plot.layout.annotations if a.showarrow)
    assert arrow.y == pytest.approx(arrow.ay, rel=1e-6)
    assert (arrow.ax, arrow.x) == pytest.approx((20.0, 23.0))
    tip = next(t for t in plot.data if t.name == "warmed: 33 %")
    assert (tip.x[0], tip.y[0]) == (arrow.x, arrow.y)


def test_the_axis_is_in_the_readers_unit_and_every_arrow_is_within_it():
    changes = page.changes_of(20.0, 20.0, (40.0, 55.0))
    plot = drawn(path([20.0, 20.0], [20.0, 20.0]), changes, unit="F")
    low, high = plot.layout.xaxis.range
    assert "[°F]" in plot.layout.xaxis.title.text
    for arrow in (a for a in plot.layout.annotations if a.showarrow):
        assert low < arrow.x < high
        assert plot.layout.yaxis.range[0] < arrow.y < plot.layout.yaxis.range[1]
    assert high - low >= 8 * 1.8


@pytest.mark.parametrize(
    ("rh", "names"),
    [
        (30.0, ["warmed", "with more water"]),
        (47.0, ["warmed"]),
        (70.0, ["warmed", "with less water"]),
    ],
)
def test_the_band_is_reached_by_water_only_from_outside_it(rh, names):
    found = page.changes_of(20.0, rh, (40.0, 55.0))
    assert [change.name for change in found] == names
    assert all(isinstance(change, ChangedAir) for change in found)


def test_outdoors_has_no_band_and_no_arrow():
    assert page.changes_of(5.0, 80.0, None) == []


def test_a_spread_is_laid_to_what_made_it():
    """Rung: property. Air warmed in a closed box, and air wetted at one temperature."""
    e_w = np.array([psychrolib.GetSatVapPres(t) for t in np.linspace(14, 24, 50)])
    box = humidity_spread(np.linspace(14, 24, 50), 100 * 900 / e_w)
    assert box.by_temperature == pytest.approx(box.whole, abs=0.05)
    assert box.by_water < 0.1
    wetted = humidity_spread(np.full(50, 20.0), np.linspace(30, 60, 50))
    assert wetted.by_water == pytest.approx(wetted.whole, abs=1e-9)
    assert wetted.by_temperature == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("values", [([20.0], [50.0]), ([20.0, 21.0], [50.0, 120.0])])
def test_a_spread_of_what_is_no_air_is_refused(values):
    with pytest.raises(OutOfRange):
        humidity_spread(*values)


@pytest.fixture
def shop(tmp_path):
    settings = shop_air.settings_in(tmp_path)
    writer = Writer(settings.store_path)
    now = now_ms()
    for place in ("front-bench", "outdoors"):
        shop_air.fill(writer, place, now - 3 * DAY, now, 300_000)
    writer.close()
    return ShopData(settings)


def test_the_words_say_what_the_chart_shows(shop):
    now = now_ms()
    found = page.answered(chosen("front-bench"), {"width": 1280}, now, shop)
    text = said(found.words)
    air = view_page.means(shop.settings.places[0], now - DAY, now, shop)
    assert f"RH {air.rh_pct.min():.0f} to {air.rh_pct.max():.0f} %" in text
    assert f"{air.temp_c[-1]:.1f} °C, {air.rh_pct[-1]:.0f} %" in text
    assert "Warmed by 3 K with no water added" in text
    assert "They are not advice" in text
    outside = said(page.answered(chosen("outdoors"), {}, now, shop).words)
    assert "Warmed" not in outside
    assert "band" not in outside


def test_what_cannot_be_shown_is_said(shop):
    old = chosen("front-bench", "week")._replace(end_ms=now_ms() - 300 * DAY)
    found = page.answered(old, {}, now_ms(), shop)
    assert "No readings in this span." in str(found.figure)
    assert found.words == []
    assert not found.title
    nowhere = page.answered(chosen("nowhere"), {}, now_ms(), shop)
    assert "Choose a place." in str(nowhere.figure)


def test_a_sensor_without_a_pair_gets_no_chart(tmp_path):
    settings = shop_air.settings_in(tmp_path)
    Writer(settings.store_path).close()
    shop = ShopData(settings)
    with create_app(settings).server.test_request_context():
        text = said(view_page.layout(shop, page.view_of(shop), {}))
    assert "no sensor has sent both" in text


def test_the_ring_of_a_silent_sensor_is_not_called_the_air_at_the_end():
    air, room = path([20.0, 20.0], [40.0, 41.0]), SimpleNamespace(label="Bench")

    def told(end_ms):
        return said(page.words(room, air, None, [], View(0, end_ms, PARIS, "C", 1280)))

    assert "The ring is the air at the end of the span: 20.0 °C, 41 %." in told(1_200_000)
    late = told(DAY)
    assert (
        "The ring is the last reading in the span, of Thu 1 Jan 1970 01:10: 20.0 °C, 41 %." in late
    )
    assert "at the end of the span" not in late
