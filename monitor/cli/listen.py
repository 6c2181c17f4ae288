"""`benchweather sensor listen`: messages on the broker, and rules for those that are not read."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import sys
from typing import Annotated, Any

import typer

from monitor.cli.output import err, out, print_table, printable
from monitor.cli.shared import Json, wrong
from monitor.domain.topic_rules import TopicRule, filter_fault
from monitor.settings import Settings

LISTEN_MAX_S = 86_400
SHOWN = 160
"""Longest part of a message printed. [characters]"""


def listen(
    settings: Settings,
    for_: Annotated[
        float, typer.Option("--for", min=1, max=LISTEN_MAX_S, help="Time to listen, in seconds")
    ] = 60.0,
    topic: Annotated[str, typer.Option(help="Only topics under this MQTT filter")] = "#",
    as_json: Json = False,
) -> None:
    """Show messages that arrive on the broker, and propose rules for those not read.

    Stop the service first if it runs its own broker. Another broker is listened to as it runs.
    """
    from monitor.mqtt.broker_log import broker_refusals, log_size
    from monitor.readings.topic_discovery import TopicListener, listen, opened
    from monitor.settings.shop_broker import broker_address

    if fault := filter_fault(topic):
        wrong(f"--topic {topic!r} {fault}")
    address = broker_address(settings)
    log_before = log_size(settings.broker_log_path)
    seen: set[str] = set()

    def each(ear: TopicListener) -> None:
        if as_json:
            return
        for one in [one for name, one in list(ear.heard.items()) if name not in seen]:
            seen.add(one.topic)
            out.print(printable(one.topic), style="bold")
            out.print(f"  {one.kind}: {_shown(one.payload)}")
            out.print(f"  {'read' if one.taken else 'NOT READ'}: {printable(one.outcome)}")

    own = None if settings.broker.url else opened(settings, address)
    with own or contextlib.nullcontext(address) as where:
        err.print(f"Listening for {for_:g} s to {where}, topics {topic}. Ctrl-C ends sooner.")
        ear = listen(where, topic, settings.topics, for_, each)
    refused = [] if settings.broker.url else broker_refusals(settings.broker_log_path, log_before)
    missed = [one for one in ear.heard.values() if not one.taken]
    if as_json:
        print(
            json.dumps(
                {
                    "topics": [_record(one) for one in ear.heard.values()],
                    "beyond": ear.beyond,
                    "refused": [one._asdict() for one in refused],
                },
                ensure_ascii=False,
            )
        )
        return
    for turned in refused:
        client = printable(turned.client_id) or "without an id"
        out.print(
            f"REJECTED by the broker, times: {turned.times}. Client {client} from {turned.host}. "
            f"{printable(turned.reason)}"
        )
    if not ear.heard:
        out.print(
            "Nothing arrived. Does the sender know this broker's address, user and password?"
        )
        return
    _print(list(ear.heard.values()))
    more = f"; {ear.beyond} messages on other topics were not read" if ear.beyond else ""
    out.print(f"{len(ear.heard)} topics, {len(missed)} not read{more}")
    for one in missed:
        _propose(settings, one)


def _print(heard: list[Any]) -> None:
    """Print each topic with its kind of payload and the time between messages."""
    print_table(
        ("topic", "payload", "messages", "every", "read"),
        [
            (
                printable(one.topic),
                one.kind,
                str(one.messages),
                "" if one.every_s is None else f"{one.every_s:.3g} s",
                "yes" if one.taken else "NO",
            )
            for one in heard
        ],
    )


def _propose(settings: Settings, one: Any) -> None:
    """Propose a rule for a topic, and write it after a yes."""
    from monitor.settings.change import add_topic_rule, rule_as_content
    from monitor.settings.toml_edit import as_toml

    found = one.proposed()
    out.print(f"\n{printable(one.topic)}", style="bold")
    for reason in found.reasons:
        out.print(f"  {printable(reason)}")
    if found.rule is None:
        out.print("  No rule is proposed.")
        return
    rule: TopicRule = found.rule
    out.print(as_toml({"topics": [rule_as_content(rule)]}), soft_wrap=True)
    if not sys.stdin.isatty():
        out.print(
            "Not written. Run this in a terminal to confirm, or add these lines to the settings "
            "file."
        )
        return
    if not typer.confirm("Does this read the sender correctly? Add it to the settings"):
        return
    rule = dataclasses.replace(
        rule,
        place=typer.prompt("Place", default=rule.place),
        sensor=typer.prompt("Sensor", default=rule.sensor),
    )
    path = add_topic_rule(settings, rule)
    out.print(f"Written to {path}. Start `benchweather run` again to use it.")


def _record(one: Any) -> dict[str, Any]:
    """Topic as JSON, with the rule proposed for it if it is not read."""
    row: dict[str, Any] = {
        "topic": one.topic,
        "kind": one.kind,
        "messages": one.messages,
        "every_s": one.every_s,
        "payload": one.payload[:4096].decode("utf-8", "replace"),
        "taken": one.taken,
        "told": one.outcome,
    }
    if not one.taken:
        found = one.proposed()
        row["reasons"] = found.reasons
        row["rule"] = dataclasses.asdict(found.rule) if found.rule else None
    return row


def _shown(payload: bytes) -> str:
    text = printable(payload[: 4 * SHOWN].decode("utf-8", "replace"))
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}… ({len(payload)} bytes)"
