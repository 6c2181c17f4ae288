"""The wood pages in a real Chromium: looks, what is typed, and an instrument from its coming to its
leaving by taps."""

from __future__ import annotations

import contextlib
from zoneinfo import ZoneInfo

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import DAY, Board, Visit, opened, until

from dashboard.ui import plots, themes
from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.store import Reader

pytestmark = browser.pytestmark


@pytest.fixture(scope="module")
def wood(tmp_path_factory):
    """Five instruments: dry, damp, at rest, with a home not known, without a sensor; one gone."""
    folder = tmp_path_factory.mktemp("wood")
    with Board(folder, shop_air.BENCH) as board:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(
                board.writer,
                place,
                now - 12 * DAY,
                now,
                300_000,
                gap=(now - 4 * DAY, now - 3 * DAY),
            )
        commands = shop_air.commanded(board.writer, board.settings)

        def ask(do, **request):
            commands.carry_out({"about": "instrument", "do": do, "by": "Ina"} | request, now)

        for reference, kind, place, home in (
            ("VA-41", "viola", "front-bench", 75),
            ("VC-39", "cello", "front-bench", 25),
            ("VN-44", "violin", "varnish-room", 52),
            ("DB-7", "bass", "front-bench", None),
            ("VN-46", "violin", "loft", 50),
            ("VN-12", "violin", "front-bench", 50),
        ):
            ask(
                "register",
                reference=reference,
                kind=kind,
                place=place,
                home_rh_pct=home,
                arrived_ms=now - 10 * DAY,
                due_ms=now + 3 * DAY,
            )
        ask("open", instrument="va-41", at_ms=now - 2 * DAY)
        ask("open", instrument="vc-39", at_ms=now - 5 * DAY)
        ask("leave", instrument="vn-12")
        commands.carry_out(
            {
                "do": "open",
                "kind": "cleat",
                "place": "front-bench",
                "instrument": "VA-41",
                "start_ms": now - DAY // 2,
            },
            now,
        )
        with shop_air.command_link(board.settings, commands), browser.served(folder, board.port):
            yield board


def test_the_wall_tells_four_instruments_without_scrolling_large_enough_for_three_metres(
    wood, visit
):
    page = opened(visit("wall"), wood, "/wood")
    rows = page.evaluate(
        "[...document.querySelectorAll('.instrument')].map(e => e.getBoundingClientRect().bottom)"
    )
    assert len(rows) == 5
    assert rows[3] <= 1080
    least = {".answer": 40, ".instrument h2": 30, ".part-line .moved": 20, ".part-line .off": 20}
    for selector, size in least.items():
        found = page.evaluate(
            "s => parseFloat(getComputedStyle(document.querySelector(s)).fontSize)", selector
        )
        assert found >= size, selector
    # Nothing of a line runs into its neighbour or is cut.
    cut = page.evaluate(
        "[...document.querySelectorAll('.part-line > span, .closing p, .named > *')]"
        ".filter(e => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline')"
        ".map(e => e.innerText)"
    )
    assert cut == []


def test_the_plot_is_drawn_with_parts_gap_open_time_and_wait(wood, visit):
    page = opened(visit("wall"), wood, "/wood/va-41")
    page.wait_for_selector(".plot .scatterlayer .trace")
    drawn = page.evaluate("document.querySelector('.plot .js-plotly-plot').data.map(t => t.name)")
    assert drawn == [
        "moisture in balance with the air",
        "top",
        "back",
        "ribs",
        "neck block",
        "waits",
    ]
    assert page.evaluate(
        "[...document.querySelector('.plot .js-plotly-plot')._fullData[1].y].some(y => isNaN(y))"
    )
    assert page.locator(".plot .annotation", has_text="open").count() == 1
    assert "Its air is known for" in page.locator("#stay-words").inner_text()


def test_a_choice_and_what_was_typed_survive_a_reload(wood, visit):
    page = opened(visit("phone"), wood, "/wood/new")
    page.locator("#new-reference").fill("VN-77")
    page.locator("#new-kind label", has_text="Cello").click()
    page.locator("#new-due").fill("2030-12-04")
    until(page, "Object.values(localStorage).some(kept => kept.includes('2030-12-04'))")
    page.reload()
    until(page, "document.getElementById('new-reference')?.value === 'VN-77'")
    until(page, "document.querySelector('#new-kind input:checked')?.value === 'cello'")
    browser.holds(page, "new-due", "2030-12-04")


