"""Settings on the board: a logger's file, a record, and the help of fields."""

from __future__ import annotations

import contextlib
import json
from urllib.parse import urlencode

import dash
import dashboard_fixtures as shop_air
import flask
import pytest
from board_requests import HERE, said

from dashboard.access import permissions
from dashboard.access.visitor import Visitor
from dashboard.app import create_app
from dashboard.data.journal import CachedJournal
from dashboard.data.settings import SettingsQueries
from dashboard.data.shop import ShopData
from dashboard.settings import forms as settings_forms
from dashboard.settings import page as settings_page
from dashboard.settings import sections
from dashboard.ui.form_input import Form
from monitor.commands.ipc import CommandLink
from monitor.core.clock import now_ms
from monitor.core.errors import ImportFault
from monitor.domain.settings_change import SettingValue, differences_words
from monitor.people.access_store import store_of
from monitor.people.entries import EntryKind
from monitor.people.roles import Role
from monitor.readings import file_import
from monitor.settings.change import SettingsFile
from monitor.store import Reader, Writer

FILE = b"""when;T;RH
2026-01-03 10:00;20,5;45
2026-01-03 10:10;20,6;46
2026-01-03 10:20;warm;47
"""
FORM = {
    "place": "attic",
    "sensor": "logger-1",
    "time": "when",
    "format": "%Y-%m-%d %H:%M",
    "temperature": "T",
    "humidity": "RH",
    "unit": "Cel",
    "delimiter": ";",
    "decimal": ",",
}


class Shop:
    def __init__(self, folder):
        self.settings = shop_air.settings_in(folder)
        self.app = create_app(self.settings)
        self.store = store_of(self.settings)

    def browser(self, role):
        client = self.app.server.test_client()
        secret, _ = self.store.issue(EntryKind.PASSWORD, role, now_ms(), 86_400_000)
        client.set_cookie("benchweather-8050", secret)
        return client

    def send(self, content, what="import", role=Role.OWNER, **fields):
        path = f"/settings/file/{what}?{urlencode({**FORM, **fields})}"
        answer = self.browser(role).post(path, data=content, headers=HERE)
        return answer.status_code, json.loads(answer.data)


@pytest.fixture
def shop(tmp_path):
    made = Shop(tmp_path)
    with contextlib.closing(Writer(made.settings.store_path)) as writer:

        def handle(command):
            assert command["about"] == file_import.ABOUT
            data, zone = made.settings.data, made.settings.zone
            return file_import.carry_out(writer, data, zone, command, now_ms())

        link = CommandLink(made.settings.command_link_path, handle)
        link.start()
        yield made
        link.stop()


def stored(shop):
    with contextlib.closing(Reader(shop.settings.store_path)) as reader:
        return {
            (one.place, one.sensor, str(one.quantity)): reader.count(number, 0, now_ms())
            for one, number in reader.series().items()
        }


def test_a_file_is_shown_first_and_stored_by_a_second_tap(shop):
    status, answer = shop.send(FILE)
    assert (status, answer["storable"]) == (200, True)
    assert "3 lines, 5 readings" in answer["said"]
    assert "line 4" in answer["said"]
    assert stored(shop) == {}
    status, answer = shop.send(FILE, store="yes")
    assert (status, answer["said"]) == (200, "5 readings are stored. Not readable: 1 line.")
    assert stored(shop) == {
        ("attic", "logger-1", "temperature"): 2,
        ("attic", "logger-1", "humidity"): 3,
    }
    _, again = shop.send(FILE, store="yes")
    assert again["said"].startswith("0 readings are stored. Stored already: 5.")
    assert list((shop.settings.data / "uploads").iterdir()) == []


