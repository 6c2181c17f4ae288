"""Every error the project raises on purpose, in one tree.

Callers branch on the type or on `retryable`, never on the text.
"""

from __future__ import annotations


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


class BadPayload(MonitorError, ValueError):
    """A message, or one record of it, is rejected: what, where and what is allowed."""


class SettingsFault(MonitorError, ValueError):
    """One or more settings are wrong. `faults` lists each as a sentence."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("; ".join(faults))


class ImportFault(MonitorError, ValueError):
    """A file cannot be imported as asked: its columns, units or times do not fit."""


class StoreFault(MonitorError):
    """The store cannot be used as it is: wrong version, damaged, or already in use."""


class StoreUnavailable(StoreFault):
    """The store cannot be written or read just now: full, locked or away."""

    retryable = True


class BrokerFault(MonitorError):
    """The embedded broker cannot run: no program, a port taken, or it stopped at once."""


class BrokerUnavailable(MonitorError):
    """No broker answers at the address in the settings."""

    retryable = True
