"""Answers of the server that are not pages."""

from __future__ import annotations

import json
from typing import Any

import flask


def json_reply(status: int, **what: Any) -> flask.Response:
    """Answer to a script of a page, as JSON."""
    return flask.Response(json.dumps(what), status, mimetype="application/json")


def refused(sentence: str, status: int) -> flask.Response:
    """Answer to an address that cannot be served, as plain text."""
    return flask.Response(f"{sentence}\n", status, mimetype="text/plain")
