"""Taps and typed fields on instruments: what they become, and what is told at which field."""

from __future__ import annotations

import contextlib

import dashboard_fixtures as shop_air
import pytest
import wood_fixtures
from board_requests import do
from hypothesis import given
from hypothesis import strategies as st
from wood_fixtures import HOUR, NOON, PARIS

from dashboard.data.journal import CachedJournal
from dashboard.data.shop import ShopData
from dashboard.data.wood import WoodQueries
from dashboard.ui import formats
from dashboard.ui.form_input import Form, beside_field
from dashboard.wood import forms as wood_forms
from monitor.commands import read_request
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.domain.events import About, Event
from monitor.domain.instrument import InstrumentAction, RegisterInstrument, apply, decide
from monitor.science.plates.parts import PRESETS
from monitor.store import Writer

three_weeks, settings = wood_fixtures.three_weeks, wood_fixtures.settings
commands, guests = wood_fixtures.commands, wood_fixtures.guests
book, shop, client = wood_fixtures.book, wood_fixtures.shop, wood_fixtures.client


def request(form, shop, book, do="register", **more):
    asked = {"id": "a", "by": "Ina", "do": do, "at_ms": NOON, **more}
    typed = Form(form, shop.settings)
    values = wood_forms.values_of(asked, typed, shop, book)
    typed.check()
    return values


NEW = {"reference": "VN-9", "kind": "violin", "place": "front-bench", "opened": "no"}


def test_a_few_taps_make_a_registration(commands, shop, book):
    assert request(NEW | {"home": "damp"}, shop, book) == {
        "reference": "VN-9",
        "kind": "violin",
        "place": "front-bench",
        "open": False,
        "home_rh_pct": 60.0,
        "arrived_ms": NOON,
    }
    typed = {
        "home": "damp",
        "home_rh": "41,5",
        "due": "2026-12-04",
        "opened": "yes",
        "arrived": "2026-11-24T09:30",
        "note": "ask",
    }
    found = request(NEW | typed, shop, book)
    assert (found["home_rh_pct"], found["open"], found["note"]) == (41.5, True, "ask")
    assert formats.stamp(found["due_ms"], PARIS) == "Fri 4 Dec 2026 23:59"
    assert formats.stamp(found["arrived_ms"], PARIS) == "Tue 24 Nov 2026 09:30"
    assert request(NEW | {"home": "unknown"}, shop, book)["home_rh_pct"] is None


def test_temperatures_are_read_in_the_readers_unit(tmp_path):
    config = shop_air.CONFIG.replace("[board]", '[board]\ntemperature_unit = "F"')
    settings = shop_air.settings_in(tmp_path, config=config)
    shop = ShopData(settings)
    with contextlib.closing(Writer(settings.store_path)):
        book = WoodQueries(shop, CachedJournal(shop))
        found = request(NEW | {"home_temp": "68", "cold": "39.2"}, shop, book)
        assert (found["home_temp_c"], found["arrived_temp_c"]) == (20.0, 4.0)
        wrong = request(NEW | {"home_temp": "140"}, shop, book)
    with pytest.raises(Rejected) as caught:
        read_request({"about": "instrument", "do": "register"} | wrong, NOON)
    (fault,) = caught.value.faults
    assert wood_forms.field_of(fault.field, Form({}, settings)) == "home_temp"
    assert beside_field(fault, "140", "F") == "140: must be 23 °F to 104 °F"


UNREADABLE = [
    ({"home_rh": "dry"}, {"home_rh": "'dry' is not a number"}),
    ({"home_temp": "nan"}, {"home_temp": "'nan' is not a number"}),
    ({"due": "friday"}, {"due": "'friday' is not a date"}),
    ({"due": "2026-02-30"}, {"due": "'2026-02-30' is not a date"}),
    ({"arrived": "yesterday"}, {"arrived": "'yesterday' is not a date and time"}),
    ({"arrived": "2026-11-25T10:00Z"}, {"arrived": "'2026-11-25T10:00Z' is not a date and time"}),
    ({"kind": "", "place": ""}, {"kind": "choose one", "place": "choose one"}),
]


