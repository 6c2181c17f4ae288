"""The plan in the terminal: as it is, what if, a date to promise, and the last start of the day."""

from __future__ import annotations

import json
import subprocess
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import command_server
import paho.mqtt.client as paho
import pytest
from command_server import fill, opened
from conftest import mosquitto_pub, needs, until

from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.domain.alerts.rule_registry import in_use
from monitor.domain.topic_rules import COMMAND_TOPIC
from monitor.planning import present
from monitor.planning.problem import Note, NoteKind
from monitor.planning.words import AS_PLANNED, ASSUMED, ASSUMED_IF
from monitor.planning.worker import Planner
from monitor.service.state_publisher import REPAIR_FILTER
from monitor.settings import load
from monitor.store import Reader

make_command_server = command_server.make_command_server  # fixtures
six_days = command_server.six_days
HOUR_MS = 3_600_000
QUICK = {"kind": "glue crack", "name": "bass side", "after": [], "hands_on_min": [10, 12, 15]}
CRACK = [{"kind": "fit"}, QUICK]


def evening_hours(leave_in_min):
    """Settings of a shop in whose zone it is about noon, and which closes in so many minutes."""
    now = datetime.fromtimestamp(now_ms() / 1000, UTC)
    ahead = 12 - now.hour
    closes = now + timedelta(hours=ahead, minutes=leave_in_min)
    zone = f"Etc/GMT{-ahead:+d}"  # their sign is the other way round
    days = ("MONDAY", "TUESDAY", "WEDNESDAY", "THURSDAY", "FRIDAY", "SATURDAY", "SUNDAY")
    hours = {f"BENCHWEATHER_HOURS__{day}": f"08:00-{closes:%H:%M}" for day in days}
    return hours | {"BENCHWEATHER_SHOP__TIME_ZONE": zone}


@pytest.fixture
def shop(make_command_server, six_days):
    one = make_command_server()
    one.environment |= evening_hours(50)
    zone = one.environment["BENCHWEATHER_SHOP__TIME_ZONE"]
    opened(one, six_days)
    one.environment["BENCHWEATHER_SHOP__TIME_ZONE"] = zone
    one.stop()
    one.start()
    (one.data / "crack.json").write_text(json.dumps({"name": "Crack", "steps": CRACK}))
    one.command("template", "set", "crack", str(one.data / "crack.json"))
    for number in "12":
        one.command("instrument", "register", f"VN-{number}", "violin", "bench")
    return one


