"""`benchweather sensor listen`: what arrives on the broker, and rules for what is not read yet."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import sys
from typing import Annotated, Any

import typer
from rich.table import Table
from rich.text import Text

from monitor.cli.shared import Config, Data, Demo, err, exit_on, load, out, wrong
from monitor.domain.topic_rules import TopicRule, filter_fault
from monitor.settings import Settings

LISTEN_MAX_S = 86_400
SHOWN = 160
"""How much of a message is printed. [characters]"""


def listen(
    for_: Annotated[
        float, typer.Option("--for", min=1, max=LISTEN_MAX_S, help="How long to listen, in s")
    ] = 60.0,
    topic: Annotated[str, typer.Option(help="Only topics under this MQTT filter")] = "#",
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON; ask and write nothing")
    ] = False,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Show what arrives on the broker, what is taken and what not, and propose rules.

    The shop's own broker must be stopped for this; an outside one is listened to as it runs.
    """
    from monitor.readings.topic_discovery import Ear, listen, opened
    from monitor.service.supervisor import broker_address

    settings = load(data, config, demo=demo)
    if fault := filter_fault(topic):
        wrong(f"--topic {topic!r} {fault}")
    address = broker_address(settings)
    seen: set[str] = set()

    def each(ear: Ear) -> None:
        if as_json:
            return
        for one in [one for name, one in list(ear.heard.items()) if name not in seen]:
            seen.add(one.topic)
            out.print(_clean(one.topic), style="bold", highlight=False)
            out.print(f"  {one.kind}: {_shown(one.payload)}", highlight=False)
            out.print(
                f"  {'taken' if one.taken else 'NOT TAKEN'}: {_clean(one.outcome)}",
                highlight=False,
            )

    with exit_on():
        own = None if settings.broker.url else opened(settings, address)
        with own or contextlib.nullcontext(address) as where:
            err.print(
                f"Listening for {for_:g} s to {where}, topics {topic}; Ctrl-C ends sooner",
                highlight=False,
                soft_wrap=True,
            )
            ear = listen(where, topic, settings.topics, for_, each)
    missed = [one for one in ear.heard.values() if not one.taken]
    if as_json:
        print(
            json.dumps(
                {"topics": [_told(one) for one in ear.heard.values()], "beyond": ear.beyond},
                ensure_ascii=False,
            )
        )
        return
    if not ear.heard:
        out.print(
            "Nothing arrived. Does the sender know this broker's address, user and password?"
        )
    more = f"; {ear.beyond} messages on further topics not looked at" if ear.beyond else ""
    if ear.heard:
        _sum_up(list(ear.heard.values()))
        out.print(f"{len(ear.heard)} topics, {len(missed)} not taken{more}", highlight=False)
    for one in missed:
        _put(settings, one)


def _sum_up(heard: list[Any]) -> None:
    """Each topic with its kind of payload and how often it came."""
    table = Table("Topic", "Payload", "Messages", "About each", "Taken", box=None)
    for one in heard:
        apart = "" if one.every_s is None else f"{one.every_s:.3g} s"
        table.add_row(
            Text(_clean(one.topic), overflow="fold"),
            one.kind,
            str(one.messages),
            apart,
            "yes" if one.taken else "NO",
        )
    out.print(table)


def _put(settings: Settings, one: Any) -> None:
    """Propose a rule for a topic, and write it after a yes."""
    from monitor.settings.toml_append import add_rule, as_toml

    found = one.proposed()
    out.print(f"\n{_clean(one.topic)}", style="bold", highlight=False)
    for reason in found.reasons:
        out.print(f"  {_clean(reason)}", highlight=False)
    if found.rule is None:
        out.print("  No rule is proposed.")
        return
    rule: TopicRule = found.rule
    out.print(as_toml(rule), highlight=False, soft_wrap=True)
    if not sys.stdin.isatty():
        out.print(
            "Not written: nobody can say yes here. Run this in a terminal, or add the lines "
            "above to the settings file."
        )
        return
    if not typer.confirm("Does this read the sender rightly? Add it to the settings"):
        return
    rule = dataclasses.replace(
        rule,
        place=typer.prompt("Place", default=rule.place),
        sensor=typer.prompt("Sensor", default=rule.sensor),
    )
    with exit_on():
        path = add_rule(settings, rule)
    out.print(
        f"Written to {path}. It counts when benchweather run is started again.",
        highlight=False,
        soft_wrap=True,
    )


def _told(one: Any) -> dict[str, Any]:
    """One topic as JSON, with the rule proposed for it if it is not taken."""
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
    text = _clean(payload[: 4 * SHOWN].decode("utf-8", "replace"))
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}… ({len(payload)} bytes)"


def _clean(text: str) -> str:
    """Without what could move a terminal's cursor: anybody may have sent it."""
    return "".join(c if c.isprintable() else " " for c in text)
