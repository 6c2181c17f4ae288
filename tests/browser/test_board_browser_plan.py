"""The Plan in a real Chromium: looks, reach of a thumb, and a repair from its taking in to a finished
step, with its wait on the bench."""

from __future__ import annotations

import threading
from contextlib import closing

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import DAY, Board, opened, until
from conftest import until as until_so

from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.planning import present, worker
from monitor.store import Reader

pytestmark = browser.pytestmark


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A shop with three instruments, one of them in repair, and the planner at work."""
    folder = tmp_path_factory.mktemp("plan")
    with Board(folder, shop_air.BENCH) as board:
        now, ended = now_ms(), threading.Event()
        for place in ("front-bench", "varnish-room"):
            shop_air.fill(board.writer, place, now - 6 * DAY, now, 600_000)
        commands = shop_air.commanded(board.writer, board.settings)
        for reference in ("VN-1", "VC-2 long reference of a cello", "VA-3"):
            asked = {"about": "instrument", "do": "register", "kind": "violin"}
            asked |= {"reference": reference, "place": "front-bench"}
            commands.carry_out(asked, now)
        taken = {"about": "repair", "do": "take in", "template": "top-cracks"}
        taken |= {"instrument": "VC-2 long reference of a cello", "promised_ms": now + 9 * DAY}
        commands.carry_out(taken, now)

        def work() -> None:
            with closing(Reader(board.settings.store_path)) as reader:
                planner = worker.Planner(board.settings, reader)
                while not ended.wait(0.3):
                    planner.look(now_ms())

        by_rules = pytest.MonkeyPatch()
        for limit in ("FIRST_S", "BEST_S", "AGAIN_S"):
            by_rules.setattr(worker, limit, 0.0)
        thread = threading.Thread(target=work)
        thread.start()
        try:
            with (
                shop_air.command_link(board.settings, commands),
                browser.served(folder, board.port),
            ):
                yield board
        finally:
            ended.set()
            thread.join()
            by_rules.undo()


def test_a_repair_is_taken_in_its_step_started_with_its_wait_and_finished(bench, visit):
    seen = visit("phone")
    page = opened(seen, bench, "/plan")
    page.select_option("#take-instrument", "VN-1")
    page.select_option("#take-template", "")
    page.get_by_role("button", name="Take it in").click()
    until(page, "document.querySelectorAll('.repairs .repair').length === 2")
    seen.rest()
    page.locator(".repairs h3 a", has_text="VN-1").click()
    until(page, "document.querySelector('#repair-add')")
    seen.rest()
    page.locator("#repair-add > summary").click()  # a found step in two taps
    page.locator("#repair-add button", has_text="Glue crack").click()
    until(page, "document.querySelectorAll('.plan-steps .step').length === 1")
    seen.rest()
    page.locator(".step button", has_text="start the wait").click()
    until(page, "document.querySelector('.step[data-state=waiting]')")
    seen.rest()  # else the tap is sent again by the page after it, which loads itself again then
    page.goto(f"{bench.url}/bench")
    until(page, "[...document.querySelectorAll('.wait')].some(e => e.innerText.includes('VN-1'))")
    page.goto(f"{bench.url}/plan/2")
    until(page, "document.querySelector('#repair-add')")
    seen.rest()
    page.locator("#repair-add > summary").click()
    page.locator("#repair-add button", has_text="Cleat").click()
    until(page, "document.querySelectorAll('.plan-steps .step').length === 2")
    seen.rest()
    page.locator(".step[data-state=waiting] button", has_text="finish").click()
    page.get_by_role("button", name="Finish anyway").click()  # before the safe minimum
    until(page, "document.querySelector('.step[data-state=finished]')")
    seen.logged[:] = [text for text in seen.logged if "409" not in text]  # the question's answer
    assert seen.logged == []


PLACES = """key => {
  const graph = document.querySelector('#repairs-plot .js-plotly-plot'), full = graph._fullLayout;
  const { meta } = graph.layout, box = graph.getBoundingClientRect(), hour = 3600000;
  const across = ms => box.left + full.xaxis._offset + full.xaxis.l2p(ms);
  const [, end] = full.xaxis.range;
  const those = meta.moves.filter(one => !key || one.step === key);
  for (const [one, first, last] of those.flatMap(one => one.may.map(span => [one, ...span]))) {
    const at = Math.ceil(first / meta.grid_ms) * meta.grid_ms;
    if (at > last || at > end - 2 * hour || Math.abs(at - one.from_ms) < 3 * hour) continue;
    const y = box.top + full.yaxis._offset + full.yaxis.l2p(one.row);
    const from = across(one.from_ms), left = box.left + full.xaxis._offset;
    const to = from + across(at) - across(one.from_ms);
    return { step: one.step, repair: one.repair, at, y, from, to, left, made: meta.made_ms };
  }
}"""
"""A step of the plot with a start of the next days that it may be moved to, and where both are."""


GHOST_X = "document.querySelector('#repairs-drag .ghost')?.getBoundingClientRect().x"


def fixed_of(bench, place):
    with closing(Reader(bench.settings.store_path)) as reader:
        return Journal(reader).repairs[place["repair"]].step(place["step"]).fixed_ms


SHOWN = "document.querySelector('#repairs-plot .js-plotly-plot')?.layout.meta?.made_ms"


def planned(bench, page) -> None:
    """Wait until the page shows the plan of all that was done so far."""

    def is_there() -> bool:
        with closing(Reader(bench.settings.store_path)) as reader:
            version = Journal(reader).version
        plan = present.read(bench.settings)
        there = plan is not None and plan.version == version and not plan.improving
        return there and page.evaluate(SHOWN) == plan.made_ms

    until_so(is_there)


def test_a_step_is_dragged_while_a_new_plan_comes_and_a_wrong_place_changes_nothing(bench, visit):
    seen = visit("wall")
    page = opened(seen, bench, "/plan")
    planned(bench, page)
    until(page, f"({PLACES})()")
    seen.settled()
    page.locator("#repairs-plot").scroll_into_view_if_needed()
    place = until(page, f"({PLACES})()")
    page.mouse.move(place["from"] + 1, place["y"])
    page.mouse.down()
    page.mouse.move(place["left"] + 2, place["y"], steps=4)  # before now
    until(page, "document.querySelector('#repairs-drag .ghost.not')")
    page.mouse.up()
    until(page, "document.querySelector('#repairs-drag-said').innerText.startsWith('Not moved. ')")
    assert fixed_of(bench, place) is None

    page.mouse.move(place["from"] + 1, place["y"])
    page.mouse.down()
    hand = place["from"] + 20
    page.mouse.move(hand, place["y"], steps=2)
    until(page, "document.querySelectorAll('#repairs-drag .may').length")
    body = {"about": "repair", "do": "promise", "repair": place["repair"], "id": "drag-1"}
    body["form"] = {"promised": "2027-12-31T12:00"}
    post = "body => fetch('/bench/do', { method: 'POST', body: JSON.stringify(body), "
    post += "headers: { 'Content-Type': 'application/json' } }).then(answer => answer.status)"
    assert page.evaluate(post, body) == 200
    planned(bench, page)
    assert page.evaluate(SHOWN) != place["made"]
    assert page.locator("#repairs-drag .ghost").count() == 1  # the drag goes on
    # The new plan may have another start for the step, as it has just before the shop closes.
    place = until(page, f"({PLACES})('{place['step']}')")
    ghost_x = until(page, GHOST_X)
    page.mouse.move(hand + place["to"] - ghost_x + 1, place["y"], steps=3)
    page.mouse.up()
    until_so(lambda: fixed_of(bench, place))
    assert (
        abs(fixed_of(bench, place) - place["at"]) <= 3_600_000
    )  # to half an hour, if time passed
    until(
        page, "!document.querySelector('#repairs-drag').children.length"
    )  # the next plan is there