def shown(shop, *asked):
    done = shop.command(*asked, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_without_repairs_there_is_nothing_to_plan(shop):
    assert "No open repairs." in shop.command("plan").stdout


@pytest.mark.slow
def test_the_plan_is_shown_and_what_if_says_what_would_change(shop):
    for number in "12":
        shop.command("repair", "take-in", f"VN-{number}", "--template", "crack")
    shop.command("stock", "set", "crack-clamps", "--count", "7")
    plan = shown(shop, "plan")["plan"]
    glued = [one for one in plan["steps"] if one["step"] == "2"]
    # Seven clamps serve one crack at a time, so the second waits for the first.
    first, second = sorted(glued, key=lambda one: one["from_at"])
    assert second["from_at"] > first["off"]["usual_at"]
    text = shop.command("plan").stdout
    assert "Glue crack, bass side: VN-1" in text
    assert "VN-2, Crack" in text
    with closing(Reader(shop.store)) as reader:
        Planner(shop.settings, reader).look(now_ms())
    kept = present.read(shop.settings)
    notes = tuple(
        Note(kind, "1", "2", f"VN-1: {kind}.") for kind in (NoteKind.NOT_SAFE, NoteKind.LEFT_OPEN)
    )
    present.keep(shop.settings, replace(kept, plan=replace(kept.plan, notes=notes)))
    lines = " ".join(shop.command("plan").stdout.split())
    assert f"VN-1: left open. {ASSUMED} VN-1: not safe to close." in lines
    present.keep(shop.settings, replace(kept, plan=replace(kept.plan, notes=notes[1:])))
    assert ASSUMED not in " ".join(shop.command("plan").stdout.split())
    more = shown(shop, "plan", "--stock", "crack clamps=8")
    assert min(more["later_days"].values()) < -0.3
    told = shop.command("plan", "--stock", "crack-clamps=12", "--rush", "crack").stdout
    assert "later" in told  # the rush job goes first
    assert "New: crack" in told
    assert ASSUMED_IF in " ".join(told.split())
    assert "must be one of" in shop.command("plan", "--stock", "bananas=3").stderr
    none = shop.command("plan", "--stock", "crack-clamps=-4").stderr
    assert "number of crack-clamps = -4: must be 0 to 200" in none
    assert "must be a name and a number" in shop.command("plan", "--stock", "x=nan").stderr
    assert "20 to 80 %" in shop.command("plan", "--hold", "bench=99").stderr
    assert shop.command("plan", "--hold", "bench").returncode == 2


@pytest.mark.slow
def test_a_date_is_promised_for_a_repair_that_is_not_taken_in(shop):
    found = shown(shop, "promise", "crack", "--place", "bench")
    ready = found["ready"]
    assert ready["low_at"] <= ready["usual_at"] <= ready["high_at"]
    assert found["promise"] >= ready["high_at"][:10]
    assert (
        f"ready by then in 9 of 10 cases, {AS_PLANNED}."
        in shop.command("promise", "crack", "--place", "bench").stdout
    )
    assert "There is no template 'crak'" in shop.command("promise", "crak").stderr


@pytest.mark.slow
def test_the_planner_writes_the_plan_and_its_last_starts_become_a_notice(shop):
    shop.command("repair", "take-in", "VN-1", "--template", "crack")
    with closing(Reader(shop.store)) as reader:
        planner = Planner(shop.settings, reader)
        assert planner.look(now_ms())
        assert not planner.look(now_ms())  # nothing has changed
        found = present.read(shop.settings)
        (start,) = found.last_starts
        assert (start.repair, start.step, start.good) == ("1", "2", True)
        assert not found.improving
        shop.go_round()
        assert "last-start" not in {one["rule"] for one in shown(shop, "alert", "list")}
        shop.command("rule", "set", "last-start", "--on")
        assert in_use(shop.settings.limits, shop.commands.journal.rules)["last-start"].on
        shop.go_round()
        alerts = {one["rule"]: one for one in shown(shop, "alert", "list")}
        alert = alerts["last-start"]  # off unless wished
        assert (
            "Glue crack, bass side: VN-1. Start it now: its clamps may come off" in alert["detail"]
        )
        # It is started: the plan is made again at once, and there is nothing more to start.
        shop.command("repair", "start", "1", "2")
        assert planner.look(now_ms())
        assert present.read(shop.settings).last_starts == ()
        running = [one.step for one in present.read(shop.settings).plan.steps if one.running]
        assert running == ["2"]


@pytest.mark.slow
@pytest.mark.broker
def test_a_button_works_on_a_repair_and_its_state_is_published(make_service, tmp_path):
    """The whole service, with its planner, and another MQTT client."""
    needs("mosquitto_pub", "mosquitto-clients")
    fill(tmp_path / "present.sqlite3", 24 * 6)
    running = opened(make_service(board=False), tmp_path / "present.sqlite3")
    running.command("instrument", "register", "VN-1", "violin", "bench")

    settings = load(environ=running.environment)

    def publish(**command):
        topic = COMMAND_TOPIC.format("repair")
        text = json.dumps(command)
        mosquitto_pub(running.port, topic, text, account=running.own_account)

    def repairs():
        with closing(Reader(running.store)) as reader:
            return Journal(reader).repairs

    def planner_runs():
        asked = ["pgrep", "-P", str(running.pid), "-f", "monitor.planning"]
        return subprocess.run(asked, capture_output=True, check=False).returncode == 0

    assert not planner_runs()  # a shop without repairs needs none
    publish(do="take in", instrument="VN-1", template="top-cracks", id="tap-1")
    publish(do="take in", instrument="VN-1", template="top-cracks", id="tap-1")
    until(lambda: "1" in repairs())
    publish(do="finish", repair="1", step="1")
    publish(do="add", repair="1", kind="glue crack", name="second crack", after=["1"])
    publish(do="start", repair="1", step="14")
    until(lambda: repairs()["1"].steps[1].wait == "1")
    publish(do="start", repair="1", step="99")  # refused in words, and nothing is lost

    def planned():
        found = present.read(settings)
        return found and found.plan and any(one.running for one in found.plan.steps)

    until(planned, within_s=180)
    assert planner_runs()
    got = {}
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.on_connect = lambda c, *_: c.subscribe(REPAIR_FILTER, 1)
    client.on_message = lambda c, u, m: got.__setitem__(m.topic, json.loads(m.payload))
    client.username_pw_set(*running.own_account)
    client.connect("127.0.0.1", running.port)
    client.loop_start()
    topic = REPAIR_FILTER.replace("+", "1")
    running.command("repair", "correct", "1", "--note", "tell the client")
    # The round that follows at once may come before the new plan; the next one does not.
    until(lambda: got.get(topic, {}).get("ready_at"), within_s=180)
    assert got[topic]["under_way"] == ["Glue crack, second crack"]
    assert got[topic]["ready_from"] <= got[topic]["ready_at"] <= got[topic]["ready_until"]
    client.disconnect()
    client.loop_stop()
    with closing(Reader(running.store)) as reader:
        assert "must be one of" in reader.refused(1)[0].reason
