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
from collections.abc import Callable

from monitor.alerting.notifications.outbox_worker import OutboxWorker, channel_faults
from monitor.alerting.notifications.phones import Phones
from monitor.commands import Commands
from monitor.commands.ipc import CommandLink
from monitor.commands.link import TableLink
from monitor.core.errors import SettingsFault
from monitor.core.ports import becomes_free, is_listening
from monitor.core.signals import signals_call
from monitor.core.steady_clock import SteadyClock
from monitor.core.systemd import Notifier
from monitor.mqtt.client import Subscription, shared
from monitor.outlook.weather.intake import ForecastIntake
from monitor.people.homes import home_of
from monitor.people.moving import make_ready
from monitor.readings.aside import AsideMessages
from monitor.readings.ingest import Ingest
from monitor.readings.newcomers import Newcomers
from monitor.runtime import heartbeat
from monitor.runtime.child_process import STOP_WAIT_S, ChildProcess
from monitor.runtime.disk_space import DiskSpace
from monitor.runtime.scheduler import Scheduler
from monitor.service import scheduled_jobs
from monitor.service.backup_watch import LOOK_S as LOOK_AT_BACKUP_S
from monitor.service.backup_watch import BackupWatch
from monitor.service.broker_access import MessageWay, message_way
from monitor.service.broker_watch import BrokerWatch
from monitor.service.clock_watch import LOOK_S as LOOK_AT_CLOCK_S
from monitor.service.clock_watch import ClockWatch, newest_known_ms
from monitor.service.evaluation_runs import CYCLE_S, evaluation, run_cycles
from monitor.service.ingest_session import admit_first, take_over
from monitor.service.ingest_worker import LOOK_S as LOOK_AT_WORKERS_S
from monitor.service.ingest_worker import IngestGroup, new_ingest, shared_newcomers
from monitor.service.live_discovery import LiveDiscovery
from monitor.service.look_ahead import outlook_processes
from monitor.service.shop_commands import carry_out, shop_commands
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
        with contextlib.ExitStack() as ends, signals_call(self.stop):
            ends.enter_context(sole_use(settings.data))
            if self._standby is not None and not self._standby.wait(self._stop, self._notifier):
                return False
            disk = DiskSpace(settings.data)
            disk.look(doubted=True)  # a disk that filled up while we were away: use the reserve
            self._refuse_what_cannot_start()
            way = message_way(
                settings, self._standby.client_id if self._standby else client_id(settings)
            )
            if settings.demo and not self._back_fill():
                return False
            if way.broker is not None:
                ends.callback(way.broker.stop)
                if not (way.former_id or way.session.is_known()):
                    admit_first(way.broker, way.address, way.session)
                way.broker.start()
            board = self._child("board", "dashboard", ends)
            board.start()
            watched, signs = self._started(way, board, disk, ends)
            session = way.session

            def ready() -> None:
                if session.ended():
                    session.note()
                on_ready()

            self._watch(watched, signs, ready)
            if self._stop.is_set():
                self._notifier.stopping()
            for child in watched.children:
                child.end()
        settings.heartbeat_path.unlink(missing_ok=True)
        return self._restart.is_set() and not self._stop.is_set()

    def _refuse_what_cannot_start(self) -> None:
        settings = self.settings
        if faults := channel_faults(settings):
            raise SettingsFault(faults)
        if not becomes_free(settings.board.host, settings.board.port):
            raise ServiceFault(
                f"port {settings.board.port} on {settings.board.host} is taken, by another program "
                "or another Benchweather: stop it or set board.port to a free port"
            )

    def _started(
        self, way: MessageWay, board: ChildProcess, disk: DiskSpace, ends: contextlib.ExitStack
    ) -> tuple[Parts, VitalSigns]:
        """All parts but the broker and the board, started, and the writer of the heartbeat. The parts
        end in the reverse order."""
        settings = self.settings
        settings_file = SettingsFile(settings, functools.partial(start_faults, settings))
        settings_file.keep()
        writer, reader = self._opened(ends)
        aside = AsideMessages(writer, way.contract, self._clock)
        clock_watch = ClockWatch(settings, writer, self._clock, aside)
        ends.callback(clock_watch.keep_time)
        newcomers = shared_newcomers(settings, writer)
        phones = Phones(home_of(settings).files, writer, settings.weather.contact)
        sender = OutboxWorker(writer, settings.channels, phones)
        jobs = Scheduler(str(settings.zone))
        discovery = LiveDiscovery(settings, way.address, way.broker)
        ends.callback(discovery.stop)

        def changed() -> None:
            self._changed.set()
            jobs.run_now(CYCLE)
            sender.wake()
            if commands.journal.repairs:
                self._repairs.set()

        commands = shop_commands(
            settings,
            reader,
            writer,
            aside=aside,
            newcomers=newcomers,
            clock=self._clock,
            settings_file=settings_file,
            restart=self._restart.set,
            discovery=discovery,
            on_change=changed,
        )
        intake = ForecastIntake(settings, reader, writer)
        number = (
            ingest_workers.number_of(writer, way.session.client_id) if group(settings) else None
        )
        ingest = self._ingest(way, writer, commands, intake, newcomers, number)
        sender.start()
        ends.callback(sender.stop, STOP_WAIT_S)
        watch = None if way.broker is None else BrokerWatch(way.broker, way.address, ingest, disk)
        ends.callback(self._backups.stop)
        cycle = ends.enter_context(
            evaluation(
                settings,
                way.address,
                f"{way.session.client_id}-tells",
                ingest,
                sender,
                self._clock,
                watch,
                phones,
                self._backups,
            )
        )
        jobs.every(
            CYCLE, CYCLE_S, functools.partial(run_cycles, cycle, self._clock, self._changed)
        )
        scheduled_jobs.add_tidying(jobs, settings, writer, aside, self._clock)
        scheduled_jobs.add_forecasts(jobs, settings, intake)
        jobs.every("clock", LOOK_AT_CLOCK_S, clock_watch.look)
        jobs.every("backup", LOOK_AT_BACKUP_S, self._backups.look)
        signs = VitalSigns(settings, self._clock, self._notifier, self._settings_trouble)
        handle = functools.partial(carry_out, ingest, phones, sender, settings)
        link = (
            TableLink(writer, handle, lambda: signs.last)
            if isinstance(writer.address, str)
            else CommandLink(settings.command_link_path, handle)
        )
        link.start()
        ends.callback(link.stop)
        ingest.start()
        ends.callback(ingest.stop, STOP_WAIT_S)
        others = None
        if number is not None:
            others = self._others(way, ingest, number)
            jobs.every("ingest workers", LOOK_AT_WORKERS_S, others.look)
            ends.callback(others.stop)
        jobs.start()
        ends.callback(jobs.stop)
        if watch is not None:
            watch.start()
            ends.callback(watch.stop, STOP_WAIT_S)
        if commands.journal.repairs:
            self._repairs.set()
        children = [board, *self._later_children(ends)]
        backups = self._backups
        return Parts(ingest, cycle, sender, jobs, children, disk, watch, backups, others), signs

    def _opened(self, ends: contextlib.ExitStack) -> tuple[Writer, Reader]:
        """The store, claimed for us, with all that a start brings up to date in it."""
        settings = self.settings
        writer = Writer(settings.store_address)
        ends.callback(writer.close)
        writer.claim(self._standby.fence if self._standby else None)
        if isinstance(writer.address, str):
            take_in(writer.connection, settings.data / "outlook")
        make_ready(home_of(settings), settings.data)
        reader = Reader(settings.store_address)
        ends.callback(reader.close)
        self._clock = SteadyClock(known_ms=newest_known_ms(settings, reader))
        return writer, reader

    def _ingest(
        self,
        way: MessageWay,
        writer: Writer,
        commands: Commands,
        intake: ForecastIntake,
        newcomers: Newcomers,
        number: int | None,
    ) -> Ingest:
        """Our ingest, with what waits for the session of an earlier version."""
        session = way.session
        ingest = Ingest(
            Subscription(
                way.address, session.filters, session.client_id, ended=session.ended(), turn=number
            ),
            way.contract,
            writer,
            commands,
            intake.message,
            refused_max=self.settings.keep.refused_max,
            clock=self._clock,
            newcomers=newcomers,
            number=number or 0,
        )
        if way.former_id:
            take_over(ingest, way.address, session, way.former_id)
        elif not (session.is_known() or session.ended()):
            session.note()
        return ingest

    def _others(self, way: MessageWay, ingest: Ingest, number: int) -> IngestGroup:
        """The watch over other ingests that share the stream with ours."""
        settings = self.settings
        another = functools.partial(new_ingest, settings, way.contract, ingest.writer, self._clock)
        return IngestGroup(ingest, number, shared(group(settings), way.contract.filters), another)

    def _later_children(self, ends: contextlib.ExitStack) -> list[ChildProcess]:
        """Processes that start when they are needed; the demo's sensors start at once."""
        children = outlook_processes(self.settings, self._settled)
        for one in children:
            ends.callback(one.stop)
        # 190 MB that a shop without repairs does not need
        children.append(self._child("planner", "monitor.planning", ends, wanted=self._repairs))
        if self.settings.demo:
            children.append(self._child("demo", "sensors.demo", ends, "live"))
            children[-1].start()
        return children

    def _child(
        self,
        name: str,
        module: str,
        ends: contextlib.ExitStack,
        *more: str,
        wanted: threading.Event | None = None,
    ) -> ChildProcess:
        """A process of ours, which stops with us."""
        child = ChildProcess(name, [module, *more, *child_arguments(self.settings)], wanted)
        ends.callback(child.stop)
        return child

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
                    signs.beat(parts)  # the last one may say that the broker was not reached yet
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
