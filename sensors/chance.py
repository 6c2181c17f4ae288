"""Chance that depends on what and when, not on how often it was asked: the same instant gives the
same draw whether back-filled or live."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


def uniform(seed: int, what: str, counter: ArrayLike) -> Floats:
    """One draw from 0 up to 1 for each integer of `counter`, keyed by seed and `what`.

    Shape of `counter`, at least one-dimensional. The counter is mixed by SplitMix64 (Steele, Lea
    and Flood, 2014; constants from memory, the tests look at the distribution).
    """
    key = hashlib.blake2b(f"{seed}/{what}".encode(), digest_size=8).digest()
    x = np.atleast_1d(np.asarray(counter, dtype=np.int64)).astype(np.uint64)
    x = (x + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(int.from_bytes(key, "big"))
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    x ^= x >> np.uint64(31)
    return (x >> np.uint64(11)).astype(np.float64) * 2.0**-53


def normal(seed: int, what: str, counter: ArrayLike) -> Floats:
    """One draw of mean 0 and standard deviation 1 for each integer of `counter` (Box–Muller)."""
    radius = np.sqrt(-2 * np.log1p(-uniform(seed, f"{what}/radius", counter)))
    return radius * np.cos(2 * np.pi * uniform(seed, f"{what}/angle", counter))
