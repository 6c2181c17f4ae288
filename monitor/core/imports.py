"""Imports without the garbage collector, which would look at all modules again and again: a fifth of
the time in which a process starts, and most of that in which it ends."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator


@contextlib.contextmanager
def uncollected() -> Iterator[None]:
    """Let nothing made in here be looked at by the garbage collector, now or later.

    For what a process keeps until it ends: its modules, and a page's layout made once.
    """
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
