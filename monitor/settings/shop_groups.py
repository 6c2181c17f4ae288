"""Settings of the shop: its place, sensors, hours, alerts and tanks."""

from __future__ import annotations

import functools
from typing import Any
from zoneinfo import available_timezones

from pydantic import BaseModel, Field, ValidationInfo, field_validator

from monitor.core import public_holidays
from monitor.domain import opening_hours
from monitor.settings.definition import STRICT, setting


@functools.cache
def _zone_names() -> set[str]:
    """Names of every time zone, which are read from many files."""
    return available_timezones()


class ShopSettings(BaseModel):
    """Name and position of the shop."""

    model_config = STRICT
    name: str = setting("", "Name of the shop, shown on the board")
    time_zone: str = setting("", "IANA name, such as Europe/Paris; empty: this machine's zone")
    altitude_m: float = setting(
        0.0,
        "Height above the sea, for the air pressure where no sensor measures it",
        "m",
        ge=-430,
        le=5000,
    )
    people: int = setting(1, "People who work on repairs at once, for the plan", ge=1, le=20)
    country: str = setting(
        "", "Country, such as FR (ISO 3166-1), whose public holidays are suggested; empty: none"
    )
    region: str = setting("", "Region of the country with holidays of its own, such as BY in DE")

    @field_validator("country", mode="before")
    @classmethod
    def _capital(cls, value: Any) -> Any:
        return value.upper() if isinstance(value, str) else value

    @field_validator("country")
    @classmethod
    def _known_country(cls, value: str) -> str:
        if fault := public_holidays.country_fault(value):
            raise ValueError(fault)
        return value

    @field_validator("region")
    @classmethod
    def _known_region(cls, value: str, info: ValidationInfo) -> str:
        country = info.data.get("country")  # not there if it is wrong itself
        if country is not None and (fault := public_holidays.region_fault(country, value)):
            raise ValueError(fault)
        return value

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value and value not in _zone_names():
            raise ValueError("must be an IANA time zone name such as Europe/Paris, or empty")
        return value


class SensorSettings(BaseModel):
    """Accuracy from the sensors' data sheet, read as expanded uncertainty (k = 2)."""

    model_config = STRICT
    temp_accuracy_c: float = setting(0.3, "Stated accuracy of temperature", "K", gt=0, le=5)
    rh_accuracy_pct: float = setting(2.0, "Stated accuracy of RH", "%", gt=0, le=20)
    new_places_a_day: int = setting(
        5,
        "Most new places within 24 h whose readings are stored at once; further places wait until you "
        "admit them",
        "",
        ge=0,
        le=10_000,
    )
    new_sensors_a_day: int = setting(
        50,
        "Most new sensors within 24 h whose readings are stored at once; further sensors wait until you "
        "admit them",
        "",
        ge=0,
        le=100_000,
    )


class OpeningHours(BaseModel):
    """Opening hours of each day, in the shop's time zone."""

    model_config = STRICT
    monday: str = setting("09:00-18:00", "Open on Mondays, as 08:30-17:30; empty: closed")
    tuesday: str = setting("09:00-18:00", "Open on Tuesdays")
    wednesday: str = setting("09:00-18:00", "Open on Wednesdays")
    thursday: str = setting("09:00-18:00", "Open on Thursdays")
    friday: str = setting("09:00-18:00", "Open on Fridays")
    saturday: str = setting("", "Open on Saturdays")
    sunday: str = setting("", "Open on Sundays")
    closed: list[str] = setting(
        [], "Further closed dates, such as 2026-12-24 or 2026-12-24/2027-01-02"
    )

    @field_validator(*opening_hours.DAYS)
    @classmethod
    def _day(cls, value: str) -> str:
        opening_hours.span(value)
        return value

    @field_validator("closed")
    @classmethod
    def _closed(cls, value: list[str]) -> list[str]:
        for one in value:
            opening_hours.closed_dates(one)
        return value


class Alerts(BaseModel):
    """Quiet hours and the morning brief."""

    model_config = STRICT
    quiet: str = setting(
        "21:00-07:00", "Quiet hours; only notices that cannot wait are sent then; empty: none"
    )
    quiet_when_closed: bool = setting(False, "Quiet all day on days when the shop is closed")
    brief_at: str = setting("08:00", "When the morning brief is sent; empty: never")

    @field_validator("quiet")
    @classmethod
    def _quiet(cls, value: str) -> str:
        opening_hours.quiet_span(value)
        return value

    @field_validator("brief_at")
    @classmethod
    def _brief_at(cls, value: str) -> str:
        if value:
            opening_hours.of_day(value)
        return value


class Reservoir(BaseModel):
    """A humidifier's tank that somebody has to fill."""

    model_config = STRICT
    id: str
    name: str = Field("", max_length=60)
    place: str = ""
    lasts_h: float = Field(24.0, gt=0, le=24 * 60)

    @property
    def label(self) -> str:
        return self.name or self.id.replace("-", " ").capitalize()
