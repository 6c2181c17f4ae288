"""The CSV of what Past shows, at stored resolution, as a stream."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import flask
import numpy as np

from dashboard.data.shop import CSV_ROWS_MAX
from dashboard.ui import formats
from monitor.core.csv_text import CsvWriter
from monitor.core.errors import StoreFault
from monitor.core.measurements import MEASURES
from monitor.science.registry import DERIVED

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.data.records import DownloadRows
    from dashboard.data.shop import ShopData
    from dashboard.ui.formats import Unit

BLOCK = 5_000
"""Rows formatted at a time."""


def register(app: Dash, shop: ShopData) -> None:
    """Hang the download into the app's server."""
    app.server.add_url_rule("/past.csv", "past_csv", lambda: answer(shop))


def words(rows: int) -> str:
    """Describe a download before it is started. `rows` may be off by an hour's readings."""
    if rows > CSV_ROWS_MAX:
        return f" – the newest {_count(CSV_ROWS_MAX)} of about {_count(rows)} readings as stored"
    return f" – about {_count(rows)} readings as stored, times in UTC and local"


def _count(n: int) -> str:
    return f"{n:,}".replace(",", " ")


def answer(shop: ShopData) -> flask.Response:
    """The file that the query asks for, or a plain sentence on what is wrong with it."""
    asked = flask.request.args
    quantity = asked.get("quantity", "")
    start, end = asked.get("start", "", str), asked.get("end", "", str)
    if quantity not in MEASURES and quantity not in DERIVED:
        return _refused(f"There is no quantity {quantity!r}.")
    if not (_is_time(start) and _is_time(end)) or int(start) >= int(end):
        return _refused("start and end must be milliseconds since 1970-01-01 UTC, start first.")
    wanted = asked.get("places", "").split(",")
    try:
        with shop.reader() as reader:
            places = [place for place in shop.places(reader) if place.id in wanted]
        if not places:
            return _refused("None of these places has readings.")
        rows, _ = shop.stored(places, quantity, int(start), int(end))
    except StoreFault as exc:
        return flask.Response(f"{exc}\n", 503, mimetype="text/plain")
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
    zone = shop.settings.zone
    first = formats.local(int(start), zone).strftime("%Y-%m-%d")
    response = flask.Response(_lines(rows, unit, shop), mimetype="text/csv")
    response.headers["Content-Disposition"] = f'attachment; filename="{quantity}_{first}.csv"'
    return response


def _is_time(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 14


def _refused(sentence: str) -> flask.Response:
    return flask.Response(f"{sentence}\n", 400, mimetype="text/plain")


def _lines(rows: list[DownloadRows], unit: Unit, shop: ShopData) -> Iterator[str]:
    names = list(dict.fromkeys(name for part in rows for name in part.columns))
    heads = [f"{name} [{formats.scale(name, unit).unit}]" for name in names]
    yield _csv([["time_utc", "time_local", "place", "sensor", *heads]])
    for part in rows:
        place, sensor = part.place.id, part.sensor
        for i in range(0, len(part.at_ms), BLOCK):
            at = part.at_ms[i : i + BLOCK]
            utc = np.datetime_as_string(at.astype("M8[ms]"), unit="ms").tolist()
            local = formats.iso_local(at, shop.settings.zone)
            columns = [_column(part.columns[name][i : i + BLOCK], name, unit) for name in names]
            yield _csv(
                [f"{u}Z", loc, place, sensor, *values]
                for u, loc, *values in zip(utc, local, *columns, strict=True)
            )


def _column(values: np.ndarray, name: str, unit: Unit) -> list[str]:
    how = formats.scale(name, unit)
    shown = (values * how.factor + how.offset).tolist()
    return ["" if value != value else f"{value:.6g}" for value in shown]


def _csv(rows: Iterable[list[str]]) -> str:
    out = io.StringIO()
    CsvWriter(out).rows(rows)
    return out.getvalue()
