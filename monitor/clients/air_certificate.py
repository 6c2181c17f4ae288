"""Air certificates: the air that an instrument had in the shop, as CSV and PDF.

A record is a CSV whose last line is the SHA-256 of all lines before it, and a PDF that shows its
chief figures and that fingerprint. The journal keeps the fingerprints of both files.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Iterator
from importlib.resources import files
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.place_means import means, places
from monitor.clients import typst_pdf
from monitor.core import formats
from monitor.core.csv_text import CsvWriter
from monitor.core.measurements import Quantity
from monitor.domain.instrument import Instrument, InstrumentAction
from monitor.domain.places import band
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.settings import Settings

STEP_H = TEN_MINUTES_S / 3600
HEADER = ("what", "from_utc", "to_utc", "place", "low", "mean", "high", "unit", "text")
NEVER = "never calibrated here; accuracy as stated by its maker, set in sensor.*"
MARK = "sha256,"


class CertificateRow(NamedTuple):
    """A line of a record. Times in ms since 1970-01-01 UTC; numbers are None where there are none."""

    what: str
    from_ms: int
    to_ms: int
    place: str = ""
    low: float | None = None
    mean: float | None = None
    high: float | None = None
    unit: str = ""
    text: str = ""


class CertificateFiles(NamedTuple):
    """A record as files."""

    csv: bytes
    pdf: bytes

    @property
    def fingerprints(self) -> list[str]:
        return [hashlib.sha256(part).hexdigest() for part in self]


class CheckedFile(NamedTuple):
    """Result of checking a file.

    `sound`: nothing in it was changed, as far as can be found out. `known`: it was issued here,
    and then `reference` and when [ms since 1970-01-01 UTC].
    """

    sound: bool
    known: bool
    reference: str = ""
    given_ms: int = 0


def certificate_rows(
    reader: Reader, journal: Journal, settings: Settings, instrument: Instrument, now_ms: int
) -> list[CertificateRow]:
    """The lines of a record of its present, or last, stay."""
    begin, end = instrument.arrived_ms, instrument.left_ms or now_ms
    rows = [CertificateRow("stay", begin, end, text=f"{instrument.kind} {instrument.reference}")]
    known = {place.id: place for place in places(reader, settings)}
    stays = [*instrument.places, (end, "")]
    airs: list[np.ndarray] = []
    outside = {"below": 0.0, "above": 0.0}
    days: list[CertificateRow] = []
    for (since, place_id), (until, _) in pairwise(stays):
        ts, temp, rh = means(reader, place_id, since, until)
        place = known.get(place_id)
        label = place.label if place else place_id
        low, high = (
            band(place, settings.limits)
            if place
            else (settings.limits.rh_low_pct, settings.limits.rh_high_pct)
        )
        rows.append(CertificateRow("band", since, until, label, low, None, high, "% RH"))
        if not len(ts):
            rows.append(CertificateRow("no readings", since, until, label))
            continue
        missing = (until - since) / 3_600_000 - STEP_H * len(ts)
        if missing > 1:
            rows.append(
                CertificateRow("without readings", since, until, label, mean=missing, unit="h")
            )
        outside["below"] += STEP_H * float((rh < low).sum())
        outside["above"] += STEP_H * float((rh > high).sum())
        airs.append(np.stack([temp, rh]))
        days += _days(ts, temp, rh, label)
    if airs:
        temp, rh = np.concatenate(airs, axis=1)
        rows += [
            CertificateRow("air", begin, end, "", *_ends(rh), "% RH"),
            CertificateRow("air", begin, end, "", *_ends(temp), "°C"),
            *(
                CertificateRow(f"{side} the band", begin, end, mean=h, unit="h")
                for side, h in outside.items()
            ),
        ]
    rows += _waits(journal, instrument, begin, end)
    rows += _alerts(journal, instrument, begin, end)
    rows += _sensors(reader, journal, settings, {p for _, p in instrument.places}, begin, end)
    return rows + days


def _ends(values: np.ndarray) -> tuple[float, float, float]:
    return float(values.min()), float(values.mean()), float(values.max())


def _days(
    ts: np.ndarray, temp: np.ndarray, rh: np.ndarray, label: str
) -> Iterator[CertificateRow]:
    day = ts // 86_400_000
    for one in np.unique(day).tolist():
        mine = day == one
        span = (one * 86_400_000, (one + 1) * 86_400_000)
        yield CertificateRow("day", *span, label, *_ends(rh[mine]), "% RH")
        yield CertificateRow("day", *span, label, *_ends(temp[mine]), "°C")


def _waits(
    journal: Journal, instrument: Instrument, begin: int, end: int
) -> Iterator[CertificateRow]:
    for wait in journal.waits.values():
        mine = wait.instrument.casefold() == instrument.reference.casefold()
        if mine and begin <= wait.started_ms <= end:
            done = wait.released_ms or end
            state = "released" if wait.released_ms else "still open"
            name = " ".join(filter(None, (str(wait.kind["name"]), wait.what)))
            yield CertificateRow(
                "wait",
                wait.started_ms,
                done,
                wait.place,
                None,
                (done - wait.started_ms) / 3_600_000,
                None,
                "h",
                f"{name}, {state}",
            )


def _alerts(
    journal: Journal, instrument: Instrument, begin: int, end: int
) -> Iterator[CertificateRow]:
    subjects = {instrument.id, instrument.reference, *(p for _, p in instrument.places)}
    for alert in journal.alerts.values():
        over = alert.cleared_ms or end
        if alert.subject in subjects and alert.began_ms < end and over > begin:
            yield CertificateRow("alert", alert.began_ms, over, alert.label, text=alert.gravest[1])


def _sensors(
    reader: Reader, journal: Journal, settings: Settings, stood: set[str], begin: int, end: int
) -> Iterator[CertificateRow]:
    """Sensors that measured at its places during the stay, with their accuracy, expanded (k = 2) where
    they were calibrated."""
    stated = {
        Quantity.HUMIDITY: (settings.sensor.rh_accuracy_pct, "± % RH"),
        Quantity.TEMPERATURE: (settings.sensor.temp_accuracy_c, "± K"),
    }
    for series, series_id in reader.series().items():
        if series.place not in stood or series.quantity not in stated:
            continue
        hours, span = reader.rollups(series_id, HOUR_S, begin, end), reader.span(series_id)
        if not len(hours) or span is None:
            continue
        last_hour_ms = int(hours["ts_ms"][-1])
        at_ms, values = reader.readings(series_id, last_hour_ms, last_hour_ms + 1000 * HOUR_S)
        wide, unit = stated[series.quantity]
        text = NEVER
        for known in journal.sensors.values():
            if (known.topic_place, known.name) == (series.place, series.sensor):
                correction = known.correction_at(series.quantity, end)
                if correction is not None:
                    wide = correction.uncertainty(float(values[-1]), end)
                    text = f"calibrated; corrected since {formats.utc(correction.from_ms)}"
        yield CertificateRow(
            "sensor",
            span[0],
            int(at_ms[-1]),
            series.place,
            None,
            wide,
            None,
            unit,
            f"{series.sensor} {series.quantity}: {text}",
        )


def csv_of(rows: Iterable[CertificateRow]) -> bytes:
    """The record as CSV (RFC 4180); its last line is the SHA-256 of the lines before it."""
    out = io.StringIO()
    write = CsvWriter(out)
    write.row(HEADER)
    for row in rows:
        numbers = ("" if v is None else f"{v:.2f}" for v in (row.low, row.mean, row.high))
        texts = (row.place, *numbers, row.unit, row.text)
        write.row((row.what, formats.utc(row.from_ms), formats.utc(row.to_ms), *texts))
    body = out.getvalue().encode("utf-8")
    return body + f"{MARK}{hashlib.sha256(body).hexdigest()}\r\n".encode()


def certificate_files(
    rows: list[CertificateRow], shop: str, settings: Settings
) -> CertificateFiles:
    """A record as CSV and as a tagged PDF, times in the shop's zone there."""
    made = csv_of(rows)

    table = [
        [
            row.what,
            formats.numeric(row.from_ms, settings.zone),
            formats.numeric(row.to_ms, settings.zone),
            row.place,
            " / ".join("–" if v is None else f"{v:.1f}" for v in (row.low, row.mean, row.high))
            + f" {row.unit}"
            if row.unit
            else "",
            row.text,
        ]
        for row in rows
        if row.what != "day"
    ]
    content = {
        "title": f"Record of air: {rows[0].text}",
        "shop": shop,
        "zone": settings.zone.key,
        "rows": table,
        "sha256": made.rpartition(MARK.encode())[2].decode().strip(),
    }
    return CertificateFiles(
        made,
        typst_pdf.pdf((files("monitor.clients") / "air_certificate.typ").read_bytes(), content),
    )


def check(content: bytes, journal: Journal) -> CheckedFile:
    """Check whether a file is an unchanged record."""
    print_ = hashlib.sha256(content).hexdigest()
    for instrument in journal.instruments.values():
        for event in instrument.events:
            if event.action == InstrumentAction.RECORD and print_ in event.body["fingerprints"]:
                return CheckedFile(True, True, instrument.reference, event.recorded_ms)
    body, mark, printed = content.rpartition(MARK.encode())
    sound = bool(mark) and hashlib.sha256(body).hexdigest().encode() == printed.strip()
    return CheckedFile(sound, False)
