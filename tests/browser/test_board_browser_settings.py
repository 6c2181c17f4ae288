"""Settings in a real browser, with a real service that starts again with what was changed."""

from __future__ import annotations

import io
import json
import time
import urllib.error
import urllib.request

import browser_fixtures as browser
import numpy as np
import pytest
import zxingcpp
from browser_fixtures import let_change
from conftest import RunningService, until
from PIL import Image
from receivers import SECRET, Webhook

from monitor.settings import load

pytestmark = [*browser.pytestmark, pytest.mark.broker]


class Board:
    """The board of a real service. Each test leaves the shop's own settings as they were."""

    def __init__(self, service):
        self.service, self.url = service, f"http://127.0.0.1:{service.board_port}"
        self.file = service.data / "benchweather.toml"

    def settings(self):
        return load(data=self.service.data, environ={})


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    service = RunningService(tmp_path_factory.mktemp("settings") / "shop")
    for name in ("BENCHWEATHER_BOARD__PORT", "BENCHWEATHER_BROKER__PORT"):
        del service.environment[name]
    service.data.mkdir()
    (service.data / "benchweather.toml").write_text(
        f"# ours\n[board]\nport = {service.board_port}\n[broker]\nport = {service.broker_port}\n"
        '[alerts]\nbrief_at = ""\n[[places]]\nid = "bench" # the big one\n'
    )
    service.start()
    yield Board(service)
    service.clear()


def seen_at(visit, board, path, size="wall"):
    seen = visit(size, has_touch=size == "phone")
    let_change(seen.context, board.url, board.service.data)
    return seen, go(seen, board, path)


def go(seen, board, path):
    seen.page.goto(board.url + path)
    seen.page.wait_for_selector("main h1")
    seen.rest()
    return seen.page


def wait(page, expression):
    """Wait until an expression holds, over any loading of the page."""
    from playwright.sync_api import Error

    def holds():
        page.wait_for_timeout(100)
        try:
            return page.evaluate(expression)
        except Error:  # the page is on its way
            return False

    until(holds, within_s=90, what=expression)


def reloaded(seen, tap):
    """Tap what loads the page again, and wait for that."""
    seen.page.evaluate("window.before = true")
    tap.click()
    wait(seen.page, "!window.before && !!document.querySelector('main h1')")
    seen.rest()


def test_a_tap_on_a_public_holiday_closes_the_shop_on_it(board, visit):
    before = board.file.read_text()
    board.file.write_text(before + '[shop]\ncountry = "FR"\n')
    seen, page = seen_at(visit, board, "/settings/hours", "phone")
    tap = page.locator("button[data-close]").first
    day = tap.get_attribute("data-close")
    reloaded(seen, tap)
    assert board.settings().hours.closed == [day]
    assert not page.locator(f"button[data-close='{day}']").count()
    board.file.write_text(before)


def test_a_repairer_sets_the_shop_up_without_a_file(board, visit):
    seen, page = seen_at(visit, board, "/settings/shop")
    page.fill("#set-shop-name", "Quillon Lane")
    page.fill("#set-shop-altitude_m", "9000")
    page.click("text=Save")
    fault = page.locator('[data-fault="shop/altitude_m"]')
    browser.until(page, "document.querySelector('.fault:not(:empty)')")
    assert fault.inner_text().endswith("9000: must be at most 5000")
    assert page.input_value("#set-shop-name") == "Quillon Lane"
    assert not page.locator("[data-unsaved]").is_visible()
    page = go(seen, board, "/settings/shop")
    browser.until(page, "document.querySelector('#set-shop-altitude_m').value === '9000'")
    reloaded(seen, page.get_by_text("Discard it"))
    assert page.input_value("#set-shop-altitude_m") == "0"
    assert not page.locator("[data-unsaved]").is_visible()
    page.fill("#set-shop-name", "Quillon Lane")
    page.fill("#set-shop-altitude_m", "412,5")
    reloaded(seen, page.locator("text=Save"))
    assert board.settings().shop.altitude_m == 412.5
    assert "# the big one" in board.file.read_text()

    page = go(seen, board, "/settings/places")
    page.click("summary:has-text('Add a place')")
    page.fill("#set-new-places-name", "Varnish room")
    page.select_option("#set-new-places-kind", "varnish")
    page.fill("#set-new-places-rh_low_pct", "45")
    page.fill("#set-new-places-rh_high_pct", "40")
    page.click("text=Add this place")
    browser.until(
        page, "document.querySelector('[data-fault=\"new/places/rh_low_pct\"]').textContent"
    )
    seen.rest()
    page.fill("#set-new-places-rh_high_pct", "55")
    reloaded(seen, page.locator("text=Add this place"))
    place = board.settings().places[-1]
    assert (place.id, place.kind, place.rh_low_pct) == ("varnish-room", "varnish", 45.0)

    page = go(seen, board, "/settings")
    assert "Place varnish-room: added" in page.inner_text(".changes")
    reloaded(seen, page.locator(".change .tap").first)
    assert [place.id for place in board.settings().places] == ["bench"]
    seen.logged.clear()  # the refusals above are answers 409, which the browser logs
    began = time.monotonic()
    page.click("text=Restart Benchweather now")
    wait(page, "document.querySelector('.shop')?.textContent === 'Quillon Lane'")
    wait(page, "!document.querySelector('#settings-restart')")
    print(f"restart seen after {time.monotonic() - began:.1f} s")


