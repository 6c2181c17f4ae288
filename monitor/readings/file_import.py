"""A logger's file that was handed to the board: read as planned, and stored by the service.

The board leaves the file in the data folder and asks the service by the command link; only the
service writes the store.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.core.errors import ImportFault

if TYPE_CHECKING:
    from monitor.readings.csv_import import ImportPlan, ParsedFile
    from monitor.store import Writer

ABOUT = "import"
"""The word of a command about a logger's file."""
BATCH = 10_000
"""Readings in one transaction."""
FIELDS = (
    "place",
    "sensor",
    "time",
    "format",
    "temperature",
    "humidity",
    "unit",
    "delimiter",
    "decimal",
)
"""Fields that say how a file is written, as texts."""


def plan_of(fields: Mapping[str, Any], zone: ZoneInfo) -> ImportPlan:
    """Plan for reading a file. Times without a zone are in `zone`.

    Raises
    ------
    ImportFault
        If a field does not fit.
    """
    from monitor.readings.csv_import import Column, ImportPlan

    text = {name: str(fields.get(name, "")).strip()[:200] for name in FIELDS}
    units = {"temperature": text["unit"], "humidity": "%RH"}
    columns = tuple(
        Column.parse(f"{quantity}:{unit}:{text[quantity]}")
        for quantity, unit in units.items()
        if text[quantity]
    )
    return ImportPlan(
        place=text["place"],
        sensor=text["sensor"],
        columns=columns,
        time_columns=tuple(part.strip() for part in text["time"].split("+")),
        time_format=text["format"],
        zone=zone,
        decimal=text["decimal"],
        delimiter="\t" if text["delimiter"] == "tab" else text["delimiter"],
    )


def read_file(content: bytes, fields: Mapping[str, Any], zone: ZoneInfo, now: int) -> ParsedFile:
    """The content of a file; nothing is stored. `now`: the present. [ms since 1970-01-01 UTC]"""
    from monitor.readings.csv_import import read_csv

    return read_csv(Path("the file"), plan_of(fields, zone), now_ms=now, content=content)


def upload_path(data: Path, name: str) -> Path:
    """Path of a file that the board leaves for the service.

    Raises
    ------
    ImportFault
        If the name is none that the board gives.
    """
    if not (name.isascii() and name.isalnum() and len(name) == 32):
        raise ImportFault("there is no such file")
    return data / "uploads" / f"{name}.csv"


def carry_out(
    writer: Writer, data: Path, zone: ZoneInfo, command: Mapping[str, Any], now: int
) -> Mapping[str, Any]:
    """Store the readings of a file, on disk when this returns. `new` and `repeated` count them."""
    path = upload_path(data, str(command.get("file")))
    try:
        content = path.read_bytes()
    except OSError as exc:
        raise ImportFault(f"the file cannot be read: {exc.strerror}") from exc
    found = read_file(content, command, zone, now)
    new = repeated = 0
    rejected = len(found.refused)
    for batch in found.batches(BATCH):
        stored = writer.write(batch)
        new, repeated = new + stored.new, repeated + stored.repeated
        rejected += len(batch) - sum(stored)  # older than single readings are kept
    return {"new": new, "repeated": repeated, "rejected": rejected}
