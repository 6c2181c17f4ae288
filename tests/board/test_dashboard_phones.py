"""Notices on this phone: the page, its requests, the manifest and the service worker."""

from __future__ import annotations

import contextlib
import json
from functools import partial

import dashboard_fixtures as shop_air
import pytest
from board_requests import HERE, said
from generated_icons import ASSETS, SIZES, icon
from push_service import Device

from dashboard.alerts import page as alerts_page
from dashboard.alerts import phones_page
from dashboard.app import create_app
from dashboard.data.shop import ShopData
from monitor.alerting.notifications import phones, web_push
from monitor.alerting.notifications.phones import Phones
from monitor.commands.ipc import CommandLink
from monitor.core.clock import now_ms
from monitor.store import Writer
from monitor.store.secret_files import PUSH_KEY, FolderFiles


@pytest.fixture
def settings(tmp_path):
    return shop_air.settings_in(tmp_path)


@pytest.fixture
def book(settings):
    """The service's phones behind its command link."""
    with contextlib.closing(Writer(settings.store_path)) as writer:
        made = Phones(FolderFiles(settings.data), writer)
        link = CommandLink(settings.command_link_path, lambda one: made.carry_out(one, now_ms()))
        link.start()
        yield made
        link.stop()


@pytest.fixture
def client(settings):
    return shop_air.board_client(settings)


def post(client, body):
    reply = client.post("/phone/do", json=body, headers=HERE)
    return reply.status_code, json.loads(reply.data)


def added(name="Ina's phone", url="https://push.example/x"):
    one = Device(url).browser
    fields = {"endpoint": one.endpoint, "key": one.key, "secret": one.secret}
    return {"do": "add", "name": name, **fields}


def test_a_phone_is_added_tested_and_removed_at_the_board(book, client, settings):
    status, done = post(client, added())
    assert status == 200
    (phone,) = phones.read(FolderFiles(settings.data)).phones
    assert phone.id == done["done"]["phone"]
    assert post(client, {"do": "test", "phone": phone.endpoint})[0] == 200
    assert post(client, {"do": "remove", "phone": phone.id})[0] == 200
    assert phones.read(FolderFiles(settings.data)).phones == ()
    assert post(client, {"do": "remove", "phone": phone.id}) == (
        409,
        {"refused": "There is no such phone: it may have been removed."},
    )


def test_an_address_of_the_own_network_and_nonsense_are_rejected_in_words(book, client):
    status, reply = post(client, added(url="http://192.168.1.1/admin"))
    assert (status, reply["refused"]) == (
        409,
        "The push service's address must begin with https://.",
    )
    for body in ([], 7, {"do": "add"}, {"do": "add", "name": None}, {"do": {}}, {}):
        assert post(client, body)[0] in (400, 409), body
    assert book.book.phones == ()


def test_a_stranger_and_another_site_can_add_no_phone(book, settings):
    app = create_app(settings)
    assert (
        app.server.test_client().post("/phone/do", json=added(), headers=HERE).status_code == 403
    )
    client = shop_air.board_client(settings)
    headers = {"Origin": "https://elsewhere.example", "Sec-Fetch-Site": "cross-site"}
    assert client.post("/phone/do", json=added(), headers=headers).status_code == 403
    assert book.book.phones == ()


def test_a_service_that_is_away_is_said(client):
    status, reply = post(client, added())
    assert status == 503
    assert reply["later"].startswith("The service does not answer")


def page_at(settings, client, base_url):
    """The page as a browser that has signed in gets it at this address."""
    client.get("/", headers=HERE)
    with client.application.test_request_context("/alerts/phones", base_url=base_url):
        return str(
            phones_page.this_phone(ShopData(settings), phones.read(FolderFiles(settings.data)))
        )


def test_without_tls_the_page_says_what_is_needed(book, settings, client):
    far = page_at(settings, client, "http://192.168.1.5:8050")
    assert phones_page.NEEDS_TLS in far
    assert "data-push" not in far
    for base in ("https://192.168.1.5:8050", "http://localhost:8050", "http://127.0.0.1:8050"):
        near = page_at(settings, client, base)
        assert phones_page.NEEDS_TLS not in near
        assert "data-push" in near
        assert web_push.public_key((settings.data / PUSH_KEY).read_text()) in near


def test_the_manifest_names_the_shop_and_icons_that_are_there(settings, client):
    reply = client.get("/manifest.webmanifest", headers=HERE)
    assert reply.mimetype == "application/manifest+json"
    fields = json.loads(reply.data)
    assert fields["name"] == settings.shop.name
    assert fields["display"] == "standalone"
    assert {one["purpose"] for one in fields["icons"]} == {"any", "maskable"}
    for one in fields["icons"]:
        with client.get(one["src"], headers=HERE) as found:
            assert (found.status_code, found.mimetype) == (200, "image/png")
            width = int.from_bytes(found.data[16:20], "big")  # PNG, section 11.2.2 IHDR
        assert one["sizes"] == f"{width}x{width}"
    page = client.get("/", headers=HERE).text
    assert '<link rel="manifest" href="/manifest.webmanifest">' in page


def test_the_icons_are_those_of_the_mark():
    for name in SIZES:
        assert (ASSETS / "icons" / f"{name}.png").read_bytes() == icon(name), name


def test_the_service_worker_keeps_no_page_and_asks_for_none(client):
    reply = client.get("/push-worker.js", headers=HERE)
    assert reply.mimetype == "text/javascript"
    assert reply.headers["Content-Security-Policy"] == "default-src 'none'; img-src 'self'"
    for word in ("fetch", "caches", "importScripts"):
        assert word not in reply.text


def test_alerts_names_the_phones_that_notices_wait_for(book, client, settings):
    notices = partial(ShopData(settings).notices, 50)

    def shown():
        return said(alerts_page.undelivered_notices(notices(), settings, now_ms()))

    assert "No channel is set" in shown()
    post(client, added("Ina's phone"))
    assert "No channel is set" not in shown()
    (phone,) = book.book.phones
    post(client, {"do": "test", "phone": phone.id})
    assert "Ina's phone: 1 notice is waiting" in shown()
    assert phone.id not in shown()
    post(client, {"do": "remove", "phone": phone.id})
    assert "notice is waiting" not in shown()
