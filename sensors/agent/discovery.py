"""Sensors found on this board, as text, with lines for the settings."""

from __future__ import annotations

from pathlib import Path

from monitor.core.measurements import Quantity
from sensors.agent import board_status
from sensors.agent.chips import HWMON, IIO, Chip, ChipChannel, ChipFault, chips, handles

_SHOWN = {
    Quantity.TEMPERATURE: "{:.2f} °C",
    Quantity.HUMIDITY: "{:.1f} %",
    Quantity.PRESSURE: "{:.0f} Pa",
}


def discovery_text(root: Path, config: Path, *, bluetooth: bool = False) -> tuple[str, bool]:
    """Text of the sensors found, and whether there are any.

    Parameters
    ----------
    root : Path
        What stands for /.
    config : Path
        The settings file to speak of.
    bluetooth : bool
        Look for Bluetooth sensors too.

    Raises
    ------
    BluetoothFault
        If Bluetooth cannot be used.
    """
    here = chips(root)
    if bluetooth:
        text, any_near = _near(config)
        return f"{_of_chips(root, config, here)[0]}\n{text}", bool(here) or any_near
    return _of_chips(root, config, here)


def _near(config: Path) -> tuple[str, bool]:
    """Text of the Bluetooth sensors in reach, and whether there are any."""
    from sensors.agent import bluetooth  # only here: it takes memory

    sensors = bluetooth.nearby_sensors(bluetooth.LOOK_S)
    if not sensors:
        return (
            "No Bluetooth sensor that offers Environmental Sensing (0x181A) was heard in "
            f"{bluetooth.LOOK_S:g} s.\nMany send only after a button is pressed, or "
            "use their maker's own format.\n"
        ), False
    lines = ["Bluetooth sensors in reach that offer Environmental Sensing (0x181A):", ""]
    lines += [f"{one.address}  {_printable(one.name):<24} {one.signal_dbm} dBm" for one in sensors]
    lines += ["", f"To read them, put into {config}, with places and names of your own:", ""]
    for number, one in enumerate(sensors, 1):
        lines += [
            "[[sensors]]",
            'place = "front-bench"',
            f'name = "b{number}"',
            f'bluetooth = "{one.address}"',
            "",
        ]
    return "\n".join(lines).rstrip() + "\n", True


def _printable(text: str) -> str:
    """Text without characters that could move a terminal's cursor: anybody may have sent it."""
    return "".join(c if c.isprintable() else "·" for c in text)[:24]


def _of_chips(root: Path, config: Path, here: list[Chip]) -> tuple[str, bool]:
    if not here:
        return _nothing(root), False
    lines = ["Sensor chips that this machine's kernel knows:", ""]
    for chip, handle in zip(here, handles(here), strict=True):
        lines.append(f"{handle}{f'  ({chip.label})' if chip.label else ''}")
        lines += [f"    {_line(channel)}" for channel in chip.channels]
        if not _of_the_air(chip):
            lines.append("    A temperature alone: often the machine's own heat, not the air's.")
        lines.append("")
    if (battery := board_status.battery_pct(root)) is not None:
        lines += [f"Battery: {battery:.0f} %, sent with each reading", ""]
    if (signal := board_status.signal_dbm(root)) is not None:
        lines += [f"Wireless signal: {signal} dBm, sent in the agent's state", ""]
    lines += [f"To send them, put into {config}, with places and names of your own:", ""]
    lines += ["[broker]", 'url = "mqtt://127.0.0.1:1883"     # where Benchweather runs', ""]
    for number, (chip, handle) in enumerate(zip(here, handles(here), strict=True), 1):
        mark = "" if _of_the_air(chip) else "# "
        lines += [f"{mark}{line}" for line in _settings(chip, handle, number)] + [""]
    return "\n".join(lines).rstrip() + "\n", True


def _of_the_air(chip: Chip) -> bool:
    return any(channel.quantity is not Quantity.TEMPERATURE for channel in chip.channels)


def _line(channel: ChipChannel) -> str:
    try:
        value = _SHOWN[channel.quantity].format(channel.read())
    except ChipFault as exc:
        value = f"cannot be read: {exc}"
    label = f"  ({channel.label})" if channel.label else ""
    return f"{channel.quantity:<12} {channel.name:<18} {value}{label}"


def _settings(chip: Chip, handle: str, number: int) -> list[str]:
    lines = ["[[sensors]]", 'place = "front-bench"', f'name = "s{number}"', f'chip = "{handle}"']
    by_quantity: dict[Quantity, list[str]] = {}
    for channel in chip.channels:
        by_quantity.setdefault(channel.quantity, []).append(channel.name)
    if any(len(names) > 1 for names in by_quantity.values()):
        chosen = ", ".join(f'{quantity} = "{names[0]}"' for quantity, names in by_quantity.items())
        lines.append(f"take = {{ {chosen} }}     # choose")
    return lines


def _nothing(root: Path) -> str:
    there = [
        f"{root / path}{'' if (root / path).is_dir() else ' (not there)'}" for path in (IIO, HWMON)
    ]
    return (
        "No sensor chip of temperature, humidity or pressure was found.\n\n"
        f"Looked in {there[0]}\n      and {there[1]}\n\n"
        "What is usually missing:\n"
        "  - the bus: switch I2C (or 1-wire) on in the board's configuration and start it again;\n"
        "  - the driver: the kernel must know which chip is at which address, from a device\n"
        "    tree overlay or from its name and address in the bus's new_device file;\n"
        "  - the wiring: `i2cdetect -y 1` (package i2c-tools) shows whether a chip answers.\n"
    )
