"""The settings themselves: every name with its type, unit, default, allowed values and help."""

from __future__ import annotations

import contextlib
import functools
import ipaddress
import re
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit
from zoneinfo import available_timezones

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    Strict,
    ValidationInfo,
    field_validator,
)
from pydantic_core import PydanticCustomError

from monitor.core import public_holidays
from monitor.core.measurements import name_fault
from monitor.domain import opening_hours
from monitor.domain.forecast_source import ForecastSource, source_faults
from monitor.domain.notification import URGENCY_HIGH, URGENCY_LOW
from monitor.domain.places import AirLimits, Place
from monitor.domain.topic_rules import TopicRule, rule_faults
from monitor.mqtt.embedded_broker import PROGRAMS, find_program

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
PASSPHRASE_MIN = 12
"""Shortest passphrase of backups. [characters]  Ours."""
LOOPBACK = ("127.0.0.1", "localhost", "::1")

_STRICT = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
_DATABASE_HOST = r"(\[[0-9A-Fa-f:.]+\]|[^\s/@?#:,\[\]]*)(:\d{1,5})?"
_DATABASE_URL = re.compile(
    rf"postgresql://([^\s/@?#]*@)?{_DATABASE_HOST}(,{_DATABASE_HOST})*/[^\s/@?#]+(\?\S*)?"
)
_SERVICE_URL = re.compile(r"[a-zA-Z0-9]{1,32}://\S*")
_LABEL = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?")
for _dataclass in (ForecastSource, AirLimits, Place, TopicRule):
    _dataclass.__pydantic_config__ = ConfigDict(extra="forbid", allow_inf_nan=False)  # type: ignore[union-attr] # read by pydantic


def _setting(default: Any, text: str, unit: str = "", **allowed: Any) -> Any:
    return Field(default, description=text, json_schema_extra={"unit": unit}, **allowed)


def _at(number: int, name: str, value: Any, text: str) -> PydanticCustomError:
    """The fault of a member of an item in a list."""
    context = {"text": text, "at": (number, name), "value": value}
    return PydanticCustomError("item", "{text}", context)


def _is_host(value: str) -> bool:
    """Return whether it is an IP address or a host name (RFC 1123)."""
    with contextlib.suppress(ValueError):
        ipaddress.ip_address(value)
        return True
    labels = value.removesuffix(".").split(".")
    return len(value) <= 253 and all(_LABEL.fullmatch(label) for label in labels)


def _host(value: str) -> str:
    if not _is_host(value):
        raise ValueError("must be an IP address or a host name")
    return value


def mqtt_url(value: str) -> str:
    """A broker's address as given.

    Raises
    ------
    ValueError
        If it is not a broker's address, or holds a password.
    """
    try:
        parts = urlsplit(value)
        sound = parts.scheme in ("mqtt", "mqtts") and _is_host(parts.hostname or "")
        sound = sound and (parts.port is None or parts.port > 0)
    except ValueError:  # a port that is none
        sound = False
    if not sound:
        raise ValueError("must be mqtt://host:port or mqtts://host:port, or empty")
    if parts.username or parts.password:
        raise ValueError("must not hold a password: use broker.user and broker.password")
    return value


def database_fault(url: str) -> str:
    """Reason why this is not the URL of a database; empty if it is one."""
    if _DATABASE_URL.fullmatch(url):
        return ""
    return (
        "must be postgresql://user@host/database; in a name or password write @ as %40, / as %2F, "
        ": as %3A, ? as %3F, # as %23 and % as %25"
    )


@functools.cache
def _zone_names() -> set[str]:
    """Names of every time zone, which are read from many files."""
    return available_timezones()


class ShopSettings(BaseModel):
    """Name and position of the shop."""

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
    people: int = _setting(1, "People who work on repairs at once, for the plan", ge=1, le=20)
    country: str = _setting(
        "", "Country, such as FR (ISO 3166-1), whose public holidays are suggested; empty: none"
    )
    region: str = _setting("", "Region of the country with holidays of its own, such as BY in DE")

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


