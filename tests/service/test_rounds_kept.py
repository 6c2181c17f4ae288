"""Rounds that keep what they read before decide what rounds do that read everything anew."""

from __future__ import annotations

import contextlib
import shutil

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from round_fixtures import HOUR, MINUTE, NOON, Shop

from monitor.alerting import observations
from monitor.alerting.observations import snapshot
from monitor.commands import Commands
from monitor.commands.alerts import FILLED
from monitor.core.errors import Rejected
from monitor.sensor_care.calibration import JarWatch
from monitor.store import Reader, outbox, rule_states

pytestmark = pytest.mark.slow

_minutes = st.sampled_from([1, 7, 25, 59, 61, 300, -20])
_sensor = st.sampled_from([("bench", "a1"), ("corner", "b1")])
_step = st.one_of(
    st.tuples(st.just("hear"), _sensor, st.sampled_from([20, 36, 48, 62, 88]), st.integers(1, 90)),
    st.tuples(st.just("late"), _sensor, st.sampled_from([0, 36, 88]), st.integers(60, 1_500)),
    st.tuples(st.just("void"), _sensor, st.integers(1, 400), st.integers(1, 90)),
    st.tuples(st.just("silence"), st.integers(1, 12)),
    st.tuples(st.just("fill")),
    st.tuples(st.just("start")),
    st.tuples(st.just("pass"), _minutes),
)
_steps = st.lists(st.tuples(_step, _minutes), min_size=4, max_size=14)


class Watched(Shop):
    """A shop whose commands see the sensors' readings, as the service's do."""

    def begin(self):
        super().begin()
        tanks = {tank.id: tank for tank in self.settings.reservoirs}
        look = JarWatch(self.reader, self.settings)
        self.commands = Commands(
            self.writer, limits=self.settings.limits, reservoirs=tanks, look=look
        )

    def run(self, now):
        """A round, of which what it saw is kept."""

        def watched(*args, **kwargs):
            self.sight = snapshot(*args, **kwargs)
            return self.sight

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(observations, "snapshot", watched)
            self.cycle.run(now)


def carry_out(shop, step, now):
    """Carry out a step: readings, commands, or a start of the service. Returns why it was refused."""
    what, *of = step
    if what in ("hear", "late"):
        (place, sensor), rh, minutes = of
        start = now - minutes * MINUTE
        end = now + 1 if what == "hear" else start + 30 * MINUTE
        shop.air(start, end, rh, place=place, sensor=sensor)
    elif what == "start":
        shop.begin()
    elif what in ("void", "silence", "fill"):
        try:
            shop.commands.carry_out(_request(what, of, shop, now) | {"by": "Ina"}, now)
        except Rejected as exc:  # of what is not there, or was done before
            return str(exc)
    return ""


def _request(what, of, shop, now):
    if what == "void":
        (place, sensor), ago, minutes = of
        start = now - ago * MINUTE
        found = {"about": "sensor", "do": "void-readings", "sensor": f"{place}/{sensor}"}
        return found | {"from_ms": start, "until_ms": start + minutes * MINUTE, "why": "a kettle"}
    if what == "fill":
        return {"about": "reservoir", "do": FILLED, "reservoir": "tank"}
    alert = next(iter(shop.open().values()), None)
    found = {"about": "alert", "do": "snooze", "alert": alert.id if alert else "0"}
    return found | {"minutes": 60 * of[0]}


def dry_bench(shop):
    """A day at two places, the last hours too dry at one, and rounds in which that is found."""
    for place, sensor in (("bench", "a1"), ("corner", "b1")):
        shop.air(NOON - 26 * HOUR, NOON, 48, place=place, sensor=sensor)
    shop.air(NOON, NOON + 5 * HOUR, 36)
    shop.go(NOON, NOON + 5 * HOUR)


def decided(shop):
    """What the round saw of the places and sensors, alerts with their states, states of the rules,
    notices, and what was published."""
    with contextlib.closing(Reader(shop.settings.store_path)) as reader:
        notices = [(one.notice, one.channel) for one in outbox.recent(reader, 999)]
        states = rule_states.read(shop.writer)
    with np.printoptions(threshold=10**6, precision=17):
        seen = repr((shop.sight.airs, shop.sight.sensors))
    return seen, shop.alerts, states, notices, shop.paper.sent


@settings(max_examples=12)
@given(steps=_steps)
def test_a_round_that_keeps_what_it_read_decides_what_one_does_that_reads_all(
    tmp_path_factory, steps
):
    kept, anew = (
        Watched(tmp_path_factory.mktemp(name), "json://127.0.0.1:9/x") for name in ("kept", "anew")
    )
    now = NOON + 5 * HOUR
    for shop in (kept, anew):
        dry_bench(shop)
    for step, minutes in steps:
        now += minutes * MINUTE
        assert carry_out(kept, step, now) == carry_out(anew, step, now)
        anew.begin()  # a start keeps nothing
        for shop in (kept, anew):
            shop.run(now)
        assert decided(kept) == decided(anew), step
    for shop in (kept, anew):
        shop.writer.close()
        shutil.rmtree(shop.settings.data)


def test_the_steps_of_these_histories_do_what_they_are_for(tmp_path):
    shop, bench, now = Watched(tmp_path, "json://127.0.0.1:9/x"), ("bench", "a1"), NOON + 5 * HOUR
    dry_bench(shop)
    assert "dry" in shop.open()
    for step in (("silence", 2), ("void", bench, 95, 90), ("fill",), ("hear", bench, 48, 90)):
        assert carry_out(shop, step, now) == ""
    assert [one.snoozed_until_ms for one in shop.alerts.values()].count(now + 2 * HOUR) == 1
    (voided,) = shop.reader.histories()["bench/a1"].voids
    assert voided.from_ms == now - 95 * MINUTE
    shop.writer.close()
