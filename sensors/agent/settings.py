"""The agent's settings: one TOML file, overridden by the environment.

`broker.url` is `BENCHWEATHER_SENSOR_BROKER__URL` in the environment. Every fault is told at once.
"""

from __future__ import annotations

import math
import os
import re
import socket
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from monitor.core.errors import SettingsFault
from monitor.core.files import SETTINGS_MAX, FileFault, parsed_toml, read_text
from monitor.core.measurements import Quantity, name_fault
from monitor.mqtt.client import Address

FILE = Path("/etc/benchweather/sensor.toml")
"""Where the settings stand unless told otherwise."""
PREFIX = "BENCHWEATHER_SENSOR_"
PASSWORD = PREFIX + "BROKER__PASSWORD"
"""The one setting that only the environment may give: files are copied about."""
CREDENTIAL = "broker-password"
"""Name of the password among the credentials that systemd hands the unit."""
MEASURED = (
    Quantity.TEMPERATURE,
    Quantity.HUMIDITY,
    Quantity.PRESSURE,
    Quantity.SURFACE_TEMPERATURE,
)
BLUETOOTH_PERIOD_S = 120.0
_BLUETOOTH = re.compile(
    r"[0-9A-F]{2}(:[0-9A-F]{2}){5}|[0-9A-F]{8}(-[0-9A-F]{4}){3}-[0-9A-F]{12}", re.I
)
"""An address; on systems that hide it from programs, what they give in its stead."""


@dataclass(frozen=True)
class AgentSensor:
    """A chip or a Bluetooth sensor, and the place and name under which its readings go. `take` names
    a channel of the chip for a quantity; empty for every quantity that the chip measures once."""

    place: str
    name: str
    chip: str = ""
    take: dict[Quantity, str] = field(default_factory=dict)
    bluetooth: str = ""


@dataclass(frozen=True)
class AgentSettings:
    name: str
    period_s: float
    reads: int
    packs_max: int
    address: Address
    sensors: tuple[AgentSensor, ...]
    bluetooth_period_s: float = BLUETOOTH_PERIOD_S


class AgentSettingRow(NamedTuple):
    """Row of the settings table: `kept` checks a value and returns it as kept, or raises
    ValueError."""

    name: str
    default: Any
    unit: str
    help: str
    kept: Callable[[Any], Any]


def _number(low: float, high: float, *, whole: bool = False) -> Callable[[Any], float]:
    def kept(value: Any) -> float:
        if isinstance(value, str):
            value = float(value) if value.strip() else math.nan
        sound = isinstance(value, int | float) and not isinstance(value, bool)
        if not sound or not low <= value <= high or (whole and value != int(value)):
            kind = "a whole number" if whole else "a number"
            raise ValueError(f"must be {kind} from {low:,g} to {high:,g}")
        return int(value) if whole else float(value)

    return kept


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError("must be text")  # noqa: TRY004 - a value of a file, not an argument
    return value


def _name(value: Any) -> str:
    if fault := name_fault(_text(value)):
        raise ValueError(fault)
    return str(value)


def _url(value: Any) -> str:
    try:
        parts = urlsplit(_text(value))
        sound = parts.scheme in ("mqtt", "mqtts") and parts.hostname and parts.port != 0
    except ValueError:  # a port that is none
        sound = False
    if not sound or parts.path not in ("", "/") or re.search(r"\s", value):
        raise ValueError("must be mqtt://host:port or mqtts://host:port")
    if parts.username or parts.password:
        raise ValueError("must not hold a password: use broker.user and broker.password_file")
    return str(value)


def _file(value: Any) -> Path | None:
    if not _text(value):
        return None
    try:
        there = Path(value).is_file()
    except OSError as exc:  # in a folder that is closed to us
        raise ValueError(exc.strerror) from exc
    if not there:
        raise ValueError("there is no such file")
    return Path(value)


ROWS = (
    AgentSettingRow(
        "agent.name", "", "", "Name of this board, one of its own; empty: its host name", _text
    ),
    AgentSettingRow("agent.period_s", 60.0, "s", "Between two samples", _number(0.2, 3600)),
    AgentSettingRow(
        "agent.reads", 5, "", "Reads in a sample; their median counts", _number(1, 51, whole=True)
    ),
    AgentSettingRow(
        "agent.packs_max",
        100_000,
        "",
        "Packs kept while the broker is away; beyond that, every second old one is dropped",
        _number(100, 5_000_000, whole=True),
    ),
    AgentSettingRow(
        "bluetooth.period_s",
        BLUETOOTH_PERIOD_S,
        "s",
        "Between two readings of a Bluetooth sensor; each costs its battery",
        _number(5, 3600),
    ),
    AgentSettingRow(
        "broker.url", "mqtt://127.0.0.1:1883", "", "mqtt://host:1883 or mqtts://host:8883", _url
    ),
    AgentSettingRow("broker.user", "", "", "User name at the broker", _text),
    AgentSettingRow(
        "broker.password_file", "", "", "File of mode 600 that holds its password", _file
    ),
    AgentSettingRow(
        "broker.ca_file", "", "", "CA certificate of an mqtts broker; empty: the system's", _file
    ),
    AgentSettingRow("broker.cert_file", "", "", "Client certificate (mqtts)", _file),
    AgentSettingRow("broker.key_file", "", "", "Private key of that certificate", _file),
)
"""Every setting but the sensors."""


