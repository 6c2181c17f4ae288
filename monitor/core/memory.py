"""Memory that is given back to the system once it is free."""

from __future__ import annotations

import contextlib
import ctypes

_MMAP_THRESHOLD, _LARGE_BYTES = -3, 1 << 20
"""Option of mallopt(3), and the size from which a block is mapped by itself. [-], [bytes]  Ours: far
below the arrays of many series, far above what is made often."""


def return_large_blocks() -> bool:
    """Let every large block go back to the system when it is freed. Returns whether that was set.

    The C library of Linux raises its own limit, up to 32 MB, with each large block that is freed. The
    next ones then lie between small ones that stay, so that a process grows in steps.
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):  # another C library
        return bool(ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, _LARGE_BYTES))
    return False
