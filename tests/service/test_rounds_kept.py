"""Rounds that keep what they read before decide what rounds do that read everything anew."""

from __future__ import annotations

import contextlib
import shutil

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from round_fixtures import CONFIG, HOUR, MINUTE, NOON, Shop

from monitor.air import current
from monitor.alerting import observations
from monitor.alerting.observations import observe, snapshot
from monitor.commands import Commands
from monitor.commands.alerts import FILLED
from monitor.core.errors import Rejected
from monitor.core.measurements import BY_HAND, Quantity, Reading, Series
from monitor.sensor_care.calibration import JarWatch
from monitor.store import Reader, outbox, rule_states

pytestmark = pytest.mark.slow

_minutes = st.sampled_from([1, 7, 25, 59, 61, 300, -20])
_sensor = st.sampled_from([("bench", "a1"), ("corner", "b1")])
_rule = st.sampled_from(
    [
        {"rule": "dry", "low": 35.0, "hold_s": 600},
        {"rule": "dry", "on": False},
        {"rule": "very-dry", "together": True, "only": ["bench", "varnish", "outdoors"]},
        {"rule": "fast-drying", "low": -5.0, "over_s": 7_200, "hold_s": 0},
        {"rule": "damp-walls", "high": -20.0, "hold_s": 600},
    ]
)
_step = st.one_of(
    st.tuples(st.just("hear"), _sensor, st.sampled_from([20, 36, 48, 62, 88]), st.integers(1, 90)),
    st.tuples(st.just("late"), _sensor, st.sampled_from([0, 36, 88]), st.integers(60, 1_500)),
    st.tuples(st.just("void"), _sensor, st.integers(1, 400), st.integers(1, 90)),
    st.tuples(st.just("silence"), st.integers(1, 12)),
    st.tuples(st.just("fill")),
    st.tuples(st.just("start")),
    st.tuples(st.just("outdoors"), st.sampled_from([-12.0, 3.0, 16.0, 31.0]), st.integers(1, 90)),
    st.tuples(st.just("wall"), st.sampled_from([6.0, 14.0, 70.0]), st.integers(1, 90)),
    st.tuples(st.just("stuck"), _sensor, st.sampled_from([44.0, 100.0]), st.integers(60, 900)),
    st.tuples(st.just("rule"), _rule),
    st.tuples(st.just("undo rules"), st.sampled_from(["dry", "damp-walls"])),
    st.tuples(st.just("by hand"), st.sampled_from([25.0, 45.0, 80.0])),
    st.tuples(st.just("coat"), st.sampled_from(["bench", "corner"])),
    st.tuples(st.just("release")),
    st.tuples(st.just("calibrate"), _sensor, st.sampled_from([19.0, 20.5])),
    st.tuples(st.just("move"), _sensor, st.sampled_from(["bench", "corner", "loft"])),
    st.tuples(st.just("pass"), _minutes),
)
_steps = st.lists(st.tuples(_step, _minutes), min_size=4, max_size=20)


class Watched(Shop):
    """A shop whose commands see the sensors' readings, as the service's do, with a place outdoors."""

    config = CONFIG + '[[places]]\nid = "yard"\nkind = "outdoors"\n'

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

        def observed(*args):
            found = observe(*args)
            self.seen = {rule: many for rule, many in found.items() if rule != "disk-low"}
            return found

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(observations, "snapshot", watched)
            patch.setattr(observations, "observe", observed)
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
    elif what == "outdoors":
        shop.air(now - of[1] * MINUTE, now + 1, 70, temp=of[0], place="yard", sensor="o1")
    elif what == "stuck":
        (place, sensor), rh, minutes = of
        at = range(now - minutes * MINUTE, now + 1, 5 * MINUTE)
        both = ((Quantity.TEMPERATURE, 20.0), (Quantity.HUMIDITY, rh))
        shop.writer.write([Reading(Series(place, sensor, q), t, v) for q, v in both for t in at])
    elif what == "by hand":
        both = ((Quantity.TEMPERATURE, 19.0), (Quantity.HUMIDITY, of[0]))
        shop.writer.write([Reading(Series("corner", BY_HAND, q), now, v) for q, v in both])
    elif what == "wall":
        series = Series("bench", "w1", Quantity.SURFACE_TEMPERATURE)
        at = range(now - of[1] * MINUTE, now + 1, 5 * MINUTE)
        shop.writer.write([Reading(series, t, of[0]) for t in at])
    elif what != "pass":
        try:
            for request in _requests(what, of, shop, now):
                shop.commands.carry_out(request | {"by": "Ina"}, now)
        except Rejected as exc:  # of what is not there, or was done before
            return str(exc)
    return ""


