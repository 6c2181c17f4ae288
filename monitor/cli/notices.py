"""`benchweather notify-test`: proves that notices get through."""

from __future__ import annotations

import time
import uuid
from typing import Annotated

import typer

from monitor.cli.shared import Config, Data, Demo, load, out, wrong
from monitor.core.clock import now_ms


def notify_test(
    channel: Annotated[str, typer.Argument(help="One channel of the settings; else all")] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Send a test notice through one channel or all of them, now."""
    from monitor.domain.notification import Notice
    from monitor.notifications import sender

    settings = load(data, config, demo=demo)
    names = [one.id for one in settings.channels]
    if not names:
        wrong("the settings have no [[channels]]: see the README")
    if channel and channel not in names:
        wrong(f"CHANNEL {channel!r}: must be one of {', '.join(names)}")
    notice_id, moment = f"test-{uuid.uuid4().hex[:12]}", now_ms()
    failed = False
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
            failed = True
            _say(f"BAD   {one.id}  not delivered: {exc}", style="bold red")
        else:
            _say(f"good  {one.id}  delivered in {time.monotonic() - began:.1f} s ({notice_id})")
    if failed:
        raise typer.Exit(1)


def _say(text: str, style: str = "") -> None:
    out.print(text, style=style, highlight=False, markup=False, soft_wrap=True)
