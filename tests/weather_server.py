"""A weather service of the tests' own on loopback, and answers made by hand to the documented
schemas of the services there is an adapter for."""

from __future__ import annotations

import contextlib
import gzip
import json
import ssl
import time
from collections.abc import Iterator, Sequence
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import NamedTuple

from monitor.core.clock import from_ms

HOUR = 3_600_000
NOW = 1_768_050_300_000
"""2026-01-10 13:05 UTC."""
SECRET = "sesame-Sw0rd"


class Reply(NamedTuple):
    """What the server answers. `how`: whole, cut (the body breaks off), drip (a byte at a time),
    silent (nothing)."""

    body: bytes = b""
    status: int = 200
    headers: dict[str, str] = {}  # noqa: RUF012 - never changed
    how: str = "whole"


class Ask(NamedTuple):
    path: str
    headers: dict[str, str]


class WeatherServer:
    """Gives the replies in turn, the last again and again; one by path where there is one."""

    def __init__(self, clock_ms: int = NOW) -> None:
        self.clock_ms = clock_ms
        self.asks: list[Ask] = []
        self.replies: list[Reply] = []
        self.by_path: dict[str, Reply] = {}
        self.scheme = "http"

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.server.server_port}"

    @property
    def paths(self) -> list[str]:
        return [ask.path for ask in self.asks]

    def answers(self, *replies: Reply) -> None:
        self.replies = list(replies)

    @contextlib.contextmanager
    def open(self, pem: Path | None = None) -> Iterator[WeatherServer]:
        own = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                own.asks.append(Ask(self.path, dict(self.headers)))
                reply = own.by_path.get(self.path.partition("?")[0]) or own._next()
                self.close_connection = True
                with contextlib.suppress(OSError):  # whoever asked may have gone
                    self._send(reply)

            def _send(self, reply: Reply) -> None:
                if reply.how == "silent":
                    time.sleep(60)
                    return
                self.send_response_only(reply.status)
                for name, value in {
                    "Date": formatdate(own.clock_ms / 1000, usegmt=True),
                    "Connection": "close",
                    **reply.headers,
                }.items():
                    self.send_header(name, value)
                if reply.status != 304 and "Transfer-Encoding" not in reply.headers:
                    self.send_header("Content-Length", str(len(reply.body)))
                self.end_headers()
                if reply.how == "drip":
                    for i in range(len(reply.body)):
                        self.wfile.write(reply.body[i : i + 1])
                        time.sleep(0.05)
                else:
                    self.wfile.write(
                        reply.body[: len(reply.body) // 2 if reply.how == "cut" else None]
                    )

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        if pem is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(pem)
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
            self.scheme = "https"
        self.server.daemon_threads, self.server.block_on_close = True, False
        Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()
        try:
            yield self
        finally:
            self.server.shutdown()
            self.server.server_close()

    def _next(self) -> Reply:
        return self.replies.pop(0) if len(self.replies) > 1 else self.replies[0]


def stamp(ms: int, form: str = "%Y-%m-%dT%H:%M:%SZ") -> str:
    return from_ms(ms).strftime(form)


def as_json(document: object, **more: object) -> Reply:
    return Reply(json.dumps(document).encode(), **more)


def zipped(document: object, **more: object) -> Reply:
    body = gzip.compress(json.dumps(document).encode())
    return Reply(body, headers={"Content-Encoding": "gzip"}, **more)


def met(
    *,
    issued: int = NOW - 60_000,
    start: int = NOW - NOW % HOUR,
    temps: Sequence[float | None] = tuple(-4.0 + 0.1 * i for i in range(60)),
    rh: float = 78.0,
    dew: Sequence[float | None] | None = None,
    at: tuple[float, float] = (60.1, 10.0),
    units: dict[str, str] | None = None,
    steps: Sequence[int] | None = None,
) -> dict:
    """Source: the service's documentation of its point forecast (GeoJSON, complete), by hand.
    Second-hand: the documentation itself was not at hand."""
    series = []
    for i, temp in enumerate(temps):
        details = {"air_pressure_at_sea_level": 1020.5, "wind_speed": 2.5, "relative_humidity": rh}
        if temp is not None:
            details["air_temperature"] = temp
        if dew is not None and dew[i] is not None:
            details["dew_point_temperature"] = dew[i]
        when = start + HOUR * (steps[i] if steps else i)
        series.append(
            {
                "time": stamp(when),
                "data": {
                    "instant": {"details": details},
                    "next_1_hours": {"details": {"precipitation_amount": 0.0}},
                },
            }
        )
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [at[1], at[0], 267]},
        "properties": {
            "meta": {
                "updated_at": stamp(issued),
                "units": {
                    "air_temperature": "celsius",
                    "relative_humidity": "%",
                    "wind_speed": "m/s",
                    "dew_point_temperature": "celsius",
                    "air_pressure_at_sea_level": "hPa",
                    **(units or {}),
                },
            },
            "timeseries": series,
        },
    }


def nws_points(base: str) -> dict:
    """Source: the service's OpenAPI document, `/points`, by hand; second-hand as above."""
    grid = f"{base}/gridpoints/ABC/31,80"
    return {"properties": {"forecastGridData": grid, "forecastHourly": f"{grid}/forecast/hourly"}}


def nws_grid(
    *, issued: int = NOW - 600_000, start: int = NOW - NOW % HOUR, wild: bool = False
) -> dict:
    """Source: the service's OpenAPI document, `/gridpoints`, by hand; second-hand as above."""

    def runs(values: Sequence[float | None], hours: int) -> list[dict]:
        return [
            {
                "validTime": f"{stamp(start + i * hours * HOUR, '%Y-%m-%dT%H:%M:%S+00:00')}/PT{hours}H",
                "value": value,
            }
            for i, value in enumerate(values)
        ]

    temps = [-4.4 + i for i in range(16)]
    if wild:
        temps[7] = 9999.0
    return {
        "properties": {
            "updateTime": stamp(issued, "%Y-%m-%dT%H:%M:%S+00:00"),
            "temperature": {"uom": "wmoUnit:degC", "values": runs(temps, 3)},
            "dewpoint": {"uom": "wmoUnit:degC", "values": runs([-9.0, -8.0], 24)},
            "relativeHumidity": {"uom": "wmoUnit:percent", "values": []},
            "windSpeed": {"uom": "wmoUnit:km_h-1", "values": runs([18.0, None, 9.0, 3.6], 12)},
            "pressure": {"values": []},
        }
    }


def flat(*, hours: int = 60, short: int = 0, unit_time: int = 1000) -> dict:
    """Arrays side by side, as open services with flat answers write them."""
    start = NOW - NOW % HOUR
    return {
        "made": (NOW - 60_000) // unit_time,
        "hourly": {
            "time": [(start + i * HOUR) // unit_time for i in range(hours)],
            "temp": [20.0 + 0.5 * i for i in range(hours)],
            "rh": [80.0] * (hours - short),
        },
    }
