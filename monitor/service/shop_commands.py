"""The shop's commands, joined to the parts of the service that they need."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from monitor.air.place_means import places
from monitor.alerting.notifications.phones import ABOUT as PHONES
from monitor.clients import archive
from monitor.commands import Commands
from monitor.commands.closing import shop_hours
from monitor.commands.guide import DecideTestNotice
from monitor.commands.listening import DecideListening
from monitor.commands.request import Also, no_more
from monitor.commands.settings import DecideSettings
from monitor.core.clock import now_ms
from monitor.domain.opening_hours import is_open
from monitor.planning.step_check import doubts
from monitor.readings import file_import
from monitor.readings.hand_readings import StoredHandReadings
from monitor.sensor_care.calibration import JarWatch
from monitor.waits.evaluation import equivalent_s, expectation
from monitor.waits.proof_text import proved

if TYPE_CHECKING:
    from monitor.alerting.notifications.outbox_worker import OutboxWorker
    from monitor.alerting.notifications.phones import Phones
    from monitor.core.steady_clock import SteadyClock
    from monitor.readings.aside import AsideMessages
    from monitor.readings.ingest import Ingest
    from monitor.readings.newcomers import Newcomers
    from monitor.service.live_discovery import LiveDiscovery
    from monitor.settings import Settings
    from monitor.settings.change import SettingsFile
    from monitor.store import Reader, Writer


def shop_commands(
    settings: Settings,
    reader: Reader,
    writer: Writer,
    *,
    aside: AsideMessages,
    newcomers: Newcomers,
    clock: SteadyClock,
    settings_file: SettingsFile,
    restart: Callable[[], None],
    discovery: LiveDiscovery,
    on_change: Callable[[], None],
) -> Commands:
    """Commands of the running service. `restart` starts it again with other settings; `on_change` is
    called after each command that changed something."""
    return Commands(
        writer,
        functools.partial(equivalent_s, reader, settings),
        functools.partial(expectation, reader, settings),
        on_change=on_change,
        limits=settings.limits,
        reservoirs={tank.id: tank for tank in settings.reservoirs},
        places=lambda: [place.id for place in places(reader, settings)],
        look=JarWatch(reader, settings),
        aside=aside,
        newcomers=newcomers,
        clock=clock,
        settings=DecideSettings(settings_file, restart),
        prove=functools.partial(proved, reader, settings),
        by_hand=StoredHandReadings(
            reader, writer, [one.id for one in settings.places if one.kind == "outdoors"]
        ),
        open_at=lambda at_ms: is_open(shop_hours(reader, settings), settings.zone, at_ms),
        doubts=functools.partial(doubts, reader, settings),
        listen=DecideListening(discovery.start if discovery.can_listen() else None),
        test_notice=DecideTestNotice(
            {one.id: one.least for one in settings.channels}, settings.shop.name
        ),
    )


def carry_out(
    ingest: Ingest,
    phones: Phones,
    sender: OutboxWorker,
    settings: Settings,
    command: Mapping[str, Any],
    also: Also = no_more,
) -> Mapping[str, Any]:
    """Carry out a command of another process of ours; `also`: see `Commands.carry_out`."""
    if command.get("about") == PHONES:
        done = phones.carry_out(command, now_ms())
        sender.wake()
        return done
    if command.get("about") == archive.ABOUT:
        return archive.carry_out(ingest.writer, command)
    if command.get("about") == file_import.ABOUT:
        return file_import.carry_out(
            ingest.writer, settings.data, settings.zone, command, now_ms()
        )
    return ingest.commands.carry_out(command, now_ms(), also)
