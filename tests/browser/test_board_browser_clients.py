"""The page of clients in a real Chromium: a sheet from the form, faults at their fields, a record."""

from __future__ import annotations

import io
import os
import zipfile
from pathlib import Path

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pypdfium2
import pytest
from browser_fixtures import DAY, Board, opened, until
from client_fixtures import GREENSBORO, holding, kept, packaged

from monitor.clients import air_certificate
from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.store import Reader

pytestmark = browser.pytestmark


@pytest.fixture(scope="module")
def clients(tmp_path_factory):
    """A shop with one instrument and three days of air."""
    folder = tmp_path_factory.mktemp("clients")
    with Board(folder, shop_air.BENCH) as board:
        now = now_ms()
        shop_air.fill(board.writer, "front-bench", now - 3 * DAY, now, 600_000)
        commands = shop_air.commanded(board.writer, board.settings)
        commands.carry_out(
            {
                "about": "instrument",
                "do": "register",
                "reference": "VN-44",
                "kind": "violin",
                "place": "front-bench",
                "arrived_ms": now - 2 * DAY,
            },
            now,
        )
        kept(board.writer, "Jo Nebenan", at_ms=now)
        with shop_air.command_link(board.settings, commands), browser.served(folder, board.port):
            yield board


def typed(page, **values):
    unfold(page)
    for name, text in values.items():
        page.locator(f"#client-{name}").fill(text)
        page.locator(f"#client-{name}").press("Tab")


def unfold(page):
    page.evaluate(
        "for (const fold of document.querySelectorAll('.client-form details')) fold.open = true"
    )


BOXES = """[...document.querySelectorAll('main .client-form input[type=text]')]
  .filter(e => e.checkVisibility())"""
BUTTONS = """['client-pdf', 'client-html'].map(id => document.getElementById(id))
  .map(e => e.getBoundingClientRect()).map(b => [b.top, b.bottom])"""


MARKED = """() => { window.marked = false; new MutationObserver(() => {
  marked ||= document.querySelector('.client-earlier').checkVisibility() &&
    document.querySelector('#client-live').innerText.includes('viola, hard case');
}).observe(document.documentElement, { subtree: true, childList: true, attributes: true }); }"""
"""Notes that an earlier sheet was marked as such, however soon the next one came."""


def test_three_taps_make_a_sheet_whose_files_are_under_the_thumb(clients, visit):
    seen = visit("phone")
    page = opened(seen, clients, "/clients")
    assert page.evaluate(f"{BOXES}.length") <= 4  # one month; the others are folded
    page.get_by_text("Old, draughty house", exact=True).click()
    page.get_by_text("Viola, hard case", exact=True).click()
    page.locator("#client-source").get_by_text("A city, or monthly means").click()
    page.locator("#client-city").fill("Olso")
    page.locator("#client-city").press("Tab")
    until(page, "document.getElementById('client-city-fault').innerText.includes('choose one')")
    page.locator("#client-city").fill("oslo")
    page.locator("#client-city").press("Tab")
    until(page, "document.getElementById('client-working-s').innerText.includes(' s, usually')")
    page.wait_for_selector("#client-pdf", timeout=90_000)
    browser.holds(page, "client-volume_m3", "10600")  # ft³, as the browser is of the US: 300 m³
    assert page.locator("#client-tightness input:checked").get_attribute("value") == "leaky"
    first = page.locator("#client-home-air").inner_text()
    assert "At home in " in first
    asks = page.locator("[data-client-ask]")
    assert asks.count() == 3
    widths = [int(text.split("about ")[1].split()[0]) for text in asks.all_inner_texts()]
    assert widths == sorted(widths)
    assert seen.logged == []
    boxes = page.evaluate(BUTTONS)
    assert all(844 - 120 < top < bottom <= 844 for top, bottom in boxes)
    page.get_by_role("link", name="See it").click()
    until(page, "document.getElementById('client-sheet').getBoundingClientRect().top < 400")
    assert seen.faults_at(("wall", "phone"), clients) == []
    asks.nth(1).click()
    until(page, "document.activeElement.matches('input')")
    assert page.evaluate("document.activeElement.closest('details').open")
    earlier = page.locator(".client-earlier")
    assert not earlier.is_visible()
    page.evaluate(MARKED)
    page.get_by_text("Cello, hard case", exact=True).click()
    until(page, "marked")  # the viola's sheet is marked as that until the cello's is there
    earlier.wait_for(state="hidden", timeout=90_000)
    assert "cello, hard case" in page.locator("#client-live").inner_text()


def test_a_weather_file_beside_a_reading_reaches_the_other_months(clients, visit):
    page = opened(visit("phone", "day"), clients, "/clients")
    assert not page.locator("#client-weather-box").is_visible()
    unfold(page)
    page.locator("#client-climate").get_by_text("A weather file", exact=True).click()
    chosen(page, "Choose a weather file", GREENSBORO, packaged(GREENSBORO))
    until(page, "document.getElementById('client-weather-said').innerText.includes('a year at')")
    typed(page, **{"temp-1": "70", "rh-1": "28"})
    until(page, "document.getElementById('client-live').innerText.includes('weather outdoors: F')")
    assert "Measured at home: January." in page.locator("#client-live").inner_text()
    if folder := os.environ.get("CLIENT_PICTURES"):
        page.screenshot(path=str(Path(folder) / "climate-phone.png"), full_page=True)
    page.locator("#client-source").get_by_text("A city, or monthly means").click()
    until(page, "document.getElementById('client-climate-box').hidden")