class Broker(BaseModel):
    """The MQTT broker: our own, or one that already runs."""

    model_config = _STRICT
    url: str = _setting(
        "", "An outside broker, mqtt://host:1883 or mqtts://host:8883; empty: the built-in broker"
    )
    host: str = _setting("127.0.0.1", "Address the built-in broker listens on")
    port: int = _setting(1883, "Port the built-in broker listens on", "", ge=1, le=65535)
    user: str = _setting(
        "",
        "User name: of the service at an outside broker, or of all sensors at the built-in broker",
    )
    password: SecretStr = _setting(SecretStr(""), "Password of that user")
    ca_file: Path | None = _setting(None, "CA certificate of an mqtts broker; empty: the system's")
    cert_file: Path | None = _setting(
        None, "Client certificate for mqtts, or the built-in broker's certificate"
    )
    key_file: Path | None = _setting(None, "Private key of that certificate")
    program: str = _setting(
        "",
        "Program of the built-in broker: mosquitto or nats-server, or a path to one of them; empty: "
        "the nats-server that is installed with Benchweather",
    )
    store_mb: int = _setting(
        4096,
        "Most that the built-in broker keeps while readings cannot be stored",
        "MB",
        ge=64,
        le=1_000_000,
    )
    sync_s: float = _setting(
        0.0,
        "Period at which the built-in nats-server writes to the disk; 0: before it acknowledges a "
        "message. A longer one is faster, for hundreds of messages a second, but a power cut can lose "
        "what was not written; mosquitto does not use it",
        "s",
        ge=0,
        le=60,
    )
    client_id: str = _setting(
        "",
        "MQTT client id of the service's session; empty: one that nobody can guess, made at the first "
        "start and kept. Anyone who knows it can take over the session",
        "",
        max_length=60,
    )
    anonymous_sensors: Literal["auto", "yes", "no"] = _setting(
        "auto",
        "Whether sensors without a user may publish readings at the built-in broker; auto: only on this "
        "machine (broker.host is 127.0.0.1), and while broker.user is empty",
    )

    @property
    def admits_anonymous(self) -> bool:
        """True if our own broker lets sensors publish readings without a user."""
        if self.anonymous_sensors == "auto":
            return self.host in LOOPBACK and not self.user
        return self.anonymous_sensors == "yes"

    @field_validator("program")
    @classmethod
    def _known_program(cls, value: str) -> str:
        if value and Path(value).stem not in PROGRAMS:
            raise ValueError(f"must be {' or '.join(PROGRAMS)}, a path to one of them, or empty")
        if value and not find_program(value):
            raise ValueError(
                "there is no such program on this machine: install it, or leave this empty"
            )
        return value

    @field_validator("ca_file", "cert_file", "key_file")
    @classmethod
    def _there(cls, value: Path | None) -> Path | None:
        if value is not None and not value.is_file():
            raise ValueError("there is no such file")
        return value

    @field_validator("host")
    @classmethod
    def _host(cls, value: str) -> str:
        return _host(value)

    @field_validator("url")
    @classmethod
    def _mqtt_url(cls, value: str) -> str:
        return mqtt_url(value) if value else value


