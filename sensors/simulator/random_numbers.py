"""Random numbers keyed by subject and time: an instant gives the same draw, back-filled or live."""

from __future__ import annotations

import functools
import hashlib
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

Seed: TypeAlias = "int | tuple[int, ...]"
"""Of one, or of many: then draws have a last axis with one of each."""


def uniform(seed: Seed, what: str, counter: ArrayLike) -> Floats:
    """Draws from 0 up to 1, keyed by seed, `what` and each integer of `counter`.

    Shape of `counter`, at least one-dimensional, broadcast against the seeds where they are many.
    The counter is mixed by SplitMix64 (Steele, Lea and Flood, 2014; constants from memory, the
    tests look at the distribution).
    """
    x = np.atleast_1d(np.asarray(counter, dtype=np.int64)).astype(np.uint64)
    x = (x + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15) + _keys(seed, what)
    x ^= x >> np.uint64(30)
    x *= np.uint64(0xBF58476D1CE4E5B9)
    x ^= x >> np.uint64(27)
    x *= np.uint64(0x94D049BB133111EB)
    x ^= x >> np.uint64(31)
    return (x >> np.uint64(11)).astype(np.float64) * 2.0**-53


def normal(seed: Seed, what: str, counter: ArrayLike) -> Floats:
    """Draws of mean 0 and standard deviation 1 for each integer of `counter` (Box–Muller)."""
    radius = np.sqrt(-2 * np.log1p(-uniform(seed, f"{what}/radius", counter)))
    return radius * np.cos(2 * np.pi * uniform(seed, f"{what}/angle", counter))


@functools.lru_cache(maxsize=128)
def _keys(seed: Seed, what: str) -> np.uint64 | NDArray[np.uint64]:
    """Keys of the draws of each seed."""
    if isinstance(seed, tuple):
        return np.array([_key(one, what) for one in seed], dtype=np.uint64)
    return np.uint64(_key(seed, what))


def _key(seed: int, what: str) -> int:
    key = hashlib.blake2b(f"{seed}/{what}".encode(), digest_size=8).digest()
    return int.from_bytes(key, "big")
