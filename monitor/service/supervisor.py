"""The whole service: broker, store, ingest, jobs and board, started, watched and stopped.

The board and the demo are processes of their own: a figure computed in the ingest's process would
hold readings up. Besides ingest workers, the service is the only writer of the store.
"""

from __future__ import annotations

import contextlib
import functools
import logging
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from monitor.air.place_means import places
from monitor.clients import archive
from monitor.commands import Commands
from monitor.commands.closing import shop_hours
from monitor.commands.guide import DecideTestNotice
from monitor.commands.ipc import CommandLink
from monitor.commands.link import TableLink
from monitor.commands.listening import DecideListening
from monitor.commands.request import Also, no_more
from monitor.commands.settings import DecideSettings
from monitor.core.clock import now_ms
from monitor.core.errors import SettingsFault
from monitor.core.ports import becomes_free, is_listening
from monitor.core.signals import signals_call
from monitor.core.steady_clock import SteadyClock
from monitor.core.systemd import Notifier
from monitor.domain.opening_hours import is_open
from monitor.mqtt.client import Subscription, shared
from monitor.notifications.outbox_worker import OutboxWorker, channel_faults
from monitor.notifications.phones import ABOUT as PHONES
from monitor.notifications.phones import Phones
from monitor.own_proof.text import proved
from monitor.people.homes import home_of
from monitor.people.moving import make_ready
from monitor.planning.step_check import doubts
from monitor.readings import file_import
from monitor.readings.aside import AsideMessages
from monitor.readings.hand_readings import StoredHandReadings
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.runtime import heartbeat
from monitor.runtime.child_process import STOP_WAIT_S, ChildProcess
from monitor.runtime.disk_space import DiskSpace
from monitor.runtime.scheduler import Scheduler
from monitor.sensor_care.calibration import JarWatch
from monitor.service import scheduled_jobs
from monitor.service.backup_watch import LOOK_S as LOOK_AT_BACKUP_S
from monitor.service.backup_watch import BackupWatch
from monitor.service.broker_access import broker_and_way, read_filters
from monitor.service.broker_watch import BrokerWatch
from monitor.service.clock_watch import LOOK_S as LOOK_AT_CLOCK_S
from monitor.service.clock_watch import ClockWatch, newest_known_ms
from monitor.service.evaluation_runs import CYCLE_S, evaluation, run_cycles
from monitor.service.ingest_session import IngestSession, admit_first, take_over
from monitor.service.ingest_worker import LOOK_S as LOOK_AT_WORKERS_S
from monitor.service.ingest_worker import IngestGroup, new_ingest, shared_newcomers
from monitor.service.live_discovery import LiveDiscovery
from monitor.service.look_ahead import outlook_processes
from monitor.service.sole_use import ServiceFault, sole_use
from monitor.service.standby import Standby
from monitor.service.start_faults import start_faults
from monitor.service.vital_signs import CYCLE, Parts, VitalSigns
from monitor.settings import Settings
from monitor.settings.change import SettingsFile
from monitor.settings.child_arguments import child_arguments
from monitor.settings.shop_broker import client_id, group
from monitor.store import Reader, Writer, ingest_workers
from monitor.store.outlooks import take_in
from monitor.waits.evaluation import equivalent_s, expectation
from monitor.weather.intake import ForecastIntake

log = logging.getLogger(__name__)

LOOK_S = 0.25
"""Interval between checks of the parts. [s]"""
BOARD_WAIT_S = 30.0
"""Time after which a board that does not answer is logged. [s]"""
OUTLOOK_AFTER_S = 20.0
"""Time after which the outlook's process starts: until then the board has the processor. [s]"""


