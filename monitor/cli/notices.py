"""`benchweather notify-test`: a test of the channels for notices."""

from __future__ import annotations

import time
import uuid
from typing import Annotated

import typer

from monitor.cli.output import out
from monitor.cli.shared import known, wrong
from monitor.core.clock import now_ms
from monitor.settings import Settings


def notify_test(
    settings: Settings,
    channel: Annotated[
        str, typer.Argument(help="One channel from the settings (default: all)")
    ] = "",
) -> None:
    """Send a test notice through one channel, or through all."""
    from monitor.domain.notification import Notice
    from monitor.notifications import sender

    names = [one.id for one in settings.channels]
    if not names:
        wrong("The settings have no [[channels]]. Add one to the settings file first.")
    if channel:
        known(channel, names, "channel")
    notice_id, moment = f"test-{uuid.uuid4().hex[:12]}", now_ms()
    all_sent = True
    for one in settings.channels:
        if channel not in ("", one.id):
            continue
        notice = Notice(
            notice_id,
            moment,
            moment,
            one.least,
            f"Test notice from {settings.shop.name or 'Benchweather'}",
            f"Notices reach you here through the channel {one.id}. There is nothing to do.",
        )
        began = time.monotonic()
        try:
            sender.send(one.url.get_secret_value(), notice)
        except sender.NotSent as exc:
            all_sent = False
            out.print(f"BAD   {one.id}  not delivered: {exc}", style="bold red")
        else:
            out.print(
                f"good  {one.id}  delivered in {time.monotonic() - began:.1f} s ({notice_id})"
            )
    if not all_sent:
        raise typer.Exit(1)
