"""Sensor chips as the Linux kernel shows them: its IIO and hwmon interfaces in sysfs.

Units are the kernel's: millidegrees Celsius, milli-percent, kilopascals.

References
----------
Linux, Documentation/ABI/testing/sysfs-bus-iio and Documentation/hwmon/sysfs-interface.rst.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from monitor.core.errors import MonitorError
from monitor.core.measurements import MEASURES, Quantity

IIO, HWMON = "sys/bus/iio/devices", "sys/class/hwmon"
"""Where the two interfaces stand, below the root."""

_KINDS = {
    "temp": (Quantity.TEMPERATURE, 1e-3),
    "humidityrelative": (Quantity.HUMIDITY, 1e-3),
    "humidity": (Quantity.HUMIDITY, 1e-3),
    "pressure": (Quantity.PRESSURE, 1e3),
}
"""Kind of channel: what it measures, and the factor from the kernel's unit to ours."""
_IIO_FILE = re.compile(
    r"in_(temp|humidityrelative|pressure)(\d*)(_ambient|_object|)_(input|raw)", re.ASCII
)
_HWMON_FILE = re.compile(r"(temp|humidity)(\d+)()_(input)", re.ASCII)
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", re.ASCII)


class ChipFault(MonitorError):
    """A chip, or one value of it, cannot be read just now."""

    retryable = True


@dataclass(frozen=True)
class ChipChannel:
    """Channel of a chip.

    `name` is the kernel's, such as `temp`, `temp2` or `temp_object`; `raw`: its value wants an
    offset and a scale.
    """

    folder: Path
    name: str
    quantity: Quantity
    label: str
    value: Path
    raw: bool
    _beside: tuple[str, ...]
    _factor: float

    def read(self) -> float:
        """The present value, in the unit of `monitor.core.measurements.MEASURES`.

        Raises
        ------
        ChipFault
            If there is none, it is no whole number or decimal, or it cannot be believed.
        """
        fault = self.folder / f"{self.name}_fault"
        if fault.exists() and _number(fault):
            raise ChipFault(f"{self.name}: the chip itself says that its value is wrong")
        value = _number(self.value)
        if self.raw:
            value = (value + self._constant("offset", 0.0)) * self._constant("scale", None)
        value *= self._factor
        measure = MEASURES[self.quantity]
        if not measure.low <= value <= measure.high:
            raise ChipFault(
                f"{self.quantity} = {value:g} {measure.unit}: "
                f"must be {measure.low:g} to {measure.high:g} {measure.unit}"
            )
        return value

    def _constant(self, what: str, default: float | None) -> float:
        """The channel's own offset or scale, or the one it shares with others of its kind."""
        for name in self._beside:
            path = self.folder / f"in_{name}_{what}"
            if path.exists():
                return _number(path)
        if default is None:
            raise ChipFault(f"{self.name}: the driver gives no {what} for its raw value")
        return default


@dataclass(frozen=True)
class Chip:
    """A chip with at least one channel of the air. `device` is where it sits, such as `1-0044`:
    bus and address, the same after each start, which `iio:device0` is not."""

    interface: Literal["iio", "hwmon"]
    name: str
    device: str
    label: str
    entry: Path
    channels: tuple[ChipChannel, ...]

    @property
    def id(self) -> str:
        return f"{self.name}@{self.device}"

    def called(self, wanted: str) -> bool:
        """True if `wanted` means this chip: `name` or `name@device`, with `iio:` or `hwmon:`
        before it if need be."""
        return wanted in (
            self.name,
            self.id,
            *(f"{self.interface}:{n}" for n in (self.name, self.id)),
        )

    def present(self) -> bool:
        """True if the chip is still where it was found: the kernel renumbers."""
        folder = _folder(self.entry)
        return (
            _text(folder / "name") == self.name
            and _device(self.interface, self.entry) == self.device
        )


def chips(root: Path = Path("/")) -> list[Chip]:
    """Every chip that measures temperature, humidity or pressure, IIO first."""
    found = [_chip("iio", entry, _IIO_FILE) for entry in _sorted(root / IIO, "iio:device*")]
    found += [_chip("hwmon", entry, _HWMON_FILE) for entry in _sorted(root / HWMON, "hwmon*")]
    return [chip for chip in found if chip.channels]


