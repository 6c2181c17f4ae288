"""The board's keys: made once by the service, and kept where the people are.

A browser of this machine is known by a code that only a reader of the keys can make. Its
address proves nothing: whoever comes through a forwarder on this machine has the same one.
"""

from __future__ import annotations

import hmac
import json
import secrets
from typing import NamedTuple

from monitor.core.errors import BadPayload
from monitor.core.json_documents import json_object
from monitor.store.secret_files import BOARD_KEYS, SecretFiles

CODE_LIFE_S = 3600
"""Time for which a code opens the board. [s]"""


class BoardKeys(NamedTuple):
    """Keys that the service makes at its first start."""

    session_key: str
    calendar_token: str
    local_key: str


def read_board_keys(files: SecretFiles) -> BoardKeys | None:
    """The keys; None while the service has not made them."""
    return _whole(_kept(files.read(BOARD_KEYS)))


def make_board_keys(files: SecretFiles) -> BoardKeys:
    """Make the keys that are not there yet, and return all."""

    def made(text: str | None) -> str:
        kept = _kept(text)
        if text is not None and _whole(kept):
            return text
        return json.dumps({n: kept.get(n) or secrets.token_urlsafe(32) for n in BoardKeys._fields})

    return BoardKeys(**_kept(files.change(BOARD_KEYS, made)))


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


def _whole(kept: dict[str, str]) -> BoardKeys | None:
    return BoardKeys(**kept) if len(kept) == len(BoardKeys._fields) else None


def _kept(text: str | None) -> dict[str, str]:
    """The keys in a file; of a damaged one those that can be read."""
    try:
        found = json_object((text or "").encode())
    except BadPayload:
        return {}
    return {n: key for n in BoardKeys._fields if isinstance(key := found.get(n), str) and key}
