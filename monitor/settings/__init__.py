"""Settings: one TOML file, `BENCHWEATHER_*` in the environment over it, defaults beneath.

`load` reads them once and returns them frozen, together with where each came from. All faults are
reported together. Nobody else reads the environment.
"""

from __future__ import annotations

import difflib
import functools
import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

import platformdirs
from pydantic import SecretStr, ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, EnvSettingsSource, SettingsConfigDict, SettingsError

from monitor.core.errors import NOT_GIVEN, Fault, SettingsFault
from monitor.core.files import SETTINGS_MAX, FileFault, parsed_toml, read_text
from monitor.core.validation import unprintable
from monitor.domain import opening_hours
from monitor.domain.forecast_source import ForecastSource
from monitor.domain.places import AirLimits, Place, band
from monitor.domain.topic_rules import TopicRule
from monitor.mqtt.client import client_id_fault
from monitor.settings.groups import (
    LOOPBACK,
    Alerts,
    Board,
    Broker,
    Fields,
    Keep,
    NoticeChannel,
    OpeningHours,
    Reservoir,
    SensorSettings,
    ShopSettings,
    WeatherSettings,
)

PREFIX = "BENCHWEATHER_"
FILE_NAME = "benchweather.toml"
DEMO, DEMO_MARK = "demo", "demo.txt"
"""Name of the demo's data folder, and of the file that marks it, so that --data finds the same
shop there as --demo does."""
PASSWORD_MIN = 12
"""Length below which the shop's password is warned of on a network. [characters]"""
FAULTS_MAX = 50
"""Most faults of a file that are named; the rest are counted."""
_LIMITS = {
    "greater than or equal to": "at least",
    "less than or equal to": "at most",
    "greater than": "above",
    "less than": "below",
}
_FIXED_ENV = {"BENCHWEATHER_DATA", "BENCHWEATHER_CONFIG"}
_GROUPS = ("shop", "broker", "board", "sensor", "hours", "alerts", "keep", "weather", "limits")


