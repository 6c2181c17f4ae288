"""The bench in a real Chromium: looks, reach of a gloved thumb, and a wait from opening to Finished
through the running service."""

from __future__ import annotations

import contextlib
import re
import time

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import DAY, Board, Visit, opened, until
from conftest import RunningService
from conftest import until as wait_until

from dashboard.ui import formats
from monitor.core.clock import now_ms
from monitor.domain.wait import Feel
from monitor.store import Reader, Writer

pytestmark = browser.pytestmark


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A full bench in five places, the command link open; a wait released, another said to be right."""
    folder = tmp_path_factory.mktemp("bench")
    with Board(folder, shop_air.BENCH) as board:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(board.writer, place, now - 5 * DAY, now, 120_000)
        shop_air.damp(board.writer, "cellar", now)
        commands = shop_air.commanded(board.writer, board.settings)
        shop_air.full_bench(commands, now)
        (old,) = commands.carry_out(
            {"do": "open", "kind": "cleat", "place": "front-bench", "start_ms": now - 18_000_000},
            now,
        )["waits"]
        commands.carry_out({"do": "release", "wait": old, "feel": "right"}, now)
        glue = {"about": "glue", "do": "mix", "kind": "hide", "name": "jar A", "strength": "192 g"}
        commands.carry_out(glue, now)
        with shop_air.command_link(board.settings, commands), browser.served(folder, board.port):
            yield board


CUT = """() => {
  const root = document.documentElement, out = [];
  if (root.scrollHeight > innerHeight || root.scrollWidth > innerWidth) out.push('page');
  const strip = document.querySelector('.clamps').getBoundingClientRect();
  if (strip.bottom > innerHeight + 1) out.push('clamps');
  for (const row of document.querySelectorAll('.place')) {
    const box = row.getBoundingClientRect();
    if (box.bottom > strip.top + 1) out.push('row under clamps');
    for (const part of row.querySelectorAll('.who, .rh, .temp, .derived, .level, .age')) {
      const own = part.getBoundingClientRect();
      if (own.width && (own.top < box.top - 1 || own.bottom > box.bottom + 1 ||
          own.right > box.right + 1)) out.push(part.className + ' ' + row.innerText.slice(0, 30));
    }
  }
  return out; }"""


def test_the_wall_with_clamps_and_five_places_neither_scrolls_nor_cuts(bench, visit):
    seen = visit("wall")
    page = opened(seen, bench, "/")
    for size in ("desk", "tall", "wall"):
        seen.resize(size)
        assert page.locator(".clamps li").first.is_visible()
        assert page.evaluate(CUT) == [], size
    sizes = page.evaluate(
        "[...document.querySelectorAll('.rh .number, .temp .number')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 96


def test_the_wall_is_fitted_again_when_a_text_grows(bench, visit):
    page = opened(visit("wall"), bench, "/")
    first = page.locator(".clamps .of").first
    before = first.bounding_box()["height"]
    first.evaluate(
        "of => { of.firstChild.nodeValue = 'As long as a line of five words. '.repeat(4); }"
    )
    until(page, f"document.querySelector('.clamps .of').getBoundingClientRect().height > {before}")
    assert page.evaluate(CUT) == []


def test_no_height_of_the_screen_cuts_the_wall(bench, visit):
    """A height to scroll is a whole number, so a part can reach beyond the screen unseen by it."""
    seen = visit("wall")
    page = opened(seen, bench, "/")
    for height in range(1000, 1090, 3):
        seen.resize((1920, height))
        assert page.evaluate(CUT) == [], height


def test_a_pot_is_tapped_on_and_off_and_a_batch_is_recorded(bench, visit):
    seen = visit("phone")
    page = opened(seen, bench, "/bench/glue")
    page.locator("[data-glue='1'] button", has_text="Pot on").click()
    page.locator("[data-glue='1'] .pot", has_text="Pot on since").wait_for()
    seen.rest()
    page.locator("[data-glue='1'] button", has_text="Pot off").click()
    page.locator("[data-glue='1'] button", has_text="Pot on").wait_for()
    seen.rest()
    page.locator("#mix-kind label", has_text="Epoxy").click()
    page.locator("#mix-hot_h").fill("1e9")
    page.get_by_text("Record it").click()
    until(page, "document.querySelector('[data-fault=hot_h]').textContent.includes('0 to 1000')")
    page.reload()
    until(page, "document.getElementById('mix-hot_h')?.value === '1e9'")  # kept as it was typed
    seen.rest()
    page.locator("#mix-hot_h").fill("")
    page.locator("#mix-clamp_h").fill("16")
    page.get_by_text("Record it").click()
    page.locator(".glue", has_text="Epoxy").wait_for()


def test_the_answer_on_gluing_follows_what_is_typed(bench, visit):
    page = opened(visit("phone"), bench, "/bench/glue-now")
    page.locator("#may .word").wait_for()
    page.locator("#may-parts").fill("9")
    page.keyboard.press("Enter")
    page.locator("#may", has_text="Too cold to glue: the parts are at 9.0").wait_for()
    assert page.locator("#may .word").inner_text() == "Not now"
    page.locator("#may-parts").fill("hot")
    page.keyboard.press("Enter")
    page.locator("#may", has_text="is not a number").wait_for()


def first_kind_is_few_keys_away(page) -> None:
    for words in ("Skip the menu", "Go on to put in clamps"):
        page.keyboard.press("Tab")
        until(page, f"document.activeElement.textContent === '{words}'")
        page.keyboard.press("Enter")
    keys, stops = 4, []
    while not page.evaluate("!!document.activeElement.dataset.choose"):
        page.keyboard.press("Tab")
        keys += 1
        stops.append(page.evaluate("document.activeElement.outerHTML.slice(0, 80)"))
        assert keys <= 15, stops


def test_what_is_typed_survives_the_pages_own_refreshing_and_a_reload(bench, visit):
    seen = visit("phone")
    page = opened(seen, bench, "/bench")
    first_kind_is_few_keys_away(page)
    page.locator("#bench-more summary").click()
    page.locator("#open-what").fill("seam by the saddle")
    seen.rest()
    page.locator("[data-choose=cleat]").click()
    page.locator("#bench-where").wait_for()
    for _ in range(2):
        redrawn(seen)
    assert page.locator("#open-what").input_value() == "seam by the saddle"
    assert page.locator("#open-what").is_visible()
    assert page.locator("#bench-where").is_visible()
    page.locator("#open-instrument").fill("Violin, job 52")
    page.locator("#open-start").fill("2026-11-20T09:30")
    page.locator("#bench-by").fill("Jo")
    page.reload()
    page.wait_for_selector("#open-instrument", state="attached")
    until(page, "document.getElementById('open-instrument').value === 'Violin, job 52'")
    assert page.locator("#open-instrument").is_visible()
    browser.holds(page, "open-start", "2026-11-20T09:30")
    browser.holds(page, "bench-by", "Jo")
    page.locator("#open-start").fill("2020-01-01T09:30")
    seen.rest()
    if not page.locator("#bench-where").is_visible():
        page.locator("[data-choose=cleat]").click()
    seen.rest()
    page.locator("#bench-places button").first.click()
    until(page, "document.getElementById('bench-refused').textContent")
    assert page.locator("[data-choose=cleat][aria-pressed=true]").is_visible()  # for the next try
    assert page.locator("#bench-where").is_visible()


def test_what_became_of_a_kept_tap_is_said_though_the_page_is_slow_to_come(bench, visit):
    page = opened(visit("desk"), bench, "/bench")
    kept = [{"command": {"id": "kept", "do": "release", "wait": "1000"}, "said": "Released."}]
    page.evaluate(
        "kept => localStorage.setItem('benchweather.outbox', JSON.stringify(kept))", kept
    )

    def late(route) -> None:
        if "_pages_content" in (route.request.post_data or ""):
            time.sleep(1.0)  # longer than the page lets a kept tap wait
        route.continue_()

    page.route("**/_dash-update-component", late)
    page.reload()
    until(page, "document.getElementById('bench-refused')?.textContent")
    page.unroute_all(behavior="wait")
    page.evaluate(
        "(said => said.replaceWith(said.cloneNode()))(document.getElementById('bench-refused'))"
    )
    until(page, "document.getElementById('bench-refused').textContent")


def redrawn(seen) -> None:
    """The page draws itself anew, as it does when a reading has come."""
    seen.page.evaluate("dash_clientside.set_props('bench-changed', {data: String(Math.random())})")
    seen.settled()


def test_a_question_and_the_focus_survive_a_redraw(bench, visit):
    seen = visit("wall")
    page = opened(seen, bench, "/bench")
    first_kind_is_few_keys_away(page)
    early = page.locator(".wait", has_text="strung up").locator("[data-do=release]")
    word = early.inner_text()

    def asked_through_a_redraw() -> None:
        early.focus()
        page.keyboard.press("Enter")
        redrawn(seen)
        assert early.inner_text() == f"{word} before the safe minimum? Tap again"

    asked_through_a_redraw()
    focused = page.evaluate(
        "[document.activeElement.dataset.do, document.activeElement.dataset.wait]"
    )
    assert focused == ["release", early.get_attribute("data-wait")]
    seen.let_pass(browser.ASKED_MS)
    assert early.inner_text() == word  # nobody answered
    asked_through_a_redraw()
    seen.let_pass()
    early.click()
    page.locator(".released", has_text="strung up").wait_for()
    seen.rest()
    page.locator(".released", has_text="strung up").get_by_text("Open again").click()
    page.locator(".wait", has_text="strung up").wait_for()


HOMELESS = """() => { window.homeless = 0; window.focused = document.activeElement;
  new MutationObserver(() => { if (document.activeElement === document.body) homeless += 1; })
    .observe(document.documentElement, { subtree: true, childList: true }); }"""


def test_the_focus_is_back_before_a_key_can_come_that_was_pressed_during_a_redraw(bench, visit):
    seen = visit("desk")
    page = opened(seen, bench, "/bench")
    page.locator(".wait h3 a").first.focus()
    page.evaluate(HOMELESS)
    redrawn(seen)
    assert page.evaluate("[focused.isConnected, homeless]") == [False, 0]
    page.keyboard.press("Enter")
    page.wait_for_selector("#wait-history li")


PUSHED_DOWN = """() => {
  const above = document.createElement("div");
  above.style.height = "300px";
  document.documentElement.style.overflowAnchor = "none";
  document.querySelector("main").prepend(above); }"""


def test_a_tap_counts_though_what_was_pressed_moves_away_before_the_release(bench, visit):
    seen = visit("desk")
    page = opened(seen, bench, "/bench")
    summary = page.locator("#bench-more summary")
    summary.scroll_into_view_if_needed()
    box = summary.bounding_box()
    page.mouse.move(box["x"] + 20, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.evaluate(PUSHED_DOWN)
    assert summary.bounding_box()["y"] == pytest.approx(box["y"] + 300, abs=40)
    page.mouse.up()
    until(page, "document.getElementById('bench-more').open")
    page.mouse.down()  # on what lies there now, and let go elsewhere: no tap
    page.mouse.move(box["x"] + 20, box["y"] + 200)
    page.mouse.up()
    assert page.evaluate("document.getElementById('bench-more').open")
    kind = page.locator("[data-choose]").first  # folded away while it is pressed: no tap
    kind.hover()
    page.mouse.down()
    kind.evaluate("kind => { kind.hidden = true; kind.style.display = 'none'; }")
    page.mouse.up()
    seen.settled()
    assert page.locator("#bench-where").is_hidden()


@pytest.mark.parametrize("late", [False, True])
def test_a_fold_opens_by_a_tap_though_the_page_redraws_within_it(full, visit, late):
    page = opened(visit("desk"), full, "/settings/places")
    fold = page.locator("details[data-unfold]:not([open])").first
    key = fold.get_attribute("data-unfold")
    page.evaluate(
        """late => addEventListener("click", event => {
          const old = event.target.closest("details");
          if (late) document.body.append(document.createElement("span"));
          else old.replaceWith(old.cloneNode(true)); }, {capture: !late, once: true})""",
        late,
    )
    fold.locator("summary").click()
    assert page.locator(f'details[data-unfold="{key}"]').evaluate("fold => fold.open")


KINDS_TIME = "document.querySelector('[data-choose=plate-crack] .ready-at').innerText"
"""Ready time of the kind, in words; empty while it is not known."""
ONE_TIME = f"""{KINDS_TIME} && [...document.querySelectorAll('#bench-places button')]
  .find(one => one.innerText.includes('Front bench')).querySelector('.ready-at').innerText ===
  {KINDS_TIME}"""
"""A place and the chosen kind say the same ready time; read at once, for a redraw may bring another."""


def test_each_button_says_when_it_is_ready_and_follows_glue_and_start(bench, visit):
    page = opened(visit("phone"), bench, "/bench")
    crack = page.locator("[data-choose=plate-crack]")
    until(
        page, "/unclamp about/.test(document.querySelector('[data-choose=plate-crack]').innerText)"
    )
    assert "Hide glue" in crack.inner_text()
    page.locator(".recent button", has_text="Cello, job 39").click()
    browser.holds(page, "open-instrument", "Cello, job 39")
    page.locator("#open-unknown", has_text="Cello, job 39 has not been taken in").wait_for()
    link = page.get_by_role("link", name="Take it in").get_attribute("href")
    page.locator("#open-glue").select_option("1")
    crack.locator(".basis", has_text="jar A").wait_for()
    now = crack.locator(".ready-at").inner_text()
    assert "unclamp about" in now
    page.locator("#bench-more summary").click()
    early = formats.to_input(now_ms() - 3 * 3_600_000, bench.settings.zone)
    page.locator("#open-start").fill(early)
    until(page, f"!['', {now!r}].includes({KINDS_TIME})")
    crack.click()
    until(page, ONE_TIME)
    cellar = page.locator("#bench-places button", has_text="cellar")
    cellar.locator(".ready-at", has_text=re.compile("^on hold, too damp to harden")).wait_for()
    page.goto(bench.url + link)
    browser.holds(page, "new-reference", "Cello, job 39")


def test_ready_by_leads_to_the_kind_with_its_wanted_time_and_its_cautions(bench, visit):
    shop_air.damp(bench.writer, "cellar", now_ms(), days=1)  # heard just now, however late it is
    page = opened(visit("phone"), bench, "/bench/ready-by")
    line = page.locator(".latest li", has_text="Cleat")
    line.locator(".if-now", has_text="Start now: ready to unclamp about").wait_for()
    page.locator("#plan-busy").wait_for(state="hidden")
    assert page.locator("#plan h2").inner_text().startswith("Front bench: ready by ")
    line.get_by_role("link", name="Start Cleat on Bench").click()
    page.locator("[data-choose=cleat][aria-pressed=true]").wait_for()
    until(page, "!!document.getElementById('open-wanted').value")
    assert page.locator("#bench-where").is_visible()
    boiled_dry = page.locator(".cautions li", has_text="a pot boiled dry")
    assert boiled_dry.is_visible()  # nothing was skipped on the way
    assert page.url.endswith("/bench")
    if not page.locator("[data-choose=oil-coat]").is_visible():
        page.locator("#bench-more-kinds summary").click()
    page.locator("[data-choose=oil-coat]").click()
    rags = page.locator(".cautions li", has_text="Oily rags")
    assert rags.is_visible()
    assert not boiled_dry.is_visible()
    rags.get_by_text("Hide").click()
    assert not rags.is_visible()
    page.locator("[data-choose=closing]").click()
    cold = page.locator("#bench-cold li")
    assert cold.count() == 1  # the cellar is at 16 °C
    assert cold.is_visible()


# Through the running service

CLOCK_MS = 500
"""A page takes its device's clock for the shop's within so much."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A service that has had five days of air before it starts; other devices come by a name."""
    service = RunningService(tmp_path_factory.mktemp("service") / "shop")
    open_to_others = '[board]\nnames = ["bench.test"]\npassword = "maple"'
    shop_air.settings_in(
        service.data,
        port=service.board_port,
        config=shop_air.CONFIG.replace("[board]", open_to_others),
    )
    with contextlib.closing(Writer(service.store)) as writer:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(writer, place, now - 5 * DAY, now, 600_000)
    service.start()
    yield service
    service.clear()


