"""Texts about the history of an instrument."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.ui import formats
from monitor.domain.instrument import InstrumentAction

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from monitor.domain.events import Event


def event_words(
    event: Event, places: Mapping[str, str], now_ms: int, zone: ZoneInfo, unit: formats.Unit
) -> str:
    """Describe one event of an instrument. Who and when are shown beside it."""
    body = event.body

    def place() -> str:
        return places.get(str(body["place"]), str(body["place"]))

    def at(name: str = "at_ms") -> str:
        ms = body[name]
        if abs(ms - event.recorded_ms) < 2 * formats.MINUTE_MS:
            return ""
        return f", as of {formats.when(ms, now_ms, zone)}"

    match event.action:
        case InstrumentAction.REGISTER:
            state = "opened" if body["open"] else "closed"
            details = _put(
                body,
                ("home_rh_pct", "home_temp_c", "arrived_temp_c", "due_ms", "note"),
                now_ms,
                zone,
                unit,
            )
            return f"Came in: {body['kind']}, {state}, to {place()}{at('arrived_ms')}; {details}"
        case InstrumentAction.OPEN:
            return f"Opened{at()}"
        case InstrumentAction.CLOSE:
            return f"Closed{at()}"
        case InstrumentAction.MOVE:
            return f"Moved to {place()}{at()}"
        case InstrumentAction.LEAVE:
            return f"Handed out{at()}"
        case InstrumentAction.RECORD:
            return "Record of its air issued"
        case InstrumentAction.CORRECT:
            return f"Corrected: {_put(body, tuple(body), now_ms, zone, unit)}"
    return str(event.action)


def _put(
    body: Mapping[str, Any], names: Sequence[str], now_ms: int, zone: ZoneInfo, unit: formats.Unit
) -> str:
    parts = []
    for name in names:
        if name not in body:
            continue
        value = body[name]
        if name == "parts":
            parts.append(
                "parts "
                + ", ".join(
                    f"{p['name']} {p['thickness_mm']:g} × {p['width_mm']:g} mm" for p in value
                )
            )
        elif name == "note":
            if value or len(body) == 1:
                parts.append(f"note {value}" if value else "no note")
        else:
            parts.append(f"{_NAMES[name]} {_value(name, value, now_ms, zone, unit)}")
    return ", ".join(parts)


_NAMES = {
    "home_rh_pct": "home",
    "home_temp_c": "home temperature",
    "arrived_temp_c": "came in at",
    "arrived_ms": "came",
    "due_ms": "due out",
}


def _value(name: str, value: Any, now_ms: int, zone: ZoneInfo, unit: formats.Unit) -> str:
    if value is None:
        return "not known"
    if name == "due_ms":
        return formats.day(formats.local(value, zone).date())
    if name == "arrived_ms":
        return formats.when(value, now_ms, zone)
    if name == "home_rh_pct":
        return f"{value:g} %"
    return formats.with_unit("temperature", value, unit)
