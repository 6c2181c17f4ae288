"""Output of commands: sentences, tables for a screen or a pipe, and JSON."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from rich import box
from rich.console import Console
from rich.table import Table

from monitor.core import formats
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.settings import Settings

UNCUT = 10_000
"""Columns of output that is not a screen: enough for any line."""
NAME_MAX = 24
"""Longest name that a table's first column never breaks. [characters]"""


def _width(stream: TextIO) -> int | None:
    """Width of a stream's text; None: as wide as `COLUMNS` or the terminal."""
    return None if stream.isatty() or "COLUMNS" in os.environ else UNCUT


class _Lines(Console):
    """A console that prints text as it is: no markup, no colour of numbers, and no line breaks of
    its own where nobody reads a screen."""

    def print(self, *objects: Any, **options: Any) -> None:
        """Print, with whole lines left whole in a pipe."""
        super().print(*objects, **{"highlight": False, "soft_wrap": not self.on_screen} | options)

    @property
    def on_screen(self) -> bool:
        """True if text is laid out for a screen: a terminal, or a width in `COLUMNS`."""
        return self.file.isatty() or "COLUMNS" in os.environ


out, err = (
    _Lines(stderr=is_err, markup=False, emoji=False, width=_width(stream))
    for is_err, stream in ((False, sys.stdout), (True, sys.stderr))
)


def print_table(heads: Sequence[str], rows: Iterable[Sequence[str]], title: str = "") -> None:
    """Print rows as a table on a screen, and as tab-separated lines in a pipe.

    On a screen every word is shown: long ones are folded, never cut. In a pipe a line break within
    a cell becomes "; ".
    """
    rows = [tuple(map(str, row)) for row in rows]
    if not out.on_screen:
        if title:
            print(title, file=out.file)
        for row in (heads, *rows):
            cells = ("; ".join(filter(None, c.split("\n"))).replace("\t", " ") for c in row)
            print("\t".join(cells), file=out.file)
        return
    table = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        show_edge=False,
        title=title or None,
        title_justify="left",
    )
    for i, head in enumerate(heads):
        longest = max((len(line) for row in rows for line in row[i].split("\n")), default=0)
        table.add_column(head, overflow="fold", no_wrap=i == 0 and longest <= NAME_MAX)
    for row in rows:
        table.add_row(*row)
    out.print(table)


def print_json(value: Any) -> None:
    """Print data as JSON."""
    print(json.dumps(plain(value), ensure_ascii=False, indent=1), file=out.file)


def plain(value: Any) -> Any:
    """Data as JSON has them: times in ISO 8601 UTC under `..._at`, NaN as null."""
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value):
        return plain({f.name: getattr(value, f.name) for f in fields(value)})
    if (names := getattr(value, "__struct_fields__", None)) is not None:
        return plain({name: getattr(value, name) for name in names})
    if hasattr(value, "_asdict"):
        return plain(value._asdict())
    if isinstance(value, Mapping):
        return dict(_item(str(name), item) for name, item in value.items())
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if isinstance(value, Path):
        return str(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _item(name: str, value: Any) -> tuple[str, Any]:
    if not name.endswith("_ms"):
        return name, plain(value)
    return f"{name.removesuffix('_ms')}_at", _iso(value)


def _iso(value: Any) -> Any:
    """A time, or several, in ISO 8601 UTC."""
    if isinstance(value, list | tuple):
        return [_iso(one) for one in value]
    if not isinstance(value, int):
        return None if value is None else plain(value)
    return formats.utc(value, "auto")


def local(ms: int | None, zone: ZoneInfo, empty: str = "") -> str:
    """A day and time in a zone: 2026-01-31 14:30."""
    return empty if ms is None else formats.numeric(ms, zone)


def when(ms: int | None, settings: Settings, empty: str = "not known") -> str:
    """A time in the shop's zone: 14:05 today, else with its day."""
    return empty if ms is None else formats.brief(ms, now_ms(), settings.zone)


def printable(text: str) -> str:
    """Text without characters that could move a terminal's cursor: anybody may have sent it."""
    return "".join(c if c.isprintable() else " " for c in text)
