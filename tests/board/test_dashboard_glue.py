"""Glue on the board: batches, taps, the answer on a joint, and the wait that names its glue."""

from __future__ import annotations

from contextlib import closing

import dashboard_fixtures as shop_air
import pytest
from board_requests import ask_dash, ask_page, do, said

from dashboard.bench import glue_now_page, glue_page, opening
from dashboard.data.glue import GlueQueries
from dashboard.data.journal import CachedJournal
from dashboard.data.shop import ShopData
from monitor.commands import Commands
from monitor.core.clock import now_ms
from monitor.domain.cautions import WORDS, Caution
from monitor.store import Writer
from monitor.waits import glue_text

HOUR, DAY = 3_600_000, 86_400_000


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A shop with six days of good air, whose commands are carried out in this process."""
    settings = shop_air.settings_in(tmp_path_factory.mktemp("glue"))
    now = now_ms()
    with closing(Writer(settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now - 6 * DAY, now, 120_000, steady_pct=50.0)
        commands = Commands(writer)
        with shop_air.command_link(settings, commands):
            yield settings, commands


@pytest.fixture
def client(shop):
    return shop_air.board_client(shop[0])


@pytest.fixture
def book(shop):
    data = ShopData(shop[0])
    return data, GlueQueries(data, CachedJournal(data))


def mixed(client, **form):
    status, answer = do(client, about="glue", do="mix", form={"kind": "hide", **form})
    assert status == 200, answer
    return answer["done"]["glue"]


def test_taps_count_the_hours_in_the_pot(client, book):
    number = mixed(client, name="jar A", strength="192 g")
    assert do(client, about="glue", do="pot on", glue=number, at_ms=now_ms())[0] == 200
    data, queries = book
    shown = said(glue_page.batches(data, queries, writer=True))
    assert "Hide glue, jar A, 192 g" in shown
    assert "Pot on since" in shown
    assert "Pot off" in shown
    status, answer = do(client, about="glue", do="pot on", glue=number, at_ms=now_ms())
    assert (status, "already on" in answer["refused"]) == (409, True)
    status, answer = do(client, about="glue", do="discard", glue=number, at_ms=now_ms())
    assert "unplug it" in answer["refused"]
    assert do(client, about="glue", do="pot off", glue=number, at_ms=now_ms())[0] == 200
    assert do(client, about="glue", do="discard", glue=number, at_ms=now_ms())[0] == 200
    assert number not in [one.id for one in queries.here()]


def test_a_fault_is_shown_at_its_field(client):
    for form, field, text in (
        ({"hot_h": "1e9"}, "hot_h", "0 to 1000"),
        ({"hot_h": "many"}, "hot_h", "is not a number"),
        ({"at": "2031-01-01T10:00"}, "at", "in the future"),
        ({"kind": "jam"}, "kind", "one of hide"),
        ({"clamp_h": "0"}, "clamp_h", "9600"),
    ):
        status, answer = do(
            client, about="glue", do="mix", form={"kind": "hide", "hot_h": ""} | form
        )
        assert status == 409, form
        assert text in answer["fields"][field]


def test_a_batch_is_corrected_by_what_was_changed(client, book):
    number = mixed(client, name="jar C", keeps_h="100")
    form = {"name": "jar D", "strength": "", "kept": "", "keeps_h": "", "note": ""}
    assert do(client, about="glue", do="correct", glue=number, form=form)[0] == 200
    found = book[1].glue(number)
    assert (found.name, found.keeps_h) == ("jar D", None)
    again = {"name": "jar D", "strength": "", "kept": "", "keeps_h": "", "note": ""}
    status, answer = do(client, about="glue", do="correct", glue=number, form=again)
    assert (status, answer["refused"]) == (409, "Nothing was changed.")
    assert "name jar D, keeps for not on the sheet" in said(
        glue_page.state_of(found, book[0], writer=False)
    )


def test_old_glue_is_shown_over_the_opening_of_a_wait_and_in_its_choice(book, shop):
    _, commands = shop
    done = commands.carry_out(
        {
            "about": "glue",
            "do": "mix",
            "kind": "hide",
            "name": "old",
            "mixed_ms": now_ms() - 9 * DAY,
        },
        now_ms(),
    )
    shown = said(glue_now_page.short(*book))
    assert "Front bench: Yes" in shown
    assert "Hide glue, old" in shown
    assert "Past its discard time" in shown
    choice = said(opening.glue_choice(book[1].here()))
    assert "Hide glue, old (past its discard time)" in choice
    commands.carry_out({"about": "glue", "do": "discard", "glue": done["glue"]}, now_ms())


def test_benches_beyond_the_first_are_offered_by_a_link(book, monkeypatch):
    assert "more place" not in said(glue_now_page.short(*book))
    monkeypatch.setattr(glue_now_page, "SHORT_MOST", 0)
    assert "Ask for 1 more place" in said(glue_now_page.short(*book))


def test_a_wait_names_its_glue(client):
    number = mixed(client, name="jar E")
    form = {"glue": number, "instrument": "VN-3"}
    status, answer = do(client, do="open", kind="cleat", place="front-bench", form=form)
    assert status == 200
    assert "Hide glue, jar E" in ask_page(client, "/bench").get_data(as_text=True)
    page = ask_page(client, f"/bench/wait/{answer['done']['waits'][0]}").get_data(as_text=True)
    assert "Hide glue, jar E" in page
    status, answer = do(
        client, do="open", kind="spirit-coat", place="front-bench", form={"glue": number}
    )
    assert status == 409
    assert "takes no glue" in answer["refused"]


def asked(book, **given):
    names = dict.fromkeys(("place", "kind", "glue", "instrument", "parts", "need"), "")
    return said(glue_now_page.answer_to(names | {"place": "front-bench"} | given, *book))


def test_the_answer_is_large_with_its_facts_and_cautions(book):
    shown = asked(book, need="15")
    assert shown.startswith(" Yes") or " Yes " in f" {shown} "
    assert "practice tables at 20 °C" in shown
    assert WORDS[Caution.HOT_GLUE_POT] in shown
    assert "Too cold to glue" in asked(book, parts="9")


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"parts": "warm"}, "is not a number"),
        ({"parts": "900"}, "Temperature of the parts: 900: must be −30 °C to 60 °C."),
        ({"need": "1e9"}, "Seconds: 1e9: must be 1 to 3600 s."),
        ({"place": "cellar"}, "one of front-bench"),
        ({"kind": "jam"}, "one of plate-crack"),
        ({"glue": "99"}, "Glue: 99: must be"),
    ],
)
def test_a_question_that_cannot_be_is_answered_with_what_is_wrong(book, given, text):
    assert text in asked(book, **given)


def test_the_pages_are_there_and_answer_through_the_server(client):
    for path in ("/bench/glue", "/bench/glue-now"):
        assert ask_page(client, path).status_code == 200
    assert "No such glue" in ask_page(client, "/bench/glue/999").get_data(as_text=True)
    inputs = [("token", "data", "1"), ("bench-changed", "data", "")]
    answer = ask_dash(client, "bench-glue.children", inputs, trigger="token.data")
    assert answer.status_code == 200
    assert "May I glue now?" in answer.get_data(as_text=True)


def test_the_brief_of_a_good_batch_is_empty(client, book):
    number = mixed(client, name="fresh")
    found, zone = book[1].glue(number), book[0].settings.zone
    assert glue_text.brief(found, now_ms(), zone) == ""
