"""Own proof on the board: steps, forms, results and plots of the experiments."""

from __future__ import annotations

import json
from contextlib import closing

import dashboard_fixtures as shop_air
import pytest
from board_requests import HERE, ask_dash, do, said

from dashboard.bench import proof_figure, proof_page
from dashboard.data.journal import CachedJournal
from dashboard.data.own_proof import ProofQueries
from dashboard.data.shop import ShopData
from dashboard.ui.themes import theme
from monitor.core.clock import now_ms
from monitor.domain.cautions import DEFERS, WORDS
from monitor.domain.own_proof_kinds import METHODS, ProofKind
from monitor.store import Writer

HOUR, DAY = 3_600_000, 86_400_000


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A shop with six days of good air, whose commands are carried out in this process."""
    settings = shop_air.settings_in(tmp_path_factory.mktemp("proof"))
    now = now_ms()
    with closing(Writer(settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now - 6 * DAY, now, 120_000, steady_pct=50.0)
        with shop_air.command_link(settings, shop_air.commanded(writer, settings)):
            yield settings


@pytest.fixture
def client(shop):
    return shop_air.board_client(shop)


@pytest.fixture
def book(shop):
    data = ShopData(shop)
    return ProofQueries(data, CachedJournal(data))


def tap(client, action, **more):
    return do(client, about="proof", do=action, at_ms=now_ms(), **more)


def started(client, kind, **form):
    status, answer = tap(client, "start", kind=kind, form={"place": "front-bench", **form})
    assert status == 200, answer
    return answer["done"]["proof"]


def page_of(client, path, **headers):
    output = ".._pages_content.children..._pages_store.data.."
    inputs = [("_pages_location", "pathname", path), ("_pages_location", "search", "")]
    answer = ask_dash(client, output, inputs, trigger="_pages_location.pathname", **HERE | headers)
    return json.dumps(json.loads(answer.data), ensure_ascii=False)


def shown(book, shop, number):
    proof = book.proof(number)
    return said(proof_page.result_parts(proof, *book.result(proof)))


def test_the_page_has_the_steps_and_cautions_of_every_experiment(client):
    page = page_of(client, "/bench/proof")
    for kind in ProofKind:
        for text in (METHODS[kind].aim, *METHODS[kind].steps):
            assert text in page
        for caution in METHODS[kind].cautions:
            assert WORDS[caution] in page
    assert page.count(DEFERS) == 1


def test_the_steps_and_fields_are_in_the_unit_of_the_reader(client):
    page = page_of(client, "/bench/proof", **{"Accept-Language": "en-US"})
    assert "°C" not in page
    assert "dried at 217 °F by a laboratory" in page
    softening = f"/bench/proof/{started(client, 'softening', wait_kind='cleat')}"
    asked = page_of(client, softening, **{"Accept-Language": "en-US"})
    assert "Temperature of the box, °F" in asked  # a number in it is read as one in °F
    assert "°C" not in asked
    assert "Temperature of the box, °C" in page_of(client, softening)


def test_a_coupon_is_weighed_on_the_board_until_it_tells(client, book, shop):
    number = started(client, "coupon", dry_g="20,00", balance_g="0.01")
    for i, hours in enumerate((100, 90, 80, 60, 40, 20, 2)):
        moisture = 9.3 + 2.5 * 2.718281828 ** (-(100 - hours) / 20)
        at = now_ms() - hours * HOUR
        mass = f"{20 * (1 + moisture / 100):.3f}"
        if i < 5:
            assert "Nothing is concluded yet" in shown(book, shop, number) or i == 0
        form = {"mass_g": mass, "at": shop_air_input(at, shop)}
        status, answer = tap(client, "add", proof=number, form=form)
        assert status == 200, answer
    assert "points of moisture" in shown(book, shop, number)
    proof = book.proof(number)
    known, why = book.result(proof)
    assert why == ""
    plot = proof_figure.proof_plot(proof, known, shop.zone, theme("light"))
    assert len(plot.data[1].x) == 7
    assert len(plot.data[0].x) > 100
    assert tap(client, "finish", proof=number)[0] == 200
    assert "The moisture on Wood does not use it" in shown(book, shop, number)
    assert "points of moisture" in page_of(client, f"/bench/proof/{number}")


def shop_air_input(at_ms, shop):
    from dashboard.ui import formats

    return formats.to_input(at_ms, shop.zone)


def test_laps_are_used_only_by_the_tap_that_says_so(client, book, shop):
    number = started(client, "laps", wait_kind="cleat")
    for hours, judgement in [
        (1, "soft"),
        (2, "soft"),
        (3, "soft"),
        *[(h, "held") for h in (9, 10, 11)],
    ]:
        glued = now_ms() - DAY
        form = {
            "glued": shop_air_input(glued, shop),
            "at": shop_air_input(glued + hours * HOUR, shop),
            "judgement": judgement,
        }
        status, answer = tap(client, "add", proof=number, form=form)
        assert status == 200, answer
    page = page_of(client, f"/bench/proof/{number}")
    assert "If you glue now, release three at" in page
    assert "Joints are hard at" in page
    assert "Finish and use the result" in page
    assert "Strike out" in page
    proof = book.proof(number)
    plot = proof_figure.proof_plot(proof, book.result(proof)[0], shop.zone, theme("light"))
    assert list(plot.data[1].text) == ["soft"] * 3 + ["held"] * 3
    assert len(plot.layout.shapes) == 1
    assert tap(client, "correct", proof=number, number="1")[0] == 200  # struck out
    assert len(book.proof(number).counted) == 5
    status, answer = tap(client, "finish", proof=number, on="yes")
    assert "1 more measurement needed" in answer["refused"]
    fix = {"number": "2", "judgement": "held"}
    assert tap(client, "correct", proof=number, form=fix)[0] == 200
    assert not book.proof(number).counted[0].soft
    assert tap(client, "withdraw", proof=number)[0] == 200
    assert "Withdrawn" in page_of(client, f"/bench/proof/{number}")


@pytest.mark.parametrize(
    ("kind", "form", "field", "text"),
    [
        ("coupon", {"balance_g": "much", "dry_g": "20"}, "balance_g", "is not a number"),
        ("coupon", {"balance_g": "0.01"}, "dry_g", "one of the two"),
        ("coupon", {"balance_g": "0.01", "dry_g": "1e9"}, "dry_g", "0.5 to 5000"),
        ("case-leak", {"room": "front-bench", "case": "sack", "balance_g": "1"}, "case", "one of"),
    ],
)
def test_a_wrong_field_is_refused_beside_it_with_what_is_allowed(client, kind, form, field, text):
    form = {"place": "front-bench", "dry_g": "", **form}
    status, answer = tap(client, "start", kind=kind, form=form)
    assert status == 400 or status == 409
    assert text in answer["fields"][field]


def test_an_experiment_that_is_not_there_says_so(client):
    assert "No such experiment" in page_of(client, "/bench/proof/99")
