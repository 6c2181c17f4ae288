"""Kinds of wait that were taken off the list, and what brings one back as it last was."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor import kind_book
from monitor.events import About
from monitor.kinds import KINDS, Kind
from monitor.store import Reader, journal


def retired_kinds(reader: Reader) -> dict[str, Kind]:
    """Those off the list by id, each as it last was.

    Raises
    ------
    StoreFault
        If the journal cannot be read.
    """
    known, book = dict(KINDS), dict(KINDS)
    for event in journal.events(reader)[0]:
        if event.about is About.KIND:
            book = kind_book.apply(book, event)
            known |= book
    return {kind_id: kind for kind_id, kind in known.items() if kind_id not in book}


def restoring(kind: Kind, book: Mapping[str, Kind]) -> dict[str, Any]:
    """The wish that puts `kind` back into `book`, for the command `kind`."""
    told = kind_book.as_mapping(kind)
    wish = {name: told[name] for name in kind_book.CHANGEABLE if name in told}
    return wish | {"kind": kind.id, "like": next(iter(book), "")}