@pytest.mark.parametrize(("form", "fields"), UNREADABLE)
def test_what_cannot_be_read_is_told_at_its_field(commands, shop, book, form, fields):
    with pytest.raises(Rejected) as caught:
        request(NEW | form, shop, book)
    found = {fault.field: beside_field(fault, "", "C") for fault in caught.value.faults}
    assert found == fields


IMPOSSIBLE = [
    ({"reference": ""}, "reference", "is empty"),
    ({"kind": "guitar"}, "kind", "must be one of violin"),
    ({"home_rh": "150"}, "home_rh", "150: must be 5 to 95 %"),
    ({"home_temp": "60"}, "home_temp", "60: must be −5 °C to 40 °C"),
    ({"cold": "-40"}, "cold", "-40: must be −30 °C to 50 °C"),
    ({"due": "2020-01-01"}, "due", "is before the instrument came in"),
    ({"due": "2099-01-01"}, "due", "more than 5 years in the future"),
    ({"arrived": "2099-01-01T10:00"}, "arrived", "in the future"),
    ({"note": "x" * 2001}, "note", "at most 2000"),
]


def instrument(client, **command):
    return do(client, about="instrument", **command)


def test_what_cannot_be_is_refused_by_the_service_and_told_at_its_field(
    settings, commands, client
):
    for form, field, why in IMPOSSIBLE:
        with shop_air.command_link(settings, commands):
            status, answer = instrument(
                client, do="register", id="r", at_ms=now_ms(), form=NEW | form
            )
        assert status == 409, form
        assert list(answer["fields"]) == [field]
        assert why in answer["fields"][field]
        assert wood_forms.LABELS[field] in answer["refused"]
        assert commands.journal.instruments == {}


def test_a_tap_opens_closes_moves_and_hands_out_once(settings, commands, guests, client, book):
    with shop_air.command_link(settings, commands):
        tap = {"do": "open", "id": "o", "by": "Jo", "instrument": "va-2-viola", "at_ms": now_ms()}
        status, first = instrument(client, **tap)
        assert status == 200
        assert instrument(client, **tap) == (200, first)
        assert book.instrument("va-2-viola").open_now
        assert instrument(client, do="close", instrument="va-2-viola", at_ms=now_ms())[0] == 200
        assert (
            instrument(client, do="move", instrument="va-2-viola", place="cellar", at_ms=now_ms())[
                0
            ]
            == 200
        )
        assert instrument(client, do="leave", instrument="va-2-viola", at_ms=now_ms())[0] == 200
        status, answer = instrument(client, do="open", instrument="va-2-viola", at_ms=now_ms())
    assert (status, answer["refused"]) == (409, "VA-2 viola has left: register it again first.")
    assert [e.action for e in book.instrument("va-2-viola").events][1:] == [
        "open",
        "close",
        "move",
        "leave",
    ]


def test_what_was_done_earlier_is_noted_with_its_time(settings, commands, guests, client, book):
    at = formats.to_input(now_ms() - 3 * HOUR, settings.zone)
    with shop_air.command_link(settings, commands):
        assert (
            instrument(
                client, do="open", instrument="va-2-viola", at_ms=now_ms(), form={"at": at}
            )[0]
            == 200
        )
        status, answer = instrument(
            client,
            do="close",
            instrument="va-2-viola",
            at_ms=now_ms(),
            form={"at": "2026-01-01T10:00"},
        )
    assert formats.to_input(book.instrument("va-2-viola").opened[-1].from_ms, settings.zone) == at
    assert (status, list(answer["fields"])) == (409, ["at"])


def test_only_what_was_changed_is_corrected(settings, commands, guests, client, shop, book):
    one = book.instrument("va-2-viola")
    shown = wood_forms.form_of(one, shop)
    with shop_air.command_link(settings, commands):
        same = instrument(client, do="amend", instrument=one.id, form=shown)
        assert same == (409, {"refused": "Nothing was changed."})
        form = shown | {
            "home_rh": "",
            "note": "back loose",
            "parts.0.thickness_mm": "2,9",
            "parts.3.name": "",
        }
        assert instrument(client, do="amend", instrument=one.id, form=form)[0] == 200
    now = book.instrument(one.id)
    assert set(now.events[-1].body) == {"home_rh_pct", "note", "parts"}
    assert (now.home.rh_pct, now.home.temp_c) == (None, one.home.temp_c)
    assert [part.name for part in now.parts] == ["top", "back", "ribs"]
    assert now.parts[0].thickness_mm == 2.9
    assert now.parts[1:] == one.parts[1:3]


