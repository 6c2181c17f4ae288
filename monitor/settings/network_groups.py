"""Settings of broker and board."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, SecretStr, field_validator

from monitor.mqtt.broker_program import PROGRAMS, find_program
from monitor.settings.addresses import LOOPBACK, host, mqtt_url
from monitor.settings.definition import STRICT, setting


class Broker(BaseModel):
    """The MQTT broker: our own, or one that already runs."""

    model_config = STRICT
    url: str = setting(
        "", "An outside broker, mqtt://host:1883 or mqtts://host:8883; empty: the built-in broker"
    )
    host: str = setting("127.0.0.1", "Address the built-in broker listens on")
    port: int = setting(1883, "Port the built-in broker listens on", "", ge=1, le=65535)
    user: str = setting(
        "",
        "User name: of the service at an outside broker, or of all sensors at the built-in broker",
    )
    password: SecretStr = setting(SecretStr(""), "Password of that user")
    ca_file: Path | None = setting(None, "CA certificate of an mqtts broker; empty: the system's")
    cert_file: Path | None = setting(
        None, "Client certificate for mqtts, or the built-in broker's certificate"
    )
    key_file: Path | None = setting(None, "Private key of that certificate")
    program: str = setting(
        "",
        "Program of the built-in broker: mosquitto or nats-server, or a path to one of them; empty: "
        "the nats-server that is installed with Benchweather",
    )
    store_mb: int = setting(
        4096,
        "Most that the built-in broker keeps while readings cannot be stored",
        "MB",
        ge=64,
        le=1_000_000,
    )
    sync_s: float = setting(
        0.0,
        "Period at which the built-in nats-server writes to the disk; 0: before it acknowledges a "
        "message. A longer one is faster, for hundreds of messages a second, but a power cut can lose "
        "what was not written; mosquitto does not use it",
        "s",
        ge=0,
        le=60,
    )
    client_id: str = setting(
        "",
        "MQTT client id of the service's session; empty: one that nobody can guess, made at the first "
        "start and kept. Anyone who knows it can take over the session",
        "",
        max_length=60,
    )
    group: str = setting(
        "",
        "Name of the group in which the service and ingest workers share the readings of an outside "
        "broker, the same on every computer; empty: the service reads alone",
        "",
        max_length=40,
    )
    anonymous_sensors: Literal["auto", "yes", "no"] = setting(
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

    @field_validator("group")
    @classmethod
    def _one_level(cls, value: str) -> str:
        if not all(c.isascii() and (c.isalnum() or c in "-_") for c in value):
            raise ValueError("must be letters without accents, digits, - or _, or empty")
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
        return host(value)

    @field_validator("url")
    @classmethod
    def _mqtt_url(cls, value: str) -> str:
        return mqtt_url(value) if value else value


class Board(BaseModel):
    """The board's address and display."""

    model_config = STRICT
    host: str = setting("127.0.0.1", "Address the board listens on")
    port: int = setting(8050, "Port the board listens on", "", ge=1, le=65535)
    names: list[str] = setting([], "Further host names under which the board can be opened")

    trusted_proxy: str = setting(
        "",
        "Address of the reverse proxy before the board, such as 127.0.0.1: its X-Forwarded headers are "
        "believed; empty: none",
    )

    @field_validator("host")
    @classmethod
    def _host(cls, value: str) -> str:
        return host(value)

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
        return [host(name) for name in value]

    cert_file: Path | None = setting(
        None, "The board's TLS certificate with its chain, as a PEM file; empty: plain HTTP"
    )
    key_file: Path | None = setting(
        None, "Private key of the board's certificate, as a PEM file without a passphrase"
    )
    temperature_unit: Literal["auto", "C", "F"] = setting(
        "auto",
        "Temperature unit on screen: C, F, or auto for the browser's language; F also shows water in "
        "US gal and fl oz",
    )
    password: SecretStr = setting(
        SecretStr(""),
        "The shop's password: anyone who enters it, without a name, may do everything; empty: there is "
        "none, and only people who sign in and browsers that opened a link of `benchweather board` may "
        "change things",
    )
    readers: Literal["anyone", "signed-in"] = setting(
        "anyone",
        "Who can read the board: anyone who reaches it, or only browsers that are signed in",
    )
    metrics: Literal["this-computer", "network"] = setting(
        "this-computer",
        "Who can read /metrics: programs on this computer, or also others with a token or a session",
    )
    session_days: float = setting(
        30.0, "Days after which a browser must sign in again", "", gt=0, le=400
    )
    session_idle_days: float = setting(
        14.0, "Days without use after which a browser must sign in again", "", gt=0, le=400
    )
    stale_after_s: float = setting(300.0, "A reading older than this is shown as old", "s", gt=0)
