"""Repairs: taken in from templates, steps added, done, moved and undone; what is refused in words."""

from __future__ import annotations

from contextlib import closing

import pytest

from monitor.commands import Commands, Journal
from monitor.core.errors import Rejected
from monitor.domain.cautions import Caution
from monitor.domain.repairs import stock
from monitor.domain.repairs.learning import LearnedHandsOn, kept_promises
from monitor.domain.repairs.step import DEFAULTS, StepKind, StepState, cautions_of, order_faults
from monitor.domain.repairs.templates import TEMPLATES
from monitor.domain.wait_types import KINDS
from monitor.store import Reader, Writer

NOW = 1_795_694_400_000
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


class Shop:
    """Commands of a shop with one violin, open from 09:00 to 18:00 UTC."""

    def __init__(self, writer):
        self.commands = Commands(
            writer,
            lambda wait, at_ms: (at_ms - wait.started_ms) / 1000,
            open_at=lambda ms: 9 <= ms % DAY / HOUR < 18,
        )
        self.ask("register", "instrument", reference="VN-1", kind="violin", place="bench")

    def ask(self, do, about="repair", at=NOW, **fields):
        return self.commands.carry_out({"about": about, "do": do, **fields}, at)

    def take_in(self, template="top-cracks", **fields):
        self.ask("take in", instrument="VN-1", template=template, **fields)

    def did(self, *steps, at=NOW, **fields):
        """Start and finish steps, an hour each; the clamps are off a day later."""
        for step in map(str, steps):
            if self.step(step).wait_kind:
                self.ask("start", at=at, repair="1", step=step)
                self.ask("finish", at=at + DAY, repair="1", step=step, **fields)
            else:
                self.ask("finish", at=at, repair="1", step=step, **fields)
            at += DAY
        return at

    @property
    def journal(self):
        return self.commands.journal

    @property
    def repair(self):
        return self.journal.repairs["1"]

    def step(self, step):
        return self.repair.step(str(step))


@pytest.fixture
def shop(tmp_path):
    with closing(Writer(tmp_path / "readings.sqlite3")) as writer:
        yield Shop(writer)


def refused(shop, words, *asked, **fields):
    """A request is refused in these words, and nothing is changed."""
    before = shop.journal.version
    with pytest.raises(Rejected, match=words):
        shop.ask(*asked, **fields)
    assert shop.journal.version == before


@pytest.mark.parametrize("template", TEMPLATES.values(), ids=TEMPLATES)
def test_each_template_can_be_done_from_the_first_step_to_the_last(shop, template):
    shop.take_in(template.id)
    assert list(order_faults(template.steps)) == []
    assert template.steps[-1].kind is StepKind.HAND_OUT
    shop.did(*(one.id for one in template.steps[:-1]))
    assert all(one.state is StepState.FINISHED for one in shop.repair.steps[:-1])
    shop.ask("hand out", repair="1", at=NOW + 60 * DAY)
    assert not shop.repair.open
    assert not shop.journal.instruments["vn-1"].here


def test_a_start_opens_the_wait_of_the_step_and_its_release_finishes_the_step(shop):
    shop.take_in("neck-reset")
    at = shop.did(1, 2, 3)
    answer = shop.ask("start", at=at, repair="1", step="4", taken_min=100)
    wait = shop.journal.waits[answer["waits"][0]]
    assert (wait.kind["id"], wait.instrument, wait.what) == ("neck-or-block", "VN-1", "neck")
    assert (wait.place, wait.started_ms, wait.clamps) == ("bench", at, 2)
    assert shop.step(4).state is StepState.WAITING
    assert stock.in_use(shop.journal.repairs.values()) == {"deep-clamps": 2}
    shop.ask("release", "wait", at=at + DAY, wait=wait.id)
    assert shop.step(4).finished_ms == at + DAY
    assert not stock.in_use(shop.journal.repairs.values())
    shop.ask("reopen", "wait", at=at + DAY, wait=wait.id)
    assert shop.step(4).state is StepState.WAITING
    shop.ask("finish", at=at + 2 * DAY, repair="1", step="4", feel="right", taken_min=95)
    wait = shop.journal.waits[wait.id]
    assert (wait.released_ms, wait.feel) == (at + 2 * DAY, "right")
    assert shop.step(4).taken_min == 95