class _Environment(BaseSettings, Fields):
    """The settings as the environment names them."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, env_nested_delimiter="__")


@dataclass(frozen=True)
class Settings:
    """Everything a run needs to know, frozen."""

    data: Path
    config: Path | None
    demo: bool
    shop: ShopSettings
    broker: Broker
    board: Board
    sensor: SensorSettings
    hours: OpeningHours
    alerts: Alerts
    keep: Keep
    weather: WeatherSettings
    limits: AirLimits
    places: tuple[Place, ...]
    topics: tuple[TopicRule, ...]
    channels: tuple[NoticeChannel, ...]
    reservoirs: tuple[Reservoir, ...]
    forecasts: tuple[ForecastSource, ...]
    origins: Mapping[str, str]
    version: str
    """Version of the settings file that these were read from."""

    def quiet_until(self, now_ms: int) -> int | None:
        """The end of the quiet hours at a moment; None outside of them. [ms]"""
        closed_by = self.hours.model_dump() if self.alerts.quiet_when_closed else None
        return opening_hours.quiet_until(self.alerts.quiet, self.zone, now_ms, closed_by)

    @property
    def store_path(self) -> Path:
        return self.data / "readings.sqlite3"

    @property
    def heartbeat_path(self) -> Path:
        return self.data / "heartbeat.json"

    @property
    def command_link_path(self) -> Path:
        return self.data / "command-link.json"

    @property
    def known_time_path(self) -> Path:
        return self.data / "known-time.json"

    @property
    def secrets_path(self) -> Path:
        return self.data / "secrets.json"

    @property
    def broker_keys_path(self) -> Path:
        return self.data / "broker-keys.json"

    @property
    def broker_log_path(self) -> Path:
        return self.data / "broker" / "broker.log"

    @property
    def broker_accounts_path(self) -> Path:
        return self.data / "broker-accounts.json"

    @property
    def people_path(self) -> Path:
        return self.data / "people.sqlite3"

    @property
    def heard_topics_path(self) -> Path:
        return self.data / "heard-topics.json"

    @property
    def forecast_folder(self) -> Path:
        return self.data / "forecasts"

    @functools.cached_property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.shop.time_zone or _machine_zone())


class SettingRow(NamedTuple):
    """Row of the table of settings."""

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
    text: str | None = None,
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
        Use the demo's shop and a data folder of its own, `demo` in `data`, so that invented
        readings never mix with real ones. A folder that the demo has used is always the demo's.
    environ : mapping, optional
        Instead of the process's environment.
    text : str, optional
        Content to take instead of the TOML file's.

    Raises
    ------
    SettingsFault
        With every fault found, each naming the setting, where it came from and what is allowed.
    """
    env = dict(os.environ if environ is None else environ)
    folder = data or Path(
        env.get("BENCHWEATHER_DATA") or platformdirs.user_data_dir("benchweather", appauthor=False)
    )
    marked = folder.name == DEMO and (folder / DEMO_MARK).is_file()
    if demo and not marked:
        folder = folder / DEMO
    demo = demo or marked
    named = config or (
        Path(env["BENCHWEATHER_CONFIG"]) if env.get("BENCHWEATHER_CONFIG") else None
    )
    path = named or (folder / FILE_NAME)
    faults: list[str] = []
    details: list[Fault] = []
    from_file: dict[str, Any] = {}
    if text is None and path.exists():
        text = _text_of(path)
    elif text is None and named is not None:
        raise SettingsFault([f"{path}: there is no such file"])
    elif (
        text is None and path.is_symlink()
    ):  # a disk that is not there yet: not a shop without settings
        raise SettingsFault([f"{path} is a link to {path.readlink()}, which is not there"])
    if text is not None:
        from_file = _parsed(text, path)
    layers = [("default", demo_layer() if demo else {}), (str(path), from_file)]
    layers.append(("environment", _from_environment(env, faults)))
    merged: dict[str, Any] = {}
    origins: dict[str, str] = {}
    for origin, layer in layers:
        _merge(merged, layer)
        label = "demo" if demo and origin == "default" else origin
        origins |= dict.fromkeys(_flat_names(layer), label)
    try:
        found = Fields(**merged)
    except ValidationError as exc:
        errors = exc.errors()
        details = [Fault(fault) for fault in faults] + list(map(_detail, errors[:FAULTS_MAX]))
        faults += [_sentence(error, origins) for error in errors[:FAULTS_MAX]]
        if (more := len(errors) - FAULTS_MAX) > 0:
            faults.append(f"{more} more faults")
    else:
        details = list(map(Fault, faults))
        for name, value in _stray_booleans(merged, found):
            origin, problem = _origin(name, origins), "must not be true or false"
            faults.append(f"{name} = {str(value).lower()} (from {origin}): {problem}")
            details.append(Fault(problem, name))
        for name, text_given in _texts(merged):
            if bad := unprintable(text_given):
                faults.append(f"{name} (from {_origin(name, origins)}): {bad}")
                details.append(Fault(bad, name))
    if faults:
        raise SettingsFault(faults, details)
    if details := _cross_faults(found):
        raise SettingsFault(list(map(str, details)), details)
    return Settings(
        data=folder,
        config=path if path.exists() else None,
        demo=demo,
        places=tuple(found.places),
        topics=tuple(found.topics),
        channels=tuple(found.channels),
        reservoirs=tuple(found.reservoirs),
        forecasts=tuple(found.forecasts),
        origins=origins,
        version=version_of(text or ""),
        **{name: getattr(found, name) for name in _GROUPS},
    )


def version_of(text: str) -> str:
    """Version of a settings file, from its content."""
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def read_toml(path: Path) -> dict[str, Any]:
    """Content of a TOML file.

    Raises
    ------
    SettingsFault
        If it cannot be read, is too large, or is not TOML.
    """
    return _parsed(_text_of(path), path)


def _text_of(path: Path) -> str:
    try:
        return read_text(path, SETTINGS_MAX)
    except OSError as exc:
        raise SettingsFault([f"{path}: {exc.strerror}"]) from exc
    except FileFault as exc:
        raise SettingsFault([str(exc)]) from exc


def _parsed(text: str, path: Path) -> dict[str, Any]:
    try:
        return parsed_toml(text)
    except ValueError as exc:
        raise SettingsFault([f"{path} is not TOML: {exc}"]) from exc