def load(file: Path = FILE, environ: Mapping[str, str] = os.environ) -> AgentSettings:
    """Read and check the settings.

    Raises
    ------
    SettingsFault
        With every fault: a missing file, an unknown name, a bad value, a password others can read.
    """
    faults: list[str] = []
    given = _given(file, environ, faults)
    sensors = _sensors(given.pop("sensors", []), faults)
    values: dict[str, Any] = {}
    for row in ROWS:
        value = given.pop(row.name, row.default)
        try:
            values[row.name] = row.kept(value)
        except ValueError as exc:
            shown = re.sub(r"//.*@", "//…@", repr(value))[:60]  # a password may stand there
            faults.append(f"{row.name} = {shown}: {exc}")
    for name in given:
        hint = (
            f": put it into broker.password_file or {PASSWORD}"
            if name == "broker.password"
            else ""
        )
        faults.append(
            f"{name}: not a setting{hint or '; there are ' + ', '.join(r.name for r in ROWS)}"
        )
    board = values.get("agent.name") or re.sub(r"[^\w.-]", "-", socket.gethostname())
    if fault := name_fault(board):
        faults.append(f"agent.name {board!r} {fault}")
    if bool(values.get("broker.cert_file")) != bool(values.get("broker.key_file")):
        faults.append("broker.cert_file and broker.key_file belong together: set both or neither")
    password = _password(values.get("broker.password_file"), environ, faults)
    if faults:
        raise SettingsFault(faults)
    address = Address("", 0, values["broker.user"], password, ca_file=values["broker.ca_file"]).at(
        values["broker.url"], values["broker.cert_file"], values["broker.key_file"]
    )
    return AgentSettings(
        board,
        values["agent.period_s"],
        values["agent.reads"],
        values["agent.packs_max"],
        address,
        tuple(sensors),
        values["bluetooth.period_s"],
    )


def _given(file: Path, environ: Mapping[str, str], faults: list[str]) -> dict[str, Any]:
    """Values from file and environment, by full name; `sensors` as in the file."""
    given: dict[str, Any] = {}
    try:
        tables = parsed_toml(read_text(file, SETTINGS_MAX))
    except FileNotFoundError:
        tables = {}
        faults.append(
            f"{file}: there is no such file; `benchweather sensor find` shows what to enter"
        )
    except FileFault as exc:
        tables = {}
        faults.append(str(exc))
    except (OSError, ValueError) as exc:
        tables = {}
        faults.append(f"{file}: {getattr(exc, 'strerror', None) or exc}")
    for table, content in tables.items():
        if table == "sensors" or not isinstance(content, dict):
            given[table] = content
        else:
            given |= {f"{table}.{name}": value for name, value in content.items()}
    for variable, value in environ.items():
        if variable.startswith(PREFIX) and variable != PASSWORD:
            given[variable.removeprefix(PREFIX).lower().replace("__", ".")] = value
    return given


def _sensors(given: Any, faults: list[str]) -> list[AgentSensor]:
    if not isinstance(given, list) or not given:
        faults.append(
            "sensors: there must be at least one [[sensors]] with place, name and chip "
            "or bluetooth"
        )
        return []
    sensors = []
    for number, one in enumerate(given, 1):
        where = f"sensors[{number}]"
        if not isinstance(one, dict):
            faults.append(f"{where}: must be a table with place, name and chip or bluetooth")
            continue
        wrong = [
            f"{where}.{name}: not a setting"
            for name in one.keys() - {"place", "name", "chip", "take", "bluetooth"}
        ]
        for name in ("place", "name"):
            try:
                _name(one.get(name, ""))
            except ValueError as exc:
                wrong.append(f"{where}.{name} {exc}")
        chip, bluetooth = one.get("chip", ""), one.get("bluetooth", "")
        if bool(chip) == bool(bluetooth):
            wrong.append(f"{where}: must have one of chip and bluetooth")
        elif not isinstance(chip or bluetooth, str):
            wrong.append(
                f"{where}: chip or bluetooth must be text, as `benchweather sensor find` shows it"
            )
        elif bluetooth and not _BLUETOOTH.fullmatch(bluetooth):
            wrong.append(
                f"{where}.bluetooth = {bluetooth!r:.40}: must be an address such as "
                "A0:B1:C2:D3:E4:F5"
            )
        if bluetooth and "take" in one:
            wrong.append(f"{where}.take: only a chip has channels to take")
        take = one.get("take", {})
        if not isinstance(take, dict) or not all(isinstance(v, str) for v in take.values()):
            wrong.append(f"{where}.take: must give a channel for each quantity")
            take = {}
        wrong += [
            f"{where}.take.{quantity}: must be one of {', '.join(MEASURED)}"
            for quantity in take.keys() - set(MEASURED)
        ]
        if not wrong:
            kept = {Quantity(quantity): channel for quantity, channel in take.items()}
            sensors.append(AgentSensor(one["place"], one["name"], chip, kept, bluetooth))
        faults += sorted(wrong)
    names = [(sensor.place, sensor.name) for sensor in sensors]
    faults += [
        f"sensors: {p}/{n} is listed twice"
        for p, n in sorted({x for x in names if names.count(x) > 1})
    ]
    return sensors


def _password(file: Path | None, environ: Mapping[str, str], faults: list[str]) -> str:
    """The broker's password: from systemd's credentials, the file, or the environment."""
    if folder := environ.get("CREDENTIALS_DIRECTORY"):
        handed = Path(folder) / CREDENTIAL
        if handed.is_file():
            return handed.read_text(encoding="utf-8").rstrip("\r\n")
    if file is None:
        return environ.get(PASSWORD, "")
    try:
        if stat.S_IMODE(file.stat().st_mode) & 0o077:
            faults.append(f"broker.password_file {file}: others can read it: chmod 600 {file}")
            return ""
        return file.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as exc:
        faults.append(f"broker.password_file {file}: {getattr(exc, 'strerror', None) or exc}")
        return ""
