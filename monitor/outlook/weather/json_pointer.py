"""Reads any JSON forecast by the pointers of the settings."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from monitor.core.errors import BadPayload
from monitor.core.json_documents import at, json_document, moment_of, number_of, pointer_of
from monitor.domain.forecast_source import Element, ForecastSource, pointer_of_member
from monitor.domain.topic_rules import Pick
from monitor.outlook.weather.members import RawMembers
from monitor.outlook.weather.validation import HOURS_MAX, RawForecast, converted


def read(source: ForecastSource, body: bytes, fetched_ms: int) -> RawForecast:
    """The forecast in an answer.

    Parameters
    ----------
    source : ForecastSource
        With `time` and `elements`.
    body : bytes
    fetched_ms : int
        The time of issue, where the source has no pointer to one. [ms since 1970-01-01 UTC]

    Raises
    ------
    BadPayload
        Naming the pointer at which something else stands than was declared.
    """
    document = json_document(body)
    if source.time is None:
        raise BadPayload("the settings name no time for this source")
    issued_ms = fetched_ms
    if source.issued:
        issued_ms = moment_of(at(pointer_of(source.issued.pointer), document), source.issued.unit)
    valid, columns = (
        _row_by_row(source, document) if source.hours is not None else _lists(source, document)
    )
    members = _members(source, document, len(valid)) if source.members else None
    unit = source.time.unit
    return RawForecast(
        issued_ms,
        [_in_hour(i, lambda value: moment_of(value, unit), v) for i, v in enumerate(valid, 1)],
        {
            element: converted(element, source.elements[element].unit, column)
            for element, column in columns.items()
        },
        members=members,
    )


def _members(source: ForecastSource, document: Any, hours: int) -> RawMembers:
    """The members of an answer with so many hours."""
    values = {
        element: np.full((source.members, hours), np.nan) for element in source.member_elements
    }
    for number in range(1, source.members + 1):
        picks = {
            element: replace(pick, pointer=pointer_of_member(pick.pointer, number))
            for element, pick in source.member_elements.items()
        }
        one = replace(source, elements=picks)
        read_columns = _row_by_row if source.hours is not None else _lists
        for element, column in read_columns(one, document)[1].items():
            values[element][number - 1] = converted(element, picks[element].unit, column)
    return RawMembers(values)


Columns = dict[Element, list[float | None]]


def _row_by_row(source: ForecastSource, document: Any) -> tuple[list[Any], Columns]:
    """Read hours that are objects or lists, one each; a missing or null value is not known."""
    hours = _list(pointer_of(source.hours or ""), document)
    time = pointer_of(source.time.pointer if source.time else "")
    valid = [_in_hour(i, lambda hour: at(time, hour), hour) for i, hour in enumerate(hours, 1)]
    columns: Columns = {}
    for element, pick in source.elements.items():
        pointer = pointer_of(pick.pointer)
        values = [pointer.resolve(hour, None) for hour in hours]
        columns[element] = _numbers(values, pick)
        if all(value is None for value in values):
            raise BadPayload(f"there is nothing at {pick.pointer!r} in any of {len(hours)} hours")
    return valid, columns


def _lists(source: ForecastSource, document: Any) -> tuple[list[Any], Columns]:
    """Times and each element a list of its own, all as long."""
    valid = _list(pointer_of(source.time.pointer if source.time else ""), document)
    columns: Columns = {}
    for element, pick in source.elements.items():
        values = _list(pointer_of(pick.pointer), document)
        if len(values) != len(valid):
            raise BadPayload(
                f"{pick.pointer!r} has {len(values)} values for {len(valid)} times: "
                "the two numbers must be equal"
            )
        columns[element] = _numbers(values, pick)
    return valid, columns


def _list(pointer: Any, document: Any) -> list[Any]:
    found = at(pointer, document)
    if not isinstance(found, list) or not found:
        raise BadPayload(f"{pointer.path!r} holds {str(found)[:40]!r}: must be a list of hours")
    if len(found) > HOURS_MAX:
        raise BadPayload(
            f"{pointer.path!r} holds {len(found)} hours: at most {HOURS_MAX} are accepted"
        )
    return found


def _numbers(values: list[Any], pick: Pick) -> list[float | None]:
    return [
        None if v is None else _in_hour(i, lambda v: number_of(v, pick.pointer), v)
        for i, v in enumerate(values, 1)
    ]


def _in_hour(number: int, read_one: Any, value: Any) -> Any:
    try:
        return read_one(value)
    except BadPayload as exc:
        raise BadPayload(f"hour {number}: {exc}") from exc
