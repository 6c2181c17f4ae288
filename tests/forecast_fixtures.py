"""Forecasts as a shop gets them: its settings and store, and files of our own formats."""

from __future__ import annotations

from weather_server import HOUR, NOW, stamp

from monitor import settings
from monitor.core.measurements import Quantity, Reading, Series
from monitor.outlook.weather.intake import ForecastIntake
from monitor.outlook.weather.poller import ForecastPoller
from monitor.store import Reader, Writer, forecasts

MINUTE = 60_000
ISSUED = NOW - NOW % HOUR
HEAD = """
[weather]
latitude = 60.10432
longitude = 9.99871
contact = "bench@quillon.example"
[shop]
altitude_m = 120
[[places]]
id = "yard"
kind = "outdoors"
"""
MET = '[[forecasts]]\nid = "met"\nservice = "met-norway"\nurl = "{url}"\n'
GOOD_JSON = {
    "issued_at": stamp(ISSUED),
    "latitude": 60.104,
    "longitude": 10.0,
    "hours": [{"valid_at": stamp(ISSUED + i * HOUR), "temp_c": 5, "rh_pct": 80} for i in range(9)],
}


class Shop:
    """A shop's store and its asker, with chance left out."""

    def __init__(self, folder, text) -> None:
        file = folder / "benchweather.toml"
        file.write_text(text, encoding="utf-8")
        self.settings = settings.load(data=folder, environ={})
        self.writer = Writer(self.settings.store_path)
        self.reader = Reader(self.settings.store_path)
        self.intake = ForecastIntake(self.settings, self.reader, self.writer)
        self.restart()

    def restart(self, chance: float = 0.0) -> None:
        self.poller = ForecastPoller(self.settings, self.intake, lambda: chance)

    def go(self, now=NOW):
        return [(said.source, said.good) for said in self.poller.poll(now)]

    def state(self, source):
        return forecasts.progress_of(self.writer, source)

    def kept(self):
        return [(one.source, one.issued_ms) for one in forecasts.recent(self.writer, 99)]

    def outdoors(self, temp, *, hours=30, until=NOW, rh=80.0):
        at = range(until - hours * HOUR, until, 10 * MINUTE)
        self.writer.write(
            [
                Reading(Series("yard", "y1", q), t, v)
                for t in at
                for q, v in ((Quantity.TEMPERATURE, temp), (Quantity.HUMIDITY, rh))
            ]
        )


def csv_of(
    hours=12, *, issued=ISSUED, temp="5.5", rh="80", header="issued_at,valid_at,temp_c,rh_pct"
):
    lines = [f"{stamp(issued)},{stamp(issued + i * HOUR)},{temp},{rh}" for i in range(hours)]
    return "\n".join([header, *lines, ""])
