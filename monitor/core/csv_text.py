"""CSV as every export writes it: no text becomes a formula in a spreadsheet, and numbers stay numbers.

A text that begins like a formula gets an apostrophe before it; `restored` takes it away again, so
that our own readers get each text back. Nothing else in the product may make a CSV writer.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from typing import IO, Any

_FORMULA = re.compile(r"'*(?:[\t\r\n]|\s*[=+\-@＝＋－＠])")
"""Beginnings that a spreadsheet may calculate; the last four are full-width signs."""
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_PLAIN_STARTS = frozenset("0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")


def defused(text: str) -> str:
    """A text that no spreadsheet takes for a formula; numbers, also negative ones, as they are.

    Examples
    --------
    >>> [defused(text) for text in ("=1+2", "-4.2", "-a", "bench", "'=1+2")]
    ["'=1+2", '-4.2', "'-a", 'bench', "''=1+2"]
    """
    if text[:1] in _PLAIN_STARTS or not _FORMULA.match(text) or _NUMBER.fullmatch(text):
        return text
    return f"'{text}"


def restored(text: str) -> str:
    """The text of which `defused` made this.

    Examples
    --------
    >>> [restored(text) for text in ("'=1+2", "-4.2", "'quoted'", "''=1+2")]
    ['=1+2', '-4.2', "'quoted'", "'=1+2"]
    """
    return text[1:] if text[:1] == "'" and _FORMULA.match(text) else text


class CsvWriter:
    """Writer of rows whose texts are defused.

    Parameters
    ----------
    out : text file
    line_end : str
        CR LF after RFC 4180 unless a reader wants otherwise.
    delimiter : str
    """

    def __init__(self, out: IO[str], *, line_end: str = "\r\n", delimiter: str = ",") -> None:
        self._writer = csv.writer(out, lineterminator=line_end, delimiter=delimiter)

    def row(self, cells: Iterable[Any]) -> None:
        """Write one row of texts and numbers."""
        self._writer.writerow([defused(c) if isinstance(c, str) else c for c in cells])

    def rows(self, rows: Iterable[Iterable[Any]]) -> None:
        """Write rows of texts and numbers."""
        for cells in rows:
            self.row(cells)