def test_what_is_wrong_stands_beside_its_field_and_goes_when_it_is_right(wood, visit):
    seen = visit("phone")
    page = opened(seen, wood, "/wood/va-41")
    page.locator("#instrument-fix summary").click()
    page.locator("#fix-home_rh").fill("150")
    page.locator("#fix-parts-0-thickness_mm").fill("thick")
    page.get_by_role("button", name="Save").click()
    wrong = page.locator('[data-fault="parts.0.thickness_mm"]')
    wrong.wait_for()
    until(page, "document.querySelector('[data-fault=\"parts.0.thickness_mm\"]').innerText !== ''")
    assert "'thick' is not a number" in wrong.inner_text()
    assert page.locator("#fix-parts-0-thickness_mm").get_attribute("aria-invalid") == "true"
    page.locator("#fix-parts-0-thickness_mm").fill("30")
    seen.rest()
    page.get_by_role("button", name="Save").click()
    until(page, "document.querySelector('[data-fault=home_rh]').innerText.includes('5 to 95')")
    assert "at most the block's, 18 mm" in wrong.inner_text()
    assert "Home RH: 150: must be 5 to 95 %" in page.locator("#bench-refused").inner_text()


def test_one_part_is_made_of_another_wood_through_the_list(wood, visit):
    page = opened(visit("desk"), wood, "/wood/vc-39")
    page.locator("#instrument-fix summary").click()
    browser.holds(page, "fix-parts-1-species", "sycamore_maple")
    page.locator("#fix-parts-1-species").select_option("poplar")
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector("text=Poplar, 5 mm")
    page.locator("#instrument-fix summary").click()
    browser.holds(page, "fix-parts-1-species", "poplar")


def tap(seen, text):
    seen.rest()
    seen.page.locator("main").get_by_role("button", name=text, exact=True).tap()


def test_a_plot_of_seconds_with_its_one_mark_at_the_edge_is_drawn_quietly(wood, visit):
    """As of an instrument that came this minute: the only label would reach past the edge."""
    seen = visit("phone")
    page = opened(seen, wood, "/wood/va-41")
    page.wait_for_function("window.Plotly")
    minute = 1_800_000_000_000
    view = plots.View(minute - 10_000, minute + 10, ZoneInfo("Europe/Berlin"), "C", 390)
    layout = plots.axes(view, themes.THEMES["day"], (8.0, 12.0), "Moisture [% of dry wood]")
    assert len(layout["xaxis"]["tickvals"]) == 1
    page.evaluate(
        """layout => { const box = document.createElement("div");
        box.style.cssText = "width: 370px; height: 300px"; box.id = "edge";
        document.querySelector("main").append(box);
        return Plotly.newPlot(box, [], layout); }""",
        layout | {"margin": {"l": 64, "r": 24, "t": 16, "b": 76}},
    )
    assert page.locator("#edge .xtitle").is_visible()
    assert seen.logged == []


def instruments_of(board):
    with contextlib.closing(Reader(board.settings.store_path)) as reader:
        return Journal(reader).instruments


def test_an_instrument_is_taken_in_opened_closed_and_handed_out_by_taps(wood, visit):
    seen: Visit = visit("phone", has_touch=True, is_mobile=True)
    page = opened(seen, wood, "/wood")
    page.locator("main a[href='/wood/new']").first.tap()
    page.wait_for_selector("#new-reference")
    page.locator("#new-reference").fill("VN-31 violin")
    page.locator("#new-kind label", has_text="Violin").tap()
    page.locator("#new-home label", has_text="Damp house").tap()
    before = now_ms()
    tap(seen, "Save")
    page.wait_for_selector(".instrument >> text=VN-31 violin")
    one = instruments_of(wood)["vn-31-violin"]
    assert (one.kind, one.place, one.home.rh_pct) == ("violin", "front-bench", 60.0)
    assert before - 500 <= one.arrived_ms <= now_ms() + 500
    page.get_by_role("link", name="VN-31 violin").tap()
    tap(seen, "Opened now")
    page.wait_for_selector("button:has-text('Closed now')")
    assert instruments_of(wood)["vn-31-violin"].open_now
    tap(seen, "Closed now")
    page.wait_for_selector("button:has-text('Opened now')")
    tap(seen, "Varnish room")
    page.wait_for_selector("text=closed, Varnish room")
    seen.rest()
    out = page.locator("main").get_by_role("button", name="Handed out", exact=True)
    browser.tap_twice(seen, out, page.get_by_role("button", name="Tap again to hand it out"))
    gone = page.locator(".gone li", has_text="VN-31 violin")
    gone.wait_for()
    one = instruments_of(wood)["vn-31-violin"]
    assert [e.action for e in one.events] == ["register", "open", "close", "move", "leave"]
    gone.get_by_role("link", name="Take it in again").tap()
    page.wait_for_selector("#new-reference")
    browser.holds(page, "new-reference", "VN-31 violin")
    browser.holds(page, "new-home_rh", "60")
    assert seen.logged == []


