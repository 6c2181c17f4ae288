"""`benchweather licences`: the licence of each package that was installed with Benchweather."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib import metadata
from typing import NamedTuple

from monitor.cli.output import print_json, print_table
from monitor.cli.shared import Json

OWN = "benchweather"
_NAME = re.compile(r"\s*([A-Za-z0-9][A-Za-z0-9._-]*)")
_EXTRA = re.compile(r"extra\s*==\s*[\"']([^\"']+)[\"']")
_FOR_WORK = ("test", "dev")
"""Extras that only people who change the code install."""
_VAGUE = ("", "UNKNOWN", "Dual License", "OSI Approved")
BUNDLED = (
    ("plotly.js (basic)", "MIT", "dashboard/assets/plotly-basic.LICENSE.txt"),
    ("Atkinson Hyperlegible Next, web", "OFL-1.1", "dashboard/assets/fonts/LICENSE.txt"),
    ("Atkinson Hyperlegible Next, print", "OFL-1.1", "monitor/clients/fonts/LICENSE.txt"),
)
"""Files of others in our own package: name, licence and the file with its text."""


class Licence(NamedTuple):
    """Licence of a package, as its metadata states it; empty where it states none."""

    package: str
    version: str
    licence: str
    source: str
    """Field of the metadata, or file, that states it."""


def installed() -> list[Licence]:
    """Licences of Benchweather, of all packages that it needs and that are installed, and of the
    files of others within it, by name."""
    found: dict[str, Licence] = {}
    waiting = [OWN]
    while waiting:
        name = _plain(waiting.pop())
        if name in found:
            continue
        try:
            about = metadata.distribution(name)
        except metadata.PackageNotFoundError:
            continue  # for another system, or an extra that is not installed
        found[name] = Licence(about.metadata["Name"], about.version, *_stated(about.metadata))
        waiting += _needed(about, own=name == OWN)
    bundled = [Licence(name, "", licence, file) for name, licence, file in BUNDLED]
    return [*(found[name] for name in sorted(found)), *bundled]


def licences(as_json: Json = False) -> None:
    """Show the licence of each installed package that Benchweather uses, as the package states it."""
    rows = installed()
    if as_json:
        print_json([row._asdict() for row in rows])
    else:
        print_table(
            ("package", "version", "licence", "stated in"),
            [(row.package, row.version, row.licence or "not stated", row.source) for row in rows],
        )


def _plain(name: str) -> str:
    """A package's name as it is compared."""
    return re.sub(r"[-_.]+", "-", name).lower()


def _needed(about: metadata.Distribution, *, own: bool) -> Iterator[str]:
    """Names that a package requires; of extras, only our own that users install."""
    for line in about.requires or []:
        extra = _EXTRA.search(line)
        if extra and (not own or extra[1] in _FOR_WORK):
            continue
        if name := _NAME.match(line):
            yield name[1]


def _stated(about: metadata.PackageMetadata) -> tuple[str, str]:
    """Licence and the field that states it: an expression, else classifiers, else a line of text."""
    if "License-Expression" in about:
        return about["License-Expression"], "License-Expression"
    classifiers = [
        str(line).rpartition(" :: ")[2]
        for line in about.get_all("Classifier") or []
        if str(line).startswith("License ::")
    ]
    named = [one for one in classifiers if one not in _VAGUE]
    if named:
        return " or ".join(named), "Classifier"
    texts = about.get_all("License") or [""]
    first = next((line.strip() for line in str(texts[0]).splitlines() if line.strip()), "")
    return ("", "") if first in _VAGUE else (first[:80], "License")