def waits_of(service, what: str):
    from monitor.commands import Journal

    with contextlib.closing(Reader(service.store)) as reader:
        return [w for w in Journal(reader).waits.values() if w.what.startswith(what)]


def name_it(page, what: str) -> None:
    """Type what the work is, by which the wait is known among those of other tests."""
    page.locator("#bench-more summary").click()
    page.locator("#open-what").fill(what)


def bench_of(service, seen: Visit):
    browser.let_change(seen.context, f"http://127.0.0.1:{service.board_port}", service.data)
    seen.page.goto(f"http://127.0.0.1:{service.board_port}/bench")
    seen.page.wait_for_selector("[data-choose]")
    until(seen.page, "!!window.boardNow && !!document.querySelector('#bench-places button')")
    seen.rest()
    return seen.page


def replied(page, what: str) -> str:
    """Reply to the tap that opened this wait, once it has come; its time is that of the wait's row."""
    words, row = page.locator("#bench-said span"), page.locator(".wait", has_text=what)
    words.get_by_text("ready to unclamp about").wait_for()
    row.wait_for()
    reply, ready = row.evaluate(
        "row => [document.querySelector('#bench-said span').innerText, row.dataset.ready]"
    )
    assert ready in reply
    return reply


@pytest.mark.broker
def test_two_taps_open_a_wait_an_early_release_asks_once_one_says_how_it_was(shop, visit):
    seen = visit("phone", has_touch=True, is_mobile=True)
    page = bench_of(shop, seen)
    name_it(page, "top crack")
    seen.rest()
    began = now_ms()
    page.locator("[data-choose=plate-crack]").tap()
    seen.rest()
    page.locator("#bench-places button", has_text="Front bench").tap()
    wait = page.locator(".wait", has_text="top crack")
    reply = replied(page, "top crack")
    assert "Plate crack" in wait.inner_text()
    assert re.search(r"Clamps off about (tomorrow )?\d\d:\d\d", wait.inner_text())
    assert re.fullmatch(
        r"Plate crack, Hide glue, Front bench: ready to unclamp about "
        r"(tomorrow )?\d\d:\d\d.*\d\d:\d\d\)?\.",
        reply,
    )
    (kept,) = waits_of(shop, "top crack")
    assert began - CLOCK_MS <= kept.started_ms <= now_ms() + CLOCK_MS
    seen.rest()
    again = page.get_by_text("Unclamp before the safe minimum? Tap again")
    browser.tap_twice(seen, wait.get_by_text("Unclamp"), again)
    released = page.locator(".released", has_text="top crack")
    released.wait_for()
    seen.rest()
    released.get_by_text("Just right").tap()
    released.locator("[aria-pressed=true]").wait_for()
    assert waits_of(shop, "top crack")[0].feel is Feel.RIGHT
    released.get_by_text("Not now").tap()
    released.wait_for(state="hidden")
    page.get_by_role("link", name="Finished").tap()
    done = page.locator(".done", has_text="top crack")
    done.wait_for()
    assert "Plate crack" in done.inner_text()
    assert done.locator("[aria-pressed=true]").inner_text() == "Just right"
    seen.rest()
    done.get_by_text("Still soft").tap()
    done.locator("[aria-pressed=true]", has_text="Still soft").wait_for()
    seen.rest()
    done.get_by_text("Still soft").tap()
    done.locator("[aria-pressed=true]").wait_for(state="detached")
    (kept,) = waits_of(shop, "top crack")
    assert kept.feel is None
    assert [str(e.action) for e in kept.events] == ["open", "release", "feel", "feel", "feel"]
    assert seen.logged == []