class Supervisor:
    """All parts of one shop. `run` returns when asked to stop, by `stop` or by a signal.

    Parameters
    ----------
    settings : Settings
    settings_trouble : str
        Reason why other settings could not be used, for the board.
    on_trial : bool
        These settings are new: it is a fault if the board does not answer with them.
    notifier : Notifier, optional
        The way to systemd.
    standby : Standby, optional
        Lease of the store, for a service that waits for another to fail.

    Raises
    ------
    ServiceFault
        If another service works in the same data folder, a port is taken, or the ingest ends.
    BrokerFault, StoreFault
        If the broker or the store cannot be used.
    """

    def __init__(
        self,
        settings: Settings,
        settings_trouble: str = "",
        *,
        on_trial: bool = False,
        notifier: Notifier | None = None,
        standby: Standby | None = None,
    ) -> None:
        self._standby = standby
        self.settings, self._settings_trouble = settings, settings_trouble
        self._on_trial, self._notifier = on_trial, notifier or Notifier({})
        self._stop, self._restart = threading.Event(), threading.Event()
        self._repairs, self._settled = threading.Event(), threading.Event()
        self._changed = threading.Event()
        self._clock = SteadyClock()
        self._backups = BackupWatch(settings, child_arguments(settings))

    def stop(self) -> None:
        self._stop.set()

    def run(self, on_ready: Callable[[], None] = lambda: None) -> bool:
        """Start every part, call `on_ready` when the board and the broker answer, and watch.

        Returns
        -------
        bool
            Whether somebody asked to start again with the settings as they are in the file.
        """
        settings = self.settings
        with contextlib.ExitStack() as parts, signals_call(self.stop):
            parts.enter_context(sole_use(settings.data))
            lease = self._standby
            if lease is not None and not lease.wait(self._stop, self._notifier):
                return False
            disk = DiskSpace(settings.data)
            disk.look(doubted=True)  # a disk that filled up while we were away: use the reserve
            contract = Contract(settings.topics)
            if faults := channel_faults(settings):
                raise SettingsFault(faults)
            broker, address = broker_and_way(settings, contract)
            session = IngestSession(
                settings.data / "session.json",
                settings.broker.url or settings.broker.program,
                lease.client_id if lease else client_id(settings),
                read_filters(settings, contract),
            )
            used = settings.store_path if broker is None else broker.kept
            former = session.former_id(
                used_before=used.exists(), configured_id=settings.broker.client_id
            )
            if not becomes_free(settings.board.host, settings.board.port):
                raise ServiceFault(
                    f"port {settings.board.port} on {settings.board.host} is taken, by "
                    "another program or another Benchweather: stop it or set board.port to a free "
                    "port"
                )
            if settings.demo and not self._back_fill():
                return False
            if broker is not None:
                parts.callback(broker.stop)
                if not (former or session.is_known()):
                    admit_first(broker, address, session)
                broker.start()
            board = ChildProcess("board", ["dashboard", *child_arguments(settings)])
            board.start()
            parts.callback(board.stop)
            settings_file = SettingsFile(settings, functools.partial(start_faults, settings))
            settings_file.keep()
            writer = Writer(settings.store_address)
            parts.callback(writer.close)
            writer.claim(lease.fence if lease else None)
            if isinstance(writer.address, str):
                take_in(writer.connection, settings.data / "outlook")
            make_ready(home_of(settings), settings.data)
            reader = Reader(settings.store_address)
            parts.callback(reader.close)
            self._clock = SteadyClock(known_ms=newest_known_ms(settings, reader))
            kept = AsideMessages(writer, contract, self._clock)
            clock_watch = ClockWatch(settings, writer, self._clock, kept)
            parts.callback(clock_watch.keep_time)
            number = (
                ingest_workers.number_of(writer, session.client_id) if group(settings) else None
            )
            subscription = Subscription(
                address, session.filters, session.client_id, ended=session.ended(), turn=number
            )
            jobs = Scheduler(str(settings.zone))
            newcomers = shared_newcomers(settings, writer)
            phones = Phones(home_of(settings).files, writer, settings.weather.contact)
            sender = OutboxWorker(writer, settings.channels, phones)
            discovery = LiveDiscovery(settings, address, broker)
            parts.callback(discovery.stop)

            def changed() -> None:
                self._changed.set()
                jobs.run_now(CYCLE)
                sender.wake()
                if commands.journal.repairs:
                    self._repairs.set()

            commands = Commands(
                writer,
                functools.partial(equivalent_s, reader, settings),
                functools.partial(expectation, reader, settings),
                on_change=changed,
                limits=settings.limits,
                reservoirs={tank.id: tank for tank in settings.reservoirs},
                places=lambda: [place.id for place in places(reader, settings)],
                look=JarWatch(reader, settings),
                aside=kept,
                newcomers=newcomers,
                clock=self._clock,
                settings=DecideSettings(settings_file, self._restart.set),
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
            intake = ForecastIntake(settings, reader, writer)
            ingest = Ingest(
                subscription,
                contract,
                writer,
                commands,
                intake.message,
                refused_max=settings.keep.refused_max,
                clock=self._clock,
                newcomers=newcomers,
                number=number or 0,
            )
            if former:
                take_over(ingest, address, session, former)
            elif not (session.is_known() or session.ended()):
                session.note()
            sender.start()
            parts.callback(sender.stop, STOP_WAIT_S)
            watch = None if broker is None else BrokerWatch(broker, address, ingest, disk)
            parts.callback(self._backups.stop)
            cycle = parts.enter_context(
                evaluation(
                    settings,
                    address,
                    f"{session.client_id}-tells",
                    ingest,
                    sender,
                    self._clock,
                    watch,
                    phones,
                    self._backups,
                )
            )
            run_cycle = functools.partial(run_cycles, cycle, self._clock, self._changed)
            jobs.every(CYCLE, CYCLE_S, run_cycle)
            scheduled_jobs.add_tidying(jobs, settings, writer, kept, self._clock)
            scheduled_jobs.add_forecasts(jobs, settings, intake)
            jobs.every("clock", LOOK_AT_CLOCK_S, clock_watch.look)
            jobs.every("backup", LOOK_AT_BACKUP_S, self._backups.look)
            signs = VitalSigns(settings, self._clock, self._notifier, self._settings_trouble)
            carry_out = functools.partial(_carry_out, ingest, phones, sender, settings)
            link = (
                TableLink(writer, carry_out, lambda: signs.last)
                if isinstance(writer.address, str)
                else CommandLink(settings.command_link_path, carry_out)
            )
            link.start()
            parts.callback(link.stop)
            ingest.start()
            parts.callback(ingest.stop, STOP_WAIT_S)
            others = None
            if number is not None:
                another = functools.partial(new_ingest, settings, contract, writer, self._clock)
                others = IngestGroup(
                    ingest, number, shared(group(settings), contract.filters), another
                )
                jobs.every("ingest workers", LOOK_AT_WORKERS_S, others.look)
                parts.callback(others.stop)
            jobs.start()
            parts.callback(jobs.stop)
            if watch is not None:
                watch.start()
                parts.callback(watch.stop, STOP_WAIT_S)
            outlooks = outlook_processes(settings, self._settled)
            for one in outlooks:
                parts.callback(one.stop)
            planner = ChildProcess(
                "planner", ["monitor.planning", *child_arguments(settings)], self._repairs
            )  # 190 MB that a shop without repairs does not need
            parts.callback(planner.stop)
            children = [board, *outlooks, planner]
            if settings.demo:
                children.append(
                    ChildProcess("demo", ["sensors.demo", "live", *child_arguments(settings)])
                )
                children[-1].start()
                parts.callback(children[-1].stop)
            if commands.journal.repairs:
                self._repairs.set()
            watched = Parts(
                ingest, cycle, sender, jobs, children, disk, watch, self._backups, others
            )

            def ready() -> None:
                if session.ended():
                    session.note()
                on_ready()

            self._watch(watched, signs, ready)
            if self._stop.is_set():
                self._notifier.stopping()
            for child in children:
                child.end()
        settings.heartbeat_path.unlink(missing_ok=True)
        return self._restart.is_set() and not self._stop.is_set()

    def _back_fill(self) -> bool:
        """Let the demo fill its store before we open it; False if asked to stop meanwhile."""
        child = ChildProcess(
            "back-fill", ["sensors.demo", "backfill", *child_arguments(self.settings)]
        )
        child.start()
        while child.running():
            if self._stop.wait(LOOK_S):
                child.stop()
                return False
        if child.code:
            raise ServiceFault(f"the demo's readings could not be filled in (code {child.code})")
        return True

    def _watch(self, parts: Parts, signs: VitalSigns, on_ready: Callable[[], None]) -> None:
        ingest, children, watch = parts.ingest, parts.children, parts.broker_watch
        subscription = ingest.subscription
        board, ready = self.settings.board, False
        give_up = time.monotonic() + BOARD_WAIT_S
        settled = time.monotonic() + OUTLOOK_AFTER_S
        next_beat = 0.0
        while not (self._stop.wait(LOOK_S if ready else 0.02) or self._restart.is_set()):
            now = time.monotonic()
            if self._standby is not None and self._standby.fence.lost:
                raise ServiceFault(
                    "another service has taken over, because this one did not renew its lease in "
                    "time. Start this one again: it waits until the other fails"
                )
            if not ingest.running():
                raise ServiceFault("the ingest ended: see the log; nothing is recorded any more")
            if not ready and subscription.connected and children[0].running():
                ready = is_listening(board.host, board.port)  # asked at the start only
                if ready:
                    signs.ready()
                    on_ready()
            if not ready and now > give_up:
                if self._on_trial and not is_listening(board.host, board.port):
                    raise ServiceFault(f"the board does not answer on {board.host}:{board.port}")
                give_up = now + BOARD_WAIT_S
                log.error("not ready yet broker=%s", subscription.trouble or "connected")
            if now >= settled:
                self._settled.set()
            if now >= next_beat:
                next_beat = now + heartbeat.BEAT_S
                parts.disk.look(doubted=bool(ingest.store_trouble or (watch and watch.failing)))
                signs.beat(parts)
            for child in children:
                child.restart_if_ended()


def _carry_out(
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
