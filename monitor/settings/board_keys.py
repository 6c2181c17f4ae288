"""The board's keys: made once by the service, kept in the data folder, readable by this user only.

A browser of this machine is known by a code that only a reader of the data folder can make. Its
address proves nothing: whoever comes through a forwarder on this machine has the same one.
"""

from __future__ import annotations

import contextlib
import hmac
import json
import secrets
from pathlib import Path
from typing import NamedTuple

from monitor.core.durable_file import write_durably
from monitor.core.errors import BadPayload
from monitor.core.json_documents import json_object

CODE_LIFE_S = 3600
"""Time for which a code opens the board. [s]"""


class BoardKeys(NamedTuple):
    """Keys that the service makes at its first start."""

    session_key: str
    calendar_token: str
    local_key: str


def read_board_keys(path: Path) -> BoardKeys | None:
    """The keys; None while the service has not made them."""
    found = _kept(path)
    keys = [key for name in BoardKeys._fields if isinstance(key := found.get(name), str) and key]
    return BoardKeys(*keys) if len(keys) == len(BoardKeys._fields) else None


def make_board_keys(path: Path) -> BoardKeys:
    """Make the keys that are not there yet, and return all."""
    if keys := read_board_keys(path):
        return keys
    kept = {name: key for name, key in _kept(path).items() if isinstance(key, str) and key}
    keys = BoardKeys(*(kept.get(name) or secrets.token_urlsafe(32) for name in BoardKeys._fields))
    path.parent.mkdir(parents=True, exist_ok=True)
    write_durably(path, json.dumps(keys._asdict()))
    return keys


def open_code(keys: BoardKeys, now_s: float) -> str:
    """Code that lets one browser change things on the board; good for `CODE_LIFE_S`."""
    until = int(now_s) + CODE_LIFE_S
    return f"{until:x}-{_seal(keys, until)}"


def code_holds(code: str, keys: BoardKeys, now_s: float) -> bool:
    """True if a code was made with these keys and its time is not over."""
    written, _, seal = code.partition("-")
    try:
        until = int(written, 16) if len(written) <= 12 else 0
    except ValueError:
        return False
    known = hmac.compare_digest(seal.encode(), _seal(keys, until).encode())
    return known and now_s < until <= now_s + CODE_LIFE_S + 60


def _seal(keys: BoardKeys, until_s: int) -> str:
    return hmac.new(
        keys.local_key.encode(), f"open until {until_s}".encode(), "sha256"
    ).hexdigest()[:40]


def _kept(path: Path) -> dict[str, object]:
    with contextlib.suppress(OSError, BadPayload):
        return json_object(path.read_bytes())
    return {}
