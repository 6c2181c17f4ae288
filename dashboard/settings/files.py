"""Files for the shop: readings of a logger are stored, a record is checked whether it is unchanged.

The browser (`assets/settings.js`) hands the file over as it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import flask
from dash import html
from werkzeug.exceptions import RequestEntityTooLarge

from dashboard.access.visitor import record
from dashboard.server.replies import json_reply
from dashboard.ui.logger_fields import logger_fields
from dashboard.ui.markup import attributes
from monitor.clients.weather_files import FILE_MAX
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError
from monitor.core.formats import counted, dated
from monitor.readings import file_import

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash import Dash
    from dash.development.base_component import Component

    from dashboard.data.settings import SettingsQueries
    from dashboard.data.shop import ShopData

FORM = "import-form"
TEXTS = {
    "place": ("Place", "bench"),
    "sensor": ("Name of the logger", "logger"),
    "time": ("Time column (for two columns: Date + Time)", "time"),
    "format": ("Time format: iso, s, ms, or a pattern such as %d.%m.%Y %H:%M", "iso"),
    "temperature": ("Temperature column (empty if there is none)", "temperature"),
    "humidity": ("RH column (empty if there is none)", "humidity"),
}


def register(app: Dash, shop: ShopData, book: SettingsQueries) -> None:
    """Hang `/settings/file` into the app's server."""
    app.server.add_url_rule(
        "/settings/file/<what>",
        "settings_file",
        lambda what: answer(what, shop, book),
        methods=["POST"],
    )


def parts() -> list[Any]:
    """Fields and taps for both kinds of file."""
    return [
        html.H2("Readings of a logger"),
        html.P(
            "Describe the CSV file here, then choose it. You see what would be stored. A second tap "
            "stores it. Times without a time zone are in the shop's time zone. "
            "Readings already stored are skipped."
        ),
        html.Div(logger_fields("import", TEXTS), className="fields", id=FORM),
        *_pick("import", "Choose a logger's file"),
        html.H2("Check a record"),
        html.P(
            "Choose a record of an instrument's air (PDF or CSV). Benchweather checks that it is "
            "unchanged since this shop made it."
        ),
        *_pick("record", "Choose a record"),
    ]


def _pick(what: str, words: str) -> list[Component]:
    data = attributes(data_settings_file=what, data_most=str(FILE_MAX))
    return [
        html.Div(
            [
                html.Button(words, className="tap", type="button", **data),
                html.Button(
                    "Store these readings",
                    className="tap main",
                    type="button",
                    hidden=True,
                    id=f"file-{what}-store",
                    **attributes(data_settings_store=what),
                ),
            ],
            className="taps",
        ),
        html.P(id=f"file-{what}-said", role="status"),
        html.P(id=f"file-{what}-fault", className="fault", role="alert"),
    ]


def answer(what: str, shop: ShopData, book: SettingsQueries) -> flask.Response:
    """Answer to an uploaded file: 200 with the result in words, else a fault."""
    flask.request.max_content_length = FILE_MAX
    try:
        content = flask.request.get_data()
    except RequestEntityTooLarge:
        return json_reply(413, fault=f"The file is larger than {FILE_MAX // 1_000_000} MB.")
    form = flask.request.args
    try:
        if what == "record":
            return json_reply(200, said=book.record_words(content))
        if what != "import":
            return json_reply(404, fault="There is nothing here.")
        if form.get("store") == "yes":
            return json_reply(200, said=_stored(content, form, shop))
        return json_reply(200, said=_found(content, form, shop), storable=True)
    except (MonitorError, ValueError) as exc:
        return json_reply(422, fault=f"{exc}.".replace("..", "."))


def _found(content: bytes, form: Mapping[str, str], shop: ShopData) -> str:
    """Readings that a file would bring, in words."""
    found = file_import.read_file(content, form, shop.settings.zone, now_ms())
    if not found.total:
        raise ValueError(
            f"no reading was found in {counted(found.lines, 'line')}"
            + "".join(f"; line {line}: {reason}" for line, reason in found.refused[:1])
        )
    times = [t for ts_ms, _ in found.values.values() if len(ts_ms) for t in (ts_ms[0], ts_ms[-1])]
    zone, now = shop.settings.zone, now_ms()
    span = " to ".join(dated(int(t), now, zone) for t in (min(times), max(times)))
    text = f"{counted(found.lines, 'line')}, {counted(found.total, 'reading')}, {span}."
    if found.refused:
        line, reason = found.refused[0]
        text += f" {len(found.refused)} cannot be read; line {line}: {reason}."
    return f"{text} Nothing is stored yet."


def _stored(content: bytes, form: Mapping[str, str], shop: ShopData) -> str:
    """Store a file by the service; return the result in words."""
    fields = {field: form.get(field, "") for field in file_import.FIELDS}
    try:
        done = file_import.ask_to_store(shop.settings, content, fields)
    except OSError as exc:
        raise ValueError(f"the file cannot be kept: {exc.strerror}") from exc
    record(
        "import", f"{counted(done['new'], 'reading')} as {form.get('place')}/{form.get('sensor')}"
    )
    again = f" Stored already: {done['repeated']}." if done["repeated"] else ""
    lost = f" Not readable: {counted(done['rejected'], 'line')}." if done["rejected"] else ""
    return f"{counted(done['new'], 'reading is', 'readings are')} stored.{again}{lost}"
