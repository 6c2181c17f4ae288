"""Causes of rejected messages, found by reading them anew, and the rules proposed for them."""

from __future__ import annotations

import pytest

from monitor.core.clock import now_ms
from monitor.core.measurements import REFUSED_PAYLOAD_MAX, Refusal
from monitor.readings.payload import PAYLOAD_MAX, Contract
from monitor.readings.rejection import RejectionCause, rejection

OURS = "benchweather/front-bench/fb-1"
SENML = b'[{"n":"humidity","u":"%%RH","v":%s}]'


@pytest.mark.parametrize(
    ("topic", "payload", "cause"),
    [
        (OURS, b"", RejectionCause.EMPTY),
        (OURS, b"  ", RejectionCause.EMPTY),
        (OURS, b"hello", RejectionCause.NOT_DATA),
        (OURS, b"\xff\x00\x17", RejectionCause.NOT_DATA),
        (OURS, SENML % b"140", RejectionCause.CONTENT),
        (OURS, b'{"humidity": 45}', RejectionCause.CONTENT),
        (OURS, SENML % b"45", RejectionCause.READABLE),
        ("attic/thing", b"21.5", RejectionCause.NO_RULE),
        ("attic/thing", b"", RejectionCause.NO_RULE),
        ("benchweather/weather/paper/forecast", b"{}", RejectionCause.FORECAST),
    ],
)
def test_a_message_is_read_anew_for_its_cause(topic, payload, cause):
    """Rung: property."""
    one = Refusal(now_ms(), topic, payload, len(payload), "as it was said then")
    assert rejection(one, Contract()).cause is cause


def test_a_message_that_was_not_kept_whole_is_not_read_again():
    """Rung: property."""
    part = b"[" + b"1," * (REFUSED_PAYLOAD_MAX // 2)
    for size, cause in (
        (9000, RejectionCause.CONTENT),
        (PAYLOAD_MAX + 1, RejectionCause.TOO_LONG),
    ):
        found = rejection(Refusal(now_ms(), OURS, part, size, "long"), Contract())
        assert (found.cause, found.rule) == (cause, None)
    strange = rejection(Refusal(now_ms(), "x/y", part, 9000, "long"), Contract())
    assert strange == (RejectionCause.NO_RULE, None, ())


def test_a_rule_is_proposed_that_reads_the_message():
    """Rung: property. The proposed rule is tried on the message it is for."""
    payload = b'{"temperature": 21.5, "humidity": 44}'
    one = Refusal(now_ms(), "attic/thing", payload, len(payload), "no rule")
    found = rejection(one, Contract())
    assert found.rule is not None
    assert any("humidity in %RH" in reason for reason in found.reasons)
    read = Contract((found.rule,)).decode(one.topic, one.payload, one.received_ms).readings
    assert sorted(r.value for r in read) == [21.5, 44.0]
    again = rejection(one, Contract((found.rule,)))
    assert again.cause is RejectionCause.READABLE
