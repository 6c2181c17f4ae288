"""Glue from the terminal, against the commands in this process."""

from __future__ import annotations

import json

import command_server
import pytest
from command_server import opened

from monitor.domain.cautions import DEFERS, WORDS, Caution

make_command_server = command_server.make_command_server  # fixtures
six_days = command_server.six_days


@pytest.fixture
def shop(make_command_server, six_days):
    return opened(make_command_server(), six_days)


def listed(shop, *more):
    return json.loads(shop.command("glue", "list", "--json", *more).stdout)


def test_a_batch_is_mixed_heated_and_discarded(shop):
    done = shop.command("glue", "mix", "hide", "--name", "jar A", "--strength", "192 g")
    assert "Glue 1: Hide glue, jar A, 192 g." in done.stdout
    assert "limit 8 h (4 h to 12 h; common practice, no source)" in done.stdout
    assert f"Caution: {WORDS[Caution.HOT_GLUE_POT]}" in done.stdout
    assert DEFERS in done.stdout
    on = shop.command("glue", "pot-on", "1")
    assert WORDS[Caution.HOT_GLUE_POT] in on.stdout
    (one,) = listed(shop)
    assert (one["kind"], one["state"], one["hot_limit"]["usual_h"]) == ("hide", "good", 8)
    assert one["pot_on_at"]
    assert "already on" in shop.command("glue", "pot-on", "1").stderr
    assert "unplug it" in shop.command("glue", "discard", "1").stderr
    assert shop.command("glue", "pot-off", "1").returncode == 0
    assert shop.command("glue", "discard", "1").returncode == 0
    assert listed(shop) == []
    assert [g["glue"] for g in listed(shop, "--discarded")] == ["1"]
    history = shop.command("glue", "show", "1").stdout
    for word in ("Mixed or opened", "Pot on", "Pot off", "Discarded"):
        assert word in history


def test_a_wait_takes_the_glues_time_or_asks_for_it(shop):
    shop.command("glue", "mix", "epoxy")
    refused = shop.command("wait", "open", "cleat", "bench", "--glue", "1")
    assert "no clamp time" in refused.stderr
    assert refused.returncode == 1
    shop.command("glue", "correct", "1", "--clamp-h", "16")
    done = shop.command("wait", "open", "cleat", "bench", "--glue", "1")
    assert WORDS[Caution.REACTIVE_GLUES] in done.stdout
    assert WORDS[Caution.HOT_GLUE_POT] not in done.stdout


@pytest.mark.parametrize(
    ("arguments", "said", "code"),
    [
        (("mix", "jam"), "one of hide, fish", 1),
        (("mix", "hide", "--at", "2030-01-01"), "in the future", 1),
        (("mix", "hide", "--hot-h", "1e9"), "0 to 1000", 1),
        (("mix", "hide", "--hot-h", "many"), "must be a number", 2),
        (("mix", "hide", "--strength", "x" * 90), "at most 80 characters", 1),
        (("show", "4"), "glue", 1),
        (("pot-off", "4"), "glue", 1),
    ],
)
def test_bad_input_is_refused_in_words(shop, arguments, said, code):
    done = shop.command("glue", *arguments)
    assert done.returncode == code
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_glue_now_answers_with_reasons_ranges_and_cautions(shop):
    done = shop.command("glue", "now", "--place", "bench", "--open-s", "15")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Yes. The air and the parts are right for glue.")
    for word in ("±2 % RH", "practice tables at 20 °C", "assumed as warm as the room"):
        assert word in done.stdout
    assert f"Caution: {WORDS[Caution.HOT_GLUE_POT]}" in done.stdout
    cold = shop.command("glue", "now", "--place", "bench", "--parts-c", "10C", "--json")
    found = json.loads(cold.stdout)
    assert (found["answer"], found["why"][0]) == ("Not now", "parts cold")
    assert found["ready_at"] > found["ready_low_at"][:10]


def test_glue_now_does_not_know_without_a_reading(shop):
    found = json.loads(shop.command("glue", "now", "--place", "attic", "--json").stdout)
    assert (found["answer"], found["why"]) == ("Not known", ["no reading"])
    assert found["open_time_s"] is None
    assert found["ready_at"] is None


def test_glue_now_includes_the_wood_of_an_instrument(shop):
    shop.command("instrument", "register", "VN-9", "violin", "bench", "--cold", "2C")
    found = json.loads(
        shop.command("glue", "now", "--place", "bench", "--instrument", "VN-9", "--json").stdout
    )
    assert found["answer"] == "Not now"
    assert found["parts_temp_c"] < 10
    assert "Leave its case shut" in " ".join([found["sentence"], *found["reasons"]])
    other = shop.command("glue", "now", "--place", "rack", "--instrument", "VN-9", "--json")
    assert "instrument elsewhere" in json.loads(other.stdout)["why"]


@pytest.mark.parametrize(
    ("arguments", "said", "code"),
    [
        (("--place", "cellar"), "one of bench", 1),
        (("--place", "bench", "--kind", "jam"), "one of plate-crack", 1),
        (("--place", "bench", "--parts-c", "hot"), "must be a temperature", 2),
        (("--place", "bench", "--parts-c", "900C"), "-30 to 60", 1),
        (("--place", "bench", "--open-s", "1e9"), "1 to 3600", 1),
        (("--place", "bench", "--glue", "3"), "glue", 1),
    ],
)
def test_a_question_that_cannot_be_is_refused_in_words(shop, arguments, said, code):
    done = shop.command("glue", "now", *arguments)
    assert done.returncode == code
    assert said in done.stderr
    assert "Traceback" not in done.stderr
