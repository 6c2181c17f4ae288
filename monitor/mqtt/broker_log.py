"""Refusals of the embedded broker, read from its log; the sender hears little or nothing of them."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

TAIL_MAX = 512_000
"""Part of the log that is read, from its end. [bytes]"""
_TEXT_MAX = 200
_LINE = re.compile(
    r"\[\d+\] (\d{4}/\d\d/\d\d \d\d:\d\d:\d\d)\S* \[(?:ERR|WRN)\] "
    r'(\S+):\d+ - mid:\d+ - "(.*?)" - (.+)'
)
_SUBJECT = re.compile(r'(Publish|Subscription) Violation - .*?Subject "(.*?)"')
_REASONS = (
    (
        "invalid character in client ID",
        "Its client id has a '.', '*', '>', a space or a control character, which the broker "
        "does not allow.",
    ),
    (
        "character not supported for MQTT topics",
        "Its topic has a space or a control character, which the broker does not allow. The "
        "broker ended the connection.",
    ),
    ("authentication error - User", "Its user or password is wrong."),
    ("authentication error", "It gave no user, or a wrong one."),
)


class BrokerRefusal(NamedTuple):
    """Refusal of the broker to a client: how often, and when last [ms since 1970-01-01 UTC].

    Client id and topic come from anyone who reaches the broker: do not trust them. `topic`: on which
    it may not publish; empty for another reason.
    """

    client_id: str
    host: str
    reason: str
    times: int
    last_ms: int
    topic: str = ""


def log_size(path: Path) -> int:
    """Size of the log, to read later what came after. [bytes]"""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def broker_refusals(path: Path, since: int = 0) -> list[BrokerRefusal]:
    """Refusals in the log, the newest first, each client and reason once.

    Parameters
    ----------
    path : Path
    since : int
        Place in the log to begin at; at most `TAIL_MAX` before its end are read. [bytes]
    """
    try:
        with path.open("rb") as log:
            log.seek(max(since, log_size(path) - TAIL_MAX))
            text = log.read(TAIL_MAX).decode("utf-8", "replace")
    except OSError:
        return []
    found: dict[tuple[str, str, str], BrokerRefusal] = {}
    for line in text.splitlines():
        if (match := _LINE.match(line)) is None:
            continue
        stamp, host, client_id, words = match.groups()
        reason, topic = _reason(words)
        if not reason:
            continue
        at = datetime.strptime(stamp, "%Y/%m/%d %H:%M:%S").replace(tzinfo=UTC)
        key = (client_id[:_TEXT_MAX], host, reason)
        before = found.pop(key, None)
        times = before.times + 1 if before else 1
        found[key] = BrokerRefusal(*key, times, round(1000 * at.timestamp()), topic)
    return list(found.values())[::-1]


def _reason(words: str) -> tuple[str, str]:
    """Reason in a sentence, empty if the line is not a refusal, or repeats one; and the topic on
    which it may not publish."""
    if match := _SUBJECT.match(words):
        topic = match[2].replace("//", "\0").replace(".", "/").replace("\0", ".")[:_TEXT_MAX]
        if match[1] == "Publish":
            return (
                f"It may not publish on {topic}: the message was acknowledged and dropped.",
                topic,
            )
        return f"It may not read {topic}.", ""
    if words.startswith("unable to connect"):
        return "", ""
    return next((said for begins, said in _REASONS if words.startswith(begins)), ""), ""
