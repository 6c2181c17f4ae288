"""Glue work is not started in air that is not right for glue, whatever the plan is."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace

import dashboard_fixtures as shop_air
import pytest

from dashboard.plan import agenda as agendas
from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.planning.glue_air import GlueAir
from monitor.planning.last_start import Verdict
from monitor.planning.words import Names, last_start_sentence
from monitor.store import Reader, Writer

DAY = 86_400_000


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


def test_only_the_work_in_the_damp_cellar_is_taken_from_now(shop):
    settings, steps = shop
    now = now_ms()
    made = shop_air.keep_plan(settings, now)
    with closing(Reader(settings.store_path)) as reader:
        journal = Journal(reader)
        glue_air = GlueAir(reader, settings, journal, now)
        assert glue_air.wrong(*steps["cellar"])
        assert not glue_air.wrong(*steps["front-bench"])
        assert not glue_air.wrong("99", "1")
        like = made.plan.steps[0]
        starts_now = [like._replace(repair=r, step=s, from_ms=now) for r, s in steps.values()]
        plan = replace(made.plan, steps=tuple(starts_now))
        verdicts = glue_air.verdicts(plan, ())
    assert [(one.repair, one.step) for one in verdicts] == [steps["cellar"]]
    assert verdicts[0].verdict is Verdict.AIR
    words = last_start_sentence(verdicts[0], Names(journal), now, settings.zone)
    assert "Do not start it: the air or the parts are not right for glue now." in words
    present = replace(made, plan=plan, last_starts=verdicts)
    found = agendas.agenda(journal, present, now, now + 6 * 3_600_000)
    assert [(i.repair.id, i.step.id) for i in found.now] == [steps["front-bench"]]
    assert not found.next
    assert found.verdicts == verdicts