def test_a_file_that_does_not_fit_is_refused_with_the_reason(shop):
    for fields, content, why in (
        ({"temperature": "Warmth"}, FILE, "Warmth"),
        ({"place": "../etc"}, FILE, "special meaning"),
        ({"sensor": "by-hand"}, FILE, "that a person types"),
        ({"temperature": "", "humidity": ""}, FILE, "no column"),
        ({"delimiter": '"'}, FILE, "delimiter"),
        ({"decimal": "1"}, FILE, "decimal sign"),
        ({"format": "%Y-%Y"}, FILE, "time format"),
        ({}, b"\xff\xfe\x00", "not utf-8"),
        ({}, b"", "header"),
        ({}, b"when;T;RH\n", "no reading was found"),
    ):
        for store in ("", "yes") if content.count(b"\n") != 1 else ("",):
            status, answer = shop.send(content, store=store, **fields)
            assert status == 422, answer
            assert why in answer["fault"]
        assert stored(shop) == {}, fields


def test_only_the_owner_hands_a_file_over(shop):
    for role in (Role.VIEWER, Role.BENCH):
        assert shop.send(FILE, role=role)[0] == 403
    headers = {"COOKIE": ""}
    server = shop.app.server
    assert not permissions.may_upload(server, "POST", "/settings/file/import", headers)


@pytest.mark.parametrize("name", ["../benchweather", "a" * 31, "a" * 32 + "/", "", "é" * 32])
def test_the_service_reads_no_other_file(shop, name):
    with pytest.raises(ImportFault, match="no such file"):
        file_import.upload_path(shop.settings.data, name)


def test_a_file_that_is_no_record_is_said_to_be_none(shop):
    status, answer = shop.send(b"%PDF-1.7 something else", "record")
    assert (status, answer["said"]) == (
        200,
        "Changed since it was made, or not a record of Benchweather.",
    )


TOPIC = """
[[topics]]
filter = "loft/t"
place = "loft"
sensor = "s1"
format = "number"
quantity = "temperature"
unit = "Cel"
"""


def test_a_rule_for_a_topic_is_edited_and_the_history_says_it_in_words(tmp_path):
    settings = shop_air.settings_in(tmp_path, config=shop_air.CONFIG + TOPIC)
    data = ShopData(settings)
    book = SettingsQueries(data, CachedJournal(data))
    page = said(settings_page.one(data, book, "sensors"))
    assert "Save" in page.split("loft/t", 1)[1].split("Remove this")[0]
    shown = {"format": "number", "place": "loft", "sensor": "s1", "quantity": "temperature"}
    typed = {"filter": "attic/rh", "unit": "%RH", **shown, "quantity": "humidity"}
    form = Form({f"topics/0/{name}": text for name, text in typed.items()}, settings)
    fields = settings_forms.values_of({"do": "change", "version": settings.version}, form, book)
    file = SettingsFile(settings)
    plan = file.changed(
        [SettingValue(tuple(one["path"]), one["value"]) for one in fields["set"]],
        fields["remove"],
        settings.version,
    )
    file.write(plan)
    (rule,) = file.present().topics
    assert (rule.filter, rule.quantity, rule.unit, rule.place) == (
        "attic/rh",
        "humidity",
        "%RH",
        "loft",
    )
    words = differences_words(
        [one.as_body() for one in plan.differences], sections.name_of, sections.value_of
    )
    assert words[0] == "Topic rule 1, topic: loft/t → attic/rh"


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("shop name", "Name of the shop"),
        ("places bench rh_low_pct", "Place bench, lowest RH of its band"),
        ("reservoirs jug", "Tank jug"),
        ("reservoirs jug lasts_h", "Tank jug, a full tank lasts"),
        ("keep refused_max", "keep.refused_max"),
        ("channels", "channels"),
    ],
)
def test_a_setting_is_called_by_its_label(path, words):
    assert sections.name_of(path.split()) == words
    assert sections.value_of(("places", "x", "kind"), "varnish") == "Varnishing"


@pytest.mark.parametrize(("section", "empty"), [("limits", False), ("places", True)])
def test_only_the_band_of_a_place_may_be_left_empty(shop, section, empty):
    with shop.app.server.test_request_context():
        flask.g.visitor = Visitor(Role.OWNER)
        page = dash.page_registry["settings_section"]["layout"](section=section)
    assert ("Empty: the shop's limit" in said(page)) is empty