def test_a_start_is_undone_with_its_wait(shop):
    shop.take_in("neck-reset")
    at = shop.did(1, 2, 3)
    (wait,) = shop.ask("start", at=at, repair="1", step="4")["waits"]
    shop.ask("finish", at=at + DAY, repair="1", step="4")
    shop.ask("reopen", at=at + DAY, repair="1", step="4")
    assert shop.journal.waits[wait].open
    shop.ask("reopen", at=at + DAY, repair="1", step="4")
    assert shop.step(4).state is StepState.PLANNED
    assert shop.journal.waits[wait].mistaken
    (again,) = shop.ask("start", at=at + DAY, repair="1", step="4")["waits"]
    assert shop.step(4).wait == again != wait
    # Undo on the board takes the wait back, and the step with it.
    shop.ask("correct", "wait", at=at + DAY, wait=again, note="Opened by mistake.")
    shop.ask("release", "wait", at=at + DAY, wait=again)
    assert shop.step(4).state is StepState.PLANNED


def test_a_crack_found_on_the_way_goes_between_what_is_done_and_what_followed(shop):
    shop.take_in()
    shop.did(1, 2, 3)
    shop.ask("add", repair="1", kind="glue crack")
    added = shop.step(14)
    crack = TEMPLATES["top-cracks"].steps[4]
    assert (added.after, added.wait_kind, added.needs) == (("3",), "plate-crack", crack.needs)
    assert shop.step(4).after == ("3", "14")
    assert [one.id for one in shop.repair.steps[2:5]] == ["3", "14", "4"]
    # After a given step, without putting it before what follows.
    shop.ask("add", repair="1", kind="fill", after=["5"], between=False, name="worm hole")
    assert shop.step(15).after == ("5",)
    assert shop.step(6).after == ("5",)
    shop.ask("remove", repair="1", step="14")
    assert shop.step(4).after == ("3",)


def test_a_step_found_in_an_empty_repair_comes_first(shop):
    shop.take_in("")
    shop.ask("add", repair="1", kind="set up")
    shop.ask("add", repair="1", kind="clean", after=[])
    assert shop.step(1).after == ("2",)
    assert shop.step(1).loads


def test_what_cannot_be_is_refused_in_words(shop):
    refused(shop, "nothing to do", "take in", instrument="VN-1", promised_ms=NOW + DAY)
    refused(shop, "in the past", "take in", instrument="VN-1", template="bar", promised_ms=NOW)
    refused(shop, "one of VN-1", "take in", instrument="VN-2")
    refused(shop, "template = 'no'", "take in", instrument="VN-1", template="no")
    shop.take_in(promised_ms=NOW + 20 * DAY)
    refused(shop, "has an open repair, 1", "take in", instrument="vn-1")
    refused(
        shop,
        "circle: Fit, middle crack follows .* follows Fit, middle crack",
        *("change",),
        repair="1",
        step="3",
        after=["6"],
    )
    refused(shop, "after = '77'", "change", repair="1", step="3", after=["77"])
    refused(shop, "one of crack-clamps", "add", repair="1", kind="cleat", needs={"bananas": 1})
    refused(
        shop,
        "needs 9 of crack-clamps, and the shop has 8",
        *("add",),
        repair="1",
        kind="cleat",
        needs={"crack-clamps": 9},
    )
    refused(shop, "wait_kind = 'x'", "change", repair="1", step="3", wait_kind="x")
    refused(shop, "in the past", "promise", repair="1", promised_ms=NOW - 1)
    refused(shop, "in the past", "move", repair="1", step="1", fixed_ms=NOW - 1)
    night = NOW - NOW % DAY + DAY + 3 * HOUR
    refused(shop, "outside opening hours", "move", repair="1", step="1", fixed_ms=night)
    refused(shop, "must follow Open, top off", "start", repair="1", step="2")
    refused(shop, "is not started", "finish", repair="1", step="4")
    refused(shop, "not finished: Open", "hand out", repair="1")
    refused(shop, "use `hand out`", "start", repair="1", step="13")
    refused(shop, "step = '99'", "remove", repair="1", step="99")
    refused(shop, "must rise", "change", repair="1", step="1", hands_on_min=[9, 5, 7])
    refused(shop, "split longer work", "change", repair="1", step="1", hands_on_min=[900])
    refused(shop, "repair 1: .* needs 4", "set", "stock", stock="crack-clamps", count=3)
    refused(shop, "needs 32", "remove", "stock", stock="spool-clamps")


