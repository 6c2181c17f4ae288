"""Every error the project raises on purpose, in one tree.

Callers branch on the type or on `retryable`, never on the text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


class MonitorError(Exception):
    """The root of the tree."""

    retryable = False
    """True if the same try may succeed later with nothing changed by hand."""


class OutOfRange(MonitorError, ValueError):
    """A quantity lies outside what a formula or a rule allows.

    Attributes: `name`, `value`, `unit`, `low`, `high` (the allowed range; an end may be None).
    """

    def __init__(
        self,
        name: str,
        value: float,
        unit: str,
        low: float | None,
        high: float | None,
        *,
        low_open: bool = False,
        where: str = "",
    ) -> None:
        self.name, self.value, self.unit = name, value, unit
        self.low, self.high, self.low_open = low, high, low_open
        if high is None:
            allowed = f"{'above' if low_open else 'at least'} {low:g}"
        elif low is None:
            allowed = f"at most {high:g}"
        elif low_open:
            allowed = f"above {low:g}, up to {high:g}"
        else:
            allowed = f"{low:g} to {high:g}"
        space = "" if unit == "%" else " "
        super().__init__(f"{name}{where} = {value:g}{space}{unit}: must be {allowed}{space}{unit}")


NOT_GIVEN = "\0"
"""The value of a fault that has none to show."""


@dataclass(frozen=True)
class Fault:
    """Fault of a request: its field, its value and what is allowed.

    Either `problem` says what is wrong, as the rest of a sentence after the field, or `allowed`
    says what the value must be. Without `field` the problem is a whole sentence. A part's field is
    "parts.<its number from 0>.<field>". `low`, `high` and `unit` are the range, if it is one.
    """

    problem: str = ""
    field: str = ""
    value: Any = NOT_GIVEN
    allowed: str = ""
    low: float | None = None
    high: float | None = None
    unit: str = ""

    def __str__(self) -> str:
        name = self.field.removesuffix("_ms")
        if self.value == NOT_GIVEN:
            return f"{name} {self._rest()}".strip()
        return f"{name} = {self.value!r:.40}{self._rest()}".strip(" =")

    def at_field(self, typed: str = "") -> str:
        """The fault for the place beside its field: without the field's name, the value as typed."""
        if self.value == NOT_GIVEN:
            return self._rest()
        shown = typed if typed and not self.problem else repr(self.value)
        return f"{shown:.40}{self._rest()}"

    def _rest(self) -> str:
        given = self.value != NOT_GIVEN
        if self.problem:
            problem = self.problem.removeprefix(f"{self.value!r}: ")  # it is said before it
            return f" {problem}" if given else problem
        return f"{': ' if given else ''}must be {self.allowed}"


def range_fault(
    field: str, value: Any, low: float | None, high: float | None, unit: str = ""
) -> Fault:
    """The fault of a value outside a range, which it keeps as figures."""
    if low is None or high is None:
        limits = f"at most {high:.10g}" if low is None else f"at least {low:.10g}"
    else:
        limits = f"{low:.10g} to {high:.10g}"
    return Fault("", field, value, f"{limits} {unit}".strip(), low, high, unit)


class Rejected(MonitorError, ValueError):
    """A request that cannot be carried out. `faults` has each thing that is wrong with it."""

    def __init__(self, *faults: Fault | str) -> None:
        self.faults = tuple(Fault(f) if isinstance(f, str) else f for f in faults)
        super().__init__("; ".join(map(str, self.faults)))


class BadPayload(MonitorError, ValueError):
    """A message, or one record of it, is rejected: what, where and what is allowed."""


class SettingsFault(MonitorError, ValueError):
    """Error that one or more settings are wrong. `faults` lists each as a sentence; `details` has
    each with its field and value, where that is known."""

    def __init__(self, faults: list[str], details: Sequence[Fault] = ()) -> None:
        self.faults = faults
        self.details = tuple(details) or tuple(map(Fault, faults))
        super().__init__("; ".join(faults))


class ImportFault(MonitorError, ValueError):
    """A file cannot be imported as asked: its columns, units or times do not fit."""


class StoreFault(MonitorError):
    """The store cannot be used as it is: wrong version, damaged, or already in use."""


class StoreUnavailable(StoreFault):
    """The store cannot be written or read just now: full, locked or away."""

    retryable = True


class LeaseLost(StoreFault):
    """Another service has the lease of the store: this one may not write any more."""


class StoreMissing(StoreUnavailable):
    """There is no store yet: no file, or a database without its tables."""


class BrokerFault(MonitorError):
    """The embedded broker cannot run: no program, a port taken, or it stopped at once."""


class BrokerUnavailable(MonitorError):
    """No broker answers at the address in the settings."""

    retryable = True