def chip_called(wanted: str, among: list[Chip]) -> Chip:
    """The one chip that `wanted` means.

    Raises
    ------
    ChipFault
        If there is none or more than one, with what there is.
    """
    meant = [chip for chip in among if chip.called(wanted)]
    if len(meant) == 1:
        return meant[0]
    names = handles(meant or among)
    if meant:
        raise ChipFault(f"chip {wanted!r} may be one of {', '.join(names)}: name one")
    there = f"there is {', '.join(names)}" if names else "no chip was found"
    raise ChipFault(f"no chip {wanted!r} is there now: {there}")


def handles(among: list[Chip]) -> list[str]:
    """Name of each chip for the settings."""
    often = Counter(chip.id for chip in among)
    return [c.id if often[c.id] == 1 else f"{c.interface}:{c.id}" for c in among]


def chosen(chip: Chip, take: dict[Quantity, str]) -> dict[Quantity, ChipChannel]:
    """Channels of a chip by quantity: those in `take`, by name, else every quantity that only one
    channel measures.

    Raises
    ------
    ChipFault
        If a channel is not there, or two measure one quantity and `take` does not say which.
    """
    by_name = {channel.name: channel for channel in chip.channels}
    if take:
        missing = [name for name in take.values() if name not in by_name]
        if missing:
            raise ChipFault(
                f"{chip.id} has no channel {missing[0]!r}: it has {', '.join(by_name)}"
            )
        return {quantity: by_name[name] for quantity, name in take.items()}
    result: dict[Quantity, ChipChannel] = {}
    for channel in chip.channels:
        if channel.quantity in result:
            both = f"{result[channel.quantity].name} and {channel.name}"
            raise ChipFault(
                f"{chip.id} measures {channel.quantity} twice, {both}: name one in take"
            )
        result[channel.quantity] = channel
    return result


def _sorted(folder: Path, pattern: str) -> list[Path]:
    return sorted(folder.glob(pattern), key=lambda p: (len(p.name), p.name))


def _folder(entry: Path) -> Path:
    """Folder of a chip's files; older hwmon drivers put them into its device's folder."""
    return entry if (entry / "name").exists() else entry / "device"


def _device(interface: str, entry: Path) -> str:
    if interface == "iio":
        return entry.resolve().parent.name
    link = entry / "device"
    return link.resolve().name if link.exists() else "virtual"


def _chip(interface: Literal["iio", "hwmon"], entry: Path, files: re.Pattern[str]) -> Chip:
    folder = _folder(entry)
    channels: dict[str, ChipChannel] = {}
    try:
        names = sorted(path.name for path in folder.iterdir())  # …_input before …_raw
    except OSError:
        names = []
    for name in names:
        if (parts := files.fullmatch(name)) is None:
            continue
        kind, number, modifier, form = parts.groups()
        channel = kind + number + modifier
        if channel in channels:
            continue
        quantity, factor = _KINDS[kind]
        stem = channel if interface == "hwmon" else f"in_{channel}"
        channels[channel] = ChipChannel(
            folder,
            channel,
            quantity,
            _text(folder / f"{stem}_label"),
            folder / name,
            form == "raw",
            tuple(dict.fromkeys((channel, kind + modifier, kind + number, kind))),
            factor,
        )
    return Chip(
        interface,
        _text(folder / "name"),
        _device(interface, entry),
        _text(folder / "label"),
        entry,
        tuple(channels.values()),
    )


def _text(path: Path) -> str:
    """A name or label; empty if there is none."""
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _number(path: Path) -> float:
    """A value as the kernel writes it: one number and the end of the line."""
    try:
        text = path.read_text(encoding="ascii", errors="replace")
    except OSError as exc:
        raise ChipFault(f"{path.name}: {exc.strerror or exc}") from exc
    if not text.endswith("\n"):
        raise ChipFault(f"{path.name}: {text!r:.40} is cut short")
    if not _NUMBER.fullmatch(text.strip()):
        raise ChipFault(f"{path.name}: {text.strip()!r:.40} is not a number")
    return float(text)
