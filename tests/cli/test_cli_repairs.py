"""Repairs from the terminal, against the commands in this process and stored air."""

from __future__ import annotations

import json
from datetime import timedelta

import command_server
import pytest
from command_server import opened

from monitor.core.clock import today
from monitor.domain.cautions import DEFERS, WORDS, Caution

make_command_server = command_server.make_command_server  # fixtures
six_days = command_server.six_days


@pytest.fixture
def shop(make_command_server, six_days):
    one = opened(make_command_server(), six_days)
    one.command("instrument", "register", "VN-31 violin", "violin", "bench")
    return one


def shown(shop, *asked):
    return json.loads(shop.command(*asked, "--json").stdout)


def steps_of(shop):
    return {one["id"]: one for one in shown(shop, "repair", "show", "1")["steps"]}


@pytest.mark.slow
def test_a_repair_goes_from_taking_in_to_handing_out(shop):
    monday = today(shop.settings.zone) + timedelta(days=30)
    monday -= timedelta(days=monday.weekday())
    done = shop.command(
        "repair", "take-in", "VN-31", "--template", "open-seams", "--promise", str(monday)
    )
    assert "Repair 1: VN-31 violin, Open seams. Promised: " in done.stdout, done.stderr
    assert "18:00" in done.stdout  # closing time of that day
    assert shop.command("repair", "finish", "1", "1", "--taken", "25").returncode == 0
    started = shop.command("repair", "start", "1", "2")
    assert "Step 2 is started. Wait 1 is open." in started.stdout
    assert f"Caution: {WORDS[Caution.HOT_GLUE_POT]}" in started.stdout
    assert DEFERS in started.stdout
    (wait,) = shown(shop, "wait", "list")
    assert (wait["kind"], wait["what"], wait["clamps"]) == ("rib-seam", "seams", 8)
    assert shown(shop, "stock", "list")[1]["in_use"] == 8
    shop.command("wait", "release", "1", "--yes")
    assert steps_of(shop)["2"]["state"] == "finished"
    shop.command("repair", "start", "1", "3")
    early = shop.command("repair", "finish", "1", "3", "--feel", "right")
    assert early.returncode == 1
    assert "has not reached its safe minimum" in early.stdout
    shop.command("repair", "finish", "1", "3", "--feel", "right", "--yes")
    assert "not finished: Set up" in shop.command("repair", "hand-out", "1").stderr
    assert "Do not work, load or string it" in shop.command("repair", "finish", "1", "4").stdout
    shop.command("repair", "finish", "1", "4", "--yes")
    assert "is handed out" in shop.command("repair", "hand-out", "1").stdout
    finished = shop.command("repair", "list", "--finished").stdout
    assert "Promises kept: 1 of 1" in finished
    assert "No open repairs." in shop.command("repair", "list").stdout


def test_a_second_crack_goes_in_and_steps_are_changed_fixed_and_removed(shop):
    shop.command("repair", "take-in", "VN-31", "--template", "top-cracks")
    shop.command("repair", "finish", "1", "1")
    shop.command("repair", "add", "1", "clean", "--name", "second crack", "--wait", "none")
    assert steps_of(shop)["14"]["after"] == ["1"]
    assert steps_of(shop)["2"]["after"] == ["1", "14"]
    shop.command(
        "repair", "change", "1", "14", "--minutes", "20-30-60", "--not-overnight",
        "--needs", "crack-clamps=2", "--consent",
    )  # fmt: skip # several on a line, as they are typed
    step = steps_of(shop)["14"]
    assert (step["hands_on_min"]["high"], step["overnight"]) == (60, False)
    assert step["needs"] == {"crack-clamps": 2}
    assert "awaits the client's consent" in shop.command("repair", "start", "1", "14").stderr
    assert "Consent is noted." in shop.command("repair", "consent", "1").stdout
    monday = today(shop.settings.zone) + timedelta(days=14)
    monday -= timedelta(days=monday.weekday())
    assert "Fixed: " in shop.command("repair", "move", "1", "14", f"{monday}T10:00").stdout
    night = shop.command("repair", "move", "1", "14", f"{monday}T03:00")
    assert "outside opening hours" in night.stderr
    assert "chooses" in shop.command("repair", "move", "1", "14", "free").stdout
    assert "in a circle" in shop.command("repair", "change", "1", "14", "--after", "3").stderr
    shop.command("repair", "remove", "1", "14")
    assert "14" not in steps_of(shop)
    assert "Peg-hole" not in shop.command("repair", "add-template", "1", "bushing").stderr
    added = [one for own, one in steps_of(shop).items() if int(own) > 14]
    assert [one["kind"] for one in added] == ["fit", "fill", "fit", "retouch"]
    assert "must be one of" in shop.command("repair", "add-template", "1", "none").stderr


def test_templates_and_stock_are_changed_from_the_terminal(shop, tmp_path):
    file = tmp_path / "own.json"
    made = json.loads(shop.command("template", "show", "retouch").stdout)
    made["steps"] = made["steps"][:2]
    file.write_text(json.dumps(made))
    done = shop.command("template", "set", "small-retouch", str(file), "--name", "Small retouch")
    assert "is set" in done.stdout, done.stderr
    found = {one["template"]: one for one in shown(shop, "template", "list")}
    assert [one["kind"] for one in found["small-retouch"]["steps"]] == ["clean", "varnish"]
    assert found["small-retouch"]["source"] == "the shop's own"
    file.write_text("[]")
    assert shop.command("template", "set", "x", str(file)).returncode == 2
    shop.command("template", "retire", "bar")
    assert "bar\t" not in shop.command("template", "list").stdout
    assert "is back" in shop.command("template", "restore", "bar").stdout
    shop.command("stock", "set", "crack-clamps", "--count", "12")
    assert shown(shop, "stock", "list")[0]["count"] == 12
    assert "needs 4" in shop.command("stock", "set", "crack-clamps", "--count", "3").stderr
    assert shop.command("stock", "set", "hot-box", "--count", "1", "--place").returncode == 0
    assert "is removed" in shop.command("stock", "remove", "hot-box").stdout
