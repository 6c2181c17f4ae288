"""Settings of what is kept: how long, where, the log and backups."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, SecretStr, field_validator

from monitor.core.measurements import Quantity
from monitor.domain import opening_hours
from monitor.settings.addresses import database_fault
from monitor.settings.definition import STRICT, setting

PASSPHRASE_MIN = 12
"""Shortest passphrase of backups. [characters]  Ours."""


class Keep(BaseModel):
    """Retention: years of readings, and numbers of rejected messages and of messages kept aside."""

    model_config = STRICT
    readings_years: int = setting(
        0,
        "Years that single readings are kept; older ones are deleted, which cannot be undone. Their "
        "mean, lowest and highest value of every 10 minutes and every hour stay; 0: all readings are "
        "kept",
        "",
        ge=0,
        le=100,
    )
    other_years: int = setting(
        0,
        "The same for pressure, surface temperature and battery; 0: as keep.readings_years",
        "",
        ge=0,
        le=100,
    )
    refused_max: int = setting(
        100_000,
        "Rejected messages stored; older ones are deleted, but still counted",
        "",
        ge=1_000,
    )
    aside_max: int = setting(
        100_000,
        "Most messages kept aside because the clock was wrong; beyond that the oldest are deleted, and "
        "the history says so",
        "",
        ge=1_000,
    )
    aside_days: int = setting(
        90,
        "Days that messages kept aside stay in the store after they were taken in or dismissed",
        "",
        ge=1,
    )

    def years(self) -> dict[Quantity, int]:
        """Years for which readings of each quantity are kept; 0: for ever."""
        main = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
        other = self.other_years or self.readings_years
        return {q: self.readings_years if q in main else other for q in Quantity}


class StoreSettings(BaseModel):
    """Address of the store."""

    model_config = STRICT
    url: SecretStr = setting(
        SecretStr(""),
        "A database on PostgreSQL 15 or newer, postgresql://user@host/database; empty: a file in the "
        "data folder",
    )
    read_url: SecretStr = setting(
        SecretStr(""),
        "The same database with a user who may only read it, and sign people in, for the board and the "
        "plan; empty: store.url",
    )

    @field_validator("url", "read_url")
    @classmethod
    def _database(cls, value: SecretStr) -> SecretStr:
        if (url := value.get_secret_value()) and (fault := database_fault(url)):
            raise ValueError(f"{fault}, or be empty")
        return value


class OutlookSettings(BaseModel):
    """Work of the outlook."""

    model_config = STRICT
    processes: int = setting(
        1,
        "Number of processes with which the service learns places and makes outlooks: 1 without a "
        "database; with one also more, or 0 if `benchweather look-ahead` does this work",
        "",
        ge=0,
        le=64,
    )


class LogSettings(BaseModel):
    """The log."""

    model_config = STRICT
    format: Literal["text", "json"] = setting(
        "text",
        "Form of the log: lines of text, or a JSON object a line for programs that collect logs",
    )


class Backup(BaseModel):
    """Nightly backups."""

    model_config = STRICT
    folder: Path | None = setting(
        None,
        "Folder for a backup every night, on another disk or another computer; empty: none are made",
    )
    at: str = setting("02:30", "Time of day of the backup")
    daily: int = setting(
        7, "Number of days for which the newest backup is kept", "", ge=1, le=1_000
    )
    weekly: int = setting(
        4, "Number of weeks for which the newest backup is kept", "", ge=0, le=1_000
    )
    monthly: int = setting(
        12, "Number of months for which the newest backup is kept", "", ge=0, le=1_000
    )
    passphrase: SecretStr = setting(
        SecretStr(""),
        "Passphrase that encrypts backups, also in the environment as BENCHWEATHER_BACKUP__PASSPHRASE; "
        "without it nobody can read them, so keep it in another place too; empty: not encrypted",
    )

    @field_validator("folder", mode="before")
    @classmethod
    def _none(cls, value: Any) -> Any:
        return None if value == "" else value

    @field_validator("folder")
    @classmethod
    def _whole_path(cls, value: Path | None) -> Path | None:
        if value is not None and not value.is_absolute():
            raise ValueError("must be a whole path, such as /media/backup/shop, or empty")
        return value

    @field_validator("at")
    @classmethod
    def _at(cls, value: str) -> str:
        opening_hours.of_day(value)
        return value

    @field_validator("passphrase")
    @classmethod
    def _long(cls, value: SecretStr) -> SecretStr:
        if 0 < len(value.get_secret_value()) < PASSPHRASE_MIN:
            raise ValueError(f"must have at least {PASSPHRASE_MIN} characters, or be empty")
        return value
