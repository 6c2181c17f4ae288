"""Instruments from the terminal, against the commands in this process, and over MQTT."""

from __future__ import annotations

import json
from contextlib import closing
from datetime import timedelta
from zoneinfo import ZoneInfo

import command_server
import pytest
from command_server import opened
from conftest import mosquitto_pub, until

from monitor.commands import Journal
from monitor.core.clock import from_ms, now_ms
from monitor.domain.topic_rules import COMMAND_TOPIC
from monitor.science.plates.assessment import HomeAir
from monitor.science.plates.parts import PRESETS
from monitor.store import Reader

make_command_server = command_server.make_command_server  # fixtures
six_days = command_server.six_days
six_days_until_now = command_server.six_days_until_now

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture
def shop(make_command_server, six_days):
    return opened(make_command_server(), six_days, columns="100")


@pytest.fixture
def running(make_service, six_days_until_now):
    return opened(make_service(board=False), six_days_until_now, columns="100")


def journal(shop):
    with closing(Reader(shop.store)) as reader:
        return Journal(reader)


def ok(done):
    assert done.returncode == 0, done.stdout + done.stderr
    assert all(len(line) <= 100 for line in done.stdout.splitlines())
    return done.stdout


def day(ago):
    return (from_ms(now_ms()).astimezone(BERLIN) - timedelta(days=ago)).date().isoformat()


@pytest.mark.slow
def test_an_instrument_is_taken_in_opened_moved_closed_amended_and_handed_out(shop):
    told = ok(
        shop.command(
            "instrument",
            "register",
            "VN-31 [red]violin",
            "violin",
            "bench",
            "--home-rh",
            "62",
            "--home-temp",
            "68F",
            "--arrived",
            day(4),
            "--due",
            day(-9),
            "--part",
            "top.thickness_mm=2.6",
        )
    )
    assert "vn-31-red-violin is in the shop" in told
    one = journal(shop).instruments["vn-31-red-violin"]
    assert one.home == HomeAir(20.0, 62.0)
    assert [part.thickness_mm for part in one.parts] == [2.6, 3.5, 1.0, 16]
    due = from_ms(one.due_ms).astimezone(BERLIN)
    assert (due - from_ms(one.arrived_ms).astimezone(BERLIN)).days == 13
    ok(shop.command("instrument", "open", "VN-31 [red]violin", "--at", f"{day(3)}T10:00"))
    listed = ok(shop.command("instrument", "list"))
    assert "VN-31 [red]violin" in listed
    assert "violin, open" in listed
    assert "drier" in listed
    assert "not in this air: drier than at home" in " ".join(listed.split())
    ok(shop.command("instrument", "move", "vn-31-red-violin", "rack", "--at", f"{day(2)}T10:00"))
    ok(shop.command("instrument", "close", "vn-31-red-violin", "--at", f"{day(1)}T10:00"))
    ok(
        shop.command(
            "instrument",
            "amend",
            "vn-31-red-violin",
            "--home-rh",
            "none",
            "--due",
            "none",
            "--note",
            "back loose",
            "--drop",
            "ribs",
            "--part",
            "bar.species=norway_spruce",
            "--part",
            "bar.thickness_mm=6",
            "--part",
            "bar.width_mm=12",
        )
    )
    one = journal(shop).instruments["vn-31-red-violin"]
    assert (one.home.rh_pct, one.due_ms, one.note) == (None, None, "back loose")
    assert [part.name for part in one.parts] == ["top", "back", "neck block", "bar"]
    ok(shop.command("instrument", "amend", "vn-31-red-violin", "--like", "viola"))
    assert journal(shop).instruments["vn-31-red-violin"].parts == PRESETS["viola"]
    shown = ok(shop.command("instrument", "show", "vn-31-red-violin"))
    for text in (
        "note: back loose",
        "home air: not known",
        "neck block",
        "safe to close",
        "Assumed: ",
        "register",
        "amend",
    ):
        assert text in shown
    ok(shop.command("instrument", "leave", "vn-31-red-violin"))
    assert "VN-31" not in ok(shop.command("instrument", "list"))
    assert "VN-31 [red]violin" in ok(shop.command("instrument", "list", "--left"))
    assert "returned" in ok(shop.command("instrument", "show", "vn-31-red-violin"))


