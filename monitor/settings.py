"""Settings: one TOML file, `BENCHWEATHER_*` in the environment over it, defaults beneath.

`load` reads them once and returns them frozen, together with where each came from. All faults are
reported together. Nobody else reads the environment.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

import platformdirs
from pydantic import BaseModel, ConfigDict, Field, SecretStr, ValidationError, field_validator
from pydantic.fields import FieldInfo
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    SettingsConfigDict,
    SettingsError,
)

from monitor import hours
from monitor.errors import SettingsFault
from monitor.places import Limits, Place
from monitor.records import name_fault
from monitor.topics import TopicRule, rule_faults

PREFIX = "BENCHWEATHER_"
FILE_NAME = "benchweather.toml"
LOOPBACK = ("127.0.0.1", "localhost", "::1")
_FIXED_ENV = {"BENCHWEATHER_DATA", "BENCHWEATHER_CONFIG"}
_GROUPS = ("shop", "broker", "board", "sensor", "hours", "keep", "limits")
_STRICT = ConfigDict(frozen=True, extra="forbid")


def _setting(default: Any, text: str, unit: str = "", **allowed: Any) -> Any:
    return Field(default, description=text, json_schema_extra={"unit": unit}, **allowed)


class Shop(BaseModel):
    """Who and where the shop is."""

    model_config = _STRICT
    name: str = _setting("", "Name of the shop, shown on the board")
    time_zone: str = _setting("", "IANA name, such as Europe/Paris; empty: this machine's zone")
    altitude_m: float = _setting(
        0.0,
        "Height above the sea, for the air pressure where no sensor measures it",
        "m",
        ge=-430,
        le=5000,
    )

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value and value not in available_timezones():
            raise ValueError("must be an IANA time zone name such as Europe/Paris, or empty")
        return value


class Broker(BaseModel):
    """The MQTT broker: our own, or one that already runs."""

    model_config = _STRICT
    url: str = _setting(
        "", "An outside broker, mqtt://host:1883 or mqtts://host:8883; empty: start our own"
    )
    host: str = _setting("127.0.0.1", "Address our own broker listens on")
    port: int = _setting(1883, "Port our own broker listens on", "", ge=1, le=65535)
    user: str = _setting("", "User name: to sign in at an outside broker; for sensors at our own")
    password: SecretStr = _setting(SecretStr(""), "Password of that user")
    ca_file: Path | None = _setting(None, "CA certificate of an mqtts broker; empty: the system's")
    cert_file: Path | None = _setting(None, "Client certificate (mqtts), or our own broker's")
    key_file: Path | None = _setting(None, "Private key of that certificate")
    client_id: str = _setting(
        "benchweather-ingest", "Client id; fixed, so that a session persists"
    )

    @field_validator("url")
    @classmethod
    def _mqtt_url(cls, value: str) -> str:
        from urllib.parse import urlsplit

        if not value:
            return value
        parts = urlsplit(value)
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
            raise ValueError("must be mqtt://host:port or mqtts://host:port, or empty")
        if parts.username or parts.password:
            raise ValueError("must not hold a password: use broker.user and broker.password")
        return value


class Board(BaseModel):
    """The pages."""

    model_config = _STRICT
    host: str = _setting("127.0.0.1", "Address the board listens on")
    port: int = _setting(8050, "Port the board listens on", "", ge=1, le=65535)
    names: list[str] = _setting(
        [], "Host names by which the board may be reached besides its address"
    )
    temperature_unit: Literal["auto", "C", "F"] = _setting(
        "auto", "Temperatures on screen: C, F, or auto for what the browser's language uses"
    )
    password: SecretStr = _setting(
        SecretStr(""), "Needed to change anything from the board; empty: only from this machine"
    )
    stale_after_s: float = _setting(300.0, "A reading older than this is shown as old", "s", gt=0)


class Sensor(BaseModel):
    """What the sensors' data sheet says, read as expanded uncertainty (k = 2)."""

    model_config = _STRICT
    temp_accuracy_c: float = _setting(0.3, "Stated accuracy of temperature", "K", gt=0, le=5)
    rh_accuracy_pct: float = _setting(2.0, "Stated accuracy of RH", "%", gt=0, le=20)


class Hours(BaseModel):
    """When the shop is open, day by day, in its own zone."""

    model_config = _STRICT
    monday: str = _setting("09:00-18:00", "Open on Mondays, as 08:30-17:30; empty: closed")
    tuesday: str = _setting("09:00-18:00", "Open on Tuesdays")
    wednesday: str = _setting("09:00-18:00", "Open on Wednesdays")
    thursday: str = _setting("09:00-18:00", "Open on Thursdays")
    friday: str = _setting("09:00-18:00", "Open on Fridays")
    saturday: str = _setting("", "Open on Saturdays")
    sunday: str = _setting("", "Open on Sundays")

    @field_validator("*")
    @classmethod
    def _day(cls, value: str) -> str:
        hours.span(value)
        return value


