"""Our two forecast formats: CSV for archives and files, JSON for MQTT and files.

CSV: columns `issued_at,valid_at,temp_c,rh_pct`, optionally `dew_point_c,wind_m_s,pressure_hpa`;
times ISO 8601 with a zone; a line for each hour, forecast by forecast. With a column `member`, a
whole number, or `quantile`, a level such as 0.1, its lines are one member's or of one level; those
where it is empty are the forecast itself. JSON: one forecast,
`{"issued_at": …, "hours": [{"valid_at": …, "temp_c": …, "rh_pct": …}, …]}`, optionally with
`latitude`, `longitude`, `members` or `quantiles`; the same names as the columns.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from itertools import groupby
from typing import IO, Any, NamedTuple

import numpy as np

from monitor.core.csv_text import CsvWriter
from monitor.core.errors import BadPayload
from monitor.core.files import FileFault, bounded_lines
from monitor.core.formats import utc
from monitor.core.json_documents import json_object, moment_of, number_of
from monitor.domain.forecast import Forecast, Position, position
from monitor.domain.forecast_source import ELEMENT_UNITS, Element
from monitor.outlook.weather.members import KINDS, RawMembers, check_count
from monitor.outlook.weather.members import from_json as members_from_json
from monitor.outlook.weather.validation import RawForecast, check_hours, converted, validated
from monitor.science.ranges import Floats

COLUMNS: dict[str, tuple[Element, str]] = {
    "temp_c": (Element.TEMPERATURE, "Cel"),
    "rh_pct": (Element.HUMIDITY, "%RH"),
    "dew_point_c": (Element.DEW_POINT, "Cel"),
    "wind_m_s": (Element.WIND, "m/s"),
    "pressure_hpa": (Element.PRESSURE, "hPa"),
}
"""Element of each column, and its unit."""
TIMES = ("issued_at", "valid_at")
MEMBER, QUANTILE = "member", "quantile"


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
    parsed: list[_Line] = []
    for line, row in lines:
        if len(row) != len(header):
            raise BadPayload(f"line {line}: {len(row)} fields where the header has {len(header)}")
        cells = {name: cell.strip() for name, cell in zip(header, row, strict=True)}
        try:
            issued, valid = (moment_of(cells[name], "iso") for name in TIMES)
            values = [_cell(name, cells[name]) for name in COLUMNS if name in cells]
            parsed.append(_Line(issued, valid, line, _member(cells), values))
        except BadPayload as exc:
            raise BadPayload(f"line {line}: {exc}") from exc
    names = [name for name in COLUMNS if name in header]
    kind = QUANTILE if QUANTILE in header else MEMBER
    found, seen = [], set[int]()
    for issued_ms, group in groupby(parsed, key=lambda one: one.issued_ms):
        hours = list(group)
        first = hours[0].line
        if issued_ms in seen:
            raise BadPayload(
                f"line {first}: its forecast began on an earlier line: keep the lines of a "
                "forecast together"
            )
        seen.add(issued_ms)
        try:
            raw = _raw(issued_ms, hours, names, kind)
            found.append(validated(source, raw, arrived_ms, archive=archive))
        except BadPayload as exc:
            raise BadPayload(f"forecast from line {first}: {exc}") from exc
    return found


class _Line(NamedTuple):
    """Line of a CSV file; `member` is None where it is of the forecast itself."""

    issued_ms: int
    valid_ms: int
    line: int
    member: float | None
    values: list[float | None]


def _raw(issued_ms: int, lines: list[_Line], names: list[str], kind: str) -> RawForecast:
    """Forecast of some lines of a CSV file, which are its own or its members'."""
    own = [one for one in lines if one.member is None]
    others = [(one.member, one) for one in lines if one.member is not None]
    valid = [one.valid_ms for one in own] or sorted({one.valid_ms for _, one in others})
    check_hours(len(valid))
    raw = RawForecast(issued_ms, valid, {})
    if own:
        numbers = [one.line for one in own]
        values = _values(names, [one.values for one in own])
        raw = raw._replace(values=values, where=lambda i: f"line {numbers[i]}")
    if not others:
        return raw
    members = sorted({member for member, _ in others})
    check_count(f"{kind}s", len(members))
    row, column = ({value: i for i, value in enumerate(keys)} for keys in (members, valid))
    table = np.full((len(members), len(valid), len(names)), np.nan)
    seen = set[tuple[int, int]]()
    for member, one in others:
        if one.valid_ms not in column:
            raise BadPayload(
                f"line {one.line}: {kind} {member:g} has a time that the forecast itself does not have"
            )
        at = row[member], column[one.valid_ms]
        if at in seen:
            raise BadPayload(f"line {one.line}: {kind} {member:g} has this time twice")
        seen.add(at)
        table[at] = [np.nan if value is None else value for value in one.values]
    values = {}
    for i, name in enumerate(names):
        element, unit = COLUMNS[name]
        if element in KINDS and not np.isnan(table[..., i]).all():
            factor, offset = ELEMENT_UNITS[element][unit]
            values[element] = table[..., i] * factor + offset
    levels = tuple(members) if kind == QUANTILE else ()
    return raw._replace(
        members=RawMembers(values, levels, tuple(f"{kind} {member:g}" for member in members))
    )