class Board(BaseModel):
    """The board's address and display."""

    model_config = _STRICT
    host: str = _setting("127.0.0.1", "Address the board listens on")
    port: int = _setting(8050, "Port the board listens on", "", ge=1, le=65535)
    names: list[str] = _setting([], "Further host names under which the board can be opened")

    trusted_proxy: str = _setting(
        "",
        "Address of the reverse proxy before the board, such as 127.0.0.1: its X-Forwarded headers are "
        "believed; empty: none",
    )

    @field_validator("host")
    @classmethod
    def _host(cls, value: str) -> str:
        return _host(value)

    @field_validator("trusted_proxy")
    @classmethod
    def _proxy(cls, value: str) -> str:
        try:
            return str(ipaddress.ip_address(value)) if value else ""
        except ValueError:
            raise ValueError("must be an IP address, such as 127.0.0.1, or empty") from None

    @field_validator("names")
    @classmethod
    def _names(cls, value: list[str]) -> list[str]:
        return [_host(name) for name in value]

    cert_file: Path | None = _setting(
        None, "The board's TLS certificate with its chain, as a PEM file; empty: plain HTTP"
    )
    key_file: Path | None = _setting(
        None, "Private key of the board's certificate, as a PEM file without a passphrase"
    )
    temperature_unit: Literal["auto", "C", "F"] = _setting(
        "auto",
        "Temperature unit on screen: C, F, or auto for the browser's language; F also shows water in "
        "US gal and fl oz",
    )
    password: SecretStr = _setting(
        SecretStr(""),
        "The shop's password: anyone who enters it, without a name, may do everything; empty: there is "
        "none, and only people who sign in and browsers that opened a link of `benchweather board` may "
        "change things",
    )
    readers: Literal["anyone", "signed-in"] = _setting(
        "anyone",
        "Who can read the board: anyone who reaches it, or only browsers that are signed in",
    )
    metrics: Literal["this-computer", "network"] = _setting(
        "this-computer",
        "Who can read /metrics: programs on this computer, or also others with a token or a session",
    )
    session_days: float = _setting(
        30.0, "Days after which a browser must sign in again", "", gt=0, le=400
    )
    session_idle_days: float = _setting(
        14.0, "Days without use after which a browser must sign in again", "", gt=0, le=400
    )
    stale_after_s: float = _setting(300.0, "A reading older than this is shown as old", "s", gt=0)


class SensorSettings(BaseModel):
    """Accuracy from the sensors' data sheet, read as expanded uncertainty (k = 2)."""

    model_config = _STRICT
    temp_accuracy_c: float = _setting(0.3, "Stated accuracy of temperature", "K", gt=0, le=5)
    rh_accuracy_pct: float = _setting(2.0, "Stated accuracy of RH", "%", gt=0, le=20)
    new_places_a_day: int = _setting(
        5,
        "Most new places within 24 h whose readings are stored at once; further places wait until you "
        "admit them",
        "",
        ge=0,
        le=10_000,
    )
    new_sensors_a_day: int = _setting(
        50,
        "Most new sensors within 24 h whose readings are stored at once; further sensors wait until you "
        "admit them",
        "",
        ge=0,
        le=100_000,
    )


