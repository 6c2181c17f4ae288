"""The evaluation cycle with its own MQTT client and reader, and its runs."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator

from monitor.alerting.notifications.outbox_worker import OutboxWorker
from monitor.alerting.notifications.phones import Phones
from monitor.alerting.observations import ServiceTroubles
from monitor.core.steady_clock import SteadyClock
from monitor.domain.shop_clock import trouble_of
from monitor.mqtt.client import Address, Publisher
from monitor.readings.ingest import Ingest
from monitor.runtime.service_troubles import broker_trouble
from monitor.service.backup_watch import BackupWatch
from monitor.service.broker_watch import BrokerWatch
from monitor.service.evaluation_cycle import EvaluationCycle
from monitor.service.state_publisher import StatePublisher
from monitor.settings import Settings
from monitor.store import Reader

CYCLE_S = 60
"""Period of the evaluation cycle. [s]"""


@contextlib.contextmanager
def evaluation(
    settings: Settings,
    address: Address,
    publisher_id: str,
    ingest: Ingest,
    sender: OutboxWorker,
    clock: SteadyClock,
    watch: BrokerWatch | None,
    phones: Phones,
    backups: BackupWatch,
) -> Iterator[EvaluationCycle]:
    """The evaluation cycle, with an MQTT client and a reader of its own."""
    publisher = Publisher(address, publisher_id)

    def troubles() -> ServiceTroubles:
        broker = broker_trouble(ingest.subscription.trouble, watch.outage if watch else None)
        return ServiceTroubles(
            broker, ingest.store_trouble, trouble_of(clock.jump()), backups.trouble
        )

    publisher.start()
    with contextlib.closing(Reader(settings.store_address)) as reader:
        cycle = EvaluationCycle(
            settings,
            reader,
            ingest.writer,
            StatePublisher(settings, publisher),
            troubles,
            sender.wake,
            phones,
        )
        yield cycle
        publisher.close()


def run_cycles(cycle: EvaluationCycle, clock: SteadyClock, changed: threading.Event) -> None:
    """Run the cycle; again if something has changed meanwhile, for which no second run begins."""
    changed.set()
    while changed.is_set():
        changed.clear()
        cycle.run(clock.cautious_ms())
