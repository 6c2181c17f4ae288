"""A shop of one bench with the commands of the service, for tests of waits at one moment."""

from __future__ import annotations

from monitor import settings as settings_module
from monitor.commands import Commands, Journal
from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Reader, Writer
from monitor.waits.evaluation import equivalent_s, expectation, statuses

NOW = 1_795_600_000_000 // 600_000 * 600_000
HOUR, DAY = 3_600_000, 86_400_000


class Bench:
    """A shop with reference air at the bench and whatever a test adds."""

    def __init__(self, folder):
        self.settings = settings_module.load(data=folder, environ={})
        self.writer = Writer(self.settings.store_path)
        self.reader = Reader(self.settings.store_path)
        self.commands = Commands(
            self.writer,
            lambda wait, at: equivalent_s(self.reader, self.settings, wait, at),
            lambda wait, at: expectation(self.reader, self.settings, wait, at),
        )

    def air(self, place, temp_c, rh_pct, *, start=NOW - 8 * DAY, end=NOW, step=300_000):
        times = range(start, end, step)
        self.writer.write(
            [
                Reading(Series(place, "a1", quantity), at, value)
                for quantity, value in (
                    (Quantity.TEMPERATURE, temp_c),
                    (Quantity.HUMIDITY, rh_pct),
                )
                for at in times
            ]
        )

    def do(self, what, now=NOW, **request):
        return self.commands.carry_out({"do": what, "by": "test"} | request, now)

    def open(self, kind, place="bench", ago_h=0.0, **more):
        start = NOW - round(ago_h * HOUR)
        return self.do("open", kind=kind, place=place, start_ms=start, **more)["waits"][0]

    def status(self, wait_id, now=NOW):
        waits = Journal(self.reader).waits
        (found,) = statuses(self.reader, self.settings, [waits[wait_id]], now)
        return found
