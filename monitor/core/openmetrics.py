"""Text of the OpenMetrics format, version 1.0, for programs that watch other programs.

References
----------
OpenMetrics specification, version 1.0 (2020). From memory; `tests/board/test_health.py` reads the text
with a parser of the format.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal, NamedTuple

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
Kind = Literal["counter", "gauge", "info", "stateset", "summary"]
_NAMES = {"counter": "_total", "info": "_info"}
"""Ending of the names of samples, where the kind has one of its own."""


class Sample(NamedTuple):
    """A value with its labels. `ending`: of its name, beyond that of its kind."""

    value: float
    labels: Mapping[str, str] = {}
    ending: str = ""


class Family(NamedTuple):
    """Samples of one name. `unit` is also the end of the name."""

    name: str
    kind: Kind
    help: str
    samples: list[Sample]
    unit: str = ""


def text(families: Iterable[Family]) -> str:
    """The families as one text; one without samples is left out."""
    lines: list[str] = []
    for one in families:
        if not one.samples:
            continue
        lines.append(f"# TYPE {one.name} {one.kind}")
        if one.unit:
            lines.append(f"# UNIT {one.name} {one.unit}")
        lines.append(f"# HELP {one.name} {_escaped(one.help)}")
        name = one.name + _NAMES.get(one.kind, "")
        for value, labels, ending in one.samples:
            pairs = ",".join(f'{label}="{_escaped(given)}"' for label, given in labels.items())
            lines.append(f"{name}{ending}{f'{{{pairs}}}' if pairs else ''} {value!r}")
    return "\n".join([*lines, "# EOF", ""])


def _escaped(given: str) -> str:
    return given.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
