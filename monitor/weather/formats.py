"""Our two forecast formats: CSV for archives and files, JSON for MQTT and files.

CSV: columns `issued_at,valid_at,temp_c,rh_pct`, optionally `dew_point_c,wind_m_s,pressure_hpa`;
times ISO 8601 with a zone; a line for each hour, forecast by forecast. JSON: one forecast,
`{"issued_at": …, "hours": [{"valid_at": …, "temp_c": …, "rh_pct": …}, …]}`, optionally with
`latitude` and `longitude`; the same names as the columns.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from itertools import groupby
from typing import IO, Any

from monitor.core.csv_text import CsvWriter
from monitor.core.errors import BadPayload
from monitor.core.files import FileFault, bounded_lines
from monitor.core.formats import utc
from monitor.core.json_documents import json_object, moment_of, number_of
from monitor.domain.forecast import Forecast, Position, position
from monitor.domain.forecast_source import Element
from monitor.science.ranges import Floats
from monitor.weather.validation import RawForecast, converted, validated

COLUMNS: dict[str, tuple[Element, str]] = {
    "temp_c": (Element.TEMPERATURE, "Cel"),
    "rh_pct": (Element.HUMIDITY, "%RH"),
    "dew_point_c": (Element.DEW_POINT, "Cel"),
    "wind_m_s": (Element.WIND, "m/s"),
    "pressure_hpa": (Element.PRESSURE, "hPa"),
}
"""Element of each column, and its unit."""
TIMES = ("issued_at", "valid_at")


def from_csv(
    content: bytes, source: str, arrived_ms: int, *, archive: bool = False
) -> list[Forecast]:
    """All forecasts of a CSV file, in its order.

    Raises
    ------
    BadPayload
        Naming the line, if any cannot be taken: then none is.
    """
    try:
        text = io.StringIO(content.decode("utf-8-sig"), newline="")
        rows = csv.reader(bounded_lines(text, "the file"), strict=True)
        header = [name.strip() for name in next(rows, [])]
        _check_header(header)
        lines = [(rows.line_num, row) for row in rows if any(row)]
    except UnicodeDecodeError as exc:
        raise BadPayload(f"not UTF-8 text: {exc.reason} at byte {exc.start}") from exc
    except (csv.Error, FileFault) as exc:
        raise BadPayload(f"not CSV: {exc}") from exc
    if not lines:
        raise BadPayload("it has a header and no line")
    told: list[tuple[int, int, int, list[float | None]]] = []
    for line, row in lines:
        if len(row) != len(header):
            raise BadPayload(f"line {line}: {len(row)} fields where the header has {len(header)}")
        cells = {name: cell.strip() for name, cell in zip(header, row, strict=True)}
        try:
            issued, valid = (moment_of(cells[name], "iso") for name in TIMES)
            values = [_cell(name, cells[name]) for name in COLUMNS if name in cells]
        except BadPayload as exc:
            raise BadPayload(f"line {line}: {exc}") from exc
        told.append((issued, valid, line, values))
    names = [name for name in COLUMNS if name in header]
    found, seen = [], set[int]()
    for issued_ms, group in groupby(told, key=lambda one: one[0]):
        hours = list(group)
        first = hours[0][2]
        if issued_ms in seen:
            raise BadPayload(
                f"line {first}: its forecast began on an earlier line: keep the lines of a "
                "forecast together"
            )
        seen.add(issued_ms)
        table = [hour[3] for hour in hours]
        numbers = [hour[2] for hour in hours]
        one = RawForecast(
            issued_ms,
            [hour[1] for hour in hours],
            _values(names, table),
            where=lambda i, numbers=numbers: f"line {numbers[i]}",  # type: ignore[misc]
        )
        try:
            found.append(validated(source, one, arrived_ms, archive=archive))
        except BadPayload as exc:
            raise BadPayload(f"forecast from line {first}: {exc}") from exc
    return found


def from_json(
    content: bytes, source: str, arrived_ms: int, *, archive: bool = False
) -> list[Forecast]:
    """The forecast of a JSON message or file.

    Raises
    ------
    BadPayload
    """
    document = json_object(content)
    known = {"issued_at", "hours", "latitude", "longitude"}
    if unknown := sorted(set(document) - known):
        raise BadPayload(f"{unknown[0]!r} is not known: must be one of {', '.join(sorted(known))}")
    if "issued_at" not in document or not isinstance(document.get("hours"), list):
        raise BadPayload("it needs issued_at, and hours, a list")
    names: list[str] = []
    valid, rows = [], []
    for number, hour in enumerate(document["hours"], 1):
        if not isinstance(hour, dict) or "valid_at" not in hour:
            raise BadPayload(f"hour {number}: must be an object with valid_at")
        if unknown := sorted(set(hour) - {"valid_at", *COLUMNS}):
            raise BadPayload(
                f"hour {number}: {unknown[0]!r} is not known: must be one of {', '.join(COLUMNS)}"
            )
        try:
            valid.append(moment_of(hour["valid_at"], "iso"))
            rows.append(
                {k: number_of(v, k) for k, v in hour.items() if k != "valid_at" and v is not None}
            )
        except BadPayload as exc:
            raise BadPayload(f"hour {number}: {exc}") from exc
        names += [name for name in hour if name in COLUMNS and name not in names]
    if "temp_c" not in names or not {"rh_pct", "dew_point_c"} & set(names):
        raise BadPayload("hours need temp_c, and rh_pct or dew_point_c")
    told = RawForecast(
        moment_of(document["issued_at"], "iso"),
        valid,
        _values(names, [[row.get(name) for name in names] for row in rows]),
        _position(document),
    )
    return [validated(source, told, arrived_ms, archive=archive)]


def write_csv(forecasts: Iterable[Forecast], out: IO[str]) -> int:
    """Write forecasts as an archive that `from_csv` reads. Returns how many hours."""
    writer, hours = CsvWriter(out, line_end="\n"), 0
    writer.row([*TIMES, "temp_c", "rh_pct", "wind_m_s", "pressure_hpa"])
    for one in forecasts:
        issued, columns = iso(one.issued_ms), (one.temp_c, one.rh_pct, one.wind_m_s)
        for at, temp, rh, wind, pressure in zip(
            one.valid_ms.tolist(),
            *(c.tolist() for c in columns),
            (one.pressure_pa / 100).tolist(),
            strict=True,
        ):
            writer.row([issued, iso(at), *map(_text, (temp, rh, wind, pressure))])
            hours += 1
    return hours


def iso(ms: int) -> str:
    """UTC, ISO 8601, to the second where that is exact."""
    return utc(ms, "auto")


def _text(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.10g}"


def _check_header(header: list[str]) -> None:
    allowed = [*TIMES, *COLUMNS]
    if missing := [name for name in (*TIMES, "temp_c") if name not in header]:
        raise BadPayload(
            f"no column {', '.join(missing)}: its header is {', '.join(header)[:200]}"
        )
    if not {"rh_pct", "dew_point_c"} & set(header):
        raise BadPayload("no column rh_pct or dew_point_c")
    if unknown := [name for name in header if name not in allowed]:
        raise BadPayload(
            f"column {unknown[0][:40]!r} is not known: must be one of {', '.join(allowed)}"
        )
    if twice := [name for name in header if header.count(name) > 1]:
        raise BadPayload(f"column {twice[0]} occurs twice in the header")


def _cell(name: str, text: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadPayload(f"{name} {text[:40]!r} is not a number such as -4.2")
    return value


def _values(names: list[str], table: list[list[float | None]]) -> dict[Element, Floats]:
    columns: Any = zip(*table, strict=True) if table else [()] * len(names)
    return {
        COLUMNS[name][0]: converted(*COLUMNS[name], list(column))
        for name, column in zip(names, columns, strict=True)
    }


def _position(document: dict[str, Any]) -> Position | None:
    if not {"latitude", "longitude"} & set(document):
        return None
    found = [number_of(document.get(name), name) for name in ("latitude", "longitude")]
    for name, value, most in zip(("latitude", "longitude"), found, (90, 180), strict=True):
        if not -most <= value <= most:
            raise BadPayload(f"{name} = {value:g}°: must be -{most} to {most}°")
    return position(*found)