class Keep(BaseModel):
    """How much of what was refused is kept."""

    model_config = _STRICT
    refused_max: int = _setting(
        100_000, "Refused messages kept; older ones go, the count stays", "", ge=1_000
    )


class _Fields(BaseModel):
    """Everything a file may hold; `Settings` is what comes out."""

    model_config = _STRICT
    shop: Shop = Shop()
    broker: Broker = Broker()
    board: Board = Board()
    sensor: Sensor = Sensor()
    hours: Hours = Hours()
    keep: Keep = Keep()
    limits: Limits = Limits()
    places: list[Place] = []
    topics: list[TopicRule] = []

    @field_validator("places")
    @classmethod
    def _places(cls, value: list[Place]) -> list[Place]:
        seen: set[str] = set()
        for place in value:
            if fault := name_fault(place.id):
                raise ValueError(f"id {place.id!r} {fault}")
            if place.id in seen:
                raise ValueError(f"id {place.id!r} stands twice")
            seen.add(place.id)
        return value

    @field_validator("limits")
    @classmethod
    def _limits(cls, value: Limits) -> Limits:
        rising = ("rh_very_low_pct", "rh_low_pct", "rh_high_pct", "rh_very_high_pct")
        for low, high in pairwise(rising):
            if getattr(value, low) >= getattr(value, high):
                raise ValueError(f"must rise: {low} is not below {high}")
        return value

    @field_validator("topics")
    @classmethod
    def _topics(cls, value: list[TopicRule]) -> list[TopicRule]:
        faults = [f"rule {i}: {fault}" for i, r in enumerate(value, 1) for fault in rule_faults(r)]
        if faults:
            raise ValueError("; ".join(faults))
        return value