def test_a_second_template_goes_into_an_open_repair_and_ends_with_it(shop):
    shop.take_in("open-seams")
    shop.ask("add template", repair="1", template="bushing")
    steps = shop.repair.steps
    kinds = [str(one.kind) for one in steps]
    assert kinds.count("hand out") == kinds.count("set up") == 1
    assert kinds[-1] == "hand out"
    pegbox = next(one for one in steps if one.name == "pegbox")
    assert pegbox.id in next(one for one in steps if one.kind is StepKind.SET_UP).after
    assert next(one for one in steps if one.name == "bushings").after == ()
    last = max(int(one.id) for one in steps)
    assert len({one.id for one in steps}) == len(steps) == last
    shop.ask("add", repair="1", kind="clean")
    assert shop.step(last + 1).kind is StepKind.CLEAN
    refused(shop, "must be one of top-cracks", "add template", repair="1", template="?")
    for _ in range(12):
        shop.ask("add template", repair="1", template="bushing")
    refused(shop, "at most 60", "add template", repair="1", template="bushing")


def test_a_template_may_name_later_steps_and_one_without_new_steps_is_refused(shop):
    shop.take_in("open-seams")
    backwards = [{"kind": "fit", "after": ["2"]}, {"kind": "clean", "after": []}]
    shop.ask("set", "template", template="odd", steps=backwards)
    shop.ask("set", "template", template="end", steps=[{"kind": "set up"}, {"kind": "hand out"}])
    shop.ask("add template", repair="1", template="odd")
    fit, clean = (
        max((o for o in shop.repair.steps if o.kind is kind), key=lambda o: int(o.id))
        for kind in (StepKind.FIT, StepKind.CLEAN)
    )
    assert fit.after == (clean.id,)
    before = shop.repair
    refused(shop, "has all steps of end already", "add template", repair="1", template="end")
    assert shop.repair == before


def test_the_places_of_a_templates_steps_must_exist(shop):
    shop.commands._places = lambda: ["bench"]
    steps = [{"kind": "clean"}, {"kind": "fit", "place": "attic"}]
    asked = ("set", "template")
    refused(
        shop, "steps.1.place = 'attic': must be one of bench", *asked, template="x", steps=steps
    )
    steps[1]["place"] = "bench"
    shop.ask(*asked, template="x", steps=steps)


def test_a_step_waits_for_the_clients_consent(shop):
    shop.take_in("retouch")
    shop.ask("change", repair="1", step="1", consent_awaited=True)
    refused(shop, "awaits the client's consent", "start", repair="1", step="1")
    assert [one.id for one in shop.repair.consents_awaited] == ["1"]
    shop.ask("consent", repair="1")
    shop.ask("start", repair="1", step="1")
    refused(shop, "does not await", "consent", repair="1")


def test_a_start_can_be_fixed_and_set_free(shop):
    shop.take_in()
    noon = NOW - NOW % DAY + DAY + 12 * HOUR
    shop.ask("move", repair="1", step="1", fixed_ms=noon)
    assert shop.step(1).fixed_ms == noon
    shop.ask("move", repair="1", step="1", fixed_ms=None)
    assert shop.step(1).fixed_ms is None


