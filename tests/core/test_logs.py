"""The log: JSON on request, one object a line."""

from __future__ import annotations

import json
import logging
import sys
import threading
from datetime import UTC, datetime, timedelta

import pytest
from conftest import CLOCK_STEP_MS

from monitor.core import logs


@pytest.fixture
def lines(tmp_path, monkeypatch):
    """Lines that were logged so far, as objects."""
    root = logging.getLogger()
    before, level = root.handlers[:], root.level
    monkeypatch.setattr(sys, "excepthook", sys.excepthook)
    monkeypatch.setattr(threading, "excepthook", threading.excepthook)
    logs.set_up("outlook", file=tmp_path / "log", as_json=True)
    yield lambda: [json.loads(line) for line in (tmp_path / "log").read_text().splitlines()]
    logging.captureWarnings(capture=False)
    for handler in set(root.handlers) - set(before):
        root.removeHandler(handler)
        handler.close()
    root.setLevel(level)


def test_a_line_is_an_object_with_time_level_part_and_message(lines):
    step = timedelta(milliseconds=CLOCK_STEP_MS)
    before = datetime.now(UTC).replace(microsecond=0) - step
    logging.getLogger("monitor.readings").warning('refused topic=%r "%s"\nsecond', "a/b", "ü")
    (line,) = lines()
    at = datetime.fromisoformat(line.pop("time"))
    assert before <= at <= datetime.now(UTC) + step
    assert at.utcoffset().total_seconds() == 0
    assert line == {
        "level": "WARNING",
        "part": "outlook",
        "logger": "monitor.readings",
        "message": "refused topic='a/b' \"ü\"\nsecond",
    }


# Source: RFC 3339, 5.6. From memory: date-time with Z for UTC.
def test_the_time_is_the_records_in_utc(lines):
    record = logging.LogRecord("x", logging.INFO, "", 0, "m", None, None)
    record.created = 951_782_399.9996
    logging.getLogger().handle(record)
    assert lines()[0]["time"] == "2000-02-28T23:59:59.999Z"


def test_an_exception_is_one_field(lines):
    try:
        raise ValueError("no such\nplace")
    except ValueError:
        logging.getLogger("x").exception("job failed")
    (line,) = lines()
    assert line["message"] == "job failed"
    assert line["exception"].startswith("Traceback")
    assert line["exception"].endswith("ValueError: no such\nplace")


def test_what_nobody_catches_is_logged_too(lines):
    thread = threading.Thread(target=lambda: 1 / 0, name="sender")
    thread.start()
    thread.join()
    error = ValueError("at the end")
    sys.excepthook(ValueError, error, None)
    of_thread, last = lines()
    assert of_thread["message"] == "not caught thread=sender"
    assert "ZeroDivisionError" in of_thread["exception"]
    assert (last["level"], last["exception"]) == ("CRITICAL", "ValueError: at the end")
