"""A logger's file that was handed to the board: read as planned, and stored by the service.

The board asks the service, which alone writes the store. It leaves the file in the data folder; where
the store is a database, and the board perhaps on another computer, the file goes with the request.
"""

from __future__ import annotations

import base64
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.commands import link
from monitor.core.errors import ImportFault

if TYPE_CHECKING:
    from monitor.readings.csv_import import ImportPlan, ParsedFile
    from monitor.settings import Settings
    from monitor.store import Writer

ABOUT = "import"
"""The word of a command about a logger's file."""
PATIENCE_S = 120.0
"""Longest wait for the service to store a file that goes with the request. [s]"""
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


def ask_to_store(
    settings: Settings, content: bytes, fields: Mapping[str, str]
) -> Mapping[str, Any]:
    """Have the service store the readings of a file; see `carry_out`. The caller reports an OSError."""
    command = {"about": ABOUT, **fields}
    if isinstance(settings.store_address, str):
        packed = base64.b64encode(content).decode()
        return link.ask(settings, command | {"content": packed}, PATIENCE_S)
    name = secrets.token_hex(16)
    path = upload_path(settings.data, name)
    path.parent.mkdir(mode=0o700, exist_ok=True)
    try:
        path.write_bytes(content)
        return link.ask(settings, command | {"file": name})
    finally:
        path.unlink(missing_ok=True)


def _content(data: Path, command: Mapping[str, Any]) -> bytes:
    if "content" in command:
        try:
            return base64.b64decode(command["content"], validate=True)
        except (ValueError, TypeError) as exc:
            raise ImportFault("the file did not arrive whole") from exc
    try:
        return upload_path(data, str(command.get("file"))).read_bytes()
    except OSError as exc:
        raise ImportFault(f"the file cannot be read: {exc.strerror}") from exc


def carry_out(
    writer: Writer, data: Path, zone: ZoneInfo, command: Mapping[str, Any], now: int
) -> Mapping[str, Any]:
    """Store the readings of a file, on disk when this returns. `new` and `repeated` count them."""
    found = read_file(_content(data, command), command, zone, now)
    new = repeated = 0
    rejected = len(found.refused)
    for batch in found.batches(BATCH):
        stored = writer.write(batch)
        new, repeated = new + stored.new, repeated + stored.repeated
        rejected += len(batch) - sum(stored)  # older than single readings are kept
    return {"new": new, "repeated": repeated, "rejected": rejected}
