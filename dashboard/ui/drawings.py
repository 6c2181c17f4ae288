"""Small line drawings without a plotting library: SVG masks that take their colour from the theme.

A mask is laid over an element whose background is a colour of the theme, so the same drawing
serves day, night and high contrast. Nothing of what a sensor sent is in it but numbers.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING
from urllib.parse import quote

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

STRIP_LOW_PCT, STRIP_HIGH_PCT = 20.0, 80.0
"""Ends of the air strip's scale. [% RH]"""
GAP_MS = 2_100_000
"""10-minute means further apart than this have a gap between them. [ms]"""
LEAST_MS = 3_600_000
"""Shortest trace that is drawn. [ms]"""
WIDTH, HEIGHT = 1000, 300
"""Size of a drawing in its own coordinates; it is stretched to its element."""


def strip_place(rh_pct: float) -> float:
    """Position of an RH on the strip, 0 to 100; outside the scale, its end. [%]"""
    share = (rh_pct - STRIP_LOW_PCT) / (STRIP_HIGH_PCT - STRIP_LOW_PCT)
    return 100 * min(max(share, 0.0), 1.0)


def descent(
    at_ms: NDArray[np.int64], rh_pct: NDArray[np.float64], now_ms: int, day_ms: int
) -> str:
    """The last day over the air strip, as a CSS mask: RH across, time down, now at the bottom."""
    across = np.clip((rh_pct - STRIP_LOW_PCT) / (STRIP_HIGH_PCT - STRIP_LOW_PCT), 0, 1) * WIDTH
    down = np.clip(1 - (now_ms - at_ms) / day_ms, 0, 1) * HEIGHT
    return _mask(_path(at_ms, across, down), 2.5)


def spark(
    at_ms: NDArray[np.int64],
    values: NDArray[np.float64],
    now_ms: int,
    day_ms: int,
    least_span: float,
) -> str:
    """A day's trace, as a CSS mask: time across, the value up, stretched to its own range.

    `least_span` is the smallest range that fills the height, so that noise stays small. None before
    there is an hour: a shorter one is a stray bar.
    """
    known = values[np.isfinite(values)]
    if len(known) < 2 or at_ms[-1] - at_ms[0] < LEAST_MS:
        return "none"
    low, high = float(known.min()), float(known.max())
    span = max(high - low, least_span)
    foot = (low + high - span) / 2
    across = np.clip(1 - (now_ms - at_ms) / day_ms, 0, 1) * WIDTH
    up = HEIGHT * (0.94 - 0.88 * (values - foot) / span)
    return _mask(_path(at_ms, across, up), 2.0)


def curve(
    x: NDArray[np.float64], y: NDArray[np.float64], width: float, *, whole: bool = False
) -> str:
    """A curve within 0 to 1 each way, as a CSS mask; `whole`: to the very edge, else just inside."""
    y = y if whole else 0.03 + 0.94 * y
    return _mask(_line(x, y), width)


def area(x: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]) -> str:
    """Filled area between two curves within 0 to 1 each way, as a CSS mask."""
    path = _line(np.concatenate([x, x[::-1]]), np.concatenate([high, low[::-1]])) + "Z"
    return _svg(f"<path d='{path}' fill='#000'/>")


def _line(x: NDArray[np.float64], y: NDArray[np.float64]) -> str:
    points = zip((x * WIDTH).tolist(), (HEIGHT * (1 - y)).tolist(), strict=True)
    return "M" + "L".join(f"{px:.1f} {py:.1f}" for px, py in points)


def _path(at_ms: NDArray[np.int64], x: NDArray[np.float64], y: NDArray[np.float64]) -> str:
    parts: list[str] = []
    last = -math.inf
    for ms, px, py in zip(at_ms.tolist(), x.tolist(), y.tolist(), strict=True):
        if not math.isfinite(px) or not math.isfinite(py):
            last = -math.inf
            continue
        parts.append(f"{'M' if ms - last > GAP_MS else 'L'}{px:.0f} {py:.0f}")
        last = ms
    return "".join(parts)


def _mask(path: str, width: float) -> str:
    if not path:
        return "none"
    return _svg(
        f"<path d='{path}' fill='none' stroke='#000' stroke-width='{width}' "
        "stroke-linejoin='round' stroke-linecap='round' vector-effect='non-scaling-stroke'/>"
    )


def _svg(inside: str) -> str:
    svg = (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {WIDTH} {HEIGHT}' "
        f"preserveAspectRatio='none'>{inside}</svg>"
    )
    return f'url("data:image/svg+xml,{quote(svg, safe=" =:/")}")'
