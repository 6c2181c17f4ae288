"""Settings: one TOML file, `BENCHWEATHER_*` in the environment over it, defaults beneath.

`load` reads them once and returns them frozen, together with where each came from. All faults are
reported together. Nobody else reads the environment.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

import platformdirs
from pydantic import SecretStr, ValidationError

from monitor.core.errors import Fault, SettingsFault
from monitor.core.files import SETTINGS_MAX, FileFault, parsed_toml, read_text
from monitor.core.validation import unprintable
from monitor.domain import opening_hours
from monitor.domain.forecast_source import ForecastSource
from monitor.domain.places import AirLimits, Place
from monitor.domain.topic_rules import TopicRule
from monitor.settings.checks import cross_faults
from monitor.settings.faults import (
    FAULTS_MAX,
    detail_of,
    near_name,
    origin_of,
    sentence_of,
    stray_booleans,
    texts_of,
)
from monitor.settings.fields import PREFIX, Fields
from monitor.settings.keeping_groups import (
    Backup,
    Keep,
    LogSettings,
    OutlookSettings,
    StoreSettings,
)
from monitor.settings.network_groups import Board, Broker
from monitor.settings.outside_groups import NoticeChannel, OtherShop, WeatherSettings
from monitor.settings.shop_groups import (
    Alerts,
    OpeningHours,
    Reservoir,
    SensorSettings,
    ShopSettings,
)
from monitor.settings.table import GROUPS, table

FILE_NAME = "benchweather.toml"
DEMO, DEMO_MARK = "demo", "demo.txt"
"""Name of the demo's data folder, and of the file that marks it, so that --data finds the same
shop there as --demo does."""
_FIXED_ENV = {"BENCHWEATHER_DATA", "BENCHWEATHER_CONFIG"}


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
    store: StoreSettings
    outlook: OutlookSettings
    backup: Backup
    weather: WeatherSettings
    log: LogSettings
    limits: AirLimits
    places: tuple[Place, ...]
    topics: tuple[TopicRule, ...]
    channels: tuple[NoticeChannel, ...]
    reservoirs: tuple[Reservoir, ...]
    forecasts: tuple[ForecastSource, ...]
    shops: tuple[OtherShop, ...]
    origins: Mapping[str, str]
    version: str
    """Version of the settings file that these were read from."""

    def quiet_until(self, now_ms: int) -> int | None:
        """The end of the quiet hours at a moment; None outside of them. [ms]"""
        closed_by = self.hours.model_dump() if self.alerts.quiet_when_closed else None
        return opening_hours.quiet_until(self.alerts.quiet, self.zone, now_ms, closed_by)

    def with_backup_passphrase(self, passphrase: str) -> Settings:
        """Copy of these settings with another passphrase for backups."""
        group = self.backup.model_copy(update={"passphrase": SecretStr(passphrase)})
        return replace(self, backup=group)

    @property
    def store_address(self) -> Path | str:
        """File of the store, or the URL of a database; the demo always has its file."""
        url = "" if self.demo else self.store.url.get_secret_value()
        return url or self.store_path

    @property
    def read_address(self) -> Path | str:
        """Address of the store for what only reads it."""
        url = "" if self.demo else self.store.read_url.get_secret_value()
        return url or self.store_address

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
    def broker_keys_path(self) -> Path:
        return self.data / "broker-keys.json"

    @property
    def broker_log_path(self) -> Path:
        return self.data / "broker" / "broker.log"

    @property
    def broker_accounts_path(self) -> Path:
        return self.data / "broker-accounts.json"

    @property
    def forecast_folder(self) -> Path:
        return self.data / "forecasts"

    @functools.cached_property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.shop.time_zone or _machine_zone())


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
        details = [Fault(fault) for fault in faults] + list(map(detail_of, errors[:FAULTS_MAX]))
        faults += [sentence_of(error, origins) for error in errors[:FAULTS_MAX]]
        if (more := len(errors) - FAULTS_MAX) > 0:
            faults.append(f"{more} more faults")
    else:
        details = list(map(Fault, faults))
        for name, value in stray_booleans(merged, found):
            origin, problem = origin_of(name, origins), "must not be true or false"
            faults.append(f"{name} = {str(value).lower()} (from {origin}): {problem}")
            details.append(Fault(problem, name))
        for name, text_given in texts_of(merged):
            if bad := unprintable(text_given):
                faults.append(f"{name} (from {origin_of(name, origins)}): {bad}")
                details.append(Fault(bad, name))
    if faults:
        raise SettingsFault(faults, details)
    if details := cross_faults(found):
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
        shops=tuple(found.shops),
        origins=origins,
        version=version_of(text or ""),
        **{name: getattr(found, name) for name in GROUPS},
    )


def version_of(text: str) -> str:
    """Version of a settings file, from its content."""
    return hashlib.sha256(text.encode()).hexdigest()[:24]


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


def demo_layer() -> dict[str, Any]:
    from importlib.resources import files

    return parsed_toml(files("data").joinpath("demo/settings.toml").read_text(encoding="utf-8"))


def _from_environment(env: Mapping[str, str], faults: list[str]) -> dict[str, Any]:
    """The settings of the environment, nested; unknown names are faults."""
    known = {f"{PREFIX}{row.name.replace('.', '__')}".upper(): row for row in table()}
    found: dict[str, Any] = {}
    for name, text in env.items():
        if not name.upper().startswith(PREFIX) or name in _FIXED_ENV:
            continue
        row = known.get(name.upper())
        if row is None:
            near = near_name(name.upper(), set(known))
            faults.append(f"unknown setting {name} in the environment{near}")
            continue
        group, _, member = row.name.rpartition(".")
        value: Any = text
        if not group or isinstance(row.default, list):
            try:
                value = json.loads(text)
            except ValueError:
                faults.append(f'{row.name} (from environment): must be a list in JSON, as ["a"]')
                continue
        (found.setdefault(group, {}) if group else found)[member] = value
    return found


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