def _requests(what, of, shop, now):
    if what == "calibrate":
        (place, sensor), temp = of
        about = {"about": "sensor", "sensor": f"{place}/{sensor}", "quantity": "temperature"}
        measured = {"value": temp, "u": 0.2, "at_ms": now - 30 * MINUTE}
        return [about | {"do": "compare"} | measured, about | {"do": "fit", "line": False}]
    return [_request(what, of, shop, now)]


def _request(what, of, shop, now):
    if what == "void":
        (place, sensor), ago, minutes = of
        start = now - ago * MINUTE
        found = {"about": "sensor", "do": "void-readings", "sensor": f"{place}/{sensor}"}
        return found | {"from_ms": start, "until_ms": start + minutes * MINUTE, "why": "a kettle"}
    if what == "fill":
        return {"about": "reservoir", "do": FILLED, "reservoir": "tank"}
    if what == "rule":
        return {"about": "rule", "do": "rule"} | of[0]
    if what == "undo rules":
        return {"about": "rule", "do": "reset", "rule": of[0]}
    if what == "coat":
        return {"about": "wait", "do": "open", "kind": "spirit-coat", "place": of[0]}
    if what == "release":
        wait = next((one.id for one in shop.commands.journal.waits.values() if one.open), "0")
        return {"about": "wait", "do": "release", "wait": wait}
    if what == "move":
        (place, sensor), to = of
        found = {"about": "sensor", "do": "move", "sensor": f"{place}/{sensor}"}
        return found | {"place": to, "at_ms": now - 20 * MINUTE}
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
        seen = repr((shop.sight.airs, shop.sight.sensors, shop.seen))
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
    assert carry_out(shop, ("hear", bench, 48, 90), now + 90 * MINUTE) == ""
    now += 90 * MINUTE
    rule = {"rule": "dry", "low": 35.0, "hold_s": 600}
    for step in (("outdoors", -12.0, 60), ("wall", 14.0, 60), ("rule", rule), ("coat", "corner")):
        assert carry_out(shop, step, now) == ""
    for step in (("calibrate", bench, 20.5), ("move", ("corner", "b1"), "loft")):
        assert carry_out(shop, step, now) == ""
    shop.run(now)
    airs = {air.place.id: air for air in shop.sight.airs}
    assert airs["bench"].safe.outdoor_temp_c == pytest.approx(-12)
    assert airs["bench"].safe.surface == "measured"
    assert airs["corner"].situation.drying
    assert len(shop.reader.histories()["bench/a1"].corrections) == 1
    assert len(shop.seen["heat"]) == 1
    assert carry_out(shop, ("by hand", 45.0), now) == ""
    assert carry_out(shop, ("release",), now) == ""
    assert carry_out(shop, ("stuck", bench, 44.0, 900), now) == ""
    now += MINUTE
    shop.run(now)
    airs = {air.place.id: air for air in shop.sight.airs}
    assert airs["corner"].by_hand
    assert not airs["corner"].situation.drying
    shop.writer.close()


def test_only_places_that_changed_are_worked_out_again(tmp_path, monkeypatch):
    shop, judged = Watched(tmp_path, "json://127.0.0.1:9/x"), []
    course = current.course

    def watched(place, *args):
        judged.append(place.id)
        return course(place, *args)

    monkeypatch.setattr(current, "course", watched)

    def again(now):
        before, judged[:] = getattr(shop, "sight", None), []
        shop.run(now)
        same = before and [a is b for a, b in zip(before.airs, shop.sight.airs, strict=True)]
        return judged.copy(), same

    places = ["bench", "corner", "yard"]
    for place in places:
        shop.air(NOON - 26 * HOUR, NOON, 48, place=place, sensor="a1")
    assert again(NOON)[0] == places
    assert again(NOON + MINUTE) == ([], [True] * 3)
    shop.air(NOON + MINUTE, NOON + 2 * MINUTE, 52, place="corner")
    assert again(NOON + 2 * MINUTE) == (["corner"], [True, False, True])
    shop.air(NOON - 300 * MINUTE - 1, NOON - 300 * MINUTE, 20)  # late
    assert again(NOON + 3 * MINUTE) == (["bench"], [False, True, True])
    seen = {rule: many for rule, many in shop.seen.items() if rule != "sensor-silent"}
    assert again(NOON + 4 * MINUTE) == ([], [True] * 3)
    assert all(a is b for a, b in zip(seen["dry"], shop.seen["dry"], strict=True))
    assert again(NOON + 6 * MINUTE) == ([], [False, True, False]), "old, but judged as before"
    assert again(NOON + 11 * MINUTE)[0] == places, "the day's first window has gone"
