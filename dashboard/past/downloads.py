"""The CSV of what Past shows, at stored resolution, as a stream."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import flask
import numpy as np
from dash import html

from dashboard.data import histories
from dashboard.data.histories import CSV_ROWS_MAX
from dashboard.past.selection import is_time, named_file
from dashboard.ui import formats
from monitor.core.csv_text import CsvWriter
from monitor.core.errors import StoreFault
from monitor.core.measurements import MEASURES
from monitor.science.registry import DERIVED

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component
    from numpy.typing import NDArray

    from dashboard.data.records import DownloadRows
    from dashboard.data.shop import ShopData
    from dashboard.ui.formats import Unit
    from monitor.domain.places import Place

FORMS = ("long", "wide")
BLOCK = 5_000
"""Rows formatted at a time."""


def register(app: Dash, shop: ShopData) -> None:
    """Hang the download into the app's server."""
    app.server.add_url_rule("/past.csv", "past_csv", lambda: answer(shop))


def words(rows: int) -> str:
    """Describe a download before it is started. `rows` may be off by an hour's readings."""
    found = formats.counted(rows, "reading")
    if rows > CSV_ROWS_MAX:
        return f" – the newest {formats.grouped(CSV_ROWS_MAX)} of about {found} as stored"
    return f" – about {found} as stored, times in UTC and local"


def links(
    places: Sequence[Place],
    quantity: str,
    start_ms: int,
    end_ms: int,
    rows: int,
    about: str | None = None,
) -> list[Component | str]:
    """Links to the files of a span, one reading a line or one moment a line; none without rows.

    `about`: words on the file where `rows` does not count its readings.
    """
    if not rows:
        return []
    query = {
        "places": ",".join(p.id for p in places),
        "quantity": quantity,
        "start": start_ms,
        "end": end_ms,
    }
    long = html.A("Download as CSV", href=f"/past.csv?{urlencode(query)}")
    wide = html.A("one column a sensor", href=f"/past.csv?{urlencode(query | {'form': 'wide'})}")
    return [long, words(rows) if about is None else about, "; or ", wide]


def answer(shop: ShopData) -> flask.Response:
    """The file that the query asks for, or a plain sentence on what is wrong with it."""
    asked = flask.request.args
    quantity = asked.get("quantity", "")
    start, end = asked.get("start", "", str), asked.get("end", "", str)
    if quantity not in MEASURES and quantity not in DERIVED:
        return _refused(f"There is no quantity {quantity!r}.")
    if not (is_time(start) and is_time(end)) or int(start) >= int(end):
        return _refused("start and end must be milliseconds since 1970-01-01 UTC, start first.")
    form = asked.get("form", "long")
    if form not in FORMS:
        return _refused("form must be long (a line for each reading) or wide (a column a sensor).")
    wanted = asked.get("places", "").split(",")
    try:
        with shop.reader() as reader:
            places = [place for place in shop.places(reader) if place.id in wanted]
        if not places:
            return _refused("None of these places has readings.")
        rows, _ = histories.stored(shop, places, quantity, int(start), int(end))
    except StoreFault as exc:
        return flask.Response(f"{exc}\n", 503, mimetype="text/plain")
    unit = formats.unit_of(shop.settings)
    zone = shop.settings.zone
    name = named_file([p.id for p in places], quantity, int(start), int(end), zone)
    lines = _lines if form == "long" else _wide_lines
    response = flask.Response(lines(rows, unit, shop), mimetype="text/csv")
    response.headers["Content-Disposition"] = f'attachment; filename="{name}_{form}.csv"'
    return response


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


def _wide_lines(rows: list[DownloadRows], unit: Unit, shop: ShopData) -> Iterator[str]:
    """A line for each moment; each quantity of each sensor has a column, empty without a reading."""
    columns = [
        (f"{part.place.id} {part.sensor} {name} [{formats.scale(name, unit).unit}]", part, name)
        for part in rows
        for name in part.columns
    ]
    yield _csv([["time_utc", "time_local", *(head for head, _, _ in columns)]])
    moments = np.unique(np.concatenate([part.at_ms for part in rows]))
    for i in range(0, len(moments), BLOCK):
        at = moments[i : i + BLOCK]
        texts = [_at(at, part, part.columns[name], name, unit) for _, part, name in columns]
        utc = np.datetime_as_string(at.astype("M8[ms]"), unit="ms").tolist()
        local = formats.iso_local(at, shop.settings.zone)
        yield _csv(
            [f"{u}Z", loc, *values] for u, loc, *values in zip(utc, local, *texts, strict=True)
        )


def _at(
    at_ms: NDArray[np.int64],
    part: DownloadRows,
    values: NDArray[np.float64],
    name: str,
    unit: Unit,
) -> list[str]:
    """Values of a sensor at some moments as text, empty where it has none."""
    found = np.full(len(at_ms), np.nan)
    _, here, there = np.intersect1d(at_ms, part.at_ms, return_indices=True)
    found[here] = values[there]
    return _column(found, name, unit)


def _column(values: np.ndarray, name: str, unit: Unit) -> list[str]:
    how = formats.scale(name, unit)
    shown = (values * how.factor + how.offset).tolist()
    return ["" if value != value else f"{value:.6g}" for value in shown]


def _csv(rows: Iterable[list[str]]) -> str:
    out = io.StringIO()
    CsvWriter(out).rows(rows)
    return out.getvalue()