def _cross_faults(found: Fields) -> list[Fault]:
    """Faults between settings that are each valid."""
    broker, faults = found.broker, _forecast_faults(found)
    for i, place in enumerate(found.places):
        low, high = band(place, found.limits)
        if low >= high:
            faults.append(
                Fault(
                    f"({place.id}): its band would be {low:g} to {high:g}%: set both rh_low_pct "
                    "and rh_high_pct, or make one fit the shop's other limit",
                    f"places.{i}",
                )
            )
    password = broker.password.get_secret_value()
    for name, group in (("broker", broker), ("board", found.board)):
        if bool(group.cert_file) != bool(group.key_file):
            faults.append(
                Fault(
                    f"and {name}.key_file belong together: set both or none", f"{name}.cert_file"
                )
            )
    if broker.url:
        return faults
    if fault := client_id_fault(broker.client_id):
        faults.append(Fault(f"{fault}, or be empty", "broker.client_id", broker.client_id))
    if (
        broker.host not in LOOPBACK
        and broker.anonymous_sensors == "auto"
        and not (broker.user and password)
    ):
        faults.append(
            Fault(
                "opens the broker to the network: "
                "set broker.user and broker.password for the sensors, or set "
                'broker.anonymous_sensors to "no" and make accounts with '
                '`benchweather sensor account`, or to "yes" to accept readings from everybody '
                "there, or keep 127.0.0.1",
                "broker.host",
                broker.host,
            )
        )
    elif bool(broker.user) != bool(password):
        faults.append(
            Fault("and broker.password belong together: set both or none", "broker.user")
        )
    if broker.port == found.board.port:
        faults.append(
            Fault(f"and board.port are both {broker.port}: they must differ", "broker.port")
        )
    return faults


def open_to_network(board: Board, *, people: bool = False) -> list[str]:
    """Warnings about a board that others on the network can reach; empty if it is well kept.

    `people`: there are people who sign in by a password of their own.
    """
    found = open_without_password(board, people=people)
    if lacks_certificate(board):
        found.append(
            f"board.host = {board.host} opens the board to the network without TLS: others on the "
            "network can read what is sent. Set board.cert_file and board.key_file"
        )
    return found


def lacks_certificate(board: Board) -> bool:
    """True if others on the network can read what the board sends."""
    unsealed = board.cert_file is None and board.trusted_proxy in ("", *LOOPBACK)
    return unsealed and board.host not in LOOPBACK


def open_without_password(board: Board, *, people: bool = False) -> list[str]:
    """The warnings among them about what lets a stranger in."""
    if board.host in LOOPBACK:
        return []
    found = []
    password = board.password.get_secret_value()
    if not password and not people:
        found.append(
            f"board.host = {board.host} opens the board to the network without a password: set "
            "board.password, or add people with `benchweather people add`"
        )
    if 0 < len(password) < PASSWORD_MIN:
        found.append(
            f"board.password has {len(password)} characters: use at least {PASSWORD_MIN}, or "
            "people with passwords of their own"
        )
    return found


def _forecast_faults(found: Fields) -> list[Fault]:
    """Faults of the further settings that a polled forecast source needs."""
    weather = found.weather
    asked = [source for source in found.forecasts if source.asked]
    placed = [s for s in asked if s.service or "{latitude}" in s.url or "{longitude}" in s.url]
    faults = []
    if asked and not weather.contact:
        text = f"is empty: {asked[0].id} needs an address for questions"
        faults.append(Fault(text, "weather.contact"))
    if (weather.latitude is None) != (weather.longitude is None):
        text = "and weather.longitude belong together: set both or none"
        faults.append(Fault(text, "weather.latitude"))
    elif placed and weather.latitude is None:
        text = f"and weather.longitude: {placed[0].id} needs them"
        faults.append(Fault(text, "weather.latitude"))
    return faults


def table(settings: Settings | None = None) -> Iterator[SettingRow]:
    """Every setting with its value, unit, default and help, in the order of the README.

    Lists of places, topic rules, channels, reservoirs and sources are one row each. Secrets come as
    `********`.
    """
    defaults = Fields()
    for group in _GROUPS:
        default_group = getattr(defaults, group)
        value_group = getattr(settings, group) if settings else default_group
        for name, unit, text in _members(default_group):
            yield SettingRow(
                name=f"{group}.{name}",
                value=_shown(getattr(value_group, name)),
                unit=unit,
                default=_shown(getattr(default_group, name)),
                help=text,
            )
    for name, text in (
        (
            "places",
            "Places by name, kind and band; a place that only a sensor names is added automatically",
        ),
        ("topics", "Rules for messages in other formats than Benchweather's own"),
        ("channels", "Where notices go: mail, push, an SMS gateway or a webhook"),
        ("reservoirs", "Humidifiers' tanks that somebody has to fill"),
        (
            "forecasts",
            "Sources of outdoor forecasts, the preferred one first; empty: no service is asked",
        ),
    ):
        count = len(getattr(settings, name)) if settings else 0
        yield SettingRow(name=name, value=f"{count} given", unit="", default="none", help=text)


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


