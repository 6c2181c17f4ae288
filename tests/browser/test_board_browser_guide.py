"""The first hour in a real Chromium on a real service: from an empty data folder to a working shop."""

from __future__ import annotations

import contextlib
import json
import re
import threading

import browser_fixtures as browser
import paho.mqtt.publish
import pytest
from conftest import until
from receivers import SECRET, Mailbox

pytestmark = browser.pytestmark
EMPTY = {
    "/": "/guide",
    "/bench": "/guide?step=shop",
    "/bench/ready-by": "/guide?step=shop",
    "/bench/glue-now": "/guide?step=shop",
    "/wood/new": "/guide?step=shop",
    "/coming": "/guide?step=shop",
    "/past": "/guide?step=reading",
    "/past/psychrometric": "/guide?step=reading",
    "/sensors": "/guide?step=reading",
    "/alerts": "/guide?step=channel",
    "/clients": "/wood/new",
}
"""Where each page of an empty shop leads."""


class NewUser:
    """A person at the board, whose taps are counted."""

    def __init__(self, seen, service):
        self.seen, self.page, self.taps = seen, seen.page, 0
        self.service = service
        self.url = f"http://127.0.0.1:{service.board_port}"
        link = re.search(r"http\S+/open/\S+", service.log.read_text())
        self.page.goto(link.group(0))

    def tap(self, selector):
        self.seen.settled()
        self.seen.let_pass()
        self.page.click(selector)
        self.taps += 1

    def type(self, **fields):
        for name, text in fields.items():
            self.page.fill(f"#{name.replace('_', '-')}", text)

    def until(self, expression, seconds=40):
        """Also over a restart of the board, when the page loads itself again."""
        for _ in range(round(seconds / 0.1)):
            try:
                if self.page.evaluate(expression):
                    return
            except Exception as exc:
                if "context" not in str(exc):
                    raise
            self.page.wait_for_timeout(100)
        pytest.fail(f"{expression}\n{self.page.locator('main').inner_text()}")

    def unfold(self, step):
        self.page.wait_for_selector(f"#step-{step}", state="attached")
        self.page.evaluate(f"document.querySelector('#step-{step}').open = true")

    def until_done(self, step):
        self.until(f"document.querySelector('#step-{step}')?.dataset.state === 'done'")


@pytest.fixture
def user(whole_service, visit):
    return NewUser(visit("desk"), whole_service)


def no_page_is_a_dead_end(user) -> None:
    page = user.page
    for path, leads_to in EMPTY.items():
        user.seen.go_on(path)
        page.wait_for_selector(f'main a[href="{leads_to}"]')
        shown = page.locator("main").inner_text()
        assert '"n":' not in shown
        assert ".toml" not in shown


def who_only_looks_is_told_who_may_set_the_shop_up(user, other) -> None:
    other.page.goto(f"{user.url}/guide")
    other.page.wait_for_selector("main h2")
    assert other.page.inner_text("main h2") == "Read only"
    assert other.page.locator("main button").count() == 0


def test_a_new_user_gets_from_an_empty_folder_to_a_ready_time_and_a_mail(user, visit):
    page = user.page
    assert page.url == f"{user.url}/guide"
    assert page.locator("h1").inner_text() == "Set up your shop"
    no_page_is_a_dead_end(user)
    who_only_looks_is_told_who_may_set_the_shop_up(user, visit("desk"))
    page.goto(f"{user.url}/guide")
    page.wait_for_selector("#guide-steps")
    user.seen.resize("phone")
    assert user.seen.faults(user) == []  # with every step still to do
    user.seen.resize("desk")

    user.type(guide_name="Quillon Lane Strings", guide_place="Front bench", guide_zone="Mars/Base")
    user.tap("#step-shop [data-do=save]")
    page.wait_for_selector("#step-shop .fault:not(:empty)")
    assert "IANA" in page.inner_text("#step-shop .fault:not(:empty)")
    user.type(guide_zone="Europe/Paris")
    user.tap("#step-shop [data-do=save]")
    user.until_done("shop")

    user.type(reading_temp="68", reading_rh="147")
    user.tap("#step-reading [data-do=read]")
    page.wait_for_selector("#step-reading .fault:not(:empty)")
    user.type(reading_rh="47")
    user.tap("#step-reading [data-do=read]")
    user.until_done("reading")

    user.taps = 0
    user.tap("#step-clamp-up a.tap")
    user.until("document.querySelector('#bench-kinds .ready-at')?.textContent.includes('about')")
    user.tap("#bench-kinds button >> nth=0")
    user.tap("#bench-places button >> nth=0")
    user.until("document.querySelector('#bench-said')?.textContent.includes('about')")
    assert user.taps == 3

    page.goto(f"{user.url}/")
    page.wait_for_selector(".place")
    assert "47" in page.inner_text(".place .rh")
    assert "Read by hand" in page.inner_text(".place .age")

    page.goto(f"{user.url}/guide")
    with Mailbox().open() as box:
        user.unfold("channel")
        user.type(guide_to="bench@quillon-lane.example", guide_server=f"127.0.0.1:{box.port}")
        user.type(guide_user="anna", guide_password=SECRET)
        user.tap("#step-channel [data-do=save]")
        assert SECRET not in page.evaluate("JSON.stringify(Object.entries(localStorage))")
        user.until("document.querySelector('#step-channel [data-do=test]') !== null")
        user.unfold("channel")
        user.tap("#step-channel [data-do=test]")
        user.until_done("channel")
        # The morning brief may be due at this hour too.
        until(lambda: any("Quillon Lane Strings" in mail["Subject"] for mail in box.mails))
    assert SECRET not in page.content()
    assert SECRET not in user.service.log.read_text()

    user.unfold("forecast")
    user.tap("#step-forecast [data-do=skip]")
    user.until("document.querySelector('#step-forecast').dataset.state === 'skipped'")
    user.unfold("forecast")
    user.tap("#step-forecast [data-do=resume]")
    user.until("document.querySelector('#step-forecast').dataset.state === 'to do'")


def test_a_sensor_that_sends_in_its_own_form_is_heard_and_read_after_a_tap(user):
    stop = threading.Event()
    pack = json.dumps({"temp": 71.2, "hum": 44.0})

    def send():
        while not stop.wait(0.3):
            for topic, payload in (("attic/climate", pack), ("attic/noise", b"\x00\xff")):
                with contextlib.suppress(OSError):
                    paho.mqtt.publish.single(
                        topic, payload, qos=1, hostname="127.0.0.1", port=user.service.broker_port
                    )

    sender = threading.Thread(target=send)
    sender.start()
    try:
        page = user.page
        user.unfold("reading")
        user.tap("[data-about=listening]")
        user.until("document.querySelectorAll('.heard-topic').length === 2")
        shown = page.inner_text("#step-reading")
        assert "temperature in F" in shown
        assert "No rule can read this topic" in shown
        user.unfold("reading")
        user.tap("[data-step=topic]")
        user.until_done("reading")
    finally:
        stop.set()
        sender.join()
    page.goto(f"{user.url}/")
    page.wait_for_selector(".place")
    assert "44" in page.inner_text(".place .rh")
