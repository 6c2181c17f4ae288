"""All settings that a file may hold: every name with its type, unit, default and help."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from pydantic import BaseModel, ConfigDict, field_validator
from pydantic_core import PydanticCustomError

from monitor.core.measurements import name_fault
from monitor.domain.forecast_source import ForecastSource, source_faults
from monitor.domain.places import AirLimits, Place
from monitor.domain.topic_rules import TopicRule, rule_faults
from monitor.settings.definition import STRICT
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

_Named = NoticeChannel | Reservoir | OtherShop
"""Item of a list that has an id of its own."""
PREFIX = "BENCHWEATHER_"
"""Beginning of the names of settings in the environment."""
SAFE_RH_PCT = (20.0, 80.0)
"""Widest band of a place where work is done. [%]  Ours: below, spruce held at its edges is beyond its
yield strain; near 80 % a line of hide glue softens (see `AirLimits.rh_very_high_pct`)."""
SAFE_LIMITS: dict[str, tuple[float, float, str, str]] = {
    "rh_very_low_pct": (SAFE_RH_PCT[0], 100.0, "%", "in drier air wood cracks"),
    "rh_very_high_pct": (0.0, SAFE_RH_PCT[1], "%", "in damper air a glue line may stay soft"),
    "glue_temp_low_c": (10.0, 30.0, " °C", "in colder air a glue joint chills"),
    "temp_high_c": (20.0, 35.0, " °C", "in hotter air wet glue does not gel"),
    "varnish_rh_stop_pct": (0.0, 90.0, "%", "in damper air no coat dries soundly"),
    "varnish_spread_stop_k": (1.0, 20.0, " K", "closer to its dew point, air wets a surface"),
}
"""Ranges of limits, so that no setting makes dangerous air right: least, most, unit, why.
Common practice, no source."""
for _dataclass in (ForecastSource, AirLimits, Place, TopicRule):
    _dataclass.__pydantic_config__ = ConfigDict(extra="forbid", allow_inf_nan=False)  # type: ignore[union-attr] # read by pydantic


def _at(number: int, name: str, value: Any, text: str) -> PydanticCustomError:
    """The fault of a member of an item in a list."""
    context = {"text": text, "at": (number, name), "value": value}
    return PydanticCustomError("item", "{text}", context)


class Fields(BaseModel):
    """All settings that a file may hold; `Settings` is the result."""

    model_config = STRICT
    shop: ShopSettings = ShopSettings()
    broker: Broker = Broker()
    board: Board = Board()
    sensor: SensorSettings = SensorSettings()
    hours: OpeningHours = OpeningHours()
    alerts: Alerts = Alerts()
    keep: Keep = Keep()
    store: StoreSettings = StoreSettings()
    outlook: OutlookSettings = OutlookSettings()
    backup: Backup = Backup()
    weather: WeatherSettings = WeatherSettings()
    log: LogSettings = LogSettings()
    limits: AirLimits = AirLimits()
    places: list[Place] = []
    topics: list[TopicRule] = []
    channels: list[NoticeChannel] = []
    reservoirs: list[Reservoir] = []
    forecasts: list[ForecastSource] = []
    shops: list[OtherShop] = []

    @field_validator("places")
    @classmethod
    def _places(cls, value: list[Place]) -> list[Place]:
        seen: set[str] = set()
        for i, place in enumerate(value):
            if fault := name_fault(place.id):
                raise ValueError(f"id {place.id!r} {fault}")
            if place.id in seen:
                raise ValueError(f"id {place.id!r} is used twice")
            low, high = place.rh_low_pct, place.rh_high_pct
            wall = place.wall_factor
            for name, end, sound, allowed in (
                ("rh_low_pct", low, low is None or 0 <= low <= 100, "0 to 100%"),
                ("rh_high_pct", high, high is None or 0 <= high <= 100, "0 to 100%"),
                (
                    "volume_m3",
                    place.volume_m3,
                    not place.volume_m3 or 5 <= place.volume_m3 <= 5000,
                    "5 to 5000 m³, or 0",
                ),
                ("wall_factor", wall, not wall or 0.1 <= wall <= 1, "0.1 to 1, or 0"),
            ):
                if not sound:
                    raise _at(i, name, end, f"must be {allowed} (place {place.id})")
            if low is not None and high is not None and low >= high:
                raise _at(
                    i, "rh_low_pct", low, f"is not below rh_high_pct, {high:g} (place {place.id})"
                )
            for name, end, sound, allowed in (
                ("rh_low_pct", low, low is None or low >= SAFE_RH_PCT[0], "at least 20%"),
                ("rh_high_pct", high, high is None or high <= SAFE_RH_PCT[1], "at most 80%"),
            ):
                if place.kind != "outdoors" and not sound:
                    raise _at(
                        i, name, end, f"must be {allowed}: beyond it wood and glue are in danger"
                    )
            seen.add(place.id)
        return value

    @field_validator("limits")
    @classmethod
    def _limits(cls, value: AirLimits) -> AirLimits:
        rising = ("rh_very_low_pct", "rh_low_pct", "rh_high_pct", "rh_very_high_pct")
        pairs = [
            *pairwise(rising),
            ("varnish_rh_high_pct", "varnish_rh_stop_pct"),
            ("varnish_spread_stop_k", "varnish_spread_low_k"),
            ("glue_temp_low_c", "temp_high_c"),
            ("varnish_temp_low_c", "temp_high_c"),
        ]
        for low, high in pairs:
            if getattr(value, low) >= getattr(value, high):
                raise ValueError(f"must rise: {low} is not below {high}")
        for name in (*rising, "varnish_rh_high_pct", "varnish_rh_stop_pct"):
            if not 0 <= getattr(value, name) <= 100:
                raise ValueError(f"{name} = {getattr(value, name):g}%: must be 0 to 100%")
        for name in ("rh_margin_pct", "temp_margin_c", "varnish_spread_margin_k"):
            if getattr(value, name) < 0:
                raise ValueError(f"{name} must be at least 0")
        for name, (least, most, unit, why) in SAFE_LIMITS.items():
            given = getattr(value, name)
            if not least <= given <= most:
                allowed = f"{least:g} to {most:g}{unit}"
                raise ValueError(f"{name} = {given:g}{unit}: must be {allowed}: {why}")
        return value

    @field_validator("topics")
    @classmethod
    def _topics(cls, value: list[TopicRule]) -> list[TopicRule]:
        faults = [f"rule {i}: {fault}" for i, r in enumerate(value, 1) for fault in rule_faults(r)]
        if faults:
            raise ValueError("; ".join(faults))
        return value

    @field_validator("forecasts")
    @classmethod
    def _forecasts(cls, value: list[ForecastSource]) -> list[ForecastSource]:
        faults = [f"{one.id}: {fault}" for one in value for fault in source_faults(one)]
        ids = [one.id for one in value]
        faults += [
            f"id {name!r} is used twice" for name in dict.fromkeys(ids) if ids.count(name) > 1
        ]
        if faults:
            raise ValueError("; ".join(faults))
        return value

    @field_validator("channels", "reservoirs", "shops")
    @classmethod
    def _named(cls, value: list[_Named]) -> list[_Named]:
        seen: set[str] = set()
        for one in value:
            if fault := name_fault(one.id):
                raise ValueError(f"id {one.id!r} {fault}")
            if one.id in seen:
                raise ValueError(f"id {one.id!r} is used twice")
            seen.add(one.id)
        return value
