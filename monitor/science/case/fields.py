"""Fields that can be typed in: each with unit, range, help and source, and a fault for each that
is wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any, TypeGuard

from monitor.core.errors import MonitorError
from monitor.science.plates.parts import FieldFault
from monitor.science.waits.parameters import parameter

__all__ = ["CaseFault", "FieldFault", "checked_fields", "number_faults", "parameter"]


class CaseFault(MonitorError, ValueError):
    """A case, a home or what is used in them cannot be so. `faults` lists each wrong field."""

    def __init__(self, faults: Sequence[FieldFault]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(map(str, self.faults)))


def is_number(value: object) -> TypeGuard[float]:
    """True if the value is a finite number and not a truth value."""
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and abs(value) < float("inf")
    )


def number_faults(thing: Any, name: str) -> list[FieldFault]:
    """Faults of the fields made with `parameter` whose value is not a number of its range."""
    faults = []
    for f in fields(thing):
        if "unit" not in f.metadata:
            continue
        low, high, unit = (f.metadata[key] for key in ("low", "high", "unit"))
        value = getattr(thing, f.name)
        if not is_number(value) or not low <= value <= high:
            gap = "" if unit in ("", "%") else " "
            faults.append(FieldFault(name, f.name, value, f"{low:g} to {high:g}{gap}{unit}"))
    return faults


def checked_fields(thing: Any, name: str, more: Sequence[FieldFault] = ()) -> None:
    """Refuse a thing with wrong fields, all of them together.

    Raises
    ------
    CaseFault
    """
    faults = [*number_faults(thing, name), *more]
    if faults:
        raise CaseFault(faults)
