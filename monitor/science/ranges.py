"""Checks numbers against the range of a formula, and feeds large arrays to one block by block."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange

Floats: TypeAlias = NDArray[np.float64]
"""What the formulas return: an array, or for scalars the float64 that numpy treats as one."""

BLOCK = 8_192
"""Values a formula is given at a time, so that its intermediate results stay in cache. [-]"""


def checked(
    name: str,
    value: ArrayLike,
    unit: str,
    low: float | None = None,
    high: float | None = None,
    *,
    low_open: bool = False,
) -> Floats:
    """`value` as a float64 array, once every element of it lies in the range.

    Parameters
    ----------
    name, unit : str
        What an error calls the quantity and its unit.
    value : float or array_like
        A scalar, a list, an array or a pandas Series. NaN passes.
    low, high : float, optional
        Ends of the range; None leaves an end open. Both belong to it, `low` unless `low_open`.

    Raises
    ------
    OutOfRange
        Naming the first element outside and, in an array, its index.
    """
    array = np.asarray(value, dtype=np.float64)
    if array.size and _certainly_inside(array, low, high, low_open):
        return array
    below = array < (-np.inf if low is None else low)
    if low_open:
        below |= array == low
    outside = np.argwhere(below | (array > (np.inf if high is None else high)))
    if len(outside):
        index = tuple(int(i) for i in outside[0])
        where = f"[{', '.join(map(str, index))}]" if index else ""
        first = float(array[index])
        raise OutOfRange(name, first, unit, low, high, low_open=low_open, where=where)
    return array


def _certainly_inside(
    array: Floats, low: float | None, high: float | None, low_open: bool
) -> bool:
    """True if two passes show every element inside. A NaN compares as no: look closer."""
    least, most = array.min(), array.max()
    above = low is None or (least > low if low_open else least >= low)
    return bool(above and (high is None or most <= high))


def in_blocks(formula: Callable[..., Floats], *columns: Floats) -> Floats:
    """`formula` of the columns broadcast together, worked out `BLOCK` values at a time.

    Parameters
    ----------
    formula : callable
        Takes as many one-dimensional arrays as there are columns, never empty, and works
        element by element. A column of one value stays one value.
    columns : ndarray
        Of shapes that broadcast.

    Returns
    -------
    float64 or ndarray of the broadcast shape
    """
    shape = np.broadcast_shapes(*(column.shape for column in columns))
    size = math.prod(shape)
    flat = [c.ravel() if c.size == 1 else np.broadcast_to(c, shape).ravel() for c in columns]
    result = np.empty(size)
    for start in range(0, size, BLOCK):
        part = slice(start, start + BLOCK)
        result[part] = formula(*(c if c.size == 1 else c[part] for c in flat))
    return result.reshape(shape)[()]