class _Environment(BaseSettings, _Fields):
    """The same, as the environment names it."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, env_nested_delimiter="__")


for _dataclass in (Limits, Place, TopicRule):
    _dataclass.__pydantic_config__ = ConfigDict(extra="forbid")  # type: ignore[union-attr] # read by pydantic


@dataclass(frozen=True)
class Settings:
    """Everything a run needs to know, frozen."""

    data: Path
    config: Path | None
    demo: bool
    shop: Shop
    broker: Broker
    board: Board
    sensor: Sensor
    hours: Hours
    keep: Keep
    limits: Limits
    places: tuple[Place, ...]
    topics: tuple[TopicRule, ...]
    origins: Mapping[str, str]

    @property
    def store_path(self) -> Path:
        return self.data / "readings.sqlite3"

    @property
    def pulse_path(self) -> Path:
        return self.data / "pulse.json"

    @property
    def desk_path(self) -> Path:
        return self.data / "desk.json"

    @property
    def secrets_path(self) -> Path:
        return self.data / "secrets.json"

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.shop.time_zone or _machine_zone())


class Row(NamedTuple):
    """One line of the table of settings."""

    name: str
    value: Any
    unit: str
    default: Any
    help: str


def load(
    *,
    data: Path | None = None,
    config: Path | None = None,
    demo: bool = False,
    environ: Mapping[str, str] | None = None,
) -> Settings:
    """Read and check every setting.

    Parameters
    ----------
    data : Path, optional
        The data folder; else `BENCHWEATHER_DATA`, else the user's data folder of this system.
    config : Path, optional
        The TOML file; else `BENCHWEATHER_CONFIG`, else `benchweather.toml` in the data folder,
        which may be absent.
    demo : bool
        Use the demo's shop and a data folder of its own, so that invented readings never mix
        with real ones.
    environ : mapping, optional
        Instead of the process's environment.

    Raises
    ------
    SettingsFault
        With every fault found, each naming the setting, where it came from and what is allowed.
    """
    env = dict(os.environ if environ is None else environ)
    folder = data or Path(
        env.get("BENCHWEATHER_DATA") or platformdirs.user_data_dir("benchweather", appauthor=False)
    )
    if demo:
        folder = folder / "demo"
    named = config or (
        Path(env["BENCHWEATHER_CONFIG"]) if env.get("BENCHWEATHER_CONFIG") else None
    )
    path = named or (folder / FILE_NAME)
    faults: list[str] = []
    from_file: dict[str, Any] = {}
    if path.is_file():
        try:
            from_file = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as exc:
            raise SettingsFault([f"{path} is not TOML: {exc}"]) from exc
    elif named is not None:
        raise SettingsFault([f"{path}: there is no such file"])
    layers = [("default", _demo_layer() if demo else {}), (str(path), from_file)]
    layers.append(("environment", _from_environment(env, faults)))
    merged: dict[str, Any] = {}
    origins: dict[str, str] = {}
    for origin, layer in layers:
        _merge(merged, layer)
        label = "demo" if demo and origin == "default" else origin
        origins |= dict.fromkeys(_flat_names(layer), label)
    try:
        found = _Fields(**merged)
    except ValidationError as exc:
        faults += [_sentence(error, origins) for error in exc.errors()]
    if faults:
        raise SettingsFault(faults)
    if not found.broker.url and found.broker.host not in LOOPBACK and not (
        found.broker.user and found.broker.password.get_secret_value()
    ):  # fmt: skip
        raise SettingsFault([
            f"broker.host = {found.broker.host} opens the broker to the network: "
            "set broker.user and broker.password for the sensors, or keep 127.0.0.1"
        ])  # fmt: skip
    return Settings(
        data=folder,
        config=path if path.is_file() else None,
        demo=demo,
        places=tuple(found.places),
        topics=tuple(found.topics),
        origins=origins,
        **{name: getattr(found, name) for name in _GROUPS},
    )  # fmt: skip


def table(settings: Settings | None = None) -> Iterator[Row]:
    """Every setting with its value, unit, default and help, in the order of the README.

    Lists of places and topic rules are one row each. Secrets come as `********`.
    """
    defaults = _Fields()
    for group in _GROUPS:
        default_group = getattr(defaults, group)
        value_group = getattr(settings, group) if settings else default_group
        for name, unit, text in _members(default_group):
            yield Row(
                name=f"{group}.{name}",
                value=_shown(getattr(value_group, name)),
                unit=unit,
                default=_shown(getattr(default_group, name)),
                help=text,
            )
    for name, text in (
        (
            "places",
            "Places by name, kind and band; any other place a sensor names is added by itself",
        ),
        ("topics", "Rules for messages that are not in our own contract"),
    ):
        count = len(getattr(settings, name)) if settings else 0
        yield Row(name=name, value=f"{count} given", unit="", default="none", help=text)


def _members(group: Any) -> Iterator[tuple[str, str, str]]:
    """Name, unit and help of each member of a group."""
    if is_dataclass(group):
        for item in fields(group):
            yield item.name, item.metadata["unit"], item.metadata["help"]
        return
    for name, info in type(group).model_fields.items():
        yield name, _unit(info), info.description or ""


def _unit(info: FieldInfo) -> str:
    extra = info.json_schema_extra
    return str(extra.get("unit", "")) if isinstance(extra, dict) else ""


def _shown(value: Any) -> Any:
    if isinstance(value, SecretStr):
        return "********" if value.get_secret_value() else ""
    if isinstance(value, Path):
        return str(value)
    return "" if value is None else value


def _demo_layer() -> dict[str, Any]:
    from importlib.resources import files

    return tomllib.loads(files("data").joinpath("demo/settings.toml").read_text(encoding="utf-8"))


def _from_environment(env: Mapping[str, str], faults: list[str]) -> dict[str, Any]:
    """What the environment sets, nested; names we do not know are faults."""
    ours = {k: v for k, v in env.items() if k.upper().startswith(PREFIX) and k not in _FIXED_ENV}
    known = {f"{PREFIX}{row.name.replace('.', '__')}".upper() for row in table()}
    faults += [
        f"{name} in the environment is no setting" for name in ours if name.upper() not in known
    ]

    source = EnvSettingsSource(_Environment)
    source.env_vars = {k.lower(): v for k, v in ours.items() if k.upper() in known}
    try:
        return source()
    except SettingsError as exc:
        faults.append(f"the environment cannot be read: {exc}")
        return {}


def _merge(into: dict[str, Any], layer: Mapping[str, Any]) -> None:
    for name, value in layer.items():
        if isinstance(value, dict) and isinstance(into.get(name), dict):
            _merge(into[name], value)
        else:
            into[name] = value


def _flat_names(layer: Mapping[str, Any], prefix: str = "") -> Iterator[str]:
    for name, value in layer.items():
        if isinstance(value, dict):
            yield from _flat_names(value, f"{prefix}{name}.")
        else:
            yield prefix + name


def _sentence(error: Any, origins: Mapping[str, str]) -> str:
    name = ".".join(str(part) for part in error["loc"])
    origin = origins.get(name) or origins.get(str(error["loc"][0])) or "the file"
    if error["type"] in ("extra_forbidden", "unexpected_keyword_argument"):
        return f"{name} (from {origin}) is no setting"
    given = error.get("input")
    said = "" if "password" in name or isinstance(given, dict | list) else f" = {given!r}"
    text = error["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    if not text.startswith(("must", "rule", "id")):
        text = f"must be {text}" if error["msg"].startswith("Input should be") else text
    return f"{name}{said} (from {origin}): {text}"


def _machine_zone() -> str:
    """The IANA name of this machine's time zone; UTC if it has none."""
    known = available_timezones()
    if (named := os.environ.get("TZ", "").lstrip(":")) in known:
        return named
    target = Path("/etc/localtime").resolve()
    for name in ("/".join(target.parts[-3:]), "/".join(target.parts[-2:]), target.name):
        if name in known:
            return name
    return "UTC"
