"""`benchweather notify-test`: a test of the channels for notices."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.output import out
from monitor.cli.shared import known, wrong
from monitor.settings import Settings


def notify_test(
    settings: Settings,
    channel: Annotated[
        str, typer.Argument(help="One channel from the settings (default: all)")
    ] = "",
) -> None:
    """Send a test notice through one channel, or through all."""
    from monitor.notifications.channel_test import new_id, send_test
    from monitor.notifications.sender import NotSent

    names = [one.id for one in settings.channels]
    if not names:
        wrong("The settings have no [[channels]]. Add one to the settings file first.")
    if channel:
        known(channel, names, "channel")
    notice_id, all_sent = new_id(), True
    for one in settings.channels:
        if channel not in ("", one.id):
            continue
        try:
            took_s = send_test(one, settings.shop.name, notice_id)
        except NotSent as exc:
            all_sent = False
            out.print(f"BAD   {one.id}  not delivered: {exc}", style="bold red")
        else:
            out.print(f"good  {one.id}  delivered in {took_s:.1f} s ({notice_id})")
    if not all_sent:
        raise typer.Exit(1)
