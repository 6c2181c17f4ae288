"""Meaning of every table and column of the store, for who reads an export without this program."""

from __future__ import annotations

from monitor.core import formats

MS = "in ms since 1970-01-01 UTC"
_SERIES = {
    "series_id": "number of the series",
    "place": "place",
    "sensor": "sensor",
    "quantity": "temperature, humidity, pressure, surface_temperature or battery",
}
PARQUET = {
    "reading": (
        "Readings as the sensors sent them: corrections by calibration are not applied.",
        {
            **_SERIES,
            "unit": "unit of the value: °C, % (relative humidity or charge) or Pa",
            "measured_at": "time of the measurement, UTC",
            "value": "value",
        },
    ),
    "rollup": (
        "Readings of 10 minutes and of an hour, added up.",
        {
            **_SERIES,
            "unit": "unit of low, total and high",
            "begins_at": "beginning of the 10 minutes or the hour, UTC",
            "period_s": "length in s: 600 or 3600",
            "n": "number of readings",
            "low": "lowest value",
            "total": "sum of the values; divided by n it is the mean",
            "high": "highest value",
        },
    ),
}
"""Tables that are Parquet files, one for every month (UTC)."""
JSON: dict[str, tuple[str, dict[str, str]]] = {
    "series": ("Each quantity of each sensor at each place.", _SERIES),
    "tally": ("Totals since the start.", {"name": "what is counted", "n": "number"}),
    "delivered": (
        "Messages that came without a time, so that a repeat is known.",
        {
            "packet_id": "number of the MQTT packet",
            "digest": "checksum of the message; for packet 0 of each ingest the mark of a transaction",
        },
    ),
    "refused": (
        "Rejected messages.",
        {
            "refused_id": "number",
            "received_ms": f"time of arrival, {MS}",
            "topic": "MQTT topic",
            "payload": "content, at most its first 4096 bytes",
            "size": "length of the whole content in bytes",
            "reason": "why it was rejected",
        },
    ),
    "event": (
        "The history of the shop: waits, instruments, repairs, glue, sensors, alerts, settings.",
        {
            "event_id": "number, in the order of recording",
            "about": "what it is about: wait, instrument, repair, alert, sensor and so on",
            "subject": "which one of these",
            "recorded_ms": f"time of recording, {MS}",
            "by": "who did it",
            "action": "what was done",
            "body": "the details, as JSON; names end in their unit: _ms, _s, _c, _pct, _mm",
        },
    ),
    "command_done": (
        "Requests that were carried out, so that a repeat is known.",
        {
            "command_id": "id of the request",
            "recorded_ms": f"time of arrival, {MS}",
            "answer": "the answer, as JSON",
        },
    ),
    "latch": (
        "State of each rule of the alerts.",
        {"rule": "rule", "subject": "what it watches", "body": "state, as JSON"},
    ),
    "notice": (
        "Notices that were made.",
        {
            "notice_id": "id",
            "made_ms": f"time of making, {MS}",
            "not_before_ms": f"earliest time of sending, {MS}",
            "urgency": "1 take note, 2 act, 3 act now",
            "title": "first line",
            "text": "text",
        },
    ),
    "outbox": (
        "Sending of notices: one row for each channel.",
        {
            "entry_id": "number",
            "notice_id": "notice",
            "channel": "channel",
            "attempts": "number of tries",
            "next_try_ms": f"time of the next try, {MS}",
            "last_error": "why the last try failed; empty if it did not",
            "outcome": "how it ended; null while it waits",
            "ended_ms": f"time of the end, {MS}",
        },
    ),
    "forecast": (
        "Forecasts of the outdoor air, as they were issued.",
        {
            "forecast_id": "number",
            "source": "source",
            "issued_ms": f"time of issue, {MS}",
            "known_ms": f"time of arrival, {MS}",
            "latitude": "latitude in degrees, north positive",
            "longitude": "longitude in degrees, east positive",
            "notes": "notes, as JSON",
            "doubt": "why it is not trusted; empty if it is",
        },
    ),
    "forecast_hour": (
        "Hours of the forecasts.",
        {
            "forecast_id": "forecast",
            "valid_ms": f"time that it is for, {MS}",
            "temp_c": "temperature in °C",
            "rh_pct": "relative humidity in %",
            "wind_m_s": "wind in m/s",
            "pressure_pa": "air pressure in Pa",
        },
    ),
    "forecast_member": (
        "Members of the forecasts: 32-bit floats, little-endian, one for every hour of the forecast.",
        {
            "forecast_id": "forecast",
            "member": "number of the member, from 1",
            "temp_c": "temperatures in °C",
            "rh_pct": "relative humidities in %",
            "wind_m_s": "winds in m/s",
        },
    ),
    "forecast_asked": (
        "Last requests to the sources of forecasts.",
        {
            "source": "source",
            "tried_ms": f"time of the last try, {MS}",
            "next_ms": f"time of the next try, {MS}",
            "good_ms": f"time of the last good answer, {MS}",
            "failures": "number of failures since then",
            "trouble": "why the last try failed",
            "target": "what is asked for",
            "address": "address that the source gave",
            "addressed_ms": f"time from which that address is known, {MS}",
            "etag": "version of the last answer, as the source names it",
            "last_modified": "time of the last answer, as the source names it",
        },
    ),
    "client_sheet": (
        "Sheets of advice for clients: personal data.",
        {
            "sheet_id": "number",
            "client": "who the sheet is for",
            "made_ms": f"time of making, {MS}",
            "typed": "what was entered, as JSON",
            "advised": "what was advised, as JSON",
            "air": "air of the client's home, JSON compressed with zlib; empty if it was entered",
        },
    ),
    "shop_state": (
        "State of the shop after its last evaluation.",
        {
            "shop_state_id": "1",
            "made_ms": f"time of the evaluation, {MS}",
            "body": "open alerts and counts, as JSON",
        },
    ),
    "retention": (
        "Series whose older readings were deleted. Their rollups are kept.",
        {"series_id": "series", "until_ms": f"time before which, {MS}"},
    ),
    "lateness": (
        "How late messages came, by hour.",
        {
            "place": "place",
            "sensor": "sensor",
            "hour_ms": f"hour of arrival, {MS}",
            "least_ms": "shortest time from measurement to arrival, in ms",
        },
    ),
    "aside": (
        "Messages that were kept aside while the computer's clock was in doubt.",
        {
            "aside_id": "number",
            "received_ms": f"time of arrival by the computer's clock, {MS}",
            "steady_ms": f"time of arrival by a clock that does not jump, {MS}",
            "sensor": "place and sensor",
            "topic": "MQTT topic",
            "payload": "content",
            "readings": "number of readings in it",
            "outcome": "what became of it; null while it waits",
            "counter_ms": "time since the computer was started, in ms",
            "boot": "id of that start of the computer",
            "at_start": "1 if the clock was wrong at the start, 0 if it jumped",
            "ended_ms": f"time when it was taken in or dismissed, {MS}",
        },
    ),
    "newcomer": (
        "New places and sensors.",
        {
            "name": "place, or place/sensor",
            "first_ms": f"time of the first message, {MS}",
            "state": "whether it is admitted, waits or is refused",
            "unkept": "number of messages that were not kept",
        },
    ),
    "waiting": (
        "Messages of new sensors that wait to be admitted.",
        {
            "waiting_id": "number",
            "name": "place, or place/sensor",
            "received_ms": f"time of arrival, {MS}",
            "topic": "MQTT topic",
            "payload": "content",
            "readings": "number of readings in it",
        },
    ),
}
"""Tables that are files of JSON, one object a line."""
_HEAD = """\
This is everything that {shop} recorded with Benchweather until {until}, in open formats.
{demo}
readings/YYYY-MM.parquet and rollups/YYYY-MM.parquet are Apache Parquet files, one for every month (UTC).
tables/NAME.jsonl are text files in UTF-8, one JSON object a line. Bytes are written as
{{"base64": "..."}}. Times are UTC. settings.json has the settings and the places, without passwords; an
import does not use it. manifest.json has the number of rows and a checksum of every
table. The checksums are Benchweather's own: an import compares them.

Not in it: passwords, keys, people who may sign in, the log. A backup (benchweather backup) has those.
It has personal data: names in the history, and sheets for clients. Keep it safe.

With Benchweather:  benchweather store import THIS_FOLDER --data NEW_FOLDER
In Python:          pandas.read_parquet("readings"), pandas.read_json("tables/event.jsonl", lines=True)
"""


def readme(shop: str, made_ms: int, *, demo: bool) -> str:
    """The text for who reads an export: whose it is, and every table and column."""
    until = formats.utc(made_ms, "minutes")
    invented = "It is the demo: all data is invented.\n" if demo else ""
    parts = [_HEAD.format(shop=shop or "a shop", until=until, demo=invented)]
    for name, (what, columns) in (PARQUET | JSON).items():
        where = f"{name}s/YYYY-MM.parquet" if name in PARQUET else f"tables/{name}.jsonl"
        parts.append(f"\n{where}: {what}\n")
        parts += [f"  {column}: {meaning}\n" for column, meaning in columns.items()]
    return "".join(parts)