@pytest.mark.broker
def test_another_device_reads_until_it_has_signed_in_and_then_opens_a_wait(shop, visit):
    """By a name that is not this machine's own, on plain http, as a phone in the shop comes."""
    seen = visit("phone")
    page = seen.page
    page.goto(f"http://bench.test:{shop.board_port}/bench")
    page.wait_for_selector("text=Sign in to change anything from this browser.")
    assert page.locator("[data-choose]").count() == 0
    page.get_by_role("link", name="Sign in").click()
    page.get_by_label("Password").fill("spruce")
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector("text=Wrong password.")
    page.get_by_label("Password").fill("maple")
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector("[data-choose]")
    name_it(page, "button's edge")
    page.locator("[data-choose=plate-crack]").click()
    seen.rest()
    page.locator("#bench-places button", has_text="Front bench").click()
    page.locator(".wait", has_text="button's edge").wait_for()
    for name, end in (("ready times", ".ics"), ("planned work", "/plan.ics")):
        link = page.get_by_role("link", name=name, exact=True).get_attribute("href")
        assert link.endswith(end)
    (wait,) = waits_of(shop, "button's edge")
    assert wait.open


@pytest.mark.broker
def test_a_tap_made_without_a_connection_is_carried_out_once_with_its_own_time_and_undone(
    shop, visit
):
    seen = visit("phone")
    page = bench_of(shop, seen)
    name_it(page, "bass bar crack")
    seen.rest()
    seen.context.set_offline(True)
    page.locator("[data-choose=plate-crack]").click()
    seen.rest()
    before = now_ms()
    page.locator("#bench-places button", has_text="Front bench").click()
    after = now_ms()
    page.wait_for_selector("text=kept here and sent again")
    assert waits_of(shop, "bass bar crack") == []
    page.wait_for_event("requestfailed", lambda one: one.url.endswith("/bench/do"))  # once more
    assert now_ms() - before > 2500
    seen.context.set_offline(False)
    page.locator(".wait", has_text="bass bar crack").wait_for()
    (wait,) = waits_of(shop, "bass bar crack")
    assert before - CLOCK_MS <= wait.started_ms <= after + CLOCK_MS
    until(page, "document.getElementById('open-what').value === ''")
    page.get_by_text("Undo").click()  # it was a mistake: it stays in the history
    page.wait_for_selector("text=Undone.")
    (wait,) = waits_of(shop, "bass bar crack")
    assert not wait.open
    assert wait.note == "Opened by mistake."
    assert page.locator(".released", has_text="bass bar crack").count() == 0


