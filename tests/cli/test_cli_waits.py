"""Waits from the terminal, against the commands in this process, and over MQTT against a service."""

from __future__ import annotations

import io
import json
from contextlib import closing
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import command_server
import paho.mqtt.client as paho
import pytest
from command_server import fill, opened
from conftest import RunningService, mosquitto_pub, until

from monitor.commands import Journal
from monitor.core.clock import from_ms, now_ms, to_ms
from monitor.domain.cautions import DEFERS, WORDS
from monitor.domain.topic_rules import COMMAND_TOPIC
from monitor.domain.wait import Feel
from monitor.domain.wait_types import KINDS
from monitor.science.waits.parameters import parameters
from monitor.service.state_publisher import STATE_FILTER
from monitor.store import Reader

make_command_server = command_server.make_command_server  # fixtures
six_days = command_server.six_days

HOUR = 3_600_000


@pytest.fixture
def shop(make_command_server, six_days):
    return opened(make_command_server(), six_days)


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    """The whole service, for what comes and goes over MQTT, with air up to the machine's own
    present: the air of `six_days` may end at the tests' clock, which is another day."""
    folder = tmp_path_factory.mktemp("running")
    fill(folder / "present.sqlite3", 24 * 6)
    one = RunningService(folder / "shop", board=False)
    try:
        yield opened(one, folder / "present.sqlite3")
    finally:
        one.clear()


def journal(shop):
    with closing(Reader(shop.store)) as reader:
        return Journal(reader)


def ok(done):
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_a_wait_is_opened_released_and_learned_from(shop):
    told = ok(
        shop.command(
            "wait",
            "open",
            "plate-crack",
            "bench",
            "--instrument",
            "VN-204",
            "--what",
            "crack by the f-hole",
            "--clamps",
            "4",
        )
    )
    assert "opened 1" in told
    assert "Plate crack" in told
    for caution in KINDS["plate-crack"].cautions:
        assert f"Caution: {WORDS[caution]}" in told
    assert told.rstrip().endswith(DEFERS)
    listed = ok(shop.command("wait", "list"))
    assert "VN-204" in listed
    assert "waiting" in listed
    ok(shop.command("wait", "correct", "1", "--at", "00:01", "--instrument", "VN-205"))
    ok(shop.command("wait", "pause", "1"))
    ok(shop.command("wait", "resume", "1"))
    ok(shop.command("wait", "move", "1", "rack"))
    ok(shop.command("wait", "release", "1", "--yes", "--feel", "right"))
    assert "VN-205" in ok(shop.command("wait", "list", "--finished"))
    ok(shop.command("wait", "feel", "1", "soft"))
    assert journal(shop).waits["1"].feel is Feel.SOFT
    ok(shop.command("wait", "reopen", "1"))
    history = ok(shop.command("wait", "history", "1"))
    assert "expected_air" not in history
    for action in ("open", "correct", "pause", "resume", "move", "release", "feel", "reopen"):
        assert action in history


def test_what_cannot_be_is_refused_in_words(shop):
    for arguments, why in [
        (("open", "no-such", "bench"), "must be one of plate-crack"),
        (
            ("open", "cleat", "bnech"),
            "place = 'bnech': must be one of attic, bench, rack; to add one",
        ),
        (("release", "9"), "there is no wait '9'"),
        (("open", "cleat", "bench", "--at", "2099-01-01T10:00"), "in the future"),
        (("history", "9"), "There is no wait '9'"),
    ]:
        done = shop.command("wait", *arguments)
        assert done.returncode == 1
        assert why in done.stderr


def test_without_a_service_a_command_says_how_to_start_one(make_service):
    done = make_service().command("wait", "open", "cleat", "bench")
    assert done.returncode == 1
    assert "benchweather run" in done.stderr


def test_kinds_are_shown_changed_added_and_retired(shop):
    assert "Neck or block joint" in ok(shop.command("kind", "list"))
    shown = ok(shop.command("kind", "list", "plate-crack"))
    assert all(p.name in shown for p in parameters(KINDS["plate-crack"].law))
    ok(
        shop.command(
            "kind", "set", "patch", "--like", "cleat", "--name", "Patch", "--basis-h", "9"
        )
    )
    assert journal(shop).book["patch"].basis_s == 9 * 3600
    done = shop.command("kind", "set", "patch", "--parameter", "colour=3")
    assert "law.colour is not a parameter of glue: must be one of" in done.stderr
    ok(shop.command("kind", "retire", "patch"))
    assert "patch" not in journal(shop).book


