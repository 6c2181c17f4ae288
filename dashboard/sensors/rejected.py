"""Rejected messages, explained for a repairer; the reason for a programmer is folded.

Topics, payloads and names come from anyone who can publish: they are shown as text only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard.ui import formats
from dashboard.ui.controls import folded
from dashboard.ui.tables import stacked_table
from monitor.readings.payload import Contract
from monitor.readings.rejection import Rejection, RejectionCause, rejection
from monitor.settings.change import rule_as_content
from monitor.settings.toml_edit import as_toml

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.core.measurements import Refusal

SHOWN = 50
"""Most rejected messages that are looked at, and refusals of the broker that are shown."""
GUIDE = "/guide#step-reading"
"""Address where a topic is listened to and its rule confirmed."""
PAYLOAD_SHOWN = 160
"""Length of a rejected payload that is shown. [characters]"""
_CAUSES = {
    RejectionCause.COMMAND: "It asks for a change, which was not accepted.",
    RejectionCause.FORECAST: "It is a weather forecast, which was not accepted.",
    RejectionCause.NO_RULE: "Something sends messages that no rule reads.",
    RejectionCause.TOO_LONG: "It is too long for a reading.",
    RejectionCause.EMPTY: "It is empty.",
    RejectionCause.NOT_DATA: "It is not in a form that Benchweather reads.",
    RejectionCause.CONTENT: "It has the right form, but something in it cannot be used.",
    RejectionCause.READABLE: "Messages like this one can be read now.",
}
_REMEDIES = {
    RejectionCause.COMMAND: "Read the reason below, correct the request, and send it again.",
    RejectionCause.FORECAST: "Read the reason below. Correct the program that sends the forecast.",
    RejectionCause.TOO_LONG: "Set the sensor to send one reading at a time.",
    RejectionCause.EMPTY: "Restart the sensor. If it sends empty messages again, check its battery and "
    "its settings.",
    RejectionCause.NOT_DATA: "Set the sensor to send JSON, SenML or a number.",
    RejectionCause.CONTENT: (
        "Check the sensor's clock and units, and check that its values are possible. The reason "
        "below names what is wrong."
    ),
    RejectionCause.READABLE: "There is nothing to do.",
}
_A_RULE = "A rule can read it. Add the rule only if this sensor is yours."
_NO_RULE = (
    "If it is a sensor of yours, set it to send temperature or RH as JSON. If it is something else, "
    "ignore it."
)


def rejected(shop: ShopData, now: int) -> list[Component]:
    """Section on rejected messages: each cause of a topic once, the newest first."""
    found = shop.refused(SHOWN)
    parts: list[Component] = [html.H2("Rejected messages, newest first")]
    if not found:
        return [*parts, html.P("None.")]
    contract = Contract(shop.settings.topics)
    groups: dict[tuple[str, str], list[Refusal]] = {}
    for one in found:
        groups.setdefault((one.topic, one.reason), []).append(one)
    rows = [_row(same, rejection(same[0], contract), shop, now) for same in groups.values()]
    if len(found) == SHOWN:
        parts.append(html.P(f"The last {SHOWN} messages.", className="aside"))
    heads = ["Topic", "What is wrong", "Last", "Times"]
    return [*parts, stacked_table(heads, rows, "Rejected messages", counts=(3,))]


def _row(same: Sequence[Refusal], why: Rejection, shop: ShopData, now: int) -> list[Any]:
    """A row of the table: messages of one topic with one reason."""
    newest = same[0]
    return [
        html.Code(cut(newest.topic, 80)),
        [
            html.P(html.Strong(_CAUSES[why.cause])),
            html.P(remedy(why)),
            folded(
                "For a programmer",
                html.P(cut(newest.reason, 300)),
                html.P(html.Code(payload_words(newest.payload, newest.size))),
                *_rule(why),
                unfold=f"rejected-{cut(newest.topic, 80)}-{why.cause}",
            ),
        ],
        formats.when(newest.received_ms, now, shop.settings.zone),
        f"{len(same)}",
    ]


def remedy(why: Rejection) -> str:
    """Remedy for a rejected message, in words."""
    if why.cause is RejectionCause.NO_RULE:
        return _NO_RULE if why.rule is None else _A_RULE
    return _REMEDIES[why.cause]


def _rule(why: Rejection) -> list[Component]:
    """Rule that would read the message, with its reasons, and where it goes."""
    if why.rule is None:
        return []
    return [
        html.P("A rule that would read it:"),
        html.Pre(as_toml({"topics": [rule_as_content(why.rule)]}), tabIndex=0),
        html.Ul([html.Li(cut(reason, 200)) for reason in why.reasons]),
        html.P(
            [
                "Check the units. ",
                dcc.Link("Listen to the sensor in the guide and confirm the rule", href=GUIDE),
                ", or add these lines to benchweather.toml and restart Benchweather.",
            ]
        ),
    ]


def broker_refused(shop: ShopData, now: int) -> list[Component]:
    """Clients and topics that the broker refused: their messages never came to the service."""
    found = shop.broker_refusals()[:SHOWN]
    if not found:
        return []
    rows = [
        [
            [html.Code(cut(one.client_id, 80) or "no id"), f" from {one.host}"],
            [
                html.P(html.Strong("Something sends messages that no rule reads.")),
                html.P(
                    [
                        "If it is a sensor of yours, ",
                        dcc.Link("listen to it in the guide", href=GUIDE),
                        " and confirm the rule that is proposed.",
                    ]
                ),
                html.P(cut(one.reason, 300)),
            ]
            if one.topic
            else cut(one.reason, 300),
            formats.when(one.last_ms, now, shop.settings.zone),
            f"{one.times}",
        ]
        for one in found
    ]
    heads = ["Client", "What is wrong", "Last", "Times"]
    label = "Rejected by the broker"
    return [html.H2(label), stacked_table(heads, rows, label, counts=(3,))]


def payload_words(payload: bytes, size: int) -> str:
    """The beginning of a payload as harmless text, and its size if it is longer."""
    if not size:
        return "empty"
    text = payload[: 4 * PAYLOAD_SHOWN].decode("utf-8", "replace")
    text = "".join(c if c.isprintable() else "·" for c in text)
    shown = text[:PAYLOAD_SHOWN]
    whole = len(shown) == len(text) and size <= len(payload)
    return shown if whole else f"{shown} … ({size} bytes)"


def cut(text: str, most: int) -> str:
    """A text of strangers: printable, and no longer than `most` characters."""
    text = "".join(c if c.isprintable() else "·" for c in text)
    return text if len(text) <= most else f"{text[: most - 1]}…"
