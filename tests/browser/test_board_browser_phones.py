"""The installable board and its notices in a real Chromium, without the internet."""

from __future__ import annotations

import json
import shutil

import browser_fixtures as browser
import pytest
from browser_fixtures import Board, until
from push_service import Device

from monitor.alerting.notifications import phones
from monitor.alerting.notifications.phones import Phones
from monitor.commands.ipc import CommandLink
from monitor.core.clock import now_ms
from monitor.store.secret_files import FolderFiles

pytestmark = browser.pytestmark


@pytest.fixture(scope="module")
def chromium(driver):
    """The whole browser: the one without windows shows no notices."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("there is no chromium with windows")
    with browser.launched(driver, program) as started:
        yield started


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    folder = tmp_path_factory.mktemp("phones")
    with Board(folder) as board:
        board.phones = Phones(FolderFiles(folder), board.writer)
        link = CommandLink(
            board.settings.command_link_path, lambda one: board.phones.carry_out(one, now_ms())
        )
        link.start()
        with browser.served(folder, board.port):
            yield board
        link.stop()


def opened(seen, board):
    return browser.opened(seen, board, "/alerts/phones")


def test_the_board_can_be_installed(board, visit):
    seen = visit("phone")
    page = opened(seen, board)
    line = seen.context.new_cdp_session(page)
    found = line.send("Page.getAppManifest")
    assert found["errors"] == []
    assert json.loads(found["data"])["short_name"] == "Benchweather"
    assert line.send("Page.getInstallabilityErrors")["installabilityErrors"] in (
        [],
        [{"errorId": "in-incognito", "errorArguments": []}],  # every context of the tests is one
    )


def test_a_push_becomes_a_notice_and_no_page_is_kept(board, visit):
    seen = visit("phone", permissions=["notifications"])
    page = opened(seen, board)
    line = seen.context.new_cdp_session(page)
    ids, events, errors = [], [], []
    line.on(
        "ServiceWorker.workerRegistrationUpdated",
        lambda event: ids.extend(one["registrationId"] for one in event["registrations"]),
    )
    line.on("ServiceWorker.workerErrorReported", lambda event: errors.append(event))
    line.on(
        "BackgroundService.backgroundServiceEventReceived",
        lambda event: events.append(event["backgroundServiceEvent"]["eventName"]),
    )
    line.send("ServiceWorker.enable")
    for service in ("pushMessaging", "notifications"):
        line.send("BackgroundService.startObserving", {"service": service})
        line.send("BackgroundService.setRecording", {"service": service, "shouldRecord": True})
    page.evaluate(
        "navigator.serviceWorker.register('/push-worker.js').then("
        "() => navigator.serviceWorker.ready).then(() => true)"
    )
    until_there(page, ids)
    notice = {"id": "alert-7", "title": "Dry snap likely", "text": "About 31 % RH."}
    push = {"origin": board.url, "registrationId": ids[-1], "data": json.dumps(notice)}
    for _ in range(2):  # a push service delivers at least once: a repeat replaces the first
        line.send("ServiceWorker.deliverPushMessage", push)
        # Who asks for the notices while one is being shown can lose it, so the browser's own record
        # is asked when the push is done.
        until_there(page, events, "Push event completed")
        assert "Notification displayed" in events
        events.clear()
        shown = page.evaluate(
            "navigator.serviceWorker.ready.then(r => r.getNotifications())"
            ".then(all => all.map(n => [n.title, n.body, n.tag]))"
        )
        assert shown == [["Dry snap likely", "About 31 % RH.", "alert-7"]]
    assert errors == []  # such as of its icon
    assert page.evaluate("caches.keys()") == []
    seen.context.set_offline(True)
    with pytest.raises(Exception, match="ERR_INTERNET_DISCONNECTED"):
        page.goto(board.url + "/")


def until_there(page, found, wanted=None) -> None:
    for _ in range(600):
        if found and wanted in (None, *found):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"not there: {wanted or 'a service worker'}")


def test_a_browser_that_reaches_no_push_service_says_so_and_nothing_is_kept(board, visit):
    seen = visit("phone", permissions=["notifications"])
    page = opened(seen, board)
    until(page, "!document.querySelector('[data-part=on]').hidden")
    assert page.locator("[data-part=state]").inner_text() == "Notices are off for this device."
    page.locator("[data-push=on]").click()
    until(page, "document.querySelector('[data-part=said]').innerText !== ''")
    assert "did not reach its push service" in page.locator("[data-part=said]").inner_text()
    assert board.phones.book.phones == ()


def test_a_forbidden_notice_is_said(board, visit):
    seen = visit("phone")
    page = opened(seen, board)
    until(page, "!document.querySelector('[data-part=on]').hidden")
    page.locator("[data-push=on]").click()
    until(page, "document.querySelector('[data-part=said]').innerText !== ''")
    assert "does not allow notices" in page.locator("[data-part=said]").inner_text()


def test_a_phone_of_the_list_is_removed_by_a_tap(board, visit):
    one = Device("https://push.example/x").browser
    fields = {"endpoint": one.endpoint, "key": one.key, "secret": one.secret}
    board.phones.carry_out({"do": "add", "name": "Ina's phone", **fields}, now_ms())
    seen = visit("phone")
    page = opened(seen, board)
    faults = seen.faults(board)
    assert not faults, faults
    assert "push.example" not in page.content()
    page.locator("[data-push=remove]").click()
    until(page, "document.querySelector('.phones') === null")
    assert phones.read(FolderFiles(board.settings.data)).phones == ()