def _member(cells: dict[str, str]) -> float | None:
    """Number of the member, or level of the quantile, that a line is of."""
    if QUANTILE in cells:
        return _cell(QUANTILE, cells[QUANTILE])
    text = cells.get(MEMBER, "")
    if text and not (text.isascii() and text.isdigit() and len(text) <= 4):
        raise BadPayload(
            f"member {text[:40]!r} must be a whole number, or empty for the forecast itself"
        )
    return float(text) if text else None


def from_json(
    content: bytes, source: str, arrived_ms: int, *, archive: bool = False
) -> list[Forecast]:
    """The forecast of a JSON message or file.

    Raises
    ------
    BadPayload
    """
    document = json_object(content)
    known = {"issued_at", "hours", "latitude", "longitude", "members", "quantiles"}
    if unknown := sorted(set(document) - known):
        raise BadPayload(
            f"{unknown[0][:40]!r} is not known: must be one of {', '.join(sorted(known))}"
        )
    if "issued_at" not in document or not isinstance(document.get("hours"), list):
        raise BadPayload("it needs issued_at, and hours, a list")
    check_hours(len(document["hours"]))
    names: list[str] = []
    valid, rows = [], []
    for number, hour in enumerate(document["hours"], 1):
        if not isinstance(hour, dict) or "valid_at" not in hour:
            raise BadPayload(f"hour {number}: must be an object with valid_at")
        if unknown := sorted(set(hour) - {"valid_at", *COLUMNS}):
            raise BadPayload(
                f"hour {number}: {unknown[0][:40]!r} is not known: must be one of {', '.join(COLUMNS)}"
            )
        try:
            valid.append(moment_of(hour["valid_at"], "iso"))
            rows.append(
                {k: number_of(v, k) for k, v in hour.items() if k != "valid_at" and v is not None}
            )
        except BadPayload as exc:
            raise BadPayload(f"hour {number}: {exc}") from exc
        names += [name for name in hour if name in COLUMNS and name not in names]
    members = members_from_json(document, len(rows), {k: v[0] for k, v in COLUMNS.items()})
    alone = names or members is None
    if alone and ("temp_c" not in names or not {"rh_pct", "dew_point_c"} & set(names)):
        raise BadPayload("hours need temp_c, and rh_pct or dew_point_c")
    raw = RawForecast(
        moment_of(document["issued_at"], "iso"),
        valid,
        _values(names, [[row.get(name) for name in names] for row in rows]),
        _position(document),
        members=members,
    )
    return [validated(source, raw, arrived_ms, archive=archive)]


def write_csv(forecasts: Iterable[Forecast], out: IO[str]) -> int:
    """Write forecasts as an archive that `from_csv` reads. Returns how many hours."""
    writer, hours = CsvWriter(out, line_end="\n"), 0
    writer.row([*TIMES, "temp_c", "rh_pct", "wind_m_s", "pressure_hpa", MEMBER])
    for one in forecasts:
        issued, valid = iso(one.issued_ms), [iso(at) for at in one.valid_ms.tolist()]
        own = np.stack([one.temp_c, one.rh_pct, one.wind_m_s, one.pressure_pa / 100], axis=1)
        for at, values in zip(valid, own.tolist(), strict=True):
            writer.row([issued, at, *map(_text, values), ""])
        members = [] if one.members is None else np.stack(one.members, axis=-1).tolist()
        for number, member in enumerate(members, 1):
            for at, values in zip(valid, member, strict=True):
                if not all(map(math.isnan, values)):
                    row = [*(_text(value, 7) for value in values), "", str(number)]
                    writer.row([issued, at, *row])
        hours += len(valid)
    return hours


def iso(ms: int) -> str:
    """UTC, ISO 8601, to the second where that is exact."""
    return utc(ms, "auto")


def _text(value: float, digits: int = 10) -> str:
    return "" if math.isnan(value) else f"{value:.{digits}g}"


def _check_header(header: list[str]) -> None:
    allowed = [*TIMES, *COLUMNS, MEMBER, QUANTILE]
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
    if {MEMBER, QUANTILE} <= set(header):
        raise BadPayload("its header has member and quantile: must have one of the two")


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
