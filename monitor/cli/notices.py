"""`benchweather notify-test`: a test of the channels for notices."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from monitor.cli.output import out
from monitor.cli.shared import known, wrong
from monitor.core.clock import now_ms
from monitor.domain.channel_test import notice_of_test, readers_of
from monitor.settings import Settings


def notify_test(
    settings: Settings,
    channel: Annotated[
        str, typer.Argument(help="One channel from the settings (default: all)")
    ] = "",
) -> None:
    """Send a test notice through one channel, or through all."""
    from monitor.alerting.notifications import sender

    names = [one.id for one in settings.channels]
    if not names:
        wrong("The settings have no [[channels]]. Add one to the settings file first.")
    if channel:
        known(channel, names, "channel")
    all_sent = True
    for one in settings.channels:
        if channel not in ("", one.id):
            continue
        notice = notice_of_test(readers_of(one.id), one.least, settings.shop.name, now_ms())
        began = time.monotonic()
        try:
            sender.send(one.url.get_secret_value(), notice)
        except sender.NotSent as exc:
            all_sent = False
            out.print(f"BAD   {one.id}  not delivered: {exc}", style="bold red")
        else:
            took_s = time.monotonic() - began
            out.print(f"good  {one.id}  delivered in {took_s:.1f} s ({notice.notice_id})")
    if not all_sent:
        raise typer.Exit(1)
