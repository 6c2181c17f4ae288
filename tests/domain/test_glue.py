"""Batches of glue: hours hot, discard time, what is refused, and waits that name one."""

from __future__ import annotations

from contextlib import closing

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.commands import Commands, Journal
from monitor.core.errors import Rejected
from monitor.domain.cautions import WORDS, Caution
from monitor.domain.events import About, Event
from monitor.domain.glue import HOUR_MS, Glue, GlueState, apply
from monitor.domain.glue_kinds import KINDS, PRACTICE, SHEET
from monitor.store import Reader, Writer

NOW = 1_795_694_400_000
DAY = 24 * HOUR_MS


@pytest.fixture
def shop(tmp_path):
    with closing(Writer(tmp_path / "readings.sqlite3")) as writer:
        yield Shop(Commands(writer))


class Shop:
    """Commands of a shop, the clock in the caller's hand."""

    def __init__(self, commands):
        self.commands = commands

    def ask(self, do, at_ms=NOW, **fields):
        about = {} if do == "open" else {"about": "glue"}
        return self.commands.carry_out({"do": do} | about | fields, at_ms)

    def glue(self, number="1") -> Glue:
        return self.commands.journal.glues[number]


def test_hours_hot_are_counted_from_the_pot(shop):
    shop.ask("mix", kind="hide", name="jar A", strength="192 g")
    shop.ask("pot on", NOW + HOUR_MS, glue="1")
    assert shop.glue().pot_on_ms == NOW + HOUR_MS
    assert shop.glue().hot_h(NOW + 3 * HOUR_MS) == pytest.approx(2)
    shop.ask("pot off", NOW + 4 * HOUR_MS, glue="1")
    shop.ask("pot on", NOW + 20 * HOUR_MS, glue="1")
    assert shop.glue().hot_h(NOW + 21 * HOUR_MS) == pytest.approx(4)
    assert shop.glue().label == "Hide glue, jar A, 192 g"


def test_typed_hours_replace_those_counted_before(shop):
    shop.ask("mix", kind="hide")
    shop.ask("pot on", NOW, glue="1")
    shop.ask("correct", NOW + 5 * HOUR_MS, glue="1", hot_h=1.5)
    assert shop.glue().hot_h(NOW + 6 * HOUR_MS) == pytest.approx(2.5)


def test_a_batch_turns_from_good_to_past_by_hours_hot_and_by_age(shop):
    hot, keeps = KINDS["hide"].hot, KINDS["hide"].keeps
    # Common practice, no source: the range of either limit.
    assert hot.source == keeps.source == PRACTICE
    shop.ask("mix", kind="hide")
    assert shop.glue().state(NOW) is GlueState.GOOD
    assert shop.glue().discard_ms(NOW) == NOW + round(keeps.usual_h * HOUR_MS)
    shop.ask("pot on", NOW, glue="1")
    assert shop.glue().discard_ms(NOW) == NOW + round(hot.usual_h * HOUR_MS)
    assert shop.glue().state(NOW + round((hot.low_h + 0.1) * HOUR_MS)) is GlueState.NEAR
    assert shop.glue().state(NOW + round((hot.usual_h + 0.1) * HOUR_MS)) is GlueState.PAST
    shop.ask("pot off", NOW + HOUR_MS, glue="1")
    assert shop.glue().state(NOW + round((keeps.usual_h + 1) * HOUR_MS)) is GlueState.PAST


def test_the_makers_sheet_wins_over_the_default(shop):
    shop.ask("mix", kind="hide", hot_limit_h=20, keeps_h=400)
    assert shop.glue().hot_limit.source == SHEET
    shop.ask("pot on", NOW, glue="1")
    assert shop.glue().state(NOW + 19 * HOUR_MS) is GlueState.GOOD
    assert shop.glue().state(NOW + 21 * HOUR_MS) is GlueState.PAST
    shop.ask("correct", NOW + 21 * HOUR_MS, glue="1", hot_limit_h=None)
    assert shop.glue().hot_limit.source == PRACTICE


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "hide"])
def test_no_discard_time_is_invented_for_other_glues(shop, kind):
    shop.ask("mix", kind=kind)
    assert shop.glue().state(NOW + 900 * DAY) is GlueState.UNKNOWN
    assert shop.glue().discard_ms(NOW) is None
    shop.ask("correct", glue="1", keeps_h=24)
    assert shop.glue().state(NOW + 2 * DAY) is GlueState.PAST


