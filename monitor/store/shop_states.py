"""The state of a shop, kept in its store, and read from the stores of several shops."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

import msgspec

from monitor.core.errors import StoreFault
from monitor.domain.shop_state import ShopState
from monitor.store.connection import Cursor, StoreAddress, StoreConnection, opened

log = logging.getLogger(__name__)

AT_ONCE = 8
"""Number of stores read at a time."""
LONGEST = 100_000
"""Longest state that is read: no shop may fill the memory of who looks at all. [characters]"""
_KEEP = (
    "INSERT INTO shop_state (shop_state_id, made_ms, body) VALUES (1, ?, ?) "
    "ON CONFLICT (shop_state_id) DO UPDATE SET made_ms = excluded.made_ms, body = excluded.body"
)


def keep(run: Cursor, state: ShopState) -> None:
    """Within a transaction: keep the state instead of the one before."""
    run.execute(_KEEP, (state.made_ms, msgspec.json.encode(state).decode()))


def read(connection: StoreConnection) -> ShopState | None:
    """The state that a store keeps; None if no evaluation has kept one yet.

    Raises
    ------
    StoreFault
        If it cannot be read.
    """
    row = connection.row(
        "SELECT CASE WHEN length(body) <= ? THEN body ELSE '' END FROM shop_state", (LONGEST,)
    )
    if row is None:
        return None
    try:
        return msgspec.json.decode(row[0], type=ShopState)
    except (msgspec.DecodeError, RecursionError) as exc:
        raise StoreFault(f"{connection.name}: its state cannot be read: {exc}") from exc


def read_all(addresses: Mapping[str, StoreAddress]) -> dict[str, ShopState | StoreFault | None]:
    """States of several stores; a fault for a store that cannot be read."""
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="shops") as pool:
        return dict(zip(addresses, pool.map(_state, addresses.values()), strict=True))


def _state(address: StoreAddress) -> ShopState | StoreFault | None:
    try:
        with contextlib.closing(opened(address, read_only=True)) as connection:
            return read(connection)
    except StoreFault as exc:
        return exc
    except Exception as exc:  # whatever is wrong with one shop must not hide the others
        log.exception("store of a shop cannot be read")
        return StoreFault(f"cannot be read: {type(exc).__name__}")
