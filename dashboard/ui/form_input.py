"""Typed form fields: numbers, times and temperatures as the reader writes them, and their faults."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, TypeVar

from dashboard.ui import formats
from monitor.core.errors import NOT_GIVEN, Fault, Rejected

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dashboard.ui.formats import Unit
    from monitor.settings import Settings

T = TypeVar("T")


class Form:
    """The fields of a form as they were typed. What cannot be read is collected in `faults`.

    `subject` is the id that the form is about, where it matters.
    """

    def __init__(self, typed: Mapping[str, str], settings: Settings, subject: str = "") -> None:
        self.typed, self.subject = dict(typed), subject
        self.zone = settings.zone
        self.unit = formats.unit_of(settings)
        self.faults: list[Fault] = []

    def text(self, name: str) -> str:
        return self.typed.get(name, "")

    def number(self, name: str) -> float | None:
        return self._read(name, number, "is not a number")

    def whole(self, name: str) -> int | None:
        return self._read(name, _whole, "must be a whole number from 0 to 99999")

    def temp_c(self, name: str, *, difference: bool = False) -> float | None:
        """A temperature, or a difference of two, in the reader's unit. [°C]"""
        value = self.number(name)
        if value is None or self.unit == "C":
            return value
        to_c = formats.difference_from_unit if difference else formats.to_celsius
        return round(to_c(value, self.unit), 3)

    def moment(self, name: str) -> int | None:
        """A date and time in the shop's zone. [ms since 1970-01-01 UTC]"""
        return self._read(
            name, lambda text: formats.of_input(text, self.zone), "is not a date and time"
        )

    def last_minute(self, name: str) -> int | None:
        """The last minute of a date in the shop's zone. [ms since 1970-01-01 UTC]"""
        return self._read(
            name, lambda text: formats.of_input(f"{text}T23:59", self.zone), "is not a date"
        )

    def changed(self, shown: Mapping[str, str]) -> set[str]:
        """The fields that differ from what was shown; those that look the same are the same."""
        return {name for name, text in self.typed.items() if text != shown.get(name, "")}

    def add_fault(self, name: str, problem: str, value: Any = NOT_GIVEN) -> None:
        self.faults.append(Fault(problem, name, value))

    def check(self) -> None:
        """Raise `Rejected` with every field that could not be read."""
        if self.faults:
            raise Rejected(*self.faults)

    def _read(self, name: str, read: Callable[[str], T], problem: str) -> T | None:
        text = self.text(name)
        if not text:
            return None
        try:
            return read(text)
        except (ValueError, OverflowError):
            self.add_fault(name, problem, text)
            return None


def number(text: str) -> float:
    """A number, with a comma or a point. Raises ValueError if the text is not one."""
    value = float(text.replace(",", ".").replace("−", "-"))
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 6):
        raise ValueError(text)
    return int(text)


def id_of(name: str) -> str:
    """An id from a name: "Cleat, thick" becomes "cleat-thick"."""
    letters = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return "-".join(part for part in letters.split("-") if part)[:40].strip("-")


def beside_field(fault: Fault, typed: str, unit: Unit) -> str:
    """The text of a fault beside its field: the value as typed, temperatures in the reader's unit."""
    if fault.unit == "°C" and fault.low is not None and fault.high is not None:
        low, high = (formats.limit_temperature(t, unit) for t in (fault.low, fault.high))
        return f"{typed}: must be {low} to {high}"
    return fault.at_field(typed)