@pytest.mark.parametrize(
    ("before", "do", "fields", "said"),
    [
        ([], "mix", {"kind": "wallpaper paste"}, "one of hide, fish"),
        ([], "mix", {"kind": "hide", "mixed_ms": NOW + HOUR_MS}, "60 min in the future"),
        ([], "mix", {"kind": "hide", "mixed_ms": NOW - 2000 * DAY}, "5 years in the past"),
        ([], "mix", {"kind": "hide", "hot_h": 1e9}, "0 to 1000"),
        ([], "mix", {"kind": "hide", "hot_h": float("nan")}, "hot_h"),
        ([], "mix", {"kind": "hide", "hot_h": 3}, "more than the 0.0 h since it was mixed"),
        ([], "mix", {"kind": "epoxy", "clamp_h": 0}, "clamp_h"),
        ([], "pot on", {"glue": "7"}, "glue"),
        (["pot on"], "pot on", {"glue": "1"}, "is already on"),
        ([], "pot off", {"glue": "1"}, "is not on"),
        ([], "pot on", {"glue": "1", "at_ms": NOW - DAY}, "before Hide glue was mixed"),
        (["pot on"], "pot off", {"glue": "1", "at_ms": NOW - 60_000}, "switched on"),
        (["pot on"], "discard", {"glue": "1"}, "switch it off, unplug it"),
        (["discard"], "pot on", {"glue": "1"}, "restore it first"),
        ([], "restore", {"glue": "1"}, "is not discarded"),
        ([], "correct", {"glue": "1"}, "no field to correct"),
        (["pot on"], "correct", {"glue": "1", "mixed_ms": NOW + 30_000}, "after the pot"),
        ([], "correct", {"glue": "1", "hot_h": 900}, "since it was mixed"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(shop, before, do, fields, said):
    shop.ask("mix", kind="hide", mixed_ms=NOW - HOUR_MS // 2)
    for one in before:
        shop.ask(one, glue="1")
    known = shop.commands.journal.glues
    with pytest.raises(Rejected, match=said):
        shop.ask(do, **fields)
    assert shop.commands.journal.glues == known


def test_only_glue_that_is_heated_has_a_pot(shop):
    shop.ask("mix", kind="epoxy")
    with pytest.raises(Rejected, match="not heated"):
        shop.ask("pot on", glue="1")


def test_a_discard_can_be_undone_and_the_history_is_read_back(shop, tmp_path):
    shop.ask("mix", kind="hide", kept="fridge")
    shop.ask("discard", NOW + HOUR_MS, glue="1")
    assert shop.glue().state(NOW + HOUR_MS) is GlueState.DISCARDED
    shop.ask("restore", NOW + HOUR_MS, glue="1")
    with closing(Reader(tmp_path / "readings.sqlite3")) as reader:
        found = Journal(reader).glues["1"]
    assert found == shop.glue()
    assert (found.here, found.kept) == (True, "fridge")
    assert [event.action for event in found.events] == ["mix", "discard", "restore"]


def test_a_wait_with_hide_glue_keeps_its_law_and_names_the_batch(shop):
    shop.ask("mix", kind="hide", name="jar A")
    shop.ask("open", kind="cleat", place="bench", glue="1")
    shop.ask("open", kind="cleat", place="bench")
    waits = shop.commands.journal.waits
    assert waits["1"].glue == "1"
    assert waits["1"].kind == waits["2"].kind


def test_a_wait_with_another_glue_takes_the_sheets_time_or_asks_for_it(shop):
    shop.ask("mix", kind="epoxy", name="slow")
    with pytest.raises(Rejected, match="no clamp time"):
        shop.ask("open", kind="cleat", place="bench", glue="1")
    shop.ask("correct", glue="1", clamp_h=16)
    shop.ask("open", kind="cleat", place="bench", glue="1")
    kind = shop.commands.journal.waits["1"].kind
    assert kind["law"] == {"law": "fixed"}
    assert kind["basis_s"] == kind["minimum_s"] == 16 * 3600
    assert Caution.REACTIVE_GLUES in kind["cautions"]
    assert Caution.HOT_GLUE_POT not in kind["cautions"]
    assert kind["source"] == SHEET
    assert kind["load_s"] == 0
    shop.ask("correct", glue="1", load_h=48)
    shop.ask("open", kind="cleat", place="bench", glue="1")
    assert shop.commands.journal.waits["2"].kind["load_s"] == 48 * 3600
    shop.ask("release", wait="1", about="wait", feel="soft", at_ms=NOW)
    assert not shop.commands.journal.learned("cleat").evidence  # nothing about hide glue


def test_a_wait_refuses_a_glue_that_is_not_there_and_a_coat_takes_none(shop):
    with pytest.raises(Rejected, match="glue"):
        shop.ask("open", kind="cleat", place="bench", glue="9")
    shop.ask("mix", kind="hide")
    with pytest.raises(Rejected, match="takes no glue"):
        shop.ask("open", kind="spirit-coat", place="bench", glue="1")


def test_each_kind_has_the_caution_of_its_danger():
    # Source: the shop's safety reference: hot pot, sensitisers; alkali: common practice, no source.
    for kind in KINDS.values():
        assert (Caution.HOT_GLUE_POT in kind.cautions) == kind.heated
        reactive = kind.id in ("epoxy", "cyanoacrylate")
        assert (Caution.REACTIVE_GLUES in kind.cautions) == reactive
    pot = WORDS[Caution.HOT_GLUE_POT]
    for word in ("60 °C scalds", "dry", "alone", "unplug"):
        assert word in pot
    assert "gloves" in WORDS[Caution.ALKALINE_GLUE]


@given(st.lists(st.tuples(st.floats(0.01, 50), st.floats(0.01, 50)), max_size=8))
def test_hours_hot_are_the_sum_of_the_spells(spells):
    def event(action, at, **body):
        return Event(About.GLUE, "1", at, "", action, body)

    glue = apply(None, event("mix", NOW, kind="hide", mixed_ms=NOW))
    at = NOW
    for cold_h, hot_h in spells:
        at += round(cold_h * HOUR_MS)
        glue = apply(glue, event("pot on", at, at_ms=at))
        at += round(hot_h * HOUR_MS)
        glue = apply(glue, event("pot off", at, at_ms=at))
    assert glue.hot_h(at + DAY) == pytest.approx(sum(hot for _, hot in spells), abs=1e-4)
