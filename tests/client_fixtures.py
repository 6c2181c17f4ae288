"""Invented clients' homes, weather files, and sheets that are kept."""

from __future__ import annotations

import functools
import importlib.util
import json
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.clients import archive
from monitor.clients.calculation import calculate_sheet
from monitor.clients.home_climate import HomeSources
from monitor.clients.request import read_sheet_request
from monitor.clients.sheet import sheet_of

# Source: files of the US National Renewable Energy Laboratory's solar radiation data base, TMY3,
# as packaged in pvlib/data. The means are those of the files' own columns.
GREENSBORO, SAND_POINT = "723170TYA.CSV", "703165TY.csv"
PARIS = ZoneInfo("Europe/Paris")
MADE_MS = 1_796_000_000_000
INLAND = {"temp.1": 21.0, "rh.1": 27.0, "out.1": -6.0, "temp.7": 24.0, "rh.7": 52.0}
EASY = {"temp.1": 21.0, "rh.1": 48.0, "temp.7": 23.0, "rh.7": 52.0}
"""A home in which nothing is needed: the quickest sheet, where its advice is not looked at."""
MEMBERS = 12
"""Ways a home and a case may be, where a test does not need more."""


def calculated(request, members=MEMBERS):
    """The calculation for what was typed; that of the same request is made once."""
    return _calculated(tuple(request.items()), members)


@functools.cache
def _calculated(typed, members):
    return calculate_sheet(read_sheet_request(dict(typed)), members=members)


def packaged(name: str) -> bytes:
    package = importlib.util.find_spec("pvlib")
    assert package is not None
    assert package.origin is not None
    return (Path(package.origin).parent / "data" / name).read_bytes()


def kept(writer, title, **more):
    """Keep the sheet of a request. Returns it."""
    airs, made_ms = more.pop("airs", HomeSources()), more.pop("at_ms", MADE_MS)
    worked = calculate_sheet(
        read_sheet_request({**EASY, **more, "title": title}), airs, members=MEMBERS
    )
    sheet = sheet_of(worked, "Kestrel Row Strings", made_ms, PARIS)
    archive.carry_out(writer, archive.keeping(worked, airs, sheet, made_ms))
    return sheet


def holding(folder, text):
    """The files of a folder in which a text stands, in any of the ways JSON may write it."""
    wanted = {text.encode(), json.dumps(text)[1:-1].encode()}
    files = [p for p in folder.rglob("*") if p.is_file()]
    return [p.name for p in files if any(w in p.read_bytes() for w in wanted)]
