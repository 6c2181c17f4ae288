"""Indexes of nats-server's streams that a power cut has made false.

A stream has blocks of messages, and an index of them that the broker rebuilds if it is absent. The
index holds the checksum of the newest record when it was written, and the broker trusts it if the last
block still ends with these bytes. For an empty block they are zeros, and after a torn write a block can
end with zeros too. The broker would then take the stream for empty, number new messages from 1 again
in the same block, and deliver older messages in their place.
"""

from __future__ import annotations

import logging
import os
from pathlib import Path

log = logging.getLogger(__name__)

INDEX = "index.db"
_CHECKSUM_BYTES = 8
_NONE = bytes(_CHECKSUM_BYTES)


def drop_false_indexes(store: Path) -> None:
    """Remove each index that the broker would trust by mistake; only while the broker is stopped.

    Parameters
    ----------
    store : Path
        Folder of the broker's streams; nothing is done if it is not a folder.

    Raises
    ------
    OSError
        If a file cannot be read or removed.
    """
    for index in store.glob(f"*/streams/*/msgs/{INDEX}"):
        blocks = [path for path in index.parent.glob("*.blk") if path.stem.isdecimal()]
        last = max(blocks, key=lambda path: int(path.stem), default=None)
        if last and _tail(last, 1) == _NONE == _tail(index, 2):  # its own checksum comes last
            index.unlink()
            log.warning("index removed after a torn write stream=%s", index.parts[-3])


def _tail(path: Path, place: int) -> bytes:
    """The checksum at a place counted from the end of a file; empty if the file is too short."""
    with path.open("rb") as file:
        start = file.seek(0, os.SEEK_END) - place * _CHECKSUM_BYTES
        if start < 0:
            return b""
        file.seek(start)
        return file.read(_CHECKSUM_BYTES)
