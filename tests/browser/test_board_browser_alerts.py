"""Alerts in a real Chromium: looks, taps of a thumb, and what they do to the journal."""

from __future__ import annotations

import contextlib

import alert_fixtures
import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import opened, until
from conftest import CLOCK_STEP_MS, free_port
from conftest import until as wait_until

from monitor.core.clock import now_ms
from monitor.domain.cautions import Caution
from monitor.domain.events import About
from monitor.store import Reader, journal

pytestmark = browser.pytestmark

MINUTE = 60_000


class Troubled:
    """A running board of a shop in trouble, its command link open."""

    def __init__(self, folder):
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.settings, self.writer, self.commands = alert_fixtures.dry_shop(folder, port=self.port)

    @property
    def alerts(self):
        self.commands.journal.refresh()
        return self.commands.journal.alerts


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A shop in trouble with a full bench, served."""
    folder = tmp_path_factory.mktemp("alerts")
    board = Troubled(folder)
    shop_air.full_bench(board.commands, now_ms())
    shop_air.beat(board.settings, beat_ms=now_ms() + 3_600_000)  # it need not beat again
    try:
        with (
            shop_air.command_link(board.settings, board.commands),
            browser.served(folder, board.port),
        ):
            yield board
    finally:
        board.writer.close()


CUT = """() => {
const root = document.documentElement, out = [];
if (root.scrollHeight > innerHeight || root.scrollWidth > innerWidth) out.push('page');
const strip = document.querySelector('.clamps').getBoundingClientRect();
if (strip.bottom > innerHeight + 1) out.push('clamps');
const calling = document.querySelector('.calling').getBoundingClientRect();
for (const row of document.querySelectorAll('.place')) {
  const box = row.getBoundingClientRect();
  if (box.bottom > strip.top + 1) out.push('row under clamps');
  if (box.top < calling.bottom - 1) out.push('row under alerts');
  for (const part of row.querySelectorAll('.who, .rh, .temp, .derived, .level, .age')) {
    const own = part.getBoundingClientRect();
    if (own.width && (own.top < box.top - 1 || own.bottom > box.bottom + 1 ||
        own.right > box.right + 1)) out.push(part.className + ' ' + row.innerText.slice(0, 30));
  }
}
return out; }"""


TICK = """at => { document.querySelector(at).click();
  return JSON.parse(localStorage.getItem('benchweather.draft.rule-very-dry')).only; }"""


def test_what_is_unfolded_survives_the_pages_own_refreshing(shop, visit):
    seen = visit("phone")
    page = opened(seen, shop, "/alerts")
    dry = page.locator(".alert", has_text="Very dry")
    dry.locator("summary").click()
    dry.locator("details[open]").wait_for()
    for _ in range(2):
        page.evaluate("dash_clientside.set_props('bench-changed', {data: String(Math.random())})")
        seen.settled()
    assert dry.get_by_text("spruce that was fixed").is_visible()


def test_a_note_is_written_and_stands_in_the_journal_of_the_alert(shop, visit):
    seen = visit("phone", has_touch=True, is_mobile=True)
    page = opened(seen, shop, "/alerts")
    page.locator(".alert", has_text="Very dry").get_by_role("link", name="Note").tap()
    page.wait_for_selector("#alert-note")
    page.locator("#alert-note").fill("window was open all night")
    seen.rest()
    page.get_by_role("button", name="Add this note").tap()
    page.wait_for_selector("#alert-history >> text=Note: window was open all night")
    assert shop.alerts["2"].notes[0][2] == "window was open all night"
    until(page, "document.getElementById('alert-note').value === ''")
    seen.rest()
    page.get_by_role("button", name="Add this note").tap()
    page.wait_for_selector(".fault:not(:empty)")
    assert page.locator(".fault:visible").inner_text() == "is empty"


def test_a_tank_is_filled_at_a_tap(shop, visit):
    page = opened(visit("phone", has_touch=True, is_mobile=True), shop, "/alerts")
    tank = page.locator(".tanks li", has_text="Room humidifier")
    assert "due since" in tank.inner_text()
    before = now_ms()
    tank.get_by_role("button", name="Filled").tap()
    until(page, "!document.querySelector('.tanks li').innerText.includes('due since')")
    shop.commands.journal.refresh()
    filled_ms = shop.commands.journal.filled_ms["room-humidifier"]
    assert before - CLOCK_STEP_MS <= filled_ms <= now_ms() + CLOCK_STEP_MS


def test_a_rule_is_changed_refused_at_its_field_and_given_up_another_is_off_and_one_added(
    shop, visit
):
    seen = visit("desk")
    page = opened(seen, shop, "/alerts/rule/very-dry")
    page.get_by_text("Change it").click()
    page.locator("#rule-low").fill("130")
    seen.rest()
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector(".fault:not(:empty)")
    assert page.locator(".fault:visible").inner_text() == "130: must be 0 to 100 %"
    assert page.locator("#rule-low").get_attribute("aria-invalid") == "true"
    page.locator("#rule-low").fill("28")
    page.locator("#rule-urgency").select_option("2")
    kept = page.evaluate(TICK, "#rule-only input[value=front-bench]")
    assert "front-bench" in kept  # by the tap itself, so that the page may be left at once
    page.reload()
    until(page, "document.querySelector('#rule-only input[value=front-bench]')?.checked")
    page.locator("#rule-only").get_by_text("All benches", exact=True).click()
    seen.rest()
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector("text=relative humidity below 28 %, for 30 min.")
    shop.commands.journal.refresh()
    kept = shop.commands.journal.rules["very-dry"]
    assert (kept["low"], kept["urgency"], kept["only"]) == (28.0, 2, ["front-bench"])
    seen.rest()
    page.get_by_role("button", name="Undo my changes").click()
    seen.let_pass()
    page.get_by_role("button", name="Tap again").click()
    page.wait_for_selector("text=relative humidity below 30 %, for 30 min.")
    shop.commands.journal.refresh()
    assert shop.commands.journal.rules == {}
    assert [text for text in seen.logged if "409" not in text] == []
    switched_off_and_added(shop, visit("phone", has_touch=True, is_mobile=True))


def switched_off_and_added(shop, seen) -> None:
    page = opened(seen, shop, "/alerts/rules")
    assert page.evaluate("document.querySelector('main').scrollHeight") < 2 * 844  # short: folded
    air = page.locator("summary", has_text="Air")
    assert "17 rules" in air.inner_text()
    air.tap()
    page.get_by_role("button", name="Switch off Damp", exact=True).tap()
    damp = page.locator("li[data-on=no] h3").get_by_text("Damp", exact=True)
    damp.wait_for()
    assert damp.is_visible()  # its group is still open
    assert "1 off" in page.locator("summary", has_text="Air").inner_text()
    page.locator("#rules-add summary").tap()
    page.locator("#add-name").fill("Loft too hot")
    page.locator("#add-like").select_option("heat")
    seen.rest()
    page.get_by_role("button", name="Add it").tap()
    page.wait_for_selector("text=Loft too hot")
    shop.commands.journal.refresh()
    assert set(shop.commands.journal.rules) == {"damp", "loft-too-hot"}


def test_a_caution_put_away_at_the_bench_is_in_the_journal(shop, visit):
    seen = visit("phone", has_touch=True, is_mobile=True)
    page = opened(seen, shop, "/bench")
    page.locator("#bench-more-kinds summary").tap()
    page.locator("[data-choose=oil-coat]").tap()
    seen.rest()
    page.locator(".cautions li", has_text="Oily rags").get_by_text("Hide").tap()

    def put_away():
        with contextlib.closing(Reader(shop.settings.store_path)) as reader:
            return [e for e in journal.events(reader)[0] if e.about is About.CAUTION]

    wait_until(put_away)
    (event,) = put_away()
    assert (event.subject, event.body) == (str(Caution.OILY_RAGS), {"where": "/bench"})


def test_alerts_call_from_the_wall_until_they_are_acknowledged_or_put_off(shop, visit):
    seen = visit("wall")
    page = opened(seen, shop, "/")
    until(page, "document.getElementById('alerts-open').innerText === '3'")
    for size in ("desk", "wall"):  # with clamps and five places nothing scrolls or is cut
        seen.resize(size)
        assert page.locator(".calling li").first.is_visible()
        assert "3 alerts" in page.locator(".calling").inner_text()
        assert page.evaluate(CUT) == [], size
    assert page.locator(".calling li").count() == 3
    font = page.evaluate(
        "parseFloat(getComputedStyle(document.querySelector('.what-is')).fontSize)"
    )
    assert font >= 27  # to be read at three metres
    opened(seen, shop, "/alerts")
    urgency_is_told_without_colour(page)
    acknowledged_and_put_off(shop, visit("phone", has_touch=True, is_mobile=True))
    opened(seen, shop, "/")
    page.wait_for_selector(".place")
    assert page.locator(".calling").count() == 0
    assert seen.logged == []


def urgency_is_told_without_colour(page) -> None:
    """By word, weight and size."""
    told = page.locator(".alert .urgency").all_inner_texts()
    assert [text.replace("\n", "") for text in told] == ["Act now", "Act", "Take note"]
    weights, sizes = (
        page.evaluate(
            f"[...document.querySelectorAll('.alert .urgency')].map(e => +parseFloat("
            f"getComputedStyle(e).{what}))"
        )
        for what in ("fontWeight", "fontSize")
    )
    assert weights == [700, 700, 400]
    assert sizes[0] > sizes[1]


def acknowledged_and_put_off(shop, seen) -> None:
    page = opened(seen, shop, "/alerts")
    assert seen.faults(shop, "main select, main input:not([type=checkbox])") == []
    page.evaluate(
        "for (const fold of document.querySelectorAll('main details')) fold.open = false;"
        "localStorage.setItem('benchweather.by', JSON.stringify('Ina'))"
    )
    seen.let_pass()
    dry = page.locator(".alert", has_text="Very dry")
    dry.get_by_role("button", name="Acknowledge").tap()
    page.wait_for_selector("text=Acknowledged by Ina")
    page.locator("#bench-said", has_text="Acknowledged: Front bench: Very dry.").wait_for()
    assert shop.alerts["2"].acknowledged[1] == "Ina"
    assert dry.get_by_role("button").count() == 0
    seen.rest()
    silent = page.locator(".alert", has_text="Silent")
    silent.get_by_role("button", name="Snooze 3 h").tap()
    silent.get_by_text("Snoozed until").wait_for()
    found = shop.alerts["3"]
    assert found.snoozed_until_ms - found.events[-1].recorded_ms == 180 * MINUTE
    seen.rest()
    tank = page.locator(".alert", has_text="Tank needs filling")
    tank.get_by_role("button", name="Snooze until").tap()
    tank.get_by_text("Snoozed until").wait_for()
    page.wait_for_selector("text=3 alerts are open, all acknowledged or snoozed.")
    assert seen.logged == []
