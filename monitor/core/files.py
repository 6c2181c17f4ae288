"""Files that somebody else wrote, read within limits: plain files only, of a size that is allowed."""

from __future__ import annotations

import os
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, TextIO

from monitor.core.errors import MonitorError

SETTINGS_MAX = 300_000
"""Largest file of settings. [bytes]"""
TABLE_MAX = 500_000_000
"""Largest table of readings: about ten years of one sensor's readings each minute. [bytes]"""
LINE_MAX = 100_000
"""Longest line of a table. [characters]"""
COLUMNS_MAX = 1_000
"""Most columns of a table."""
DOTS_MAX = 200
"""Most dots in a line of settings."""
NESTED_MAX = 20
"""Deepest nesting of settings."""
_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


class FileFault(MonitorError, ValueError):
    """A file that cannot be read as asked: what it is, and what is allowed."""


def size_text(size: int) -> str:
    """A size in words.

    Examples
    --------
    >>> size_text(8_000_000), size_text(12_345)
    ('8 MB', '12.3 kB')
    """
    for unit, factor in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size >= factor:
            return f"{size / factor:.3g} {unit}"
    return f"{size} bytes"


def open_plain(path: Path, most: int) -> BinaryIO:
    """A plain file opened to be read; a pipe or a device is never waited for.

    Raises
    ------
    FileFault
        If it is something else, or larger than `most` [bytes].
    OSError
        If it is not there or cannot be read.
    """
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    except ValueError as exc:  # a zero byte in the name
        raise FileFault(f"{str(path)!r}: a file's name cannot have that character") from exc
    try:
        _check(os.fstat(handle), path, most)
    except FileFault:
        os.close(handle)
        raise
    return os.fdopen(handle, "rb")


def _check(state: os.stat_result, path: Path, most: int) -> None:
    for is_one, what in _KINDS:
        if is_one(state.st_mode):
            raise FileFault(f"{path} is {what}: must be a file")
    if state.st_size > most:
        raise FileFault(
            f"{path} has {size_text(state.st_size)}: must be at most {size_text(most)}"
        )


def read_content(path: Path, most: int) -> bytes:
    """All bytes of a plain file.

    Raises
    ------
    FileFault
        If it is something else, or larger than `most` [bytes].
    OSError
        If it is not there or cannot be read.
    """
    with open_plain(path, most) as file:
        found = file.read(most + 1)
    if len(found) > most:  # it grew, or the system did not know its size
        raise FileFault(f"{path} is larger than {size_text(most)}, the most that is read")
    return found


def read_text(path: Path, most: int) -> str:
    """A plain file of UTF-8 text; a byte order mark before it is left out.

    Raises
    ------
    FileFault
        If it is something else, larger than `most` [bytes], or not such text.
    OSError
        If it is not there or cannot be read.
    """
    found = read_content(path, most)
    try:
        return found.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        hint = "; it looks like UTF-16" if found[:2] in (b"\xff\xfe", b"\xfe\xff") else ""
        raise FileFault(
            f"{path} is not UTF-8 text ({exc.reason} at byte {exc.start}){hint}: save it as UTF-8"
        ) from exc


def open_table(path: Path) -> BinaryIO:
    """A table of at most `TABLE_MAX` bytes, opened before its header, which was looked at.

    Raises
    ------
    FileFault
        If it is no plain file, too large, or its header too long.
    OSError
        If it is not there or cannot be read.
    """
    file = open_plain(path, TABLE_MAX)
    head = file.readline(LINE_MAX + 1)
    if len(head) > LINE_MAX or head.count(b",") >= COLUMNS_MAX:
        file.close()
        raise FileFault(
            f"{path}: its header must have at most {COLUMNS_MAX} columns and {LINE_MAX} characters"
        )
    file.seek(0)
    return file


def parsed_toml(text: str) -> dict[str, Any]:
    """Content of a TOML document.

    Raises
    ------
    ValueError
        If it is not TOML, or nested more deeply than can be read.
    """
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > DOTS_MAX:  # a key of n parts takes the parser n² of memory
            raise ValueError(f"line {number} has more than {DOTS_MAX} dots")
    try:
        found = tomllib.loads(text)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    level: list[Any] = [found]
    depth = 0
    while level:
        if (depth := depth + 1) > NESTED_MAX:
            raise ValueError(f"it is nested more than {NESTED_MAX} deep")
        inner = [v for one in level for v in (one.values() if isinstance(one, dict) else one)]
        if any(isinstance(value, int) and value.bit_length() > 63 for value in inner):
            raise ValueError("it has a whole number of more than 19 digits")
        level = [value for value in inner if isinstance(value, dict | list)]
    return found


def bounded_lines(file: TextIO, name: object, most: int = LINE_MAX) -> Iterator[str]:
    """Lines of a table, none longer than `most` characters.

    Raises
    ------
    FileFault
        Naming the first line that is longer.
    """
    number = 0
    while line := file.readline(most + 1):
        number += 1
        if len(line) > most:
            raise FileFault(
                f"{name}, line {number}: it has more than {most} characters; "
                "is it a table of text?"
            )
        yield line