def test_a_wait_is_opened_for_an_instrument_of_the_list_and_leads_to_its_wood(wood, visit):
    seen = visit("phone")
    page = opened(seen, wood, "/bench")
    page.wait_for_selector("[data-choose]")
    assert page.locator("#open-references option[value='VN-44']").count() == 1
    page.locator("#bench-more summary").click()
    page.locator("#open-instrument").fill("VN-44")
    page.locator("[data-choose=plate-crack]").click()
    seen.rest()
    page.locator("#bench-places button", has_text="Front bench").click()
    page.locator(".wait", has_text="VN-44").locator("h3 a").click()
    page.get_by_role("link", name="The wood of VN-44").click()
    page.wait_for_selector(".own-waits li")
    assert "Plate crack" in page.locator(".own-waits").inner_text()


def test_a_press_that_the_page_redraws_is_still_a_tap(wood, visit):
    seen = visit("desk")
    page = opened(seen, wood, "/bench")
    button = page.locator("[data-choose=plate-crack]")
    button.scroll_into_view_if_needed()
    box = button.bounding_box()
    page.mouse.move(box["x"] + 20, box["y"] + 20)
    page.mouse.down()
    page.evaluate(
        """() => { window.pressed = document.querySelector("[data-choose=plate-crack]");
        dash_clientside.set_props("token", { data: "another" }); }"""
    )
    until(page, "!window.pressed.isConnected")
    page.mouse.up()
    page.locator("#bench-where").wait_for()


ROWS = """() => {
  window.acted = [];
  window.row = (n) => `<li data-wait="row-${n}">
    <button style="height: 60px" data-row="${n}">Row</button></li>`;
  window.undo = (of) => {
    const button = document.createElement("button");
    Object.assign(button, { textContent: "Undo", onclick: () => acted.push(of) });
    document.querySelector("#rows").replaceChildren(button);
  };
  const rows = document.createElement("ul");
  Object.assign(rows, { id: "rows", innerHTML: row(1) + row(2) });
  rows.style = "position: fixed; top: 0; left: 0; z-index: 99";
  rows.addEventListener("click", (event) => acted.push(event.target.dataset.row));
  document.querySelector("main").append(rows);
}"""


def test_a_tap_acts_on_what_was_pressed_though_another_comes_under_the_finger(wood, visit):
    seen = visit("phone")
    page = opened(seen, wood, "/bench")
    line = seen.context.new_cdp_session(page)
    page.evaluate(ROWS)
    box = page.locator("#rows button").first.bounding_box()
    at = {"x": box["x"] + 20, "y": box["y"] + 20}
    for acted, below in ((["1"], "row(2) + row(1)"), (["1", "2"], "row(3) + row(2)")):
        line.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [at]})
        page.evaluate(f"document.querySelector('#rows').innerHTML = {below}")
        line.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        until(page, f"acted.length == {len(acted)}")
        assert page.evaluate("acted") == acted
    page.evaluate("undo('first')")  # a button that does not say what it is about
    page.mouse.move(at["x"], at["y"])
    page.mouse.down()
    page.evaluate("undo('second')")
    page.mouse.up()
    page.evaluate("new Promise((done) => window.setTimeout(done))")
    assert page.evaluate("acted.filter((one) => one)") == ["1", "2"]


def test_a_page_opened_while_the_store_is_away_gets_its_content_when_it_is_back(wood, visit):
    seen = visit("desk")
    store = wood.settings.store_path
    away = store.rename(store.with_suffix(".away"))
    try:
        page = opened(seen, wood, "/wood")
        assert page.locator("[data-failed]").count() == 1
    finally:
        away.rename(store)
    page.locator("main", has_text="VN-44").wait_for()
    assert page.locator("[data-failed]").count() == 0