def test_hands_on_times_are_learned_from_what_was_done(shop):
    shop.take_in("retouch")
    usual = DEFAULTS[StepKind.RETOUCH].hands_on_min.usual
    shop.ask("finish", repair="1", step="1")
    at = NOW
    for step in ("2", "3"):
        at += DAY
        shop.ask("start", at=at, repair="1", step=step)
        at += DAY
        shop.ask("finish", at=at, repair="1", step=step, taken_min=2 * usual)
    learned = LearnedHandsOn(shop.journal.repairs.values())
    # Rung: independent. One retouch at twice the usual against a prior of three: 2 ** (1 / 4).
    assert learned.of(shop.step(4)).usual == pytest.approx(usual * 2**0.25)
    assert learned.count(shop.step(4)) == 1
    low, _, high = learned.of(shop.step(4))
    assert low < usual < high
    assert learned.of(shop.step(6)) == shop.step(6).hands_on_min  # polish: nothing was done


def test_the_first_promise_counts_and_a_late_client_breaks_none(shop):
    shop.take_in("open-seams", promised_ms=NOW + 6 * DAY)
    ready = shop.did(1, 2, 3, 4)
    assert shop.repair.ready_ms <= ready
    shop.ask("promise", at=NOW + 4 * DAY, repair="1", promised_ms=NOW + 30 * DAY)
    shop.ask("hand out", at=NOW + 20 * DAY, repair="1")
    assert kept_promises(shop.journal.repairs.values()) == (1, 1)
    shop.ask("reopen", at=NOW + 20 * DAY, repair="1")
    assert shop.repair.open
    assert kept_promises(shop.journal.repairs.values()) == (0, 0)


def test_templates_are_the_shops_to_change(shop):
    steps = [{"kind": "clean"}, {"kind": "polish", "wait_kind": ""}, {"kind": "hand out"}]
    shop.ask("set", "template", template="clean-up", name="Clean-up", steps=steps)
    shop.take_in("clean-up")
    assert [one.after for one in shop.repair.steps] == [(), ("1",), ("2",)]
    refused(shop, "steps.0.kind", "set", "template", template="x", steps=[{"kind": "saw"}])
    refused(shop, "is empty", "set", "template", template="x", steps=[])
    circle = [{"kind": "fit", "after": ["2"]}, {"kind": "fit"}]
    refused(shop, "in a circle", "set", "template", template="x", steps=circle)
    shop.ask("retire", "template", template="bar")
    assert "bar" not in shop.journal.templates
    shop.ask("restore", "template", template="bar")
    assert shop.journal.templates["bar"] == TEMPLATES["bar"]


def test_stock_is_the_shops_to_change_and_the_journal_keeps_it(shop, tmp_path):
    shop.ask("set", "stock", stock="crack-clamps", count=12)
    shop.ask("set", "stock", stock="hot-box", name="Hot box", count=1, sort="place")
    shop.ask("remove", "stock", stock="hot-box")
    shop.ask("set", "stock", stock="deep-clamps", name="Long clamps")
    with closing(Reader(tmp_path / "readings.sqlite3")) as reader:
        again = Journal(reader)
    assert again.stock["crack-clamps"].count == 12
    assert again.stock["deep-clamps"].name == "Long clamps"
    assert "hot-box" not in again.stock


def test_a_command_that_comes_twice_is_carried_out_once(shop):
    for _ in range(2):
        shop.ask("take in", instrument="VN-1", template="bar", id="tap-1")
        shop.ask("add", repair="1", kind="fill", id="tap-2")
    assert len(shop.repair.steps) == len(TEMPLATES["bar"].steps) + 1


def test_each_step_brings_its_cautions(shop):
    shop.take_in()
    of = {str(one.kind): cautions_of(one, KINDS.get(one.wait_kind)) for one in shop.repair.steps}
    assert Caution.HOT_GLUE_POT in of["glue crack"]
    assert {Caution.SOLVENTS, Caution.OILY_RAGS} <= {*of["fill"], *of["polish"]}
    assert Caution.WOOD_DUST in of["fit"]
    glued = next(one for one in shop.repair.steps if one.kind is StepKind.GLUE_CRACK)
    cold = cautions_of(glued, KINDS["fixed"])  # another glue brings its own
    assert Caution.HOT_GLUE_POT not in cold
    assert Caution.REACTIVE_GLUES in cold