@pytest.mark.slow
def test_waits_are_released_together_and_what_one_refuses_holds_up_no_other(shop):
    ok(shop.command("wait", "open", "cleat", "bench", "--count", "6"))
    ok(shop.command("wait", "release", "2", "--yes"))
    done = shop.command("wait", "release", "1-4", "6", "--yes", "--feel", "right")
    assert done.returncode == 1
    assert done.stdout.split() == ["1:", "done", "3:", "done", "4:", "done", "6:", "done"]
    assert "2: Cleat 2 of 6 is released: reopen it first" in done.stderr
    found = journal(shop).waits
    assert [i for i, wait in found.items() if wait.open] == ["5"]
    assert found["3"].feel is Feel.RIGHT
    listed = ok(shop.command("kind", "list", "--json"))
    set_h = next(one["basis_s"] for one in json.loads(listed) if one["id"] == "cleat") / 3600
    used_h = journal(shop).learned("cleat").used_s / 3600
    row = " ".join(ok(shop.command("kind", "list")).split()).partition(" cleat ")[2]
    assert f"{used_h:.1f}" in row.partition("closing")[0]
    assert f"learned; set: {set_h:g}" in row.partition("closing")[0]
    ok(shop.command("wait", "reopen", "3", "4"))
    ok(shop.command("wait", "pause", "3-5"))
    assert all(journal(shop).waits[i].paused for i in ("3", "4", "5"))
    assert shop.command("wait", "release", "9-3").returncode == 2


def test_clamps_and_wanted_time_are_put_right_and_taken_away(shop):
    berlin = ZoneInfo("Europe/Berlin")
    wanted = (
        from_ms(now_ms()).astimezone(berlin).replace(hour=9, minute=0, second=0, microsecond=0)
    )
    ok(shop.command("wait", "open", "cleat", "bench"))
    ok(shop.command("wait", "correct", "1", "--clamps", "7", "--wanted", wanted.isoformat()[:16]))
    wait = journal(shop).waits["1"]
    assert wait.clamps == 7
    assert wait.wanted_ms == to_ms(wanted)
    ok(shop.command("wait", "correct", "1", "--clamps", "0", "--wanted", "none"))
    wait = journal(shop).waits["1"]
    assert (wait.clamps, wait.wanted_ms) == (0, None)


def test_the_list_fits_a_hundred_columns_and_shows_names_as_typed(shop):
    shop.environment["COLUMNS"] = "100"
    ok(
        shop.command(
            "wait",
            "open",
            "neck-or-block",
            "bench",
            "--instrument",
            "[red]x :violin:",
            "--what",
            "neck set with a patch",
            "--clamps",
            "3",
        )
    )
    ok(shop.command("wait", "open", "cleat", "attic"))
    listed = ok(shop.command("wait", "list"))
    assert max(map(len, listed.splitlines())) <= 100
    assert "[red]x :violin:, neck set with a patch" in listed
    rows = listed.splitlines()
    first = [i for i, line in enumerate(rows) if line[:1].isdecimal()]
    twice = "CEST" in listed  # the hour that comes twice names its zone, which takes a line
    assert first[1] - first[0] == (3 if twice else 2), listed
    assert "There is no reading" in listed
    ok(shop.command("wait", "release", "1", "--yes"))
    assert "[red]x :violin:" in ok(shop.command("wait", "list", "--finished"))
    assert "[red]x :violin:" in ok(shop.command("wait", "history", "1"))


def test_a_kind_off_the_list_comes_back_as_it_last_was(shop):
    ok(shop.command("kind", "set", "cleat", "--basis-h", "5"))
    before = journal(shop).book["cleat"]
    ok(shop.command("kind", "retire", "cleat"))
    assert "cleat is back on the list" in ok(shop.command("kind", "restore", "cleat"))
    assert journal(shop).book["cleat"] == before
    again = shop.command("kind", "restore", "cleat")
    assert again.returncode == 1
    assert "kind = 'cleat': must be a retired type: none is retired" in again.stderr


def publish(shop, payload):
    text = payload if isinstance(payload, str) else json.dumps(payload)
    mosquitto_pub(shop.port, COMMAND_TOPIC.format("wait"), text, account=shop.own_account)


@pytest.mark.slow
@pytest.mark.broker
def test_a_button_opens_a_wait_once_however_often_it_comes(running):
    press = {"id": "press-1", "do": "open", "kind": "cleat", "place": "bench", "count": 8}
    before = journal(running).waits
    publish(running, press)
    publish(running, press)
    until(lambda: len(journal(running).waits) == len(before) + 8)
    third = sorted(journal(running).waits.keys() - before, key=int)[2]
    publish(running, {"do": "release", "wait": third})
    until(lambda: not journal(running).waits[third].open)
    assert len(journal(running).waits) == len(before) + 8
    assert journal(running).waits[third].events[-1].by == "mqtt"