def demo_layer() -> dict[str, Any]:
    from importlib.resources import files

    return parsed_toml(files("data").joinpath("demo/settings.toml").read_text(encoding="utf-8"))


def _from_environment(env: Mapping[str, str], faults: list[str]) -> dict[str, Any]:
    """The settings of the environment, nested; unknown names are faults."""
    ours = {k: v for k, v in env.items() if k.upper().startswith(PREFIX) and k not in _FIXED_ENV}
    known = {f"{PREFIX}{row.name.replace('.', '__')}".upper() for row in table()}
    faults += [
        f"unknown setting {name} in the environment{_near(name.upper(), known)}"
        for name in ours
        if name.upper() not in known
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
    """A fault with where its value came from."""
    fault = _detail(error)
    origin = _origin(fault.field, origins)
    if _is_unknown(error):
        near = _near(fault.field, [row.name for row in table()])
        return f"unknown setting {fault.field} (from {origin}){near}"
    said = "" if fault.value == NOT_GIVEN else f" = {fault.value!r:.80}"
    return f"{fault.field}{said} (from {origin}): {fault.problem or f'must be {fault.allowed}'}"


def _detail(error: Any) -> Fault:
    """A fault that pydantic found, with its field and, unless it is secret, its value."""
    context = error.get("ctx", {})
    name = ".".join(map(str, (*error["loc"], *context.get("at", ()))))
    if _is_unknown(error):
        return Fault(f"is not a setting{_near(name, [row.name for row in table()])}", name)
    given = context.get("value", error.get("input"))
    hidden = is_secret(name) or (name == "broker.url" and "@" in str(given))
    value = NOT_GIVEN if hidden or isinstance(given, dict | list) else given
    text = error["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    for theirs, ours in _LIMITS.items():
        text = text.replace(theirs, ours)
    if error["type"] == "int_parsing_size":
        text = "must be a whole number that fits"
    if error["msg"].startswith("Input should be"):
        return Fault("", name, value, text)
    must_be, allowed = text.removeprefix("must be "), text.startswith("must be ")
    return Fault("", name, value, must_be) if allowed else Fault(text, name, value)


def _is_unknown(error: Any) -> bool:
    return error["type"] in ("extra_forbidden", "unexpected_keyword_argument")


def _origin(name: str, origins: Mapping[str, str]) -> str:
    return origins.get(name) or origins.get(name.partition(".")[0]) or "the file"


def _stray_booleans(given: Any, kept: Any, name: str = "") -> Iterator[tuple[str, bool]]:
    """True and false that were taken as the number 1 or 0, with their names."""
    if isinstance(given, bool):
        if not isinstance(kept, bool):
            yield name, given
        return
    parts: Iterable[tuple[str, Any, Any]] = ()
    if isinstance(given, Mapping):
        parts = (
            (
                str(key),
                value,
                kept.get(key) if isinstance(kept, Mapping) else getattr(kept, key, None),
            )
            for key, value in given.items()
        )
    elif isinstance(given, list) and isinstance(kept, list | tuple):
        parts = ((str(i), *pair) for i, pair in enumerate(zip(given, kept, strict=False)))
    for key, value, its in parts:
        yield from _stray_booleans(value, its, f"{name}.{key}" if name else key)


def _texts(given: Any, name: str = "") -> Iterator[tuple[str, str]]:
    """All texts of the settings, with their names."""
    if isinstance(given, str):
        yield name, given
    elif isinstance(given, Mapping | list):
        for key, value in given.items() if isinstance(given, Mapping) else enumerate(given):
            yield from _texts(value, f"{name}.{key}" if name else str(key))


def _near(name: str, known: Iterable[str]) -> str:
    """The end of a sentence about a wrong name: what to do about it."""
    if name.removeprefix(PREFIX).lower().replace("__", ".") in ("store", "store.url"):
        return (
            ": the store is a file in the data folder, and cannot be in another database yet. "
            "Remove this setting"
        )
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.7)
    return f": did you mean {found[0]}?" if found else ""


def is_secret(name: str) -> bool:
    """Return whether a misplaced value may be a password."""
    first, _, last = name.rpartition(".")
    return "password" in name or (
        name.startswith(("channels", "forecasts"))
        and not (first and last in ("id", "least", "brief", "service", "unit", "pointer"))
    )


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
