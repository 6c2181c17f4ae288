"""`benchweather clock`: the clock of the shop's computer, its jumps, and the word that it is right."""

from __future__ import annotations

import typer

from monitor.cli.asking import ask
from monitor.cli.output import local, out, print_json, print_table
from monitor.cli.shared import Json, command, last_beat, store_of
from monitor.core.clock import now_ms
from monitor.core.steady_clock import JumpState, jump_words
from monitor.core.time_sync import NetworkTime
from monitor.settings import Settings

app = typer.Typer(
    no_args_is_help=True,
    help="Show the jumps of this computer's clock, or confirm that it is right.",
)
SHOWN = 20
"""Most jumps that are listed."""


@command(app)
def show(settings: Settings, as_json: Json = False) -> None:
    """Show the clock, whether network time sets it, and its last jumps."""
    from monitor.domain.events import About
    from monitor.domain.shop_clock import event_words
    from monitor.store.journal import events_about

    with store_of(settings) as reader:
        events = events_about(reader.connection, About.CLOCK)[0][-SHOWN:]
    beat, synchronised = last_beat(settings), NetworkTime()()
    jump = beat.clock if beat and not beat.late() else None
    if as_json:
        print_json(
            {
                "now_ms": now_ms(),
                "kept_by_network_time": synchronised,
                "jump": jump._asdict() if jump else None,
                "history": [event._asdict() for event in events],
            }
        )
        return
    kept = {
        True: "set by network time",
        False: "not set by network time",
        None: "network time unknown",
    }
    out.print(f"{local(now_ms(), settings.zone)}, {kept[synchronised]}")
    if jump is not None:
        out.print(f"{jump_words(jump)}.")
        if jump.state is JumpState.DOUBTED:
            out.print("If the clock is right now: benchweather clock confirm")
    if not events:
        out.print("No jumps of the clock.")
        return
    print_table(
        ("when", "what", "by"),
        [(local(e.recorded_ms, settings.zone), event_words(e), e.by) for e in events],
    )


@command(app)
def confirm(settings: Settings) -> None:
    """Confirm that this computer's clock is right now. Readings kept aside are then taken in."""
    ask(settings, "confirm", {"about": "clock"})
    out.print("Confirmed. The readings kept aside after this computer started will be taken in.")
