"""A shop in trouble, for the tests of alerts: what the service would have raised, by its own rounds."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air

from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Commands
from monitor.core.clock import now_ms, to_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.alerts.alert import AlertAction, apply
from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.alerts.rule_registry import as_mapping
from monitor.domain.alerts.state_machine import BY
from monitor.domain.events import About, Event
from monitor.domain.places import AirLimits
from monitor.service.evaluation_cycle import EvaluationCycle
from monitor.service.state_publisher import StatePublisher
from monitor.settings import Settings
from monitor.store import Reader, Writer

HOUR, DAY = 3_600_000, 86_400_000
PARIS = ZoneInfo("Europe/Paris")
NOON = to_ms(datetime(2026, 11, 25, 12, 0, tzinfo=PARIS))
RULES = starting_set(AirLimits())
CONFIG = (
    shop_air.BENCH
    + """
[[channels]]
id = "mail"
url = "json://127.0.0.1:9/x"
least = 1
[[reservoirs]]
id = "room-humidifier"
place = "front-bench"
lasts_h = 20
[[reservoirs]]
id = "cellar-humidifier"
lasts_h = 48
"""
)
"""With a channel behind which nothing answers, and two humidifiers."""


class Unheard:
    """A publisher without a broker, as a service has whose broker is away."""

    connected, connections = False, 0

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        raise AssertionError("nothing is published without a broker")


def commanded(writer: Writer, settings: Settings) -> Commands:
    """What carries commands out, with the rules' limits and the tanks of these settings."""
    tanks = {tank.id: tank for tank in settings.reservoirs}
    return Commands(writer, limits=settings.limits, reservoirs=tanks)


def run_cycles(
    settings: Settings, writer: Writer, start_ms: int, end_ms: int, every_ms: int
) -> None:
    """Run the service's evaluation cycle over a stretch, as if time had passed."""
    cycle = EvaluationCycle(
        settings,
        Reader(settings.store_address),
        writer,
        StatePublisher(settings, Unheard()),
        ServiceTroubles,
        lambda: None,
    )
    for now in range(start_ms, end_ms + 1, every_ms):
        cycle.run(now)


def dry_shop(folder: Path, *, port: int = 8050) -> tuple[Settings, Writer, Commands]:
    """Very dry at the front bench for hours, an alert of yesterday over, a sensor silent, a tank due.

    Open afterwards: very dry at the front bench (act now), a silent sensor (act), a tank to be
    filled (mind it). The caller closes the writer.
    """
    settings = shop_air.settings_in(folder, port=port, config=CONFIG)
    writer, now = Writer(settings.store_address), now_ms()
    commands = commanded(writer, settings)
    shop_air.fill(writer, "varnish-room", now - 3 * DAY, now, 120_000)
    shop_air.fill(writer, "outdoors", now - 3 * DAY, now, 120_000)
    for start, end, rh_pct in (
        (now - 3 * DAY, now - 5 * HOUR, 42.0),  # no fall that is an alert of its own
        (now - 5 * HOUR, now, 26.0),
    ):
        writer.write(
            [
                Reading(
                    Series("front-bench", "fb-1", quantity), at, value + (at // 120_000 % 5) / 10
                )
                for at in range(start, end, 120_000)
                for quantity, value in ((Quantity.TEMPERATURE, 20.6), (Quantity.HUMIDITY, rh_pct))
            ]
        )
    hush = [
        Reading(Series("loft", "lf-1", quantity), at, value + (at // 120_000 % 3) / 10)
        for at in range(now - 3 * DAY, now - 2 * HOUR, 120_000)
        for quantity, value in ((Quantity.TEMPERATURE, 17.2), (Quantity.HUMIDITY, 55.0))
    ]
    writer.write(hush)
    filled = {"about": "reservoir", "do": "filled", "reservoir": "room-humidifier", "by": "Ina"}
    commands.carry_out(filled, now - 26 * HOUR)
    run_cycles(settings, writer, now - 5 * HOUR, now, HOUR // 6)
    return settings, writer, commands


def alert(rule="very-dry", value=28.0, began=NOON - 2 * HOUR, label="Front bench", **more):
    """An open alert of a starting rule, half an hour after it began."""
    made = RULES[rule]
    body = {
        k: v
        for k, v in as_mapping(made).items()
        if k in ("name", "quantity", "why", "source", "do", "caution", "urgency", "family")
    }
    body |= {
        "do": made.advice(),
        "rule": rule,
        "value": value,
        "unit": made.unit,
        "detail": "",
        "subject": "s",
        "label": label,
        "began_ms": began,
        **more,
    }
    return apply(None, Event(About.ALERT, "7", began + HOUR // 2, BY, AlertAction.RAISE, body))
