"""Settings of services elsewhere: channels of notices, the weather, and other shops."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlsplit

from pydantic import BaseModel, SecretStr, Strict, field_validator

from monitor.domain.notification import URGENCY_HIGH, URGENCY_LOW
from monitor.settings.addresses import SERVICE_URL, database_fault
from monitor.settings.definition import STRICT, setting


class NoticeChannel(BaseModel):
    """A channel by which notices reach somebody."""

    model_config = STRICT
    id: str
    url: SecretStr
    least: Annotated[int, Strict()] = URGENCY_LOW + 1
    brief: bool = True

    @field_validator("url")
    @classmethod
    def _service_url(cls, value: SecretStr) -> SecretStr:
        if not SERVICE_URL.fullmatch(value.get_secret_value()):
            raise ValueError("must be an Apprise URL, service://..., without spaces")
        return value

    @field_validator("least")
    @classmethod
    def _urgency(cls, value: int) -> int:
        if not URGENCY_LOW <= value <= URGENCY_HIGH:
            raise ValueError(f"must be {URGENCY_LOW} to {URGENCY_HIGH}")
        return value

    def takes(self, urgency: int) -> bool:
        """Return whether a notice of this urgency goes there."""
        return urgency >= self.least


class WeatherSettings(BaseModel):
    """Position and contact for requesting forecasts of the outdoor air."""

    model_config = STRICT
    latitude: float | None = setting(
        None,
        "Latitude of the shop in degrees, north positive; services get it rounded to 0.01",
        "",
        ge=-90,
        le=90,
    )
    longitude: float | None = setting(
        None,
        "Longitude of the shop in degrees, east positive; services get it rounded to 0.01",
        "",
        ge=-180,
        le=180,
    )
    contact: str = setting(
        "", "Mail or web address sent to weather services, so that they can reach you"
    )

    @field_validator("contact")
    @classmethod
    def _contact(cls, value: str) -> str:
        if not (value.isascii() and value.isprintable()) or set("()") & set(value):
            raise ValueError("must be printable ASCII without brackets")
        return value.strip()


class OtherShop(BaseModel):
    """A shop whose state the page Shops shows: the database of its store, and its board."""

    model_config = STRICT
    id: str
    url: SecretStr
    board: str = ""

    @field_validator("url")
    @classmethod
    def _database(cls, value: SecretStr) -> SecretStr:
        url = value.get_secret_value()
        if fault := database_fault(url) if url else "must not be empty":
            raise ValueError(fault)
        return value

    @field_validator("board")
    @classmethod
    def _address(cls, value: str) -> str:
        parts = urlsplit(value)
        sound = parts.scheme in ("http", "https") and parts.hostname and not parts.username
        if value and not (sound and value.isprintable() and " " not in value):
            raise ValueError("must be https://host or http://host, without a name or password")
        return value
