"""Table of all settings: value, unit, default and help."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from pydantic import SecretStr
from pydantic.fields import FieldInfo

from monitor.settings.fields import Fields

if TYPE_CHECKING:
    from monitor.settings import Settings

GROUPS = (
    "shop",
    "broker",
    "board",
    "sensor",
    "hours",
    "alerts",
    "keep",
    "store",
    "outlook",
    "backup",
    "weather",
    "log",
    "limits",
)


class SettingRow(NamedTuple):
    """Row of the table of settings."""

    name: str
    value: Any
    unit: str
    default: Any
    help: str


def table(settings: Settings | None = None) -> Iterator[SettingRow]:
    """Every setting with its value, unit, default and help, in the order of the README.

    Lists of places, topic rules, channels, reservoirs and sources are one row each. Secrets come as
    `********`.
    """
    defaults = Fields()
    for group in GROUPS:
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
        (
            "shops",
            "Shops on the page Shops: id, url of the store's database, address of the board",
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
