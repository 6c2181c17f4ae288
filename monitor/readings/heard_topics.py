"""Topics heard while the service listens to every message, kept in a document for the board.

Everything in it comes from anyone who reaches the broker: it is shown as text only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from monitor.settings.change import rule_as_content

if TYPE_CHECKING:
    from monitor.readings.topic_discovery import TopicListener, TopicReport
    from monitor.store.documents import Documents

NAME = "heard-topics.json"
"""Name of the document."""
SHOWN = 160
"""Longest part of a message that is kept. [characters]"""
REASON_MAX, REASONS_MAX = 300, 8


class HeardTopic(msgspec.Struct, frozen=True, kw_only=True):
    """A topic that is not read: its newest message, why it is not read, and a rule that would read
    it, as the settings file has it; None if there is none, with the reasons."""

    topic: str
    payload: str
    messages: int
    why: str
    reasons: tuple[str, ...]
    rule: dict[str, Any] | None


class HeardTopics(msgspec.Struct, frozen=True, kw_only=True):
    """Topics heard, and until when the service listens. [ms since 1970-01-01 UTC]

    `read` is the number of topics that are read already, `trouble` the reason why nothing is heard.
    """

    until_ms: int
    topics: tuple[HeardTopic, ...] = ()
    read: int = 0
    trouble: str = ""


NOTHING = HeardTopics(until_ms=0)


def heard_topics(ear: TopicListener, until_ms: int, trouble: str = "") -> HeardTopics:
    """Topics that a listener has heard so far."""
    missed = [_topic(one) for one in ear.heard.values() if not one.taken]
    return HeardTopics(
        until_ms=until_ms, topics=tuple(missed), read=len(ear.heard) - len(missed), trouble=trouble
    )


def _topic(one: TopicReport) -> HeardTopic:
    found = one.proposed()
    return HeardTopic(
        topic=one.topic,
        payload=one.payload[: 4 * SHOWN].decode("utf-8", "replace")[:SHOWN],
        messages=one.messages,
        why=one.outcome[:REASON_MAX],
        reasons=tuple(reason[:REASON_MAX] for reason in found.reasons[:REASONS_MAX]),
        rule=rule_as_content(found.rule) if found.rule else None,
    )


def write(home: Documents, heard: HeardTopics) -> None:
    """Write the document. The caller reports an OSError or a StoreFault."""
    home.put(NAME, msgspec.json.encode(heard).decode())


def read(home: Documents) -> HeardTopics:
    """Topics that were heard last; `NOTHING` if there is no document, or it cannot be read."""
    try:
        return msgspec.json.decode(home.read(NAME), type=HeardTopics)
    except (OSError, msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return NOTHING
