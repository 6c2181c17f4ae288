"""Waits between tries, each twice as long as the one before. Standard library only."""

from __future__ import annotations

import random


def doubled(first: float, most: float, failures: int) -> float:
    """The wait after a number of earlier failures in a row, in the unit of `first` and `most`.

    >>> [doubled(0.5, 15, failures) for failures in (0, 1, 2, 9, 100_000)]
    [0.5, 1.0, 2.0, 15, 15]
    """
    return min(first * 2 ** min(failures, 60), most)


class Backoff:
    """The waits of one who tries again and again.

    Parameters
    ----------
    first, most : float
        The first and the longest wait. [s]
    spread : float
        Each wait is longer by a random part of itself, up to this, so that clients do not all come
        back at once. [-]
    """

    def __init__(self, first: float, most: float, spread: float = 0.0) -> None:
        self._first, self._most, self._spread = first, most, spread
        self.failures = 0
        """Number of failures in a row."""

    def wait_s(self) -> float:
        """The wait before the next try, after one more failure. [s]"""
        wait = doubled(self._first, self._most, self.failures)
        self.failures += 1
        return wait * (1 + self._spread * random.random())  # noqa: S311 - no secret

    def reset(self) -> None:
        """A try has succeeded: begin with the first wait again."""
        self.failures = 0
