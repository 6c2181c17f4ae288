"""A calibration carried through on the board in a real Chromium, with salts of the test's own: the
hours in the jars pass by moving the clock of service and board."""

from __future__ import annotations

import contextlib
import gc
import itertools
import threading
import time

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import Board, opened, until
from dash import html
from dash.development.base_component import Component
from werkzeug.serving import make_server

from dashboard.app import create_app
from dashboard.data.shop import ShopData
from dashboard.sensors import page as sensors_page
from monitor.commands import Commands
from monitor.core import clock
from monitor.core.clock import EVER_MS, now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.sensor_care.calibration import JarWatch
from monitor.store import Reader

pytestmark = [
    *browser.pytestmark,
    pytest.mark.filterwarnings(  # Flask-Compress leaves closing a sent asset to the collector
        "ignore:Exception ignored in.*/assets/:pytest.PytestUnraisableExceptionWarning"
    ),
]

MIN, HOUR = 60_000, 3_600_000
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
SLOPE, OFFSET = 0.94, 4.0
"""The sensor reads OFFSET + SLOPE · truth."""


class Lab:
    """A board, the command link and a sensor in one process, so that one clock moves them all."""

    def __init__(self, board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
        self.board, self.ahead_ns, real = board, 0, time.time_ns
        monkeypatch.setattr(clock, "time_ns", lambda: real() + self.ahead_ns)
        self.told_to = now_ms()

    def passes(self, hours: float, truth_pct: float) -> None:
        """So much time goes by, the sensor telling every minute what it makes of that air."""
        end = self.told_to + round(hours * HOUR)
        value = round(OFFSET + SLOPE * truth_pct, 2)
        readings = []
        for at in range(self.told_to, end, MIN):
            readings += [
                Reading(Series("front-bench", "fb-1", T), at, 20.0),
                Reading(Series("front-bench", "fb-1", RH), at, value),
            ]
        self.board.writer.write(readings)
        self.ahead_ns += (end - self.told_to) * 1_000_000
        self.told_to = end


@pytest.fixture
def lab(tmp_path, monkeypatch):
    with Board(tmp_path) as board:
        made = Lab(board, monkeypatch)
        made.passes(2, 47.0)
        with contextlib.closing(Reader(board.settings.store_path)) as reader:
            commands = Commands(board.writer, look=JarWatch(reader, board.settings))
            server = make_server("127.0.0.1", board.port, create_app(board.settings).server, True)
            thread = threading.Thread(target=server.serve_forever)
            thread.start()
            try:
                with shop_air.command_link(board.settings, commands):
                    yield made
            finally:
                server.shutdown()
                thread.join()
                server.server_close()
                gc.collect()


def said(page, text: str) -> None:
    until(page, f"document.getElementById('bench-said').innerText.includes({text!r})")


def test_a_sensor_is_calibrated_over_two_salts_and_reads_right_afterwards(lab, visit):
    seen = visit("phone")
    page = opened(seen, lab.board, "/sensors")
    page.get_by_role("link", name="fb-1").click()
    page.wait_for_selector("text=Never calibrated")
    for word, truth in (("Magnesium chloride", 33.07), ("Sodium chloride", 75.48)):
        seen.rest()
        page.get_by_role("button", name=word).click()
        said(page, "In the jar")
        page.wait_for_selector("[data-rest=waiting]")
        lab.passes(1.5, truth)
        page.wait_for_selector("[data-rest=rested]")
        seen.rest()
        page.get_by_role("button", name="Take the point").click()
        said(page, "Point taken.")
    page.wait_for_selector(".sensor-points li:nth-child(2)")
    page.wait_for_selector(".plot .scatterlayer .trace")
    seen.rest()
    page.get_by_role("button", name="Put the sensor back at its place").click()
    said(page, "Put back.")
    seen.rest()
    page.get_by_role("button", name="Correct the humidity: slope and offset").click()
    said(page, "Corrected from now on.")
    page.wait_for_selector("text=Corrected, good to")
    lab.passes(0.5, 47.0)
    page.wait_for_selector("text=47 %")
    page.goto(lab.board.url + "/")
    page.wait_for_selector("text=47")
    assert seen.logged == []
    with contextlib.closing(Reader(lab.board.settings.store_path)) as reader:
        (latest,) = [
            one
            for one in reader.latest(EVER_MS)
            if one.reading.series == ("front-bench", "fb-1", RH)
        ]
        assert latest.reading.value == pytest.approx(47.0, abs=0.05)
        assert reader.uncertainty(latest.series_id, 47.0, lab.told_to) < 1.5


def test_each_figure_of_a_sensor_has_its_head_on_the_phone_without_scrolling_sideways(full, visit):
    page = opened(visit("phone"), full, "/sensors")
    assert page.evaluate(
        "[...document.querySelectorAll('.stacked')].every(t => t.scrollWidth <= t.clientWidth)"
    )
    cells = page.locator(".stacked").first.locator("td")
    heads = cells.evaluate_all(
        "all => all.map(td => getComputedStyle(td, '::before').content.replaceAll('\"', ''))"
    )
    assert heads[:3] == ["Health", "Last values", "Last reading"]
    assert all(cells.nth(i).is_visible() for i in range(cells.count()))
    page.locator("summary", has_text="For a programmer").last.click()
    assert page.get_by_text("[[topics]]").is_visible()


def test_a_page_that_is_slower_to_make_than_the_log_changes_follows_it(lab, visit, monkeypatch):
    made, changes = itertools.count(1), itertools.count()

    def slow(*_: object, **may: bool) -> list[Component]:
        time.sleep(1.5)
        return [html.H1("Sensors"), html.P(next(made), id="made")]

    monkeypatch.setattr(sensors_page, "content", slow)
    monkeypatch.setattr(ShopData, "change_token", lambda _: str(next(changes)))
    page = opened(visit("phone"), lab.board, "/sensors")
    first = int(page.inner_text("#made"))
    until(page, f"Number(document.getElementById('made').innerText) > {first + 1}")