def test_a_sheet_is_taken_kept_opened_again_and_erased(clients, visit):
    seen = visit("desk", "day")
    page = opened(seen, clients, "/clients")
    downloads = []
    page.on("download", lambda one: downloads.append(one))
    typed(page, **{"temp-1": "70", "rh-1": "27", "title": "Ina Perrin"})
    page.wait_for_selector("#client-pdf", timeout=30_000)
    with page.expect_download(timeout=60_000) as got:
        page.locator("#client-pdf").click()
    made = pypdfium2.PdfDocument(got.value.path().read_bytes())
    assert len(made) == 1
    assert "Ina Perrin" in made[0].get_textpage().get_text_range()
    until(page, "document.getElementById('client-said').innerText.includes('kept under')")
    page.wait_for_selector("h3:has-text('Ina Perrin')")
    live = page.locator("#client-live img")
    assert live.get_attribute("alt").startswith("Relative humidity through the year")
    drawn = live.get_attribute("src")
    typed(page, title="", **{"rh-1": "31"})
    changed = f"document.querySelector('#client-live img').src !== '{drawn}'"
    until(
        page, changed, 90
    )  # a year of the home is calculated twice: for the title, then for the RH
    page.get_by_role("button", name="Open again").first.click()
    until(page, "document.getElementById('client-title').value === 'Ina Perrin'")
    browser.holds(page, "client-rh-1", "27")
    page.locator(".past-client summary").first.click()
    page.get_by_role("button", name="Erase Ina Perrin for good").click()
    until(page, "document.getElementById('past-said').innerText.includes('Erased: 1')")
    assert holding(clients.settings.data, "Perrin") == []
    assert page.locator(".past-client h3").inner_text() == "Jo Nebenan"
    assert len(downloads) == 1  # by the tap, none by what is worked out meanwhile
    assert seen.logged == []


def test_what_is_wrong_stands_at_its_field_and_goes_when_it_is_right(clients, visit):
    page = opened(visit("desk"), clients, "/clients")  # its browser reads °F
    typed(page, **{"temp-1": "68", "rh-1": "60", "out-1": "-4"})
    fault = "document.getElementById('client-rh-1-fault').innerText"
    until(page, f"{fault}.includes('the home as described can have')")
    typed(page, **{"temp-1": "168"})
    until(
        page, "document.getElementById('client-temp-1-fault').innerText.includes('14 to 113 °F')"
    )
    typed(page, **{"temp-1": "68", "rh-1": "30"})
    page.wait_for_selector("#client-pdf", timeout=30_000)
    assert page.evaluate(fault) == ""


def chosen(page, button, name, content):
    with page.expect_file_chooser() as choice:
        page.get_by_role("button", name=button).click()
    kind = "application/octet-stream"
    choice.value.set_files({"name": name, "mimeType": kind, "buffer": content})


def test_a_weather_file_and_a_loggers_file_are_taken_and_what_is_wrong_is_said(clients, visit):
    seen = visit("phone", "day")
    page = opened(seen, clients, "/clients")
    page.locator("#client-source").get_by_text("A weather file", exact=True).click()
    page.wait_for_selector("#client-months", state="hidden")
    fault = "document.getElementById('client-{}-fault').innerText.includes('{}')"
    chosen(page, "Choose a weather file", "big.epw", b"x" * 8_000_001)
    until(page, fault.format("weather", "at most 8 MB"))
    chosen(page, "Choose a weather file", "notes.txt", b"dear client")
    until(page, fault.format("weather", "must be EPW"))
    chosen(page, "Choose a weather file", GREENSBORO, packaged(GREENSBORO))
    page.wait_for_selector("#client-pdf", timeout=30_000)
    assert "GREENSBORO" in page.locator("#client-weather-said").inner_text()
    assert page.locator("#client-weather-fault").inner_text() == ""
    page.get_by_text("Their logger's file", exact=True).click()
    until(page, "document.getElementById('client-live').innerText.includes('give the file')")
    rows = [
        f"{d:02d}.01.2026;{h:02d}:00;68,0;{30 + h % 3}" for d in range(1, 15) for h in range(24)
    ]
    log = "\n".join(["Day;Hour;T;H", *rows, "15.01.2026;00:00;wet;31"]).encode()
    typed(
        page, **{"log-time": "Day + Hour", "log-format": "%d.%m.%Y %H:%M", "log-temperature": "T"}
    )
    page.locator("#client-log-delimiter").select_option(";")
    page.locator("#client-log-decimal").select_option(",")
    chosen(page, "Choose their logger's file", "home.csv", log)
    until(page, fault.format("log", "no column \\'humidity\\'"))
    typed(page, **{"log-humidity": "H"})
    page.locator("#client-log-unit").select_option("F")
    chosen(page, "Choose their logger's file", "home.csv", log)
    page.wait_for_selector("#client-pdf", timeout=30_000)
    said = page.locator("#client-log-said").inner_text()
    assert "337 lines" in said
    assert "line 338" in said
    if folder := os.environ.get("CLIENT_PICTURES"):
        page.screenshot(path=str(Path(folder) / "phone-log.png"), full_page=True)


def test_a_record_is_made_and_known_again(clients, visit):
    page = opened(visit("desk"), clients, "/clients")
    with page.expect_download(timeout=60_000) as got:
        page.locator("#record-make").click()
    with zipfile.ZipFile(io.BytesIO(got.value.path().read_bytes())) as archive:
        parts = [archive.read(name) for name in sorted(archive.namelist())]
    reader = Reader(clients.settings.store_path)
    found = [air_certificate.check(part, Journal(reader)) for part in parts]
    reader.close()
    assert [(f.known, f.reference) for f in found] == [(True, "VN-44")] * 2