@pytest.mark.slow
def test_an_instrument_with_a_fresh_joint_is_not_called_safe_to_close(shop):
    air = ("--home-rh", "50", "--home-temp", "20C", "--arrived", day(4), "--open")
    ok(shop.command("instrument", "register", "VN-1", "violin", "bench", *air))
    show = ("instrument", "show", "VN-1")
    assert "safe to close: yes: near its home moisture" in ok(shop.command(*show))
    ok(shop.command("wait", "open", "cleat", "bench", "--instrument", "VN-1", "--what", "cleat"))
    told = " ".join(ok(shop.command(*show)).split())
    assert "safe to close: not now: “cleat” is not ready yet." in told
    assert "By the wood alone: yes: near its home moisture" in told
    assert "not now: “cleat” is not ready yet." in ok(shop.command("instrument", "list"))
    (against,) = json.loads(ok(shop.command(*show, "--json")))["against"]
    assert against.startswith("“cleat” is not ready yet.")


@pytest.mark.slow
def test_what_cannot_be_is_refused_in_words(shop):
    ok(shop.command("instrument", "register", "VN-1", "violin", "bench", "--home-rh", "50"))
    for arguments, code, why in [
        (("register", "VN-1", "violin", "bench"), 1, "reference = 'VN-1' is already in the shop"),
        (("register", "VN-2", "guitar", "bench"), 1, "must be one of violin, viola, cello, bass"),
        (
            ("register", "VN-2", "violin", "bench", "--home-rh", "150"),
            1,
            "home_rh_pct = 150.0: must",
        ),
        (("register", "VN-2", "violin", "a/b", "--home-rh", "150"), 1, "place has one of / + # $"),
        (("register", "VN-2", "violin", "bench", "--home-rh", "dry"), 2, "must be a number"),
        (("register", "VN-2", "violin", "bench", "--home-temp", "5K"), 2, "such as 21C or 70F"),
        (
            ("register", "VN-2", "violin", "bench", "--due", day(3)),
            1,
            "due is before the instrument",
        ),
        (("register", "VN-2", "violin", "bench", "--due", "friday"), 2, "must be a day or time"),
        (("amend", "VN-1", "--part", "top.thickness_mm=30"), 1, "at most the block's, 16 mm"),
        (
            ("amend", "VN-1", "--part", "top.thickness=3"),
            2,
            "thickness is not a field. Did you mean thick",
        ),
        (("amend", "VN-1", "--part", "top"), 2, "PART.FIELD=VALUE"),
        (("amend", "VN-1", "--drop", "scroll"), 1, "must be one of top, back, ribs, neck block"),
        (("amend", "VN-1", "--like", "guitar"), 2, "must be one of violin"),
        (("amend", "VN-1"), 1, "no field to correct"),
        (("close", "VN-1"), 1, "VN-1 is not open"),
        (("move", "VN-1", "bench"), 1, "is already there"),
        (("open", "VN-9"), 1, "There is no instrument 'VN-9'. Did you mean VN-1?"),
        (("show", "VN-9"), 1, "There is no instrument 'VN-9'. Did you mean VN-1?"),
    ]:
        done = shop.command("instrument", *arguments)
        assert (done.returncode, why in done.stderr) == (code, True), (arguments, done.stderr)
    assert list(journal(shop).instruments) == ["vn-1"]


@pytest.mark.slow
@pytest.mark.broker
def test_a_button_opens_an_instrument_over_mqtt(running):
    ok(running.command("instrument", "register", "VN-1", "violin", "bench"))
    press = {"id": "press-1", "do": "open", "instrument": "vn-1"}
    topic = COMMAND_TOPIC.format("instrument")
    mosquitto_pub(running.port, topic, json.dumps(press), account=running.own_account)
    until(lambda: journal(running).instruments["vn-1"].open_now)
    assert journal(running).instruments["vn-1"].events[-1].by == "mqtt"


def test_without_a_service_a_command_says_how_to_start_one(make_service):
    done = make_service().command("instrument", "register", "VN-1", "violin", "bench")
    assert done.returncode == 1
    assert "benchweather run" in done.stderr