class OpeningHours(BaseModel):
    """Opening hours of each day, in the shop's time zone."""

    model_config = _STRICT
    monday: str = _setting("09:00-18:00", "Open on Mondays, as 08:30-17:30; empty: closed")
    tuesday: str = _setting("09:00-18:00", "Open on Tuesdays")
    wednesday: str = _setting("09:00-18:00", "Open on Wednesdays")
    thursday: str = _setting("09:00-18:00", "Open on Thursdays")
    friday: str = _setting("09:00-18:00", "Open on Fridays")
    saturday: str = _setting("", "Open on Saturdays")
    sunday: str = _setting("", "Open on Sundays")
    closed: list[str] = _setting(
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

    model_config = _STRICT
    quiet: str = _setting(
        "21:00-07:00", "Quiet hours; only notices that cannot wait are sent then; empty: none"
    )
    quiet_when_closed: bool = _setting(False, "Quiet all day on days when the shop is closed")
    brief_at: str = _setting("08:00", "When the morning brief is sent; empty: never")

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

    model_config = _STRICT
    id: str
    name: str = Field("", max_length=60)
    place: str = ""
    lasts_h: float = Field(24.0, gt=0, le=24 * 60)

    @property
    def label(self) -> str:
        return self.name or self.id.replace("-", " ").capitalize()


class Keep(BaseModel):
    """Numbers of rejected messages and of messages kept aside that are stored."""

    model_config = _STRICT
    refused_max: int = _setting(
        100_000,
        "Rejected messages stored; older ones are deleted, but still counted",
        "",
        ge=1_000,
    )
    aside_max: int = _setting(
        100_000,
        "Most messages kept aside because the clock was wrong; beyond that the oldest are deleted, and "
        "the history says so",
        "",
        ge=1_000,
    )
    aside_days: int = _setting(
        90,
        "Days that messages kept aside stay in the store after they were taken in or dismissed",
        "",
        ge=1,
    )


class StoreSettings(BaseModel):
    """Address of the store."""

    model_config = _STRICT
    url: SecretStr = _setting(
        SecretStr(""),
        "A database on PostgreSQL 15 or newer, postgresql://user@host/database; empty: a file in the "
        "data folder",
    )
    read_url: SecretStr = _setting(
        SecretStr(""),
        "The same database for a user who may only read, for board, outlook and plan; empty: store.url",
    )

    @field_validator("url", "read_url")
    @classmethod
    def _database(cls, value: SecretStr) -> SecretStr:
        if (url := value.get_secret_value()) and (fault := database_fault(url)):
            raise ValueError(f"{fault}, or be empty")
        return value


class LogSettings(BaseModel):
    """The log."""

    model_config = _STRICT
    format: Literal["text", "json"] = _setting(
        "text",
        "Form of the log: lines of text, or a JSON object a line for programs that collect logs",
    )


class Backup(BaseModel):
    """Nightly backups."""

    model_config = _STRICT
    folder: Path | None = _setting(
        None,
        "Folder for a backup every night, on another disk or another computer; empty: none are made",
    )
    at: str = _setting("02:30", "Time of day of the backup")
    daily: int = _setting(
        7, "Number of days for which the newest backup is kept", "", ge=1, le=1_000
    )
    weekly: int = _setting(
        4, "Number of weeks for which the newest backup is kept", "", ge=0, le=1_000
    )
    monthly: int = _setting(
        12, "Number of months for which the newest backup is kept", "", ge=0, le=1_000
    )
    passphrase: SecretStr = _setting(
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


class NoticeChannel(BaseModel):
    """A channel by which notices reach somebody."""

    model_config = _STRICT
    id: str
    url: SecretStr
    least: Annotated[int, Strict()] = URGENCY_LOW + 1
    brief: bool = True

    @field_validator("url")
    @classmethod
    def _service_url(cls, value: SecretStr) -> SecretStr:
        if not _SERVICE_URL.fullmatch(value.get_secret_value()):
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

    model_config = _STRICT
    latitude: float | None = _setting(
        None,
        "Latitude of the shop in degrees, north positive; services get it rounded to 0.01",
        "",
        ge=-90,
        le=90,
    )
    longitude: float | None = _setting(
        None,
        "Longitude of the shop in degrees, east positive; services get it rounded to 0.01",
        "",
        ge=-180,
        le=180,
    )
    contact: str = _setting(
        "", "Mail or web address sent to weather services, so that they can reach you"
    )

    @field_validator("contact")
    @classmethod
    def _contact(cls, value: str) -> str:
        if not (value.isascii() and value.isprintable()) or set("()") & set(value):
            raise ValueError("must be printable ASCII without brackets")
        return value.strip()


class Fields(BaseModel):
    """All settings that a file may hold; `Settings` is the result."""

    model_config = _STRICT
    shop: ShopSettings = ShopSettings()
    broker: Broker = Broker()
    board: Board = Board()
    sensor: SensorSettings = SensorSettings()
    hours: OpeningHours = OpeningHours()
    alerts: Alerts = Alerts()
    keep: Keep = Keep()
    store: StoreSettings = StoreSettings()
    backup: Backup = Backup()
    weather: WeatherSettings = WeatherSettings()
    log: LogSettings = LogSettings()
    limits: AirLimits = AirLimits()
    places: list[Place] = []
    topics: list[TopicRule] = []
    channels: list[NoticeChannel] = []
    reservoirs: list[Reservoir] = []
    forecasts: list[ForecastSource] = []

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

    @field_validator("channels", "reservoirs")
    @classmethod
    def _named(cls, value: list[NoticeChannel | Reservoir]) -> list[NoticeChannel | Reservoir]:
        seen: set[str] = set()
        for one in value:
            if fault := name_fault(one.id):
                raise ValueError(f"id {one.id!r} {fault}")
            if one.id in seen:
                raise ValueError(f"id {one.id!r} is used twice")
            seen.add(one.id)
        return value
