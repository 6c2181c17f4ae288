"""No step is started or finished too early or in the wrong air without a question, at any edge."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace

import dashboard_fixtures as shop_air
import pytest
from wait_bench import DAY, HOUR, NOW, Bench

from dashboard.plan import agenda as agendas
from monitor.commands import Commands, Journal
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.core.validation import SURE
from monitor.planning.last_start import StartVerdict
from monitor.planning.step_check import StepCheck, doubts, start_cautions
from monitor.planning.words import Names, last_start_sentence
from monitor.store import Reader, Writer
from monitor.waits.evaluation import counting


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A crack to glue at a good place, and one in a damp cellar; both may be started now."""
    settings = shop_air.settings_in(tmp_path_factory.mktemp("glue"), config=shop_air.BENCH)
    now = now_ms()
    with closing(Writer(settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now - 6 * DAY, now, 600_000, steady_pct=50.0)
        shop_air.damp(writer, "cellar", now)
        commands = shop_air.commanded(writer, settings)
        found = {}
        for reference, place in (("VN-1", "front-bench"), ("VC-2", "cellar")):
            asked = {"do": "register", "about": "instrument", "kind": "violin"}
            made = commands.carry_out(asked | {"reference": reference, "place": place}, now)
            taken = {"about": "repair", "do": "take in", "instrument": made["instrument"]}
            repair = commands.carry_out(taken | {"name": "Crack"}, now)["repair"]
            add = {"about": "repair", "do": "add", "repair": repair, "kind": "glue crack"}
            found[place] = repair, commands.carry_out(add, now)["step"]
    return settings, found


@pytest.mark.slow
def test_only_the_work_in_the_damp_cellar_is_taken_from_now(shop):
    settings, steps = shop
    now = now_ms()
    made = shop_air.keep_plan(settings, now)
    with closing(Reader(settings.store_path)) as reader:
        journal = Journal(reader)
        check = StepCheck(reader, settings, journal, now)
        like = made.plan.steps[0]
        starts_now = [like._replace(repair=r, step=s, from_ms=now) for r, s in steps.values()]
        starts_now.append(like._replace(repair="99", from_ms=now))
        plan = replace(made.plan, steps=tuple(starts_now))
        verdicts = check.verdicts(plan, ())
    assert [(one.repair, one.step) for one in verdicts] == [steps["cellar"]]
    assert verdicts[0].verdict is StartVerdict.AIR
    words = last_start_sentence(verdicts[0], Names(journal), now, settings.zone)
    assert "Do not start it. Wood store, cellar: Very damp, and too cold to glue." in words
    # The same where the night speaks against it too: the plan starts it now, so its air counts.
    alone = verdicts[0]._replace(verdict=StartVerdict.LEFT_ALONE, why="")
    with closing(Reader(settings.store_path)) as reader:
        again = StepCheck(reader, settings, journal, now).verdicts(plan, (alone,))
    assert [one.verdict for one in again] == [StartVerdict.AIR]
    present = replace(made, plan=plan, last_starts=verdicts)
    found = agendas.agenda(journal, present, now, now + 6 * HOUR)
    assert [(i.repair.id, i.step.id) for i in found.now] == [steps["front-bench"]]
    assert not found.next
    assert found.verdicts == verdicts


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A shop whose commands ask back, with good air at the bench, damp and cold air elsewhere."""
    one = Bench(tmp_path_factory.mktemp("asked"))
    for place, temp_c, rh_pct in (("bench", 20, 50), ("damp", 20, 80), ("cold", 12, 50)):
        one.air(place, temp_c, rh_pct, start=NOW - 7 * DAY, step=600_000)
        one.air(place, temp_c, rh_pct, start=NOW, end=NOW + 3 * HOUR, step=60_000)
    one.commands = Commands(
        one.writer, doubts=lambda *asked: doubts(one.reader, one.settings, *asked)
    )
    one.do("register", about="instrument", reference="VN-1", kind="violin", place="bench")
    one.do("take in", about="repair", instrument="VN-1", name="Crack")
    return one


def step(bench, kind, repair="1", **more):
    more |= {"about": "repair", "repair": repair, "kind": kind, "between": False}
    return bench.do("add", **more)["step"]


def asked(bench, do, own, now=NOW, repair="1", **more):
    """The question that a start or a finish is answered with, or "" if it is carried out."""
    try:
        bench.do(do, now=now, about="repair", repair=repair, step=own, **more)
    except Rejected as exc:
        return next(one.problem for one in exc.faults if one.field == SURE)
    return ""


@pytest.mark.parametrize(
    ("kind", "place", "words"),
    [
        ("glue crack", "damp", "Very damp."),
        ("glue crack", "cold", "Too cold to glue: the parts are at 12.0 °C"),
        ("varnish", "damp", "Damp. Spirit varnish may blush."),
        ("retouch", "damp", "Spirit varnish may blush."),
        ("polish", "cold", "Too cold to varnish."),
        ("glue crack", "", ""),
        ("varnish", "", ""),
        ("clean", "damp", ""),
        ("fit", "cold", ""),
    ],
)
def test_work_in_air_that_is_wrong_for_it_is_asked_about(bench, kind, place, words):
    own = step(bench, kind, place=place, after=[], needs={})
    found = asked(bench, "start", own)
    assert words in found
    assert bool(found) == bool(words)
    if words:
        assert found.endswith("” anyway?")
        assert not asked(bench, "start", own, sure=True)


def test_no_work_is_started_on_an_instrument_on_which_water_may_condense(bench):
    reference = {"reference": "VN-9", "kind": "violin", "place": "bench", "arrived_temp_c": 2.0}
    own = bench.do("register", about="instrument", now=NOW, **reference)["instrument"]
    repair = bench.do("take in", about="repair", instrument=own, name="Cold")["repair"]
    add = {"about": "repair", "repair": repair, "between": False, "after": [], "needs": {}}
    opened, out = (bench.do("add", kind=kind, **add)["step"] for kind in ("open", "hand out"))
    check = StepCheck(bench.reader, bench.settings, Journal(bench.reader), NOW)
    found = Journal(bench.reader).repairs[repair]
    assert "VN-9 came in cold" in check.air(found, found.step(opened))[0]
    assert not check.air(found, found.step(out))
    warm = StepCheck(bench.reader, bench.settings, Journal(bench.reader), NOW + 3 * HOUR)
    assert not warm.air(found, found.step(opened))


def test_hot_glue_beside_a_drying_coat_has_the_caution_of_the_bench(bench):
    coat = step(bench, "varnish", place="fumes", after=[], needs={})
    glue = step(bench, "glue crack", place="fumes", after=[], needs={})
    journal = Journal(bench.reader)
    assert not any(
        "is drying" in one
        for one in start_cautions(journal, journal.repairs["1"], journal.repairs["1"].step(glue))
    )
    assert not asked(bench, "start", coat, sure=True)
    journal = Journal(bench.reader)
    first = start_cautions(journal, journal.repairs["1"], journal.repairs["1"].step(glue))[0]
    assert first.startswith("A coat with solvent is drying at the same place (")
    assert "Heat the glue in another room." in first


def test_what_was_done_earlier_is_noted_without_a_question(bench):
    own = step(bench, "glue crack", place="damp", after=[], needs={})
    assert not asked(bench, "start", own, now=NOW + HOUR, at_ms=NOW)


def taken_in(bench, reference):
    """The repair of a new instrument."""
    more = {"kind": "violin", "place": "bench"}
    made = bench.do("register", about="instrument", reference=reference, **more)["instrument"]
    return bench.do("take in", about="repair", instrument=made, name="Crack")["repair"]


def test_clamps_before_the_safe_minimum_and_soft_joints_are_asked_about(bench):
    repair = taken_in(bench, "VN-3")
    own = {"repair": repair}
    glue = step(bench, "glue crack", name="bass side", place="", after=[], needs={}, **own)
    work = step(bench, "clean", after=[glue], wait_kind="", needs={}, **own)
    load = step(bench, "set up", after=[work], **own)
    assert not asked(bench, "start", glue, **own)
    early = asked(bench, "finish", glue, now=NOW + HOUR, **own)
    assert early == (
        "The wait of “Glue crack, bass side” has not reached its safe minimum, 3 h. Leave the clamps "
        "on. Finish “Glue crack, bass side” anyway?"
    )
    assert not asked(bench, "finish", glue, now=NOW + HOUR, **own, sure=True)
    assert not asked(bench, "finish", work, now=NOW + 2 * HOUR, **own)
    soft = asked(bench, "start", load, now=NOW + 2 * HOUR, **own)
    assert soft.startswith("“Glue crack, bass side” is not ready yet. Do not work,")
    assert soft.endswith("Start “Set up” anyway?")
    assert not asked(bench, "start", load, now=NOW + 2 * HOUR, **own, sure=True)


def test_who_closes_or_strings_an_instrument_is_asked_about_all_its_joints(bench):
    own = {"repair": taken_in(bench, "VN-4")}
    for what in ("top crack, treble side", "linings"):
        more = {"kind": "plate-crack", "place": "bench", "instrument": "VN-4", "what": what}
        bench.commands.carry_out({"do": "open", "about": "wait"} | more, NOW)
    work = {"after": [], "needs": {}, "place": "bench", "wait_kind": ""} | own
    for kind in ("close", "set up"):
        found = asked(bench, "start", step(bench, kind, **work), **own)
        assert "“top crack, treble side” is not ready yet. Do not work, load or string it" in found
        assert "“linings” is not ready yet." in found
    assert not asked(bench, "start", step(bench, "fit", **work), **own)


def test_a_joint_that_may_be_loaded_names_the_fresh_ones_of_its_instrument(bench):
    def beside(wait):
        waits = Journal(bench.reader).waits.values()
        found = counting(bench.reader, bench.settings, waits, NOW)
        return next(one for one in found if one.wait.id == wait)

    old = bench.open("plate-crack", ago_h=36, instrument="VN-5")
    assert not beside(old).soft_beside  # in clamps itself
    bench.do("release", wait=old, at_ms=NOW)
    assert beside(old).loadable
    assert not beside(old).soft_beside
    bench.open("linings", instrument="VN-6")
    bench.open("spirit-coat", instrument="VN-5")
    assert not beside(old).soft_beside
    fresh = bench.open("linings", instrument="vn-5")
    assert beside(old).soft_beside == ("Linings",)
    fixed = bench.open("fixed", instrument="VN-5")  # perhaps a joint of another glue
    assert beside(old).soft_beside == ("Linings", "Fixed time")
    bench.do("release", wait=fixed, at_ms=NOW)
    assert beside(old).soft_beside == ("Linings",)
    assert not beside(fresh).soft_beside