def test_a_channel_is_tested_and_its_address_is_nowhere(board, visit):
    seen, page = seen_at(visit, board, "/settings/notices", "phone")
    with Webhook().open() as hook:
        page.click("summary:has-text('Add a channel')")
        page.fill("#set-new-channels-id", "phone")
        page.fill("#set-new-channels-url", hook.url)
        assert SECRET not in page.evaluate("JSON.stringify(localStorage)")
        reloaded(seen, page.locator("text=Add this channel"))
        assert SECRET not in page.evaluate("JSON.stringify(localStorage)")
        assert SECRET not in page.content()
        page.click("summary:has-text('phone')")
        page.click("text=Send a test notice")
        browser.until(page, "document.querySelector('#bench-refused').textContent")
        assert "Restart Benchweather to use a saved channel" in page.inner_text("#bench-refused")
        seen.logged.clear()  # the refusal is an answer 409, which the browser logs
        seen.rest()
        page.click("text=Restart Benchweather now")
        wait(
            page,
            "document.querySelector('main h1') && !document.querySelector('#settings-restart')",
        )
        seen.rest()
        page.click("text=Send a test notice")
        wait(page, "document.querySelector('#channel-said').textContent.includes('delivered')")
        assert len(hook.posts) == 1
    assert SECRET in board.file.read_text()
    for kept in board.service.data.rglob("*.sqlite3*"):
        assert SECRET.encode() not in kept.read_bytes(), kept
    assert SECRET not in board.service.log.read_text()
    page = go(seen, board, "/settings")
    assert "Channel phone: added" in page.inner_text(".changes")


def test_other_devices_are_let_in_after_a_password(board, visit):
    seen, page = seen_at(visit, board, "/settings/network")
    page.click("button:has-text('Let other devices in')")
    browser.until(page, "document.querySelector('.fault:not(:empty)')")
    assert "is needed before" in page.inner_text("[data-fault='board/password']")
    seen.rest()
    page.fill("#set-board-password", "password1234")
    page.click("button:has-text('Let other devices in')")
    browser.until(
        page, "document.querySelector('.fault:not(:empty)')?.textContent.includes('guessed')"
    )
    assert "password1234" not in page.inner_text("main")
    seen.rest()
    page.evaluate(
        """() => new MutationObserver(() => {
          if (!document.querySelector("#lost").hidden) sessionStorage.setItem("lost", "shown");
        }).observe(document.querySelector("#lost"), { attributes: true })"""
    )
    page.fill("#set-board-password", "amber lantern violet meadow")
    page.click("button:has-text('Let other devices in')")
    wait(page, "!!document.querySelector('.qr')")
    assert page.evaluate("sessionStorage.getItem('lost')") is None  # the restart was announced
    assert "others in the same network can read" in page.inner_text("main")
    assert "board.host" not in page.inner_text("body")
    seen.rest()
    shown = page.inner_text(".address")
    page.click("#wall-make")
    browser.until(page, "document.querySelectorAll('.qr').length === 2")
    seen.rest()
    links = [shown, page.locator(".address").nth(1).inner_text()]
    for number, link in enumerate(links):
        assert read_code(page.locator(".qr").nth(number).screenshot()) == link
        with urllib.request.urlopen(link, timeout=20) as answer:
            assert answer.status == 200
    assert links[1].startswith(f"{shown}/open/")
    assert {url.split("/")[2] for url in seen.asked if url.startswith("http")} == {
        f"127.0.0.1:{board.service.board_port}"
    }
    page.click("text=Let no other devices in")
    seen.let_pass()
    page.click("text=Close the board to all other devices?")
    wait(page, "document.querySelector('h2')?.textContent.startsWith('Only this')")
    until(lambda: not reached(shown), what="the board is closed to others")


def read_code(picture):
    (found,) = zxingcpp.read_barcodes(np.asarray(Image.open(io.BytesIO(picture)).convert("L")))
    return found.text


def reached(link):
    try:
        with urllib.request.urlopen(link, timeout=5):
            return True
    except OSError:
        return False


ATTACKS = [
    {"form": {"../../../etc/passwd": "x"}},
    {"form": {"broker/program": "/tmp/mosquitto"}},
    {"form": {"shop/__class__": "x"}},
    {"form": {"shop": "x"}},
    {"form": {"/": "x"}},
    {"form": {"shop/name": "x" * 900_000}},
    {"form": {"shop/name/" + "a/" * 400: "x"}},
    {"remove": "places/bench/../../board"},
    {"add": "../places", "form": {"new/../places/name": "x"}},
    {"version": "../benchweather", "form": {"shop/name": "x"}},
]


def test_what_no_page_sends_changes_nothing(board, visit):
    seen, _ = seen_at(visit, board, "/settings")
    before = board.file.read_text()
    for attack in ATTACKS:
        status, answer = send(seen, board, {"about": "settings", "do": "change", **attack})
        assert 400 <= status < 500, (attack, status, answer)
    assert board.file.read_text() == before
    injected = 'x"\n[board]\nhost = "0.0.0.0"\n# '
    status, answer = send(
        seen,
        board,
        {
            "about": "settings",
            "do": "change",
            "version": board.settings().version,
            "form": {"shop/name": injected},
        },
    )
    assert (status, board.settings().board.host) == (200, "127.0.0.1"), answer
    assert board.settings().shop.name == injected.strip()
    stranger = urllib.request.Request(
        f"{board.url}/bench/do",
        json.dumps({"about": "settings", "do": "undo", "change": "1"}).encode(),
        {"Content-Type": "application/json", "Origin": board.url},
    )
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(stranger)
    with refused.value as answer:
        assert answer.code == 403


def send(seen, board, tap):
    answer = seen.context.request.post(
        f"{board.url}/bench/do",
        data=json.dumps(tap),
        headers={"Content-Type": "application/json", "Origin": board.url},
    )
    return answer.status, answer.text()[:300]
