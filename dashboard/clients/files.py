"""Files on the page of clients: a weather file, or what a client's own logger recorded.

The browser (`assets/clients.js`) hands the file over as it is; it is read in memory, and what comes
back is a year of air for the form. The file is not kept.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import flask
import numpy as np
from dash import html
from werkzeug.exceptions import RequestEntityTooLarge

from dashboard.server.replies import json_reply
from dashboard.ui import formats
from dashboard.ui.logger_fields import logger_fields
from dashboard.ui.markup import attributes
from monitor.clients import archive, weather_files
from monitor.clients.home_climate import HomeSources, hourly_log
from monitor.clients.weather_files import FILE_MAX
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash import Dash
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.settings import Settings

TEXTS = {
    "time": ("Time column; for two columns enter Date + Time", "time"),
    "format": ("Time format: iso, s, ms, or a pattern such as %d.%m.%Y %H:%M", "iso"),
    "temperature": ("Temperature column", "temperature"),
    "humidity": ("RH column", "humidity"),
}


def register(app: Dash, shop: ShopData) -> None:
    """Hang `/clients/file` into the app's server."""
    app.server.add_url_rule(
        "/clients/file/<what>", "clients_file", lambda what: answer(what, shop), methods=["POST"]
    )


def weather_layout() -> list[Component]:
    """Fields to choose a weather file."""
    return [
        html.P(
            "A year of weather at the client's home, as an EPW or TMY3 file.", className="aside"
        ),
        *_pick("weather", "Choose a weather file"),
    ]


def log_layout() -> list[Component]:
    """Fields to choose a logger's file and how to read it."""
    return [
        html.P(
            (
                "A CSV file of some weeks or more. Enter how it is written, then choose it. "
                "Times without a time zone are in the shop's time zone."
            ),
            className="aside",
        ),
        html.Div(logger_fields("client-log", TEXTS), className="fields"),
        *_pick("log", "Choose their logger's file"),
    ]


def _pick(what: str, words: str) -> list[Component]:
    data = attributes(data_client_file=what, data_most=str(FILE_MAX))
    return [
        html.Button(words, className="tap", **data),
        html.P(id=f"client-{what}-said", role="status"),
        html.P(id=f"client-{what}-fault", className="fault", role="alert"),
    ]


def answer(what: str, shop: ShopData) -> flask.Response:
    """Read an uploaded file. Return 200 with `air` and a message, else a `fault`.

    The message has the name `said`.
    """
    flask.request.max_content_length = FILE_MAX
    try:
        content = flask.request.get_data()
    except RequestEntityTooLarge:
        return json_reply(413, fault=f"The file is larger than {FILE_MAX // 1_000_000} MB.")
    form = flask.request.args
    name = form.get("name", "")[:80] or "The file"
    try:
        if what == "weather":
            air, message = _weather(content, name)
        elif what == "log":
            air, message = _log(content, name, form, shop.settings)
        else:
            return json_reply(404, fault="There is nothing here.")
    except (MonitorError, ValueError) as exc:
        return json_reply(422, fault=f"{exc}.".replace("..", "."))
    return json_reply(200, air=archive.packed(air), said=message)


def _weather(content: bytes, name: str) -> tuple[HomeSources, str]:
    year = weather_files.read(content, name)
    return HomeSources(
        outdoors=year.outdoors, station=year.name
    ), f"{name}: a year at {year.name}."


def _log(
    content: bytes, name: str, form: Mapping[str, str], settings: Settings
) -> tuple[HomeSources, str]:
    from monitor.readings.csv_import import Column, ImportPlan, read_csv  # brings pandas in

    columns = tuple(
        Column.parse(f"{quantity}:{unit}:{form.get(quantity, '').strip()}")
        for quantity, unit in (("temperature", form.get("unit", "")), ("humidity", "%RH"))
    )
    delimiter = form.get("delimiter", ",")
    plan = ImportPlan(
        place="home",
        sensor="log",
        columns=columns,
        zone=settings.zone,
        time_columns=tuple(part.strip() for part in form.get("time", "").split("+")),
        time_format=form.get("format", "iso").strip(),
        decimal=form.get("decimal", "."),
        delimiter="\t" if delimiter == "tab" else delimiter,
    )
    found = read_csv(Path(name), plan, now_ms=now_ms(), content=content)
    times = np.concatenate([ts_ms for ts_ms, _ in found.values.values()])
    message = f"{name}: {formats.counted(found.lines, 'line')}"
    if len(times):
        first, last = (formats.local(t, settings.zone) for t in (times.min(), times.max()))
        message += f", {first.day} {first:%B %Y} to {last.day} {last:%B %Y}"
    message += "."
    if found.refused:
        line, reason = found.refused[0]
        message += f" {len(found.refused)} could not be read; line {line}: {reason}."
    values = {series.quantity: pair for series, pair in found.values.items()}
    return HomeSources(log=hourly_log(values, settings.zone)), message
