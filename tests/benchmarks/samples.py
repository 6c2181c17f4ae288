"""The files of `data/samples`, which the help's examples use: invented, from the demo's shop.

`python tests/benchmarks/samples.py` writes them anew, always the same.
"""

from __future__ import annotations

import csv
import json
import sys
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from monitor.core.clock import from_ms, to_ms
from monitor.core.measurements import Quantity, Series
from sensors.demo.forecasts import Forecasts
from sensors.demo.shop import BENCH, OUTDOORS, DemoShop

ZONE = ZoneInfo("Europe/Paris")
SEED = 7
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
START_MS = to_ms(datetime(2026, 1, 5, tzinfo=ZONE))
DAYS = 21
FOLDER = ROOT / "data/samples"


def _stamp(ms: int) -> str:
    return from_ms(ms).strftime("%Y-%m-%dT%H:%MZ")


def main() -> None:
    shop, forecasts = DemoShop(SEED, ZONE), Forecasts(SEED, ZONE)
    end = START_MS + DAYS * DAY_MS
    ts_ms, values = shop.readings(START_MS, end, HOUR_MS)

    def column(place: str, sensor: str, quantity: Quantity) -> list[float]:
        return values[Series(place, sensor, quantity)].tolist()

    bench = [column(BENCH, "fb-1", q) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)]
    outside = [column(OUTDOORS, "out-1", q) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)]
    with (FOLDER / "logger.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file, delimiter=";", lineterminator="\n")
        rows.writerow(["Date", "Time", "Temp", "Hum"])
        for ms, t, h in zip(ts_ms.tolist(), *bench, strict=True):
            local = from_ms(ms).astimezone(ZONE)
            figures = (f"{t:.1f}".replace(".", ","), f"{h:.1f}".replace(".", ","))
            rows.writerow([f"{local:%d.%m.%Y}", f"{local:%H:%M}", *figures])
    with (FOLDER / "score_log.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["time", "place", "temp_c", "rh_pct"])
        for place, columns in (("bench", bench), ("outdoors", outside)):
            for ms, t, h in zip(ts_ms.tolist(), *columns, strict=True):
                rows.writerow([_stamp(ms), place, f"{t:.1f}", f"{h:.1f}"])
    issued = range(START_MS // (6 * HOUR_MS) * 6 * HOUR_MS, end, 12 * HOUR_MS)
    with (FOLDER / "score_forecasts.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["issued_at", "valid_at", "temp_c", "rh_pct"])
        for moment in issued:
            told = forecasts.issued(moment)
            for ms, t, h in list(
                zip(
                    told.valid_ms.tolist(), told.temp_c.tolist(), told.rh_pct.tolist(), strict=True
                )
            )[:73:3]:
                rows.writerow([_stamp(moment), _stamp(ms), f"{t:.1f}", f"{h:.0f}"])
    told = forecasts.issued(issued[-1])
    hours = zip(told.valid_ms.tolist(), told.temp_c.tolist(), told.rh_pct.tolist(), strict=True)
    document = {
        "issued_at": _stamp(told.issued_ms),
        "hours": [{"valid_at": _stamp(ms), "temp_c": t, "rh_pct": h} for ms, t, h in hours][::3],
    }
    text = json.dumps(document, indent=1).replace("{\n   ", "{").replace("\n   ", " ")
    (FOLDER / "forecast.json").write_text(text.replace("\n  }", "}") + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