@pytest.mark.broker
def test_a_wait_is_worked_by_the_keyboard_and_its_history_says_who(shop, visit):
    seen = visit("desk")
    page = bench_of(shop, seen)
    page.evaluate("localStorage.setItem('benchweather.by', JSON.stringify('Ina'))")
    page.locator("#bench-more summary").press("Enter")
    page.locator("#open-what").fill("lower bout")
    seen.rest()
    page.locator("[data-choose=plate-crack]").focus()
    page.keyboard.press("Enter")
    page.locator("#bench-where").wait_for()
    seen.rest()
    page.locator("#bench-places button").first.focus()
    page.keyboard.press("Enter")
    page.locator(".wait", has_text="lower bout").locator("h3 a").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#wait-history li")
    seen.rest()
    page.get_by_role("button", name="Pause").press("Enter")
    page.wait_for_selector("text=Paused time does not count")
    page.locator("#wait-fix summary").press("Enter")
    page.locator("#fix-note").fill("second clamp added")
    seen.rest()
    page.get_by_role("button", name="Save").press("Enter")
    page.wait_for_selector("text=Corrected: note second clamp added")
    history = page.locator("#wait-history").inner_text()
    assert history.count("Ina") == 3
    assert "Paused" in history


@pytest.mark.broker
def test_eight_cleats_are_one_row_and_are_released_and_answered_at_a_tap_each(shop, visit):
    seen = visit("phone", has_touch=True, is_mobile=True)
    page = bench_of(shop, seen)
    name_it(page, "cleats along the bar")
    page.locator("#open-count").fill("8")
    page.locator("#bench-more-kinds summary").tap()
    seen.rest()
    page.locator("[data-choose=cleat]").tap()
    seen.rest()
    page.locator("#bench-places button", has_text="Front bench").tap()
    row = page.locator(".wait", has_text="cleats along the bar")
    reply = replied(page, "cleats along the bar")
    assert reply.startswith("8 × Cleat, Hide glue, Front bench: ready to unclamp about ")
    page.locator("#open-what").wait_for(state="hidden")  # the form is out of the way again
    assert row.count() == 1
    assert "cleats along the bar 1 to 8 of 8" in row.inner_text()
    row.locator(".each summary").tap()
    seen.rest()
    third = row.locator(".each li", has_text="3 of 8")
    sure = "before the safe minimum? Tap again"
    browser.tap_twice(seen, third.get_by_text("Unclamp"), third.get_by_text(f"Unclamp {sure}"))
    page.wait_for_selector("text=cleats along the bar 1 to 2, 4 to 8 of 8")
    seen.rest()
    seven = page.get_by_role("button", name="Unclamp all 7")
    browser.tap_twice(seen, seven, page.get_by_text(f"Unclamp all 7 {sure}"))
    wait_until(lambda: not any(wait.open for wait in waits_of(shop, "cleats along")))
    seven = page.locator(".released", has_text="1 to 2, 4 to 8 of 8")
    seen.rest()
    seven.get_by_role("button", name="Just right").tap()
    seven.locator("[aria-pressed=true]").wait_for()
    until(page, "document.getElementById('bench-said').innerText.includes('Just right')")
    assert [wait.feel for wait in waits_of(shop, "cleats along")].count(Feel.RIGHT) == 7
    page.locator(".released", has_text="cleats along the bar 3 of 8").get_by_text("Not now").tap()
    page.locator(".released", has_text="cleats along the bar 3 of 8").wait_for(state="hidden")
    assert page.locator(".released:visible", has_text="cleats along").count() == 1
    assert seen.logged == []