def test_a_part_can_be_added_and_the_presets_taken_again(
    settings, commands, guests, client, shop, book
):
    one = book.instrument("va-2-viola")
    shown = wood_forms.form_of(one, shop)
    bar = {
        "name": "bass bar",
        "species": "norway_spruce",
        "thickness_mm": "6",
        "width_mm": "12",
        "cut": "tangential",
        "faces": "both",
        "varnish_sd_m": "0",
        "restraint": "1",
    }
    with shop_air.command_link(settings, commands):
        form = shown | {f"parts.4.{name}": value for name, value in bar.items()}
        assert instrument(client, do="amend", instrument=one.id, form=form)[0] == 200
        assert book.instrument(one.id).parts[4].name == "bass bar"
        assert instrument(client, do="amend", instrument=one.id, like="cello")[0] == 200
    assert book.instrument(one.id).parts == PRESETS["cello"]


def test_a_part_that_cannot_be_is_told_at_its_field(
    settings, commands, guests, client, shop, book
):
    for form, fields in (
        (
            {"parts.0.thickness_mm": "30"},
            {"parts.0.thickness_mm": "30: must be at most the block's, 18 mm"},
        ),
        ({"parts.1.name": "top"}, {"parts.1.name": "top: must be a name no other part has"}),
        (
            {"parts.0.name": "", "parts.2.width_mm": "1"},
            {"parts.2.width_mm": "1: must be 2 to 1000 mm"},
        ),
        ({"parts.1.restraint": "2"}, {"parts.1.restraint": "2: must be 0 to 1"}),
        ({"parts.1.width_mm": "wide"}, {"parts.1.width_mm": "'wide' is not a number"}),
        ({"parts.1.width_mm": ""}, {"parts.1.width_mm": "give a number"}),
        ({"parts.4.width_mm": "20"}, {"parts.4.name": "give it a name"}),
        ({"arrived": ""}, {"arrived": "give one"}),
        ({"due": "2020-01-01"}, {"due": "is before the instrument came in"}),
    ):
        shown = wood_forms.form_of(book.instrument("va-2-viola"), shop)
        with shop_air.command_link(settings, commands):
            status, answer = instrument(
                client, do="amend", instrument="va-2-viola", form=shown | form
            )
        assert status == 409, form
        assert answer["fields"] == fields


@pytest.mark.slow
@given(
    st.dictionaries(
        st.from_regex(r"parts\.\w{0,4}\.\w{0,6}", fullmatch=True) | st.text(max_size=8),
        st.text(max_size=8),
        max_size=6,
    )
)
def test_whatever_is_sent_is_a_command_or_a_fault_in_words(form):
    request = RegisterInstrument(reference="VN-9", kind="violin", place="bench")
    body = decide(None, request, NOON)
    one = apply(None, Event(About.INSTRUMENT, "vn-9", NOON, "", InstrumentAction.REGISTER, body))
    typed = Form(form, _FakeShop.settings)
    tap = {"do": "amend", "instrument": "vn-31"}
    with contextlib.suppress(Rejected):
        values = wood_forms.values_of(tap, typed, _FakeShop(), _One(one))
        typed.check()
        try:
            decide(one, read_request({"about": "instrument", "do": "amend"} | values, NOON), NOON)
        except Rejected as exc:
            for fault in exc.faults:
                wood_forms.field_of(fault.field, typed)


class _One:
    def __init__(self, one):
        self.instrument = lambda _: one


class _FakeShop:
    class settings:  # noqa: N801 - stands for the attribute
        zone = PARIS

        class board:  # noqa: N801 - as above
            temperature_unit = "C"