@pytest.mark.slow
@pytest.mark.broker
def test_a_command_that_cannot_be_is_kept_as_refused_and_stops_nothing(running):
    for payload in (
        "junk",
        "[]",
        '{"do":"dance"}',
        '{"do":["open"]}',
        '{"do":"open","kind":"cleat"}',
        '{"do":"open","kind":"cleat","place":"bench","count":1e9}',
        '{"id":7,"do":"open"}',
    ):
        publish(running, payload)

    def refused():
        with closing(Reader(running.store)) as reader:
            return reader.refused(20)

    until(lambda: len(refused()) == 7)
    assert all(item.topic == COMMAND_TOPIC.format("wait") for item in refused())
    before = len(journal(running).waits)
    publish(running, {"do": "open", "kind": "cleat", "place": "bench"})
    until(lambda: len(journal(running).waits) == before + 1)


@pytest.mark.slow
@pytest.mark.broker
def test_how_waits_stand_is_told_on_a_retained_topic(running):
    # Within the readings, the last of which is a minute old: what no air is known of is unknown.
    began = datetime.now(ZoneInfo("Europe/Berlin")) - timedelta(minutes=10)
    at, before = began.isoformat(timespec="minutes"), journal(running).waits
    ok(running.command("wait", "open", "cleat", "bench", "--at", at))
    (number,) = journal(running).waits.keys() - before
    got = {}
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.on_connect = lambda c, *_: c.subscribe(STATE_FILTER, 1)
    client.on_message = lambda c, u, m: got.__setitem__(m.topic, m.payload)
    client.username_pw_set(*running.own_account)
    client.connect("127.0.0.1", running.port)
    client.loop_start()
    topic = STATE_FILTER.replace("+", number)
    until(lambda: topic in got, within_s=90)
    told = json.loads(got[topic])
    assert (told["kind"], told["place"]) == ("cleat", "bench")
    assert told["state"] in ("waiting", "ready")
    assert told["ready_at"].endswith("Z")
    assert told["load_at"].endswith("Z")
    assert not told["setting"]
    ok(running.command("wait", "release", number, "--yes"))
    until(lambda: b'"setting": true' in got[topic], within_s=90)
    told = json.loads(got[topic])
    assert told["load_at"] > told["ready_at"]  # the clamps are off; it still counts
    ok(running.command("wait", "load", number))
    until(lambda: got[topic] == b"", within_s=90)
    client.disconnect()
    client.loop_stop()


def answering(monkeypatch, text):
    monkeypatch.setattr("sys.stdin", io.StringIO(text))


@pytest.mark.slow
def test_a_release_before_the_safe_minimum_is_asked_for_once_in_the_terminal(shop, monkeypatch):
    for _ in range(2):
        ok(shop.command("wait", "open", "cleat", "bench"))
    earlier = from_ms(now_ms() - 9 * HOUR).isoformat()
    ok(shop.command("wait", "open", "cleat", "bench", "--at", earlier))
    answering(monkeypatch, "n\n")
    refused = shop.command("wait", "release", "1")
    assert refused.returncode == 1
    assert "before the safe minimum (1: 2 h)" in refused.stdout + refused.stderr
    assert journal(shop).waits["1"].open
    answering(monkeypatch, "y\n")
    ok(shop.command("wait", "release", "1"))
    answering(monkeypatch, "")  # nothing to answer with
    ok(shop.command("wait", "release", "2", "--yes"))
    ok(shop.command("wait", "release", "3"))  # long after its minimum
    assert not any(wait.open for wait in journal(shop).waits.values())


@pytest.mark.slow
def test_a_joint_counts_in_the_list_until_it_is_loaded(shop):
    ok(shop.command("wait", "open", "cleat", "bench"))
    (told,) = json.loads(ok(shop.command("wait", "list", "--json")))
    assert told["load_ready_at"] > told["ready_at"]
    assert "may be worked" in ok(shop.command("wait", "list"))
    early = shop.command("wait", "load", "1")
    assert early.returncode == 1
    assert "only a joint whose clamps are off" in early.stderr
    ok(shop.command("wait", "release", "1", "--yes"))
    assert "clamps off" in ok(shop.command("wait", "list"))
    ok(shop.command("wait", "move", "1", "rack"))
    ok(shop.command("wait", "load", "1"))
    assert "No open waits" in ok(shop.command("wait", "list"))
