"""Topic filters, as MQTT 3.1.1 has them."""

from __future__ import annotations

import pytest

from monitor.domain.topic_rules import command_about, filter_fault, matches


# Source: MQTT 3.1.1 (OASIS, 2014), sections 4.7.1.2 and 4.7.1.3, the examples given there.
# From memory of the standard's text.
@pytest.mark.parametrize(
    ("topic_filter", "topic", "fits"),
    [
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("a/b", "a/c", False),
    ],
)
def test_a_filter_matches_as_the_standard_says(topic_filter, topic, fits):
    assert matches(topic_filter, topic) is fits


@pytest.mark.parametrize("good", ["#", "+", "a/+/b", "a/#", "/", "+/tennis/#"])
def test_a_sound_filter_has_no_fault(good):
    assert filter_fault(good) is None


@pytest.mark.parametrize(
    "bad", ["", "sport/tennis#", "a/#/b", "sport+", "a b", "$SYS/#", "a\0", "a/*/b", "a/>"]
)
def test_an_unsound_filter_is_told(bad):
    assert filter_fault(bad)


@pytest.mark.parametrize(
    ("topic", "about"),
    [
        ("benchweather/bench/wait/do", "wait"),
        ("benchweather/bench/alert/do", "alert"),
        ("benchweather/bench/wait/12/state", None),
        ("benchweather/front-bench/a1", None),
    ],
)
def test_a_command_says_in_its_topic_what_it_is_about(topic, about):
    assert command_about(topic) == about
